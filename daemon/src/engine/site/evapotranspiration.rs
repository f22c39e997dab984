//! Reference evapotranspiration ETo of a site's civil day, by the best method that the readings allow.
//!
//! Three methods in order: ASCE hourly where hours are well covered, daily Penman–Monteith with the substitutions of
//! FAO-56 chapter 3, temperature alone (Hargreaves–Samani). What was not read is said in [`DayEto::substituted`], what
//! it costs in [`DayEto::uncertainty_mm`].

use serde::{Deserialize, Serialize};

use self::slots::{Frame, Slot, interpolated, slots_between};
pub use super::super::formula::reference_et::{ClearSky, Climate};
use super::super::{
    formula::{radiation, radiation::Exposure, reference_et, vapor},
    stamp::{HOUR, Stamp},
    units::{Celsius, Degrees, Hours, Kilopascals, MegajoulesPerM2, Meters, MetersPerSecond, WattsPerM2},
};
use super::normals::monthly;

mod accuracy;
mod slots;

/// Where the day happened, and what the site's settings say about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    pub latitude_degrees: f64,
    /// Positive toward the east.
    pub longitude_degrees: f64,
    pub elevation_m: f64,
    /// Of the anemometer above ground; readings are brought to 2 m.
    pub wind_height_m: f64,
    pub clear_sky: ClearSky,
    pub climate: Climate,
    pub exposure: Exposure,
    /// Mean wind at 2 m from normals or the site's own good days, in place of 2 m/s when no wind is read.
    pub usual_wind_m_per_s: Option<f64>,
    /// How far the dew point usually lies below the night's lowest temperature on this day, °C, in place of 0 (humid) or
    /// 2 (dry) when no humidity is read.
    pub usual_dew_point_depression: Option<f64>,
    /// What Hargreaves–Samani is multiplied by in each month, January first; 1 where nothing is known.
    pub temperature_factors: [f32; 12],
    pub factor_source: FactorSource,
}

/// Where the factors of Hargreaves–Samani come from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FactorSource {
    #[default]
    Unknown,
    Settings,
    Normals,
    /// The site's own days of full readings.
    OwnDays,
}

/// Mean of what counted in an hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mean {
    pub mean: f64,
    /// Share of the hour that readings stand for, 0 to 1.
    pub covered: f64,
}

/// One hour of the day book in engine units; a part of an hour where the civil day cuts it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HourWeather {
    pub start: Stamp,
    /// 1 to 60.
    pub minutes: u16,
    /// °C.
    pub air_temperature: Option<Mean>,
    /// %.
    pub relative_humidity: Option<Mean>,
    /// °C; preferred to relative humidity.
    pub dew_point: Option<Mean>,
    /// m/s at the anemometer's height. A stopped anemometer is None, never calm.
    pub wind_speed: Option<Mean>,
    /// W/m².
    pub shortwave: Option<Mean>,
}

/// Highest and lowest air temperature of the day so far in °C; the daily methods need both.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DayExtremes {
    pub tmax: Option<f64>,
    pub tmin: Option<f64>,
}

/// A civil day, whole or so far.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Day<'a> {
    /// Of the civil date, 1 to 366.
    pub day_of_year: u32,
    /// First instant of the civil day and of the next one (23 to 25 hours).
    pub start: Stamp,
    pub end: Stamp,
    /// `end` for a whole day; now for the running day.
    pub until: Stamp,
    /// In any order; what is outside the day or overlaps an earlier hour is left out.
    pub hours: &'a [HourWeather],
    pub extremes: DayExtremes,
    /// Last daytime cloudiness of the days before ([`DayEto::fcd`]).
    pub fcd: Option<f64>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    AsceHourly,
    PenmanMonteithDaily,
    HargreavesSamani,
    /// No temperature: nothing can be said.
    #[default]
    None,
}

impl Method {
    /// The name in JSON and history.
    pub fn name(self) -> &'static str {
        match self {
            Self::AsceHourly => "asce_hourly",
            Self::PenmanMonteithDaily => "penman_monteith_daily",
            Self::HargreavesSamani => "hargreaves_samani",
            Self::None => "none",
        }
    }
}

/// Which inputs were not read but stood in for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Substituted {
    pub humidity: bool,
    pub wind: bool,
    pub sun: bool,
}

/// For what shares of the elapsed day, 0 to 1, an input was not read here but at sites nearby.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct NearShares {
    pub temperature: f64,
    pub humidity: f64,
    pub wind: f64,
    pub sun: f64,
}

impl NearShares {
    fn all(self) -> [f64; 4] {
        [self.temperature, self.humidity, self.wind, self.sun]
    }

    fn most(self) -> f64 {
        self.all().into_iter().fold(0.0, f64::max)
    }

    fn mean(self) -> f64 {
        self.all().into_iter().sum::<f64>() / 4.0
    }
}

/// ETo of a civil day, or of the running day so far.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DayEto {
    /// Never below 0; 0 with [`Method::None`].
    pub mm: f64,
    pub method: Method,
    /// 0 to 1. Hourly: share of the elapsed time in well-covered hours. Daily methods: mean covered share of the hours,
    /// over temperature and the inputs that were read.
    pub coverage: f64,
    pub substituted: Substituted,
    /// Root mean square error to expect from the method; the sensors' own errors are not in it. For the running day, of
    /// the amount so far.
    pub uncertainty_mm: f64,
    /// Where the figure comes from.
    pub uncertainty_source: &'static str,
    /// Last daytime cloudiness, for the next day's [`Day::fcd`].
    pub fcd: Option<f64>,
    /// Share of the day's extraterrestrial radiation that has passed, 0 to 1: 1 for a whole day.
    pub passed: f64,
    /// How far the temperatures stand for the elapsed day, 0 to 1: below 1 the usual of the date has to be mixed in.
    pub trusted: f64,
}

/// How far a whole day by climate normals, or without those by one default, is from the weather of the day: root mean
/// square, mm, and where the figure comes from.
pub fn unmeasured_rmse_mm(climate: Climate, by_normals: bool) -> (f64, &'static str) {
    let row = if by_normals { accuracy::monthly_normals(climate) } else { accuracy::one_for_all(climate) };
    (row.rmse_mm, row.source)
}

/// ETo of `day` at `place`.
///
/// Rules: ASCE-EWRI (2005) hourly, when temperature, humidity, wind and sun each cover 75 % of an hour and such hours
/// make up 75 % of the elapsed day (the rest is interpolated, the sun by its clearness; night needs no sun reading);
/// else FAO-56 daily Penman–Monteith, when the day's extremes and, for half of the day, humidity, sun or wind are
/// known; else Hargreaves–Samani. The running day's share of a daily method is the share of extraterrestrial radiation
/// that has passed.
pub fn reference_et_of(place: &Place, day: &Day<'_>) -> DayEto {
    reference_et_with(place, day, NearShares::default())
}

/// [`reference_et_of`] where some of the day's hours are those of sites nearby: they count as read, but neither as the
/// site's own coverage nor as certain.
pub fn reference_et_with(place: &Place, day: &Day<'_>, near: NearShares) -> DayEto {
    let site = Site { near, ..Site::of(place, day) };
    let outcome = site.hourly().or_else(|| site.daily()).or_else(|| site.temperature_only());
    let passed = site.passed.clamp(0.0, 1.0);
    outcome.filter(|eto| eto.mm.is_finite()).unwrap_or(DayEto {
        passed,
        mm: 0.0,
        method: Method::None,
        coverage: 0.0,
        substituted: Substituted { humidity: true, wind: true, sun: true },
        uncertainty_mm: 0.0,
        uncertainty_source: "no temperature: no estimate",
        fcd: day.fcd,
        trusted: 0.0,
    })
}

/// Share of an hour, and of a day, that has to be covered for the hourly method (design: 75 %).
const WELL_COVERED: f64 = 0.75;
/// Share of a day for which an input counts as read in the daily method.
const HALF: f64 = 0.5;

/// How far a mean stands for the day, 0 to 1: about half of the day (0.5 ± 0.15) it takes over. Our choice.
fn trust(mean: Option<Mean>) -> f64 {
    mean.map_or(0.0, |mean| ((mean.covered - (HALF - TAKES_OVER)) / (2.0 * TAKES_OVER)).clamp(0.0, 1.0))
}

/// What was read and what stands in for it, by trust.
fn mixed(read: Option<Mean>, stand_in: impl Fn() -> f64) -> f64 {
    let trust = trust(read);
    let own = read.map_or(0.0, |mean| mean.mean * trust);
    if trust < 1.0 { own + (1.0 - trust) * stand_in() } else { own }
}

const TAKES_OVER: f64 = 0.15;

/// The day cut into hours, with what all methods need.
struct Site<'a> {
    place: &'a Place,
    day: &'a Day<'a>,
    frame: Frame,
    slots: Vec<Slot>,
    /// Hours from the day's start until now.
    elapsed: f64,
    /// Share of the day's extraterrestrial radiation that has passed, 0 to 1.
    passed: f64,
    near: NearShares,
}

impl<'a> Site<'a> {
    fn of(place: &'a Place, day: &'a Day<'a>) -> Self {
        // No civil day is longer than 25 hours; a wrong end must not cost memory.
        let end = Stamp(day.end.0.clamp(day.start.0, day.start.plus(26 * HOUR).0));
        let until = Stamp(day.until.0.clamp(day.start.0, end.0));
        let frame = Frame::of(place, day.day_of_year);
        let slots = slots_between(&frame, day, until);
        let elapsed = until.since(day.start) as f64 / HOUR as f64;
        let passed = if until == end {
            1.0
        } else {
            let so_far: f64 = slots.iter().map(|slot| slot.extraterrestrial).sum();
            let ahead = slots::extraterrestrial_between(&frame, until, end);
            // In the polar night no sun tells the time: the clock does.
            if so_far + ahead > 0.0 {
                so_far / (so_far + ahead)
            } else {
                elapsed * HOUR as f64 / end.since(day.start) as f64
            }
        };
        Self { place, day, frame, slots, elapsed, passed, near: NearShares::default() }
    }

    fn hourly(&self) -> Option<DayEto> {
        let covered: f64 = self.slots.iter().filter(|slot| slot.is_well_covered()).map(|slot| slot.hours).sum();
        if self.elapsed <= 0.0 || covered < WELL_COVERED * self.elapsed {
            return None;
        }
        let air = interpolated(&self.slots, |slot| slot.air.and_then(slots::well_covered));
        let actual = interpolated(&self.slots, |slot| slot.actual_vapor.and_then(slots::well_covered));
        let wind = interpolated(&self.slots, |slot| slot.wind.and_then(slots::well_covered));
        let clearness = interpolated(&self.slots, Slot::clearness);
        let usual = 0.75 * reference_et::usual_clear_share(self.place.climate);
        let mut fcd = self.day.fcd.filter(|fcd| (0.0..=1.0).contains(fcd));
        let mut sum = 0.0;
        for (index, slot) in self.slots.iter().enumerate() {
            let at = |series: &[Option<f64>]| series.get(index).copied().flatten();
            let shortwave = match slot.shortwave.and_then(slots::well_covered) {
                Some(flux) => WattsPerM2(flux).over(Hours(slot.hours)).0,
                None => slot.extraterrestrial * at(&clearness).unwrap_or(usual),
            };
            let weather = slot.weather(self.place, self.day, at(&air)?, at(&actual)?, shortwave, at(&wind)?);
            fcd = weather.own_cloudiness_in(&slot.hour_frame(&self.frame)).or(fcd);
            let cloudiness = fcd
                .unwrap_or_else(|| radiation::cloudiness_of_share(reference_et::usual_clear_share(self.place.climate)));
            sum += reference_et::hourly_at(&weather, reference_et::Surface::Short, cloudiness, self.frame.pressure).0;
        }
        let substituted = Substituted::default();
        let coverage = (covered / self.elapsed).min(1.0);
        Some(self.outcome(sum, Method::AsceHourly, coverage, substituted, fcd))
    }

    /// Daily Penman–Monteith. What is read for about half of the day takes over from what stands in for it by and by, so that
    /// no reading makes a jump.
    fn daily(&self) -> Option<DayEto> {
        let (highest, lowest) = self.extremes()?;
        let (humidity, wind) = (self.weighted(|slot| slot.actual_vapor), self.weighted(|slot| slot.wind));
        let sun = self.sun();
        let inputs = [humidity, wind, sun];
        let trusted = inputs.iter().map(|input| trust(*input)).fold(0.0, f64::max);
        if trusted <= 0.0 {
            return None;
        }
        let mut weather = reference_et::DailyWeather {
            day_of_year: self.day.day_of_year,
            latitude: Degrees(self.place.latitude_degrees).radians(),
            elevation: Meters(self.place.elevation_m),
            highest,
            lowest,
            actual_vapor: Kilopascals(mixed(humidity, || self.usual_vapor_pressure(lowest).0)),
            shortwave: MegajoulesPerM2(0.0),
            wind: MetersPerSecond(mixed(wind, || {
                reference_et::usual_wind(self.place.usual_wind_m_per_s.map(MetersPerSecond)).0
            })),
            clear_sky: self.place.clear_sky,
        };
        let r_a = weather.extraterrestrial();
        let clear = weather.clear_sky_radiation();
        weather.shortwave =
            MegajoulesPerM2(mixed(sun.map(|clearness| Mean { mean: clearness.mean * r_a.0, ..clearness }), || {
                radiation::shortwave_from_temperature(highest, lowest, self.place.exposure, r_a, clear).0
            }));
        let whole_day = reference_et::daily(&weather, reference_et::Surface::Short).0;
        let is_read = |input: Option<Mean>| input.is_some_and(|mean| mean.covered >= HALF);
        let substituted = Substituted { humidity: !is_read(humidity), wind: !is_read(wind), sun: !is_read(sun) };
        let fcd = sun
            .filter(|_| is_read(sun))
            .and_then(|_| radiation::cloudiness(weather.shortwave, weather.clear_sky_radiation()))
            .or(self.day.fcd);
        let alone = if trusted < 1.0 { self.by_temperature(highest, lowest) } else { 0.0 };
        let mm = (trusted * whole_day + (1.0 - trusted) * alone) * self.passed;
        let read: Vec<f64> =
            inputs.into_iter().filter(|input| is_read(*input)).flatten().map(|input| input.covered).collect();
        if read.is_empty() {
            return Some(self.outcome(mm, Method::HargreavesSamani, self.air_coverage(), substituted, fcd));
        }
        let coverage = (self.air_coverage() + read.iter().sum::<f64>()) / (1.0 + read.len() as f64);
        Some(self.outcome(mm, Method::PenmanMonteithDaily, coverage, substituted, fcd))
    }

    fn temperature_only(&self) -> Option<DayEto> {
        let (highest, lowest) = self.extremes()?;
        let substituted = Substituted { humidity: true, wind: true, sun: true };
        let mm = self.by_temperature(highest, lowest) * self.passed;
        Some(self.outcome(mm, Method::HargreavesSamani, self.air_coverage(), substituted, self.day.fcd))
    }

    /// Hargreaves–Samani of the whole day with the site's factor, mm.
    fn by_temperature(&self, highest: Celsius, lowest: Celsius) -> f64 {
        let latitude = Degrees(self.place.latitude_degrees).radians();
        let r_a = radiation::extraterrestrial_daily(latitude, self.day.day_of_year);
        self.temperature_factor() * reference_et::hargreaves_samani(highest, lowest, r_a).0
    }

    fn outcome(&self, mm: f64, method: Method, coverage: f64, substituted: Substituted, fcd: Option<f64>) -> DayEto {
        let row = accuracy::row(method, substituted, self.place);
        let mut rmse = row.rmse_mm;
        if method == Method::AsceHourly {
            // Hours that were interpolated are no better than an estimate from temperature.
            rmse = rmse * coverage + accuracy::temperature_alone(self.place.climate).rmse_mm * (1.0 - coverage);
        }
        let near = self.near.most();
        if near > 0.0 {
            // No record says how far a neighbor's reading is from one's own; without any reading is the worst case.
            let without = Substituted {
                humidity: substituted.humidity || self.near.humidity > 0.0,
                wind: substituted.wind || self.near.wind > 0.0,
                sun: substituted.sun || self.near.sun > 0.0,
            };
            let worst = match self.near.temperature > 0.0 {
                true => accuracy::temperature_alone(self.place.climate),
                false => accuracy::row(Method::PenmanMonteithDaily, without, self.place),
            };
            rmse = rmse.max(rmse * (1.0 - near) + worst.rmse_mm * near);
        }
        let coverage = coverage * (1.0 - self.near.mean());
        DayEto {
            mm: mm.max(0.0),
            method,
            coverage,
            substituted,
            uncertainty_mm: rmse * self.passed,
            uncertainty_source: row.source,
            fcd,
            passed: self.passed,
            trusted: match method {
                Method::AsceHourly => 1.0,
                _ => trust(self.weighted(|slot| slot.air)),
            },
        }
    }

    /// Highest and lowest temperature, the right way round.
    fn extremes(&self) -> Option<(Celsius, Celsius)> {
        let tmax = self.day.extremes.tmax.filter(|value| value.is_finite())?;
        let tmin = self.day.extremes.tmin.filter(|value| value.is_finite())?;
        Some((Celsius(tmax.max(tmin)), Celsius(tmin.min(tmax))))
    }

    fn temperature_factor(&self) -> f64 {
        let factors = &self.place.temperature_factors;
        let factor = monthly::of_day_of_year(|month| f64::from(factors[month]), self.day.day_of_year);
        if factor.is_finite() && factor > 0.0 { factor } else { 1.0 }
    }

    /// Of air whose humidity nobody reads.
    fn usual_vapor_pressure(&self, lowest: Celsius) -> Kilopascals {
        match self.place.usual_dew_point_depression.filter(|depression| depression.is_finite()) {
            Some(depression) => vapor::saturation_vapor_pressure(Celsius(lowest.0 - depression.clamp(-5.0, 30.0))),
            None => reference_et::vapor_pressure_of_lowest(lowest, self.place.climate),
        }
    }

    fn air_coverage(&self) -> f64 {
        self.weighted(|slot| slot.air).map_or(0.0, |air| air.covered)
    }

    /// The mean of an input over the elapsed day.
    fn weighted(&self, input: impl Fn(&Slot) -> Option<Mean>) -> Option<Mean> {
        let (mut sum, mut hours) = (0.0, 0.0);
        for slot in &self.slots {
            if let Some(mean) = input(slot) {
                sum += mean.mean * mean.covered * slot.hours;
                hours += mean.covered * slot.hours;
            }
        }
        (hours > 0.0 && self.elapsed > 0.0)
            .then(|| Mean { mean: sum / hours, covered: (hours / self.elapsed).min(1.0) })
    }

    /// Received share of the extraterrestrial radiation, and of how much of what has passed of it readings tell.
    fn sun(&self) -> Option<Mean> {
        let (mut received, mut covered, mut passed) = (0.0, 0.0, 0.0);
        for slot in &self.slots {
            passed += slot.extraterrestrial;
            if let Some(flux) = slot.shortwave.filter(|_| slot.extraterrestrial > 0.0) {
                received += WattsPerM2(flux.mean).over(Hours(flux.covered * slot.hours)).0;
                covered += slot.extraterrestrial * flux.covered;
            }
        }
        (covered > 0.0)
            .then(|| Mean { mean: (received / covered).clamp(0.0, 1.0), covered: (covered / passed).min(1.0) })
    }
}

#[cfg(test)]
mod tests;
