//! What the fields of one message say about each other: which units go together, which are the same thing twice, what
//! confirms a short name.

use std::collections::BTreeMap;

use super::Sure;
use super::behavior::{guess_unnamed, is_unnamed};
use super::fields::{FieldSeen, Numbers};
use super::guess::{Guess, Meaning, guess};
use super::stream::Stream;
use super::times;
use super::unit::{Family, family_of};
use crate::engine::formula::vapor::{dew_point, vapor_pressure_of_humidity};
use crate::engine::reading::Quantity;
use crate::engine::units::{Celsius, Percent, Unit};

/// What all fields of a stream probably are. `name_of` gives all that names a field.
pub fn guesses(stream: &Stream, in_pack: bool, family: Option<Family>, name_of: impl Fn(&str) -> String) -> Vec<Guess> {
    let one = |key: &str, seen: &FieldSeen, family| {
        let is_sender = stream.id_pointer.as_deref() == Some(key);
        match times::time(key, seen) {
            _ if is_sender => Guess {
                meaning: Meaning::Sender,
                sure: Sure::Likely,
                why: "says who sent it".to_owned(),
                ..Guess::nothing(key, seen, "")
            },
            Some(time) => time,
            None => guess(key, &name_of(key), seen, in_pack, family),
        }
    };
    let all = |family| -> Vec<Guess> { stream.fields.iter().map(|(key, seen)| one(key, seen, family)).collect() };
    let mut found = all(family);
    if family.is_none()
        && let Some(family) = family_by(&found)
    {
        found = all(Some(family));
    }
    confirm_dew_point(&mut found, &stream.fields);
    guess_unnamed(&mut found, &stream.fields);
    confirm_short_names(&mut found);
    follow_the_rain(&mut found);
    keep_one_each(&mut found);
    keep_one_time(&mut found);
    found
}

/// Metric or imperial, by the units that are sure.
pub fn family_by(guesses: &[Guess]) -> Option<Family> {
    let count = |family: Family| {
        let sure = guesses.iter().filter(|guess| guess.sure == Sure::High);
        sure.filter(|guess| guess.reading().is_some_and(|sense| family_of(sense.unit) == Some(family))).count()
    };
    match (count(Family::Metric), count(Family::Imperial)) {
        (metric, imperial) if metric > imperial => Some(Family::Metric),
        (metric, imperial) if imperial > metric => Some(Family::Imperial),
        _ => None,
    }
}

/// Temperature, humidity and dew point of one message belong together: with the right units they agree.
fn confirm_dew_point(found: &mut [Guess], fields: &BTreeMap<String, FieldSeen>) {
    let place = |quantity: Quantity| {
        found.iter().position(|guess| guess.reading().is_some_and(|sense| sense.quantity == quantity))
    };
    let (Some(air), Some(humidity)) = (place(Quantity::AirTemperature), place(Quantity::RelativeHumidity)) else {
        return;
    };
    let dew = place(Quantity::DewPointTemperature).or_else(|| {
        found.iter().position(|guess| is_unnamed(guess) && fields.get(&guess.key).is_some_and(FieldSeen::is_number))
    });
    let Some(dew) = dew else { return };
    let series = |at: usize| -> Option<&Numbers> { Some(&fields.get(&found.get(at)?.key)?.numbers) };
    let (Some(t), Some(h), Some(d)) = (series(air), series(humidity), series(dew)) else { return };
    for unit in [Unit::Celsius, Unit::Fahrenheit] {
        let celsius = |value: f64| unit.convert(value, Quantity::AirTemperature).unwrap_or(f64::NAN);
        let misses = t.series.iter().zip(&h.series).zip(&d.series).map(|((t, h), d)| {
            let vapor = vapor_pressure_of_humidity(Celsius(celsius(t.1)), Percent(h.1));
            (dew_point(vapor).0 - celsius(d.1)).abs()
        });
        let (count, worst) = misses.fold((0, 0.0_f64), |(count, worst), miss| {
            (count + 1, if miss.is_nan() { f64::INFINITY } else { worst.max(miss) })
        });
        if count < LEAST_TOGETHER || worst > AGREES_WITHIN_CELSIUS {
            continue;
        }
        for (index, quantity) in [(air, Quantity::AirTemperature), (dew, Quantity::DewPointTemperature)] {
            let Some(guess) = found.get_mut(index) else { continue };
            if guess.sure == Sure::High {
                continue;
            }
            let sense = guess.reading().copied();
            let base = super::guess::Sense { quantity, unit, unit_comes: false, scale: 1.0, inverted: false };
            guess.meaning = Meaning::Reading(super::guess::Sense { quantity, unit, ..sense.unwrap_or(base) });
            guess.sure = Sure::High;
            guess.why = format!(
                "in {} it agrees with the other two of temperature, humidity and dew point",
                super::unit::shown(unit)
            );
        }
        return;
    }
}

/// `t`, `h` and `p` say little alone; three of them that all fit say enough.
fn confirm_short_names(found: &mut [Guess]) {
    let fits = |guess: &&Guess| guess.is_weak && guess.reading().is_some();
    if found.iter().filter(fits).count() < LEAST_SHORT_NAMES {
        return;
    }
    for guess in
        found.iter_mut().filter(|guess| guess.is_weak && guess.sure == Sure::Guess && guess.reading().is_some())
    {
        let open = guess.why.contains("nothing says so") || guess.why.contains("counter or an amount");
        if !open {
            guess.sure = Sure::Likely;
            guess.why.push_str(", as the other short names do");
        }
    }
}

/// Rain of one gauge is in one kind of unit.
fn follow_the_rain(found: &mut [Guess]) {
    let is_depth = |quantity: Quantity| {
        matches!(quantity, Quantity::RainCounter | Quantity::RainfallAmount | Quantity::RainfallRate)
    };
    let known = found.iter().filter(|guess| guess.sure > Sure::Guess).find_map(|guess| {
        let sense = guess.reading().filter(|sense| is_depth(sense.quantity))?;
        Some((guess.key.clone(), family_of(sense.unit)?))
    });
    let Some((leader, family)) = known else { return };
    for guess in found.iter_mut().filter(|guess| guess.key != leader && guess.why.contains("nothing says so")) {
        let Meaning::Reading(sense) = &mut guess.meaning else { continue };
        let unit = match (sense.quantity, family) {
            (Quantity::RainfallRate, Family::Metric) => Unit::MillimetersPerHour,
            (Quantity::RainfallRate, Family::Imperial) => Unit::InchesPerHour,
            (Quantity::RainCounter, _) if sense.unit == Unit::Tips => continue,
            (Quantity::RainCounter | Quantity::RainfallAmount, Family::Metric) => Unit::Millimeters,
            (Quantity::RainCounter | Quantity::RainfallAmount, Family::Imperial) => Unit::Inches,
            _ => continue,
        };
        (sense.unit, guess.sure) = (unit, Sure::Likely);
        guess.why = format!("{}, as {leader}", super::unit::shown(unit));
    }
}

/// Of fields that say the same, one speaks; the others become remarks.
pub fn keep_one_each(found: &mut [Guess]) {
    for index in 0..found.len() {
        let Some((quantity, rank)) = found.get(index).and_then(|guess| Some((guess.reading()?.quantity, rank(guess))))
        else {
            continue;
        };
        let better = found.iter().enumerate().find(|(other, guess)| {
            *other != index
                && guess.sure > Sure::Guess
                && guess.reading().is_some_and(|sense| is_same(sense.quantity, quantity))
                && {
                    let other_rank = self::rank(guess);
                    other_rank > rank || other_rank == rank && *other < index
                }
        });
        let Some(key) = better.map(|(_, guess)| guess.key.clone()) else { continue };
        if let Some(guess) = found.get_mut(index) {
            guess.sure = Sure::Guess;
            guess.why = format!("the same as {key}, which says it already");
        }
    }
}

/// Rain is counted once, whoever tells of it.
fn is_same(a: Quantity, b: Quantity) -> bool {
    let is_depth = |quantity: Quantity| matches!(quantity, Quantity::RainCounter | Quantity::RainfallAmount);
    a == b || is_depth(a) && is_depth(b)
}

/// The higher, the better: sure, a counter before an amount, a total before one of the day, plain values before short names.
fn rank(guess: &Guess) -> (Sure, bool, bool, bool, std::cmp::Reverse<usize>) {
    let is_counter = guess.reading().is_some_and(|sense| sense.quantity != Quantity::RainfallAmount);
    let words = super::words::Words::of(&guess.key);
    let is_total = !words.has(super::words::Tag::OfDay);
    let is_engine_unit = guess.reading().is_some_and(|sense| family_of(sense.unit) != Some(Family::Imperial));
    (guess.sure, is_counter, is_total, is_engine_unit, std::cmp::Reverse(guess.key.matches('/').count()))
}

/// The sensor's own time goes before one that a gateway wrote.
fn keep_one_time(found: &mut [Guess]) {
    let rank = |guess: &Guess| {
        (!times::is_received(&guess.key), guess.sure, std::cmp::Reverse(guess.key.matches('/').count()))
    };
    let times = found.iter().filter(|guess| matches!(guess.meaning, Meaning::Time { .. }));
    let Some(best) = times.max_by_key(|guess| rank(guess)).map(|guess| guess.key.clone()) else { return };
    for guess in found.iter_mut().filter(|guess| matches!(guess.meaning, Meaning::Time { .. }) && guess.key != best) {
        guess.meaning = Meaning::Nothing;
        guess.why = format!("a time too; {best} is the sensor's own");
    }
}

/// Our choices: three messages show agreement, and two names more make a short one believable.
const LEAST_TOGETHER: u32 = 3;
const LEAST_SHORT_NAMES: usize = 3;
/// Rounding to whole percent and degrees, and other formulas of the vapor pressure.
const AGREES_WITHIN_CELSIUS: f64 = 0.9;
