//! The elapsed day cut into hours without holes, each with its sun and its usable readings.

use super::{Day, HourWeather, Mean, Place, WELL_COVERED};
use crate::engine::{
    formula::{reference_et, sun_of_day::SunOfDay, vapor},
    stamp::{DAY, HOUR, MINUTE, Stamp},
    units::{
        Celsius, Degrees, Hours, Kilopascals, MegajoulesPerM2, Meters, MetersPerSecond, Percent, Radians, WattsPerM2,
    },
};

/// What all slots of a day have in common.
pub(super) struct Frame {
    pub sun: SunOfDay,
    /// Of the elevation.
    pub pressure: Kilopascals,
    wind_profile: f64,
}

impl Frame {
    pub fn of(place: &Place, day_of_year: u32) -> Self {
        Self {
            sun: SunOfDay::new(Degrees(place.latitude_degrees), Degrees(place.longitude_degrees), day_of_year),
            pressure: vapor::pressure_at(Meters(place.elevation_m)),
            wind_profile: reference_et::wind_profile(Meters(place.wind_height_m)),
        }
    }
}

/// At most an hour of the day.
pub(super) struct Slot {
    start: Stamp,
    pub hours: f64,
    /// Solar time angle of the middle.
    middle: Radians,
    /// Ra in MJ/m² over the slot; 0 at night.
    pub extraterrestrial: f64,
    /// °C.
    pub air: Option<Mean>,
    /// kPa.
    pub actual_vapor: Option<Mean>,
    /// m/s at 2 m.
    pub wind: Option<Mean>,
    /// W/m².
    pub shortwave: Option<Mean>,
}

impl Slot {
    /// Fit for the hourly method by itself.
    pub fn is_well_covered(&self) -> bool {
        let read = |mean: Option<Mean>| mean.and_then(well_covered).is_some();
        let dark = self.extraterrestrial == 0.0;
        read(self.air) && read(self.actual_vapor) && read(self.wind) && (dark || read(self.shortwave))
    }

    /// Received share of Ra; None with a low sun, where the share says little. Below 0.2 MJ/m² an hour (our choice).
    pub fn clearness(&self) -> Option<f64> {
        let flux = well_covered(self.shortwave?)?;
        (self.extraterrestrial >= 0.2 * self.hours && self.extraterrestrial > 0.0)
            .then(|| (WattsPerM2(flux).over(Hours(self.hours)).0 / self.extraterrestrial).clamp(0.0, 1.0))
    }

    /// What sun and air give the slot.
    pub fn hour_frame(&self, frame: &Frame) -> reference_et::HourFrame {
        reference_et::HourFrame {
            extraterrestrial: MegajoulesPerM2(self.extraterrestrial),
            sine_of_elevation: frame.sun.sine_of_elevation(self.middle),
            pressure: frame.pressure,
        }
    }

    /// The slot as the hourly formula wants it.
    pub fn weather(
        &self,
        place: &Place,
        day: &Day<'_>,
        air: f64,
        actual_vapor: f64,
        shortwave: f64,
        wind: f64,
    ) -> reference_et::HourlyWeather {
        reference_et::HourlyWeather {
            day_of_year: day.day_of_year,
            latitude: Degrees(place.latitude_degrees).radians(),
            middle: self.middle,
            length: Hours(self.hours),
            elevation: Meters(place.elevation_m),
            air: Celsius(air),
            actual_vapor: Kilopascals(actual_vapor),
            shortwave: MegajoulesPerM2(shortwave),
            wind: MetersPerSecond(wind),
            clear_sky: place.clear_sky,
        }
    }
}

/// The mean, where it stands for enough of its hour.
pub(super) fn well_covered(mean: Mean) -> Option<f64> {
    (mean.covered >= WELL_COVERED).then_some(mean.mean)
}

/// Slots from the day's start until `until`: the hours of the day book, and empty ones between them.
pub(super) fn slots_between(frame: &Frame, day: &Day<'_>, until: Stamp) -> Vec<Slot> {
    let mut hours: Vec<&HourWeather> = day.hours.iter().filter(|hour| is_within(hour, day.start, until)).collect();
    hours.sort_by_key(|hour| hour.start);
    let mut slots = Vec::with_capacity(26);
    let mut at = day.start;
    for hour in hours {
        if hour.start < at {
            continue;
        }
        slots.extend(empty_between(frame, at, hour.start));
        let end = hour.start.plus(i64::from(hour.minutes) * MINUTE);
        slots.push(slot(frame, hour.start, end.min(until), Some(hour)));
        at = end.min(until);
    }
    slots.extend(empty_between(frame, at, until));
    slots
}

/// Slots without readings, of an hour at most.
fn empty_between(frame: &Frame, from: Stamp, until: Stamp) -> impl Iterator<Item = Slot> {
    hours_between(from, until).map(|(start, end)| slot(frame, start, end, None))
}

/// Ra of the time from `from` to `until`, slot by slot, MJ/m².
pub(super) fn extraterrestrial_between(frame: &Frame, from: Stamp, until: Stamp) -> f64 {
    hours_between(from, until).map(|(start, end)| sun_between(frame, start, end).1).sum()
}

/// The time cut into hours from its start on.
fn hours_between(from: Stamp, until: Stamp) -> impl Iterator<Item = (Stamp, Stamp)> {
    let next = move |start: Stamp| (start < until).then(|| (start, start.plus(HOUR).min(until)));
    std::iter::successors(next(from), move |(_, end)| next(*end))
}

/// Solar time angle of the middle, and Ra in MJ/m².
fn sun_between(frame: &Frame, start: Stamp, end: Stamp) -> (Radians, f64) {
    let millis = end.since(start);
    let utc = Hours(start.plus(millis / 2).0.rem_euclid(DAY) as f64 / HOUR as f64);
    let middle = frame.sun.time_angle(utc);
    (middle, frame.sun.extraterrestrial_of_span(middle, Hours(millis as f64 / HOUR as f64)).0)
}

/// One value for every slot: its own, else between the nearest ones in time, else the nearest. All None without any.
pub(super) fn interpolated(slots: &[Slot], own: impl Fn(&Slot) -> Option<f64>) -> Vec<Option<f64>> {
    let values: Vec<Option<f64>> = slots.iter().map(own).collect();
    if values.iter().all(Option::is_some) {
        return values;
    }
    let known: Vec<(f64, f64)> =
        slots.iter().zip(&values).filter_map(|(slot, value)| value.map(|value| (middle_of(slot), value))).collect();
    slots
        .iter()
        .zip(&values)
        .map(|(slot, value)| {
            value.or_else(|| {
                let at = middle_of(slot);
                let before = known.iter().rev().find(|(time, _)| *time <= at);
                let after = known.iter().find(|(time, _)| *time > at);
                match (before, after) {
                    (Some((t0, v0)), Some((t1, v1))) => Some(v0 + (v1 - v0) * (at - t0) / (t1 - t0)),
                    (Some((_, value)), None) | (None, Some((_, value))) => Some(*value),
                    (None, None) => None,
                }
            })
        })
        .collect()
}

fn middle_of(slot: &Slot) -> f64 {
    slot.start.0 as f64 / HOUR as f64 + slot.hours / 2.0
}

fn is_within(hour: &HourWeather, start: Stamp, until: Stamp) -> bool {
    (1..=60).contains(&hour.minutes) && hour.start >= start && hour.start < until
}

fn slot(frame: &Frame, start: Stamp, end: Stamp, hour: Option<&HourWeather>) -> Slot {
    let hours = end.since(start) as f64 / HOUR as f64;
    let (middle, extraterrestrial) = sun_between(frame, start, end);
    // The running hour has had no time yet to be covered whole: judge it by what has passed of it.
    let passed = hour.map_or(1.0, |hour| hours * 60.0 / f64::from(hour.minutes.max(1)));
    let input = |mean: Option<Mean>| usable(mean, passed);
    let air = hour.and_then(|hour| input(hour.air_temperature));
    let wind = hour.and_then(|hour| input(hour.wind_speed)).map(|wind| {
        let at_2_m = reference_et::wind_by_profile(MetersPerSecond(wind.mean), frame.wind_profile);
        Mean { mean: at_2_m.0, ..wind }
    });
    let actual_vapor = hour.and_then(|hour| {
        let from_dew_point = input(hour.dew_point)
            .map(|dew| Mean { mean: vapor::saturation_vapor_pressure(Celsius(dew.mean)).0, ..dew });
        let from_humidity = air.zip(input(hour.relative_humidity)).map(|(air, humidity)| Mean {
            mean: vapor::vapor_pressure_of_humidity(Celsius(air.mean), Percent(humidity.mean)).0,
            covered: humidity.covered.min(air.covered),
        });
        match (from_dew_point, from_humidity) {
            (Some(dew), Some(humidity)) => Some(if dew.covered >= humidity.covered { dew } else { humidity }),
            (dew, humidity) => dew.or(humidity),
        }
    });
    let shortwave = hour
        .and_then(|hour| input(hour.shortwave))
        // A pyranometer's small negative values at night are no radiation.
        .map(|flux| Mean { mean: flux.mean.clamp(0.0, 2000.0), ..flux });
    Slot { start, hours, middle, extraterrestrial, air, actual_vapor, wind, shortwave }
}

/// Finite, and with its share of the time that has passed of the hour.
fn usable(mean: Option<Mean>, passed: f64) -> Option<Mean> {
    let mean = mean.filter(|mean| mean.mean.is_finite() && mean.covered > 0.0)?;
    Some(Mean { mean: mean.mean.clamp(-10_000.0, 10_000.0), covered: (mean.covered / passed).min(1.0) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::formula::{radiation, solar};
    use crate::engine::site::evapotranspiration::{DayExtremes, FactorSource};

    /// Days of 23, 24 and 25 hours, whole and cut anywhere, in the polar summer too.
    #[test]
    fn the_sun_of_each_slot_is_what_the_formulas_give_for_it_alone() {
        for (latitude, longitude, ordinal) in
            [(52.1, 5.2, 87), (33.1, -112.0, 187), (-33.9, 151.2, 305), (78.2, 15.6, 172)]
        {
            let place = Place {
                latitude_degrees: latitude,
                longitude_degrees: longitude,
                elevation_m: 120.0,
                wind_height_m: 3.0,
                clear_sky: Default::default(),
                climate: Default::default(),
                exposure: Default::default(),
                usual_wind_m_per_s: None,
                usual_dew_point_depression: None,
                temperature_factors: [1.0; 12],
                factor_source: FactorSource::Unknown,
            };
            let frame = Frame::of(&place, ordinal);
            for hours in 23..=25 {
                for cut in [0, 1, 1_234_567, HOUR - 1] {
                    let start = Stamp(1_806_271_200_000);
                    let (end, until) = (start.plus(hours * HOUR), start.plus(hours * HOUR - cut));
                    let extremes = DayExtremes::default();
                    let day = Day { day_of_year: ordinal, start, end, until, hours: &[], extremes, fcd: None };
                    let mut sum = 0.0;
                    for slot in slots_between(&frame, &day, until) {
                        let middle = slot.start.plus((slot.hours * HOUR as f64 / 2.0) as i64);
                        let utc = Hours(middle.0.rem_euclid(DAY) as f64 / HOUR as f64);
                        let angle = solar::solar_time_angle(Degrees(longitude), ordinal, utc);
                        let phi = Degrees(latitude).radians();
                        let alone = radiation::extraterrestrial_of_span(phi, ordinal, angle, Hours(slot.hours)).0;
                        assert_eq!(slot.extraterrestrial.to_bits(), alone.to_bits());
                        let sine = solar::sine_of_elevation(phi, solar::declination(ordinal), angle);
                        assert_eq!(slot.hour_frame(&frame).sine_of_elevation.to_bits(), sine.to_bits());
                        sum += alone;
                    }
                    assert_eq!(extraterrestrial_between(&frame, start, until), sum);
                }
            }
        }
    }
}
