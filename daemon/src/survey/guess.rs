//! What one field probably is: by its name, the unit written with it, the range of its values and how they move.

use super::Sure;
use super::behavior::{UNNAMED, rests_at_night};
use super::fields::{FieldSeen, Numbers};
use super::unit::{Family, Source, plain_number, range, unit};
use super::words::{Tag, Words};
use crate::engine::decode::TimeFormat;
use crate::engine::reading::Quantity;
use crate::engine::units::Unit;

/// What a field probably is, how sure that is, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Guess {
    /// As the configuration names it.
    pub key: String,
    pub meaning: Meaning,
    pub sure: Sure,
    pub why: String,
    /// A value that was seen.
    pub example: String,
    /// Fault codes that were seen, and that the decoder does not know by itself.
    pub sentinels: Vec<f64>,
    pub decimal_comma: bool,
    /// The name alone is too short to say much.
    pub is_weak: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Meaning {
    Reading(Sense),
    /// `in_utc`: a wall clock that runs on UTC.
    Time {
        format: TimeFormat,
        in_utc: bool,
    },
    /// Who sent it.
    Sender,
    /// Nothing that is of use here; `why` says what it seems to be.
    Nothing,
}

/// How a number becomes a quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sense {
    pub quantity: Quantity,
    pub unit: Unit,
    /// SenML: the record says the unit.
    pub unit_comes: bool,
    pub scale: f64,
    pub inverted: bool,
}

impl Guess {
    pub fn reading(&self) -> Option<&Sense> {
        match &self.meaning {
            Meaning::Reading(sense) => Some(sense),
            _ => None,
        }
    }

    /// A field of no use.
    pub fn nothing(key: &str, seen: &FieldSeen, why: impl Into<String>) -> Self {
        Self {
            key: key.to_owned(),
            meaning: Meaning::Nothing,
            sure: Sure::Guess,
            why: why.into(),
            example: example(seen),
            sentinels: Vec::new(),
            decimal_comma: seen.commas > 0,
            is_weak: false,
        }
    }
}

/// What `seen` probably is. `name` is all that names it: the key, or the level of the topic; `in_pack`: a SenML record.
pub fn guess(key: &str, name: &str, seen: &FieldSeen, in_pack: bool, family: Option<Family>) -> Guess {
    let mut words = Words::of(name);
    if let Some(hint) = &seen.hint {
        let hint = Words::of(hint);
        words.words.extend(hint.words);
        words.tags.extend(hint.tags);
    }
    let (quantity, why_named) = match named(&words, seen) {
        Ok(found) => found,
        Err(why) => return Guess::nothing(key, seen, why),
    };
    let deciding = deciding_word(&words);
    let helped = deciding == "rh" || words.has(Tag::Temperature) && words.words.iter().any(|word| word == "air");
    let is_weak = deciding.len() < 3 && !helped;
    let said = |sense: Sense, sure: Sure, why: String| Guess {
        meaning: Meaning::Reading(sense),
        sure,
        why,
        sentinels: seen.numbers.codes.clone(),
        is_weak,
        ..Guess::nothing(key, seen, "")
    };
    let plain = |unit: Unit| Sense { quantity, unit, unit_comes: false, scale: 1.0, inverted: false };
    if quantity == Quantity::BatteryOk {
        let sense = Sense { inverted: words.has(Tag::Low), ..plain(Unit::One) };
        return said(sense, Sure::High, format!("{why_named}; yes or no"));
    }
    if quantity == Quantity::SequenceNumber {
        let steps = seen.numbers.ones;
        let sure = if steps >= 2 { Sure::High } else { Sure::Likely };
        return said(plain(Unit::One), sure, format!("{why_named}; rises by 1 a message"));
    }
    let Some(found) = unit(quantity, &words, seen, in_pack, family) else {
        let range = range(&seen.numbers);
        return Guess::nothing(key, seen, format!("{why_named}, but {range} fits no unit of {}", quantity.name()));
    };
    let sure = match found.source {
        Source::Written | Source::Range if !is_weak => Sure::High,
        Source::Written => Sure::Likely,
        Source::Likely if !is_weak => Sure::Likely,
        Source::Range | Source::Likely | Source::Open => Sure::Guess,
    };
    let sense = Sense { unit: found.unit, scale: found.scale, unit_comes: found.comes, ..plain(found.unit) };
    let sure = match rain_doubt(quantity, &words, &seen.numbers) {
        Some(most) => sure.min(most),
        None => sure,
    };
    let sun = quantity == Quantity::SurfaceDownwellingShortwaveFlux && rests_at_night(&seen.numbers);
    let night = if sun { ", at rest for a part of the day" } else { "" };
    said(sense, sure, format!("{why_named}; {}{night}", found.why))
}

/// Which quantity a name says.
fn named(words: &Words, seen: &FieldSeen) -> Result<(Quantity, String), String> {
    use Quantity as Q;
    let has = |tag: Tag| words.has(tag);
    let any = |tags: &[Tag]| tags.iter().any(|tag| words.has(*tag));
    let by_name = |quantity: Quantity| Ok((quantity, format!("named {:?}", deciding_word(words))));
    let refuse = |why: &str| Err(why.to_owned());
    let numbers = &seen.numbers;
    if seen.truths > 0 || !seen.is_number() {
        let battery_words =
            seen.texts.iter().any(|(_, text)| ["ok", "low", "good"].contains(&text.to_lowercase().as_str()));
        return match has(Tag::Battery) && (seen.truths > 0 || battery_words) {
            true => by_name(Q::BatteryOk),
            false if seen.truths > 0 => refuse("yes or no, and no battery by its name"),
            false if numbers.count == 0 && seen.texts.is_empty() => refuse("never had a value"),
            false => refuse("text"),
        };
    }
    if seen.unit.as_deref() == Some("%EL") {
        return Ok((Q::BatteryLevel, "the unit of an energy level".to_owned()));
    }
    if has(Tag::Place) {
        return refuse("a place, not a reading");
    }
    if any(&[Tag::StatusWord]) {
        return refuse("about the sender itself");
    }
    if has(Tag::Derived) {
        return refuse("made from other readings, not measured");
    }
    if any(&[Tag::Ultraviolet]) {
        return refuse("ultraviolet is not used");
    }
    if any(&[Tag::Lux]) && !has(Tag::Sun) {
        return refuse("brightness: there is no honest way from lux to W/m²");
    }
    if has(Tag::Noise) {
        return by_name(Q::Snr);
    }
    if has(Tag::Signal) || words.words.last().is_some_and(|word| word == "dbm") {
        return if numbers.most < 0.0 { by_name(Q::Rssi) } else { refuse("a signal that is not in dBm") };
    }
    if any(&[Tag::Battery, Tag::Voltage]) {
        return battery(words, numbers).map_or_else(|why| Err(why.to_owned()), by_name);
    }
    if has(Tag::Sequence) || has(Tag::Total) && !any(&[Tag::Rain, Tag::Tips, Tag::Sun]) {
        let counts = numbers.whole && numbers.falls <= 1 && numbers.rises == numbers.count.saturating_sub(1);
        let each = numbers.ones * 10 >= numbers.rises * 7;
        return if counts && each && (has(Tag::Sequence) || numbers.ones >= 3) {
            by_name(Q::SequenceNumber)
        } else {
            refuse("a count, but not by 1 a message")
        };
    }
    if any(&[Tag::Rain, Tag::Tips]) {
        return rain(words, numbers);
    }
    if any(&[Tag::Wind, Tag::Gust]) || has(Tag::Direction) {
        return match () {
            () if has(Tag::Direction) && !has(Tag::Gust) => by_name(Q::WindFromDirection),
            () if has(Tag::Direction) => refuse("the direction of gusts is not used"),
            () if has(Tag::Gust) || has(Tag::Extreme) => by_name(Q::WindSpeedOfGust),
            () if !has(Tag::Speed) && words.units().next().is_none() && numbers.whole && numbers.most > 90.0 => {
                by_name(Q::WindFromDirection)
            }
            () => by_name(Q::WindSpeed),
        };
    }
    if has(Tag::Extreme) {
        return refuse("a highest or lowest, not a reading of now");
    }
    if has(Tag::Sun) {
        return by_name(Q::SurfaceDownwellingShortwaveFlux);
    }
    if has(Tag::Leaf) {
        return if has(Tag::Temperature) {
            refuse("the temperature of leaves is not used")
        } else {
            by_name(Q::LeafWetness)
        };
    }
    if has(Tag::Soil) && any(&[Tag::Moisture, Tag::Humidity]) || has(Tag::Moisture) {
        return by_name(Q::SoilMoisture);
    }
    if has(Tag::Soil) && has(Tag::Temperature) {
        return by_name(Q::SoilTemperature);
    }
    if has(Tag::Inside) && any(&[Tag::Temperature, Tag::Humidity]) {
        return refuse("not of the air outside");
    }
    if has(Tag::Dew) {
        return by_name(Q::DewPointTemperature);
    }
    if has(Tag::Humidity) {
        return by_name(Q::RelativeHumidity);
    }
    if has(Tag::Pressure) {
        return if has(Tag::SeaLevel) { refuse("pressure reduced to sea level") } else { by_name(Q::AirPressure) };
    }
    if has(Tag::Temperature) {
        return by_name(Q::AirTemperature);
    }
    // Loggers abbreviate the temperature of the air so.
    if words.words == ["at"] {
        return by_name(Q::AirTemperature);
    }
    if any(&[Tag::Time, Tag::Received]) {
        return refuse("a time or a duration");
    }
    let is_pressure = numbers.count >= 3 && !numbers.whole && numbers.least > 870.0 && numbers.most < 1085.0;
    match is_pressure && numbers.most - numbers.least < 40.0 {
        true => Ok((Q::AirPressure, "no name, but only air pressure has such values".to_owned())),
        false => refuse(UNNAMED),
    }
}

fn battery(words: &Words, numbers: &Numbers) -> Result<Quantity, &'static str> {
    let has = |tag: Tag| words.has(tag);
    let binary = numbers.whole && numbers.least >= 0.0 && numbers.most <= 1.0;
    match () {
        () if has(Tag::Temperature) || has(Tag::Sun) => Err("about the power supply, not used"),
        () if has(Tag::Low) || has(Tag::Good) || !has(Tag::Voltage) && !has(Tag::Level) && binary => {
            if binary {
                Ok(Quantity::BatteryOk)
            } else {
                Err("a battery's state that is not 0 or 1")
            }
        }
        () if has(Tag::Voltage) => Ok(Quantity::BatteryVoltage),
        () if words.units().any(|unit| unit == Unit::Volts) => Ok(Quantity::BatteryVoltage),
        () if has(Tag::Level) || words.units().any(|unit| unit == Unit::Percent) => Ok(Quantity::BatteryLevel),
        () if numbers.most > 1000.0 || numbers.most < 16.0 && !numbers.whole => Ok(Quantity::BatteryVoltage),
        () => Ok(Quantity::BatteryLevel),
    }
}

/// Counter or amount: a counter only rises, an amount comes back to 0.
fn rain(words: &Words, numbers: &Numbers) -> Result<(Quantity, String), String> {
    use Quantity as Q;
    let name = format!("named {:?}", deciding_word(words));
    let has = |tag: Tag| words.has(tag);
    let moves = if numbers.only_rises() { ", only rises" } else { "" };
    if has(Tag::Rate) || words.units().any(|unit| matches!(unit, Unit::MillimetersPerHour | Unit::InchesPerHour)) {
        return Ok((Q::RainfallRate, name));
    }
    let drops = numbers.falls > 0 && !numbers.only_rises();
    if has(Tag::Total) || has(Tag::Tips) || has(Tag::OfDay) {
        return if drops {
            Ok((Q::RainfallAmount, format!("{name}, but it falls again")))
        } else {
            Ok((Q::RainCounter, format!("{name}{moves}")))
        };
    }
    if has(Tag::Interval) {
        return Ok((Q::RainfallAmount, name));
    }
    match () {
        () if numbers.only_rises() => Ok((Q::RainCounter, format!("{name}{moves}"))),
        () if drops => Ok((Q::RainfallAmount, format!("{name}, comes back to {}", plain_number(numbers.least)))),
        () if numbers.least > 0.0 => Ok((Q::RainCounter, format!("{name}, stands still above 0"))),
        () => Ok((Q::RainCounter, format!("{name}, and 0 all the time: a counter or an amount"))),
    }
}

/// Rain of a kind that nothing but a bare name speaks for.
fn rain_doubt(quantity: Quantity, words: &Words, numbers: &Numbers) -> Option<Sure> {
    let told = [Tag::Total, Tag::Tips, Tag::Interval, Tag::Rate].iter().any(|tag| words.has(*tag));
    match quantity {
        Quantity::RainCounter if words.has(Tag::OfDay) => Some(Sure::Likely),
        Quantity::RainCounter | Quantity::RainfallAmount if told => None,
        Quantity::RainCounter if numbers.rises >= 2 => None,
        Quantity::RainCounter if numbers.least > 0.0 => Some(Sure::Likely),
        Quantity::RainfallAmount if numbers.falls >= 1 => Some(Sure::Likely),
        Quantity::RainCounter | Quantity::RainfallAmount => Some(Sure::Guess),
        _ => None,
    }
}

/// The last word that says what the name speaks of.
fn deciding_word(words: &Words) -> &str {
    let means = |word: &&String| {
        let tags = Words::of(word).tags;
        tags.first()
            .is_some_and(|tag| !matches!(tag, Tag::Channel | Tag::Container | Tag::Time | Tag::Mean | Tag::SiteWord))
    };
    words.words.iter().filter(means).max_by_key(|word| word.len()).or(words.words.last()).map_or("", String::as_str)
}

fn example(seen: &FieldSeen) -> String {
    match (seen.numbers.count, seen.texts.last()) {
        (0, Some((_, text))) => text.chars().take(20).collect(),
        (0, None) if seen.truths > 0 => "true".to_owned(),
        (0, None) => String::new(),
        _ => plain_number(seen.numbers.last),
    }
}
