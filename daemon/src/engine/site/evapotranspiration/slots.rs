//! The elapsed day cut into hours without holes, each with its sun and its usable readings.

use super::{Day, HourWeather, Mean, Place, WELL_COVERED};
use crate::engine::{
    formula::{radiation, reference_et, solar, vapor},
    stamp::{DAY, HOUR, MINUTE, Stamp},
    units::{
        Celsius, Degrees, Hours, Kilopascals, MegajoulesPerM2, Meters, MetersPerSecond, Percent, Radians, WattsPerM2,
    },
};

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
pub(super) fn slots_between(place: &Place, day: &Day<'_>, until: Stamp) -> Vec<Slot> {
    let mut hours: Vec<&HourWeather> = day.hours.iter().filter(|hour| is_within(hour, day.start, until)).collect();
    hours.sort_by_key(|hour| hour.start);
    let mut slots = Vec::with_capacity(26);
    let mut at = day.start;
    for hour in hours {
        if hour.start < at {
            continue;
        }
        slots.extend(empty_between(place, day, at, hour.start));
        let end = hour.start.plus(i64::from(hour.minutes) * MINUTE);
        slots.push(slot(place, day, hour.start, end.min(until), Some(hour)));
        at = end.min(until);
    }
    slots.extend(empty_between(place, day, at, until));
    slots
}

/// Slots without readings, of an hour at most.
pub(super) fn empty_between(place: &Place, day: &Day<'_>, from: Stamp, until: Stamp) -> Vec<Slot> {
    let mut slots = Vec::new();
    let mut at = from;
    while at < until {
        let end = at.plus(HOUR).min(until);
        slots.push(slot(place, day, at, end, None));
        at = end;
    }
    slots
}

/// One value for every slot: its own, else between the nearest ones in time, else the nearest. All None without any.
pub(super) fn interpolated(slots: &[Slot], own: impl Fn(&Slot) -> Option<f64>) -> Vec<Option<f64>> {
    let known: Vec<(f64, f64)> =
        slots.iter().filter_map(|slot| own(slot).map(|value| (middle_of(slot), value))).collect();
    slots
        .iter()
        .map(|slot| {
            own(slot).or_else(|| {
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

fn slot(place: &Place, day: &Day<'_>, start: Stamp, end: Stamp, hour: Option<&HourWeather>) -> Slot {
    let millis = end.since(start);
    let hours = millis as f64 / HOUR as f64;
    let utc = Hours(start.plus(millis / 2).0.rem_euclid(DAY) as f64 / HOUR as f64);
    let middle = solar::solar_time_angle(Degrees(place.longitude_degrees), day.day_of_year, utc);
    let latitude = Degrees(place.latitude_degrees).radians();
    let extraterrestrial = radiation::extraterrestrial_of_span(latitude, day.day_of_year, middle, Hours(hours)).0;
    // The running hour has had no time yet to be covered whole: judge it by what has passed of it.
    let passed = hour.map_or(1.0, |hour| hours * 60.0 / f64::from(hour.minutes.max(1)));
    let input = |mean: Option<Mean>| usable(mean, passed);
    let air = hour.and_then(|hour| input(hour.air_temperature));
    let wind = hour.and_then(|hour| input(hour.wind_speed)).map(|wind| {
        let at_2_m = reference_et::wind_at_2_m(MetersPerSecond(wind.mean), Meters(place.wind_height_m));
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
