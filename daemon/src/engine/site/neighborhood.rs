//! What sites nearby measured, brought to this site hour by hour, for the hours that it did not measure itself.
//!
//! The digests of one hour become one estimate: air temperature at 6.5 °C per km of difference in elevation, wind at the
//! anemometer's height, each as the mean weighted by inverse distance (from three sites on the median), rain as the median
//! weighted by inverse distance. Only what the site lacks is kept.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::evapotranspiration::Place;
use crate::engine::event::Digest;
use crate::engine::stamp::{HOUR, Stamp};

/// What a digest can stand in for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Near {
    AirTemperature,
    RelativeHumidity,
    WindSpeed,
    Shortwave,
    Rain,
}

impl Near {
    pub const COUNT: usize = 5;
    pub const ALL: [Self; Self::COUNT] =
        [Self::AirTemperature, Self::RelativeHumidity, Self::WindSpeed, Self::Shortwave, Self::Rain];

    /// What one step of the kept whole number is worth: °C, %, m/s, W/m², mm.
    fn step(self) -> f64 {
        match self {
            Self::Shortwave => 0.1,
            _ => 0.01,
        }
    }

    fn of(self, digest: &Digest) -> Option<f64> {
        let value = match self {
            Self::AirTemperature => digest.air_temperature_celsius,
            Self::RelativeHumidity => digest.relative_humidity_percent,
            Self::WindSpeed => digest.wind_speed_m_per_s,
            Self::Shortwave => digest.shortwave_w_per_m2,
            Self::Rain => digest.rain_mm,
        };
        value.filter(|value| value.is_finite())
    }
}

/// One UTC hour as the neighbors had it, at this site.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(into = "Saved", from = "Saved")]
pub struct NearHour {
    /// Hours since 1970.
    hour: i32,
    /// Which of the values are there, one bit each.
    mask: u8,
    values: [i16; Near::COUNT],
}

/// As it is saved: hour, mask, and only the values that are there.
type Saved = (i32, u8, Vec<i16>);

impl From<NearHour> for Saved {
    fn from(hour: NearHour) -> Self {
        let present = Near::ALL.into_iter().filter(|near| hour.mask & bit(*near) != 0);
        (hour.hour, hour.mask, present.map(|near| hour.values[near as usize]).collect())
    }
}

impl From<Saved> for NearHour {
    fn from((hour, mask, saved): Saved) -> Self {
        let mut hour = Self { hour, mask: 0, values: [0; Near::COUNT] };
        let present = Near::ALL.into_iter().filter(|near| mask & bit(*near) != 0);
        for (near, value) in present.zip(saved) {
            hour.mask |= bit(near);
            hour.values[near as usize] = value;
        }
        hour
    }
}

impl NearHour {
    pub fn start(&self) -> Stamp {
        Stamp(i64::from(self.hour) * HOUR)
    }

    /// °C, %, m/s at the anemometer's height, W/m², mm.
    pub fn value(&self, near: Near) -> Option<f64> {
        (self.mask & bit(near) != 0).then(|| f64::from(self.values[near as usize]) * near.step())
    }

    /// Nothing but what `wanted` wants. None where that is nothing.
    pub fn only(mut self, wanted: impl Fn(Near) -> bool) -> Option<Self> {
        for near in Near::ALL {
            if !wanted(near) {
                self.mask &= !bit(near);
                self.values[near as usize] = 0;
            }
        }
        (self.mask != 0).then_some(self)
    }
}

/// The hours kept, oldest first, at most as deep as the day book.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Neighborhood {
    hours: VecDeque<NearHour>,
}

impl Neighborhood {
    pub fn is_empty(&self) -> bool {
        self.hours.is_empty()
    }

    /// The hour that `at` lies in.
    pub fn at(&self, at: Stamp) -> Option<&NearHour> {
        let hour = hour_of(at)?;
        self.hours.iter().rev().find(|kept| kept.hour == hour)
    }

    /// Keeps `hour` in place of what was kept of it; forgets what is more than `depth` milliseconds older.
    pub fn put(&mut self, hour: NearHour, depth: i64) {
        let position = self.hours.partition_point(|kept| kept.hour < hour.hour);
        match self.hours.get_mut(position) {
            Some(kept) if kept.hour == hour.hour => *kept = hour,
            _ => self.hours.insert(position, hour),
        }
        let newest = self.hours.back().map_or(hour.start(), NearHour::start);
        while self.hours.front().is_some_and(|oldest| newest.since(oldest.start()) > depth) {
            self.hours.pop_front();
        }
    }

    /// The neighbors' rain of the hour that starts at `hour`, beside what is kept of it; forgets as [`Self::put`] does.
    pub fn put_rain(&mut self, hour: Stamp, mm: f64, depth: i64) {
        let Some(number) = hour_of(hour) else { return };
        let mut kept = self.at(hour).copied().unwrap_or(NearHour { hour: number, mask: 0, values: [0; Near::COUNT] });
        kept.values[Near::Rain as usize] = (mm / Near::Rain.step()).round().clamp(0.0, f64::from(i16::MAX)) as i16;
        kept.mask |= bit(Near::Rain);
        self.put(kept, depth);
    }

    /// The site's own gauge says what fell from `from` to `to`: the neighbors' word for hours begun in it is not needed.
    pub fn forget_rain(&mut self, from: Stamp, to: Stamp) {
        for kept in &mut self.hours {
            if kept.start().plus(HOUR) > from && kept.start() < to {
                kept.mask &= !bit(Near::Rain);
                kept.values[Near::Rain as usize] = 0;
            }
        }
        self.hours.retain(|kept| kept.mask != 0);
    }
}

/// The digests of the hour that begins at `hour`, as one estimate for `place`. None where they say nothing.
pub fn estimate<'a>(place: &Place, hour: Stamp, digests: impl Iterator<Item = &'a Digest>) -> Option<NearHour> {
    let digests: Vec<(f64, &Digest)> = digests
        .filter(|digest| digest.hour == hour)
        .map(|digest| (1.0 / (distance_km(place, digest) + NEAREST_KM), digest))
        .filter(|(weight, _)| weight.is_finite())
        .collect();
    let mut estimate = NearHour { hour: hour_of(hour)?, mask: 0, values: [0; Near::COUNT] };
    for near in Near::ALL {
        let weighted: Vec<(f64, f64)> = digests
            .iter()
            .filter_map(|(weight, digest)| Some((*weight, at_place(near, near.of(digest)?, place, digest))))
            .collect();
        let value = match near {
            Near::Rain => weighted_median(weighted),
            _ if weighted.len() >= MANY => {
                weighted_median(weighted.into_iter().map(|(_, value)| (1.0, value)).collect())
            }
            _ => weighted_mean(&weighted),
        };
        let Some(whole) = value.map(|value| (value / near.step()).round()).filter(|whole| whole.is_finite()) else {
            continue;
        };
        estimate.values[near as usize] = whole.clamp(f64::from(i16::MIN), f64::from(i16::MAX)) as i16;
        estimate.mask |= bit(near);
    }
    (estimate.mask != 0).then_some(estimate)
}

/// The neighbor's value as it would be here.
fn at_place(near: Near, value: f64, place: &Place, digest: &Digest) -> f64 {
    match near {
        Near::AirTemperature => {
            let higher_m = (place.elevation_m - digest.elevation_m).clamp(-9000.0, 9000.0);
            value - LAPSE_CELSIUS_PER_M * higher_m
        }
        // FAO-56, Eq. 47, the other way round: a digest's wind is at 2 m.
        Near::WindSpeed => value.max(0.0) * (67.8 * place.wind_height_m.clamp(0.5, 200.0) - 5.42).ln() / 4.87,
        Near::RelativeHumidity => value.clamp(0.0, 100.0),
        Near::Shortwave | Near::Rain => value.max(0.0),
    }
}

/// Great-circle distance by the haversine formula on a sphere of 6,371 km, km.
fn distance_km(place: &Place, digest: &Digest) -> f64 {
    between_km((place.latitude_degrees, place.longitude_degrees), (digest.latitude_degrees, digest.longitude_degrees))
}

/// Great-circle distance between two points of (latitude, longitude) in degrees, by the haversine formula on a sphere of
/// 6,371 km, in km.
///
/// ```
/// use thirstd::engine::site::neighborhood::between_km;
/// // A degree of a great circle: 2 π × 6371 / 360 = 111.19 km.
/// assert!((between_km((0.0, 0.0), (0.0, 1.0)) - 111.19).abs() < 0.01);
/// ```
pub fn between_km(one: (f64, f64), other: (f64, f64)) -> f64 {
    let (phi, other_phi) = (one.0.to_radians(), other.0.to_radians());
    let (half_north, half_east) = ((other_phi - phi) / 2.0, (other.1 - one.1).to_radians() / 2.0);
    let chord = half_north.sin().powi(2) + phi.cos() * other_phi.cos() * half_east.sin().powi(2);
    2.0 * 6371.0 * chord.clamp(0.0, 1.0).sqrt().asin()
}

fn weighted_mean(weighted: &[(f64, f64)]) -> Option<f64> {
    let (sum, weights) =
        weighted.iter().fold((0.0, 0.0), |(sum, weights), (weight, value)| (sum + weight * value, weights + weight));
    (weights > 0.0).then(|| sum / weights)
}

/// The value at which half of the weight is reached: of two the heavier.
fn weighted_median(mut weighted: Vec<(f64, f64)>) -> Option<f64> {
    weighted.sort_by(|one, other| one.1.total_cmp(&other.1));
    let half = weighted.iter().map(|(weight, _)| weight).sum::<f64>() / 2.0;
    let mut reached = 0.0;
    weighted
        .into_iter()
        .find(|(weight, _)| {
            reached += weight;
            reached >= half
        })
        .map(|(_, value)| value)
}

fn bit(near: Near) -> u8 {
    1 << near as u8
}

fn hour_of(at: Stamp) -> Option<i32> {
    i32::try_from(at.0.div_euclid(HOUR)).ok()
}

/// Mean fall of temperature with elevation in the standard atmosphere (ICAO, ISO 2533).
const LAPSE_CELSIUS_PER_M: f64 = 0.0065;

/// Added to every distance, so that a neighbor on the same ground does not outweigh all others. Our choice.
const NEAREST_KM: f64 = 1.0;

/// From so many neighbors on, one that is wrong is outvoted: the median. Our choice.
const MANY: usize = 3;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::settings::tests::site;

    fn digest(from: &str, north_km: f64, elevation_m: f64, celsius: f64, rain: f64) -> Digest {
        Digest {
            from: from.into(),
            hour: Stamp(HOUR),
            air_temperature_celsius: Some(celsius),
            relative_humidity_percent: None,
            wind_speed_m_per_s: Some(2.0),
            shortwave_w_per_m2: None,
            rain_mm: Some(rain),
            latitude_degrees: 52.0 + north_km / 111.19,
            longitude_degrees: 10.0,
            elevation_m,
        }
    }

    fn of(digests: &[Digest]) -> NearHour {
        estimate(&site().place, Stamp(HOUR), digests.iter()).unwrap()
    }

    #[test]
    fn temperature_falls_with_elevation_and_the_nearer_neighbor_weighs_more() {
        // The site lies at 60 m: 1,000 m lower than the neighbor.
        let high = of(&[digest("a", 5.0, 1060.0, 10.0, 0.0)]);
        assert!((high.value(Near::AirTemperature).unwrap() - 16.5).abs() < 0.006);
        // 1 and 3 km away, so 2 and 4 with the kilometer that is added: weights 2 to 1.
        let two = of(&[digest("a", 1.0, 60.0, 10.0, 0.0), digest("b", -3.0, 60.0, 16.0, 0.0)]);
        assert!((two.value(Near::AirTemperature).unwrap() - 12.0).abs() < 0.03, "{two:?}");
        assert_eq!(two.value(Near::RelativeHumidity), None);
    }

    #[test]
    fn one_neighbor_that_is_wrong_is_outvoted_by_two_and_rain_follows_the_nearer() {
        let three = of(&[
            digest("a", 1.0, 60.0, 20.0, 0.0),
            digest("b", 2.0, 60.0, 21.0, 5.0),
            digest("c", 3.0, 60.0, 54.0, 6.0),
        ]);
        assert_eq!(three.value(Near::AirTemperature), Some(21.0));
        assert_eq!(three.value(Near::Rain), Some(5.0), "half of the weight lies at 5 mm and more");
        let two = of(&[digest("a", 1.0, 60.0, 20.0, 0.2), digest("b", 9.0, 60.0, 21.0, 5.0)]);
        assert_eq!(two.value(Near::Rain), Some(0.2));
    }

    #[test]
    fn wind_of_a_digest_is_brought_to_the_height_of_the_anemometer() {
        let mut place = site().place;
        place.wind_height_m = 10.0;
        let hour = estimate(&place, Stamp(HOUR), [digest("a", 1.0, 60.0, 20.0, 0.0)].iter()).unwrap();
        // FAO-56, Example 14: 3.2 m/s at 10 m is 2.4 m/s at 2 m; the factor is 0.748.
        assert!((hour.value(Near::WindSpeed).unwrap() - 2.0 / 0.748).abs() < 0.01);
    }

    #[test]
    fn a_saved_hour_takes_few_bytes_and_is_the_same_hour() {
        let three = of(&[digest("a", 5.0, 60.0, -10.0, 2.4)]);
        let mut kept = Neighborhood::default();
        for hour in 0..75 {
            kept.put(NearHour { hour: 500_000 + hour, ..three }, 75 * HOUR);
        }
        let bytes = rmp_serde::to_vec_named(&kept).unwrap();
        assert!(bytes.len() <= 75 * 18, "{}", bytes.len());
        assert_eq!(rmp_serde::from_slice::<Neighborhood>(&bytes).unwrap(), kept);
        let short: Saved = (1, 31, vec![5]);
        assert_eq!(NearHour::from(short).value(Near::RelativeHumidity), None);
    }

    #[test]
    fn hours_are_kept_once_in_order_and_not_for_ever() {
        let mut kept = Neighborhood::default();
        for hour in [5, 3, 4, 4, 90] {
            kept.put(NearHour { hour, mask: 1, values: [hour as i16; 5] }, 75 * HOUR);
        }
        assert_eq!(kept.hours.iter().map(|kept| kept.hour).collect::<Vec<_>>(), [90]);
        kept.put(NearHour { hour: 91, mask: 17, values: [0; 5] }, 75 * HOUR);
        kept.forget_rain(Stamp(91 * HOUR + 1), Stamp(92 * HOUR));
        assert_eq!(kept.at(Stamp(91 * HOUR + 5)).and_then(|kept| kept.value(Near::Rain)), None);
        assert_eq!(kept.at(Stamp(91 * HOUR + 5)).and_then(|kept| kept.value(Near::AirTemperature)), Some(0.0));
        assert!(kept.at(Stamp(89 * HOUR)).is_none());
    }
}
