//! What becomes of the rain of a day: off the leaves, off the site, into the root zone, below it.

use super::super::units::Millimeters;

/// How fast water goes into a soil once it is wet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Soil {
    Sand,
    SandyLoam,
    Loam,
    ClayLoam,
    Clay,
}

impl Soil {
    /// Basic infiltration rate, mm/h: the middle of the range of the source.
    ///
    /// Source: FAO Irrigation Water Management Training Manual 5 (Brouwer et al., 1988), Table 7, from memory: sand more
    /// than 30 mm/h, sandy loam 20 to 30, loam 10 to 20, clay loam 5 to 10, clay 1 to 5.
    ///
    /// ```
    /// use thirstd::engine::formula::effective_rain::Soil;
    /// assert_eq!(Soil::Loam.intake_mm_per_hour(), 15.0);
    /// ```
    pub fn intake_mm_per_hour(self) -> f64 {
        match self {
            Self::Sand => 30.0,
            Self::SandyLoam => 25.0,
            Self::Loam => 15.0,
            Self::ClayLoam => 7.5,
            Self::Clay => 3.0,
        }
    }
}

/// The rain of a day, shared out: the four add up to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RainShares {
    /// Never reached the ground, or dried on it.
    pub evaporated: Millimeters,
    /// Ran off because it fell faster than the soil takes it.
    pub ran_off: Millimeters,
    /// Can be stored in the root zone or used by the plants that day: the effective rain.
    pub effective: Millimeters,
    /// Drains below the roots.
    pub drained: Millimeters,
}

/// Shares out the rain of a day.
///
/// `hours` are its depths hour by hour; `eto` is the day's reference evapotranspiration, `crop_et` what the plants use of
/// it, `depletion` what the root zone lacks of field capacity in the morning. `soil`: None where it is not known; then
/// nothing runs off.
///
/// Source: FAO-56, chapter 8: rain below 0.2 ETo is ignored (on Eq. 85), what depletion and the day's use leave no room for
/// is deep percolation (Eq. 88). Runoff: the depth of each hour beyond the basic infiltration rate (our choice; FAO-56 asks
/// for "standard procedures" and names none).
///
/// ```
/// use thirstd::engine::{formula::effective_rain::{Soil, share_out}, units::Millimeters};
/// // A cloudburst of 20 mm in an hour on clay loam that lacks 6 mm, with 4 mm used: 12.5 mm run off, 7.5 mm go in.
/// let shares = share_out(&[Millimeters(20.0)], Millimeters(5.0), Millimeters(4.0), Millimeters(6.0), Some(Soil::ClayLoam));
/// assert_eq!((shares.ran_off.0, shares.effective.0, shares.drained.0), (12.5, 7.5, 0.0));
/// ```
pub fn share_out(
    hours: &[Millimeters],
    eto: Millimeters,
    crop_et: Millimeters,
    depletion: Millimeters,
    soil: Option<Soil>,
) -> RainShares {
    let rain: f64 = hours.iter().map(|hour| depth(*hour)).sum();
    if rain < 0.2 * depth(eto) {
        let none = Millimeters(0.0);
        return RainShares { evaporated: Millimeters(rain), ran_off: none, effective: none, drained: none };
    }
    let most = soil.map_or(f64::INFINITY, Soil::intake_mm_per_hour);
    let ran_off: f64 = hours.iter().map(|hour| (depth(*hour) - most).max(0.0)).sum();
    let soaked_in = rain - ran_off;
    let effective = soaked_in.min(depth(depletion) + depth(crop_et));
    RainShares {
        evaporated: Millimeters(0.0),
        ran_off: Millimeters(ran_off),
        effective: Millimeters(effective),
        drained: Millimeters(soaked_in - effective),
    }
}

/// A depth is never below 0; 100 m of water is no weather.
fn depth(amount: Millimeters) -> f64 {
    if amount.0.is_finite() { amount.0.clamp(0.0, 100_000.0) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::root_zone::effective_rain_monthly_scs;
    use super::*;

    proptest! {
        #[test]
        fn every_millimeter_goes_somewhere(
            hours in proptest::collection::vec(0.0..60.0_f64, 0..24),
            eto in 0.0..12.0_f64,
            use_ in 0.0..12.0_f64,
            lacking in 0.0..80.0_f64,
            clay in any::<bool>(),
        ) {
            let depths: Vec<Millimeters> = hours.iter().map(|mm| Millimeters(*mm)).collect();
            let soil = clay.then_some(Soil::Clay);
            let shares = share_out(&depths, Millimeters(eto), Millimeters(use_), Millimeters(lacking), soil);
            let sum = shares.evaporated.0 + shares.ran_off.0 + shares.effective.0 + shares.drained.0;
            prop_assert!((sum - hours.iter().sum::<f64>()).abs() < 1e-6, "{shares:?}");
            prop_assert!(shares.effective.0 <= lacking + use_ + 1e-9 && shares.drained.0 >= -1e-9);
        }
    }

    #[test]
    fn rain_beyond_what_the_root_zone_lacks_drains_and_a_sprinkle_never_arrives() {
        let of = |rain: f64, lacking: f64| {
            share_out(&[Millimeters(rain)], Millimeters(5.0), Millimeters(4.0), Millimeters(lacking), None)
        };
        assert_eq!((of(0.9, 20.0).evaporated.0, of(0.9, 20.0).effective.0), (0.9, 0.0));
        assert_eq!((of(30.0, 10.0).effective.0, of(30.0, 10.0).drained.0), (14.0, 16.0));
        assert_eq!(of(30.0, 40.0).effective.0, 30.0);
    }

    /// The monthly method of the USDA Soil Conservation Service knows neither soil nor days: a coarse cross-check. A month
    /// of eight showers of 10 mm on turf that is kept moist (20 mm of room at most, 5 mm used a day).
    #[test]
    fn a_month_of_showers_is_near_the_monthly_rule() {
        let (mut lacking, mut effective): (f64, f64) = (10.0, 0.0);
        for day in 0..30 {
            let rain = if day % 4 == 0 { 10.0 } else { 0.0 };
            let shares = share_out(
                &[Millimeters(rain)],
                Millimeters(5.0),
                Millimeters(5.0),
                Millimeters(lacking),
                Some(Soil::Loam),
            );
            effective += shares.effective.0;
            lacking = (lacking + 5.0 - shares.effective.0).clamp(0.0, 20.0);
        }
        let by_month = effective_rain_monthly_scs(Millimeters(80.0)).0;
        assert!((effective / by_month - 1.0).abs() < 0.25, "{effective} by days, {by_month} by the month");
    }
}
