//! What a field without a telling name may be, by how its values move alone and beside the others. Guesses to look at.

use std::collections::BTreeMap;

use super::Sure;
use super::fields::{FieldSeen, Numbers};
use super::guess::{Guess, Meaning, Sense};
use crate::engine::reading::Quantity;
use crate::engine::units::Unit;

/// Gives a meaning to fields whose names say nothing, where their values behave like one.
pub fn guess_unnamed(found: &mut [Guess], fields: &BTreeMap<String, FieldSeen>) {
    let of = |found: &[Guess], quantity: Quantity| {
        let guess = found.iter().find(|guess| guess.reading().is_some_and(|sense| sense.quantity == quantity))?;
        Some((guess.key.clone(), &fields.get(&guess.key)?.numbers))
    };
    let air = of(found, Quantity::AirTemperature);
    let wind = of(found, Quantity::WindSpeed);
    for guess in found.iter_mut().filter(|guess| is_unnamed(guess)) {
        let Some(seen) = fields.get(&guess.key).filter(|seen| seen.is_number()) else { continue };
        let numbers = &seen.numbers;
        let behaves = alone(numbers).or_else(|| {
            let (key, air) = air.as_ref()?;
            let inside = numbers.least >= 5.0 && numbers.most <= 100.0 && numbers.most - numbers.least > 3.0;
            let opposite = inside && correlation(numbers, air).is_some_and(|found| found < -0.7);
            opposite.then(|| {
                (Quantity::RelativeHumidity, Unit::Percent, format!("falls when {key} rises, within 0 to 100"))
            })
        });
        let behaves = behaves.or_else(|| {
            let (key, wind) = wind.as_ref()?;
            let pairs = || numbers.series.iter().zip(&wind.series);
            let above =
                pairs().all(|(a, b)| a.1 >= b.1) && pairs().any(|(a, b)| a.1 > b.1) && numbers.most < 4.0 * wind.most;
            let close = above && correlation(numbers, wind).is_some_and(|found| found > 0.6);
            close.then(|| {
                (Quantity::WindSpeedOfGust, Unit::MetersPerSecond, format!("never below {key}, and rises with it"))
            })
        });
        if let Some((quantity, unit, why)) = behaves {
            guess.meaning = Meaning::Reading(Sense { quantity, unit, unit_comes: false, scale: 1.0, inverted: false });
            guess.sure = Sure::Guess;
            guess.why = format!("no telling name, but {why}");
        }
    }
}

/// True for what has no meaning yet because its name has none.
pub fn is_unnamed(guess: &Guess) -> bool {
    guess.meaning == Meaning::Nothing && guess.why == UNNAMED
}

/// Why a field has no meaning.
pub const UNNAMED: &str = "the name does not say what it is";

/// True where the values rest at 0 for a while and rise and fall between: day and night.
pub fn rests_at_night(numbers: &Numbers) -> bool {
    let dark = numbers.series.iter().filter(|(_, value)| *value <= DARK_W_PER_M2).count();
    let turns = numbers
        .series
        .windows(2)
        .filter(|pair| matches!(pair, [a, b] if (a.1 <= DARK_W_PER_M2) != (b.1 <= DARK_W_PER_M2)));
    let share = dark * 10 / numbers.series.len().max(1);
    numbers.series.len() >= LEAST_SERIES
        && (2..=8).contains(&share)
        && turns.count() <= numbers.series.len() / 8
        && numbers.most > 100.0
}

fn alone(numbers: &Numbers) -> Option<(Quantity, Unit, String)> {
    if (numbers.count as usize) < LEAST_SERIES {
        return None;
    }
    let spread = numbers.most - numbers.least;
    let bucket = [0.2, 0.254, 0.25, 0.1].into_iter().find(|step| numbers.steps_by(*step));
    match bucket {
        Some(step)
            if numbers.only_rises()
                && !numbers.whole
                && numbers.rises >= 2
                && numbers.rises * 3 < numbers.count * 2 =>
        {
            Some((
                Quantity::RainCounter,
                Unit::Millimeters,
                format!("it only rises, in steps of {step}, as a rain gauge in mm does"),
            ))
        }
        _ if rests_at_night(numbers) && numbers.least >= -15.0 && numbers.most <= 1500.0 => {
            let why = "it rests at 0 for a part of the day, as the sun does at night".to_owned();
            Some((Quantity::SurfaceDownwellingShortwaveFlux, Unit::WattsPerM2, why))
        }
        _ if numbers.whole && numbers.least >= -135.0 && numbers.most <= -25.0 => {
            Some((Quantity::Rssi, Unit::DecibelMilliwatts, "only a signal strength has such values".to_owned()))
        }
        _ if numbers.whole && numbers.least >= 0.0 && numbers.ones + 1 >= numbers.count => {
            Some((Quantity::SequenceNumber, Unit::One, "it rises by 1 a message".to_owned()))
        }
        _ if !numbers.whole && numbers.least >= 1.8 && numbers.most <= 4.3 && spread < 0.4 => {
            Some((Quantity::BatteryVoltage, Unit::Volts, "it rests like the voltage of a battery".to_owned()))
        }
        _ => None,
    }
}

/// Pearson's correlation of two series that were taken together, -1 to 1; `None` where one of them does not move.
fn correlation(a: &Numbers, b: &Numbers) -> Option<f64> {
    let pairs: Vec<(f64, f64)> = a.series.iter().zip(&b.series).map(|(a, b)| (a.1, b.1)).collect();
    if pairs.len() < LEAST_SERIES {
        return None;
    }
    let count = pairs.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| pairs.iter().map(of).sum::<f64>() / count;
    let (mean_a, mean_b) = (mean(|pair| pair.0), mean(|pair| pair.1));
    let together: f64 = pairs.iter().map(|(a, b)| (a - mean_a) * (b - mean_b)).sum();
    let own = |of: fn(&(f64, f64)) -> f64, mean: f64| pairs.iter().map(|pair| (of(pair) - mean).powi(2)).sum::<f64>();
    let size = (own(|pair| pair.0, mean_a) * own(|pair| pair.1, mean_b)).sqrt();
    (size > 0.0).then(|| together / size)
}

/// Our choice: fewer values show no behavior.
const LEAST_SERIES: usize = 12;

/// Pyranometers rest a little beside 0.
const DARK_W_PER_M2: f64 = 3.0;
