//! Civil days of a site: the one that runs, and those that have closed and may still be revised.

use std::collections::VecDeque;

use chrono::{Datelike, NaiveDate};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

use super::day_book::DayBook;
use super::day_weather::{self, Bases, Input};
use super::evapotranspiration::{self, Day, Method, Place, Substituted};
use super::ledger::DayWater;
use super::normals::{Basis, Usual};
use crate::engine::civil;
use crate::engine::stamp::{HOUR, Stamp};

/// What stands in where nothing was measured.
#[derive(Clone, Copy, Debug)]
pub struct StandIn<'a> {
    pub usual: Usual<'a>,
    /// False for a site without a rain gauge: then no rain is assumed, and no gauge is missed.
    pub has_gauge: bool,
}

/// Figures of a civil day, whole or so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Figures {
    #[serde(rename = "w")]
    pub water: DayWater,
    #[serde(rename = "m")]
    pub method: Method,
    /// Share of the time behind the method, 0–1.
    #[serde(rename = "c")]
    pub coverage: f64,
    #[serde(rename = "u")]
    pub uncertainty_mm: f64,
    #[serde(rename = "be")]
    pub eto_basis: Basis,
    #[serde(rename = "br")]
    pub rain_basis: Basis,
    /// Where temperature, humidity, wind and sun come from.
    #[serde(rename = "bi", default)]
    pub bases: Bases,
    #[serde(rename = "tn", default)]
    pub coldest_celsius: Option<f64>,
    #[serde(rename = "tx", default)]
    pub warmest_celsius: Option<f64>,
    /// Rain that waits for a judgment, mm.
    #[serde(rename = "q", default)]
    pub quarantined_mm: f64,
    /// Some rain fell at an unknown time within a gap.
    #[serde(rename = "sp", default)]
    pub spread: bool,
    /// Of the rain: what the gauge caught in humid nights without rain, mm.
    #[serde(rename = "dw", default, skip_serializing_if = "is_nothing")]
    pub dew_mm: f64,
    /// Of the rain: what the gauge caught below 1 °C, mm. It may be snow, or what melted in the funnel.
    #[serde(rename = "fr", default, skip_serializing_if = "is_nothing")]
    pub frozen_mm: f64,
    /// Cloudiness of the last daytime hours, for the night that follows.
    #[serde(rename = "f", default)]
    pub fcd: Option<f64>,
    /// Every input was read for most of a whole day: nothing stood in.
    #[serde(rename = "k", default)]
    pub complete: bool,
}

/// A day that has closed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClosedDay {
    #[serde(rename = "d")]
    pub date: NaiveDate,
    #[serde(rename = "s")]
    pub start: Stamp,
    #[serde(rename = "e")]
    pub end: Stamp,
    #[serde(rename = "b", default)]
    pub begun: Option<Stamp>,
    #[serde(rename = "g")]
    pub figures: Figures,
    #[serde(rename = "r")]
    pub revision: u32,
    /// Changes are history only.
    #[serde(rename = "f")]
    pub is_final: bool,
    /// Something arrived since it was figured last.
    #[serde(rename = "n", default)]
    pub needs_revision: bool,
    /// What came late changed it.
    #[serde(rename = "l", default)]
    pub late: bool,
}

/// The day that runs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Today {
    #[serde(rename = "d")]
    pub date: NaiveDate,
    #[serde(rename = "s")]
    pub start: Stamp,
    #[serde(rename = "e")]
    pub end: Stamp,
    /// When the site began to be looked after, where that was within this day: nothing evaporated on its account before.
    #[serde(rename = "b", default)]
    pub begun: Option<Stamp>,
    /// Figures so far, and when they were figured.
    #[serde(rename = "g", default)]
    pub figures: Figures,
    #[serde(rename = "a")]
    pub figured_at: Stamp,
}

/// Today and the days before it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Days {
    #[serde(rename = "t", default)]
    today: Option<Today>,
    /// Oldest first, at most [`KEPT_DAYS`].
    #[serde(rename = "c", default)]
    closed: VecDeque<ClosedDay>,
    /// Rain of the days that are no longer kept, since the season began, mm.
    #[serde(rename = "r", default)]
    season_before_mm: f64,
}

impl Days {
    pub fn today(&self) -> Option<&Today> {
        self.today.as_ref()
    }

    pub fn closed(&self) -> impl DoubleEndedIterator<Item = &ClosedDay> {
        self.closed.iter()
    }

    pub fn last_closed(&self) -> Option<&ClosedDay> {
        self.closed.back()
    }

    /// Begins the day of `now` without closing any: the first day of a site, or the day after a clock that lied.
    pub fn begin(&mut self, zone: Tz, now: Stamp) {
        let date = civil::date(zone, now);
        self.today = Some(Today {
            date,
            start: civil::day_start(zone, date),
            end: civil::day_end(zone, date),
            begun: Some(now),
            figures: Figures::default(),
            figured_at: Stamp(i64::MIN / 2),
        });
    }

    /// Figures the running day anew.
    pub fn figure_today(&mut self, place: &Place, book: &DayBook, stand_in: StandIn<'_>, now: Stamp) {
        let fcd = self.last_closed().and_then(|day| day.figures.fcd);
        if let Some(today) = &mut self.today {
            let span = (today.date, today.start, today.end);
            today.figures = figures(place, book, span, today.begun, now, stand_in, fcd);
            today.figured_at = now;
        }
    }

    /// Closes the running day at its end and begins the next one.
    pub fn close_today(&mut self, zone: Tz, place: &Place, book: &DayBook, stand_in: StandIn<'_>) -> Option<ClosedDay> {
        let today = self.today?;
        let fcd = self.last_closed().and_then(|day| day.figures.fcd);
        let closed = ClosedDay {
            date: today.date,
            start: today.start,
            end: today.end,
            begun: today.begun,
            figures: figures(place, book, (today.date, today.start, today.end), today.begun, today.end, stand_in, fcd),
            revision: 0,
            is_final: false,
            needs_revision: false,
            late: false,
        };
        self.closed.push_back(closed);
        while self.closed.len() > KEPT_DAYS {
            if let Some(dropped) = self.closed.pop_front() {
                self.season_before_mm += dropped.figures.water.rain_mm;
            }
        }
        self.begin(zone, today.end);
        if let Some(next) = &mut self.today {
            next.begun = None;
        }
        Some(closed)
    }

    /// True where a reading at `at` can still change its day.
    pub fn is_open(&self, at: Stamp) -> bool {
        match self.closed.iter().find(|day| day.start <= at && at < day.end) {
            Some(day) => !day.is_final,
            None => self.today.is_some_and(|today| at >= today.start),
        }
    }

    /// The reading at `at` may have changed a closed day. False when that day is final.
    pub fn touch(&mut self, at: Stamp) -> bool {
        match self.closed.iter_mut().find(|day| day.start <= at && at < day.end) {
            Some(day) if day.is_final => false,
            Some(day) => {
                day.needs_revision = true;
                true
            }
            None => self.today.is_some_and(|today| at >= today.start),
        }
    }

    pub fn needs_revision(&self) -> bool {
        self.closed.iter().any(|day| day.needs_revision)
    }

    /// Figures touched days anew: figures before, and the day after, for each that changed.
    pub fn revise(&mut self, place: &Place, book: &DayBook, stand_in: StandIn<'_>) -> Vec<(Figures, ClosedDay)> {
        let mut changed = Vec::new();
        let mut fcd = None;
        for day in &mut self.closed {
            if day.needs_revision && !day.is_final {
                day.needs_revision = false;
                let before = day.figures;
                let after = figures(place, book, (day.date, day.start, day.end), day.begun, day.end, stand_in, fcd);
                if differs(&before, &after) {
                    (day.figures, day.late) = (after, true);
                    day.revision = day.revision.saturating_add(1);
                    changed.push((before, *day));
                }
            }
            fcd = day.figures.fcd;
        }
        changed
    }

    /// Makes days final that ended `lateness` before `now`.
    pub fn finish(&mut self, now: Stamp, lateness: i64) -> Vec<ClosedDay> {
        let due = |day: &&mut ClosedDay| !day.is_final && !day.needs_revision && now.since(day.end) >= lateness;
        self.closed
            .iter_mut()
            .filter(due)
            .map(|day| {
                day.is_final = true;
                *day
            })
            .collect()
    }

    /// The next instant at which a day closes or becomes final.
    pub fn next_change(&self, lateness: i64) -> Option<Stamp> {
        let finals = self.closed.iter().filter(|day| !day.is_final).map(|day| day.end.plus(lateness));
        finals.chain(self.today.map(|today| today.end)).min()
    }

    /// Rain of the last seven civil days with today, mm.
    pub fn rain_of_week_mm(&self) -> f64 {
        let before: f64 = self.closed.iter().rev().take(6).map(|day| day.figures.water.rain_mm).sum();
        before + self.today.map_or(0.0, |today| today.figures.water.rain_mm)
    }

    /// Rain since the season began, mm.
    pub fn rain_of_season_mm(&self) -> f64 {
        let kept: f64 = self.closed.iter().map(|day| day.figures.water.rain_mm).sum();
        self.season_before_mm + kept + self.today.map_or(0.0, |today| today.figures.water.rain_mm)
    }

    /// A new season: its rain counts from today.
    pub fn begin_season(&mut self) {
        self.season_before_mm = -self.closed.iter().map(|day| day.figures.water.rain_mm).sum::<f64>();
    }

    /// Mean plant-independent need of the last closed days, mm a day: for forecasts of when a hold ends.
    pub fn recent_eto_mm(&self) -> Option<f64> {
        let recent = self.closed.iter().rev().take(RECENT_DAYS).map(|day| day.figures.water.eto_mm);
        let count = self.closed.len().min(RECENT_DAYS);
        (count > 0).then(|| recent.sum::<f64>() / count as f64)
    }
}

/// Figures of a civil day up to `until`: a pure function of the book.
fn figures(
    place: &Place,
    book: &DayBook,
    (date, start, end): (NaiveDate, Stamp, Stamp),
    begun: Option<Stamp>,
    until: Stamp,
    stand_in: StandIn<'_>,
    fcd: Option<f64>,
) -> Figures {
    let until = until.min(end).max(start);
    let place = &stand_in.usual.place(place, date);
    let weather = day_weather::of_day(place, book, date, start, end, until);
    let (rain, extremes) = (weather.rain, weather.extremes);
    let day = Day { day_of_year: date.ordinal(), start, end, until, hours: &weather.hours, extremes, fcd };
    let eto = evapotranspiration::reference_et_with(place, &day, weather.near);
    let elapsed = until.since(start) as f64 / end.since(start).max(1) as f64;
    // Usual evaporation follows the sun of the day. It stands in for a day without temperatures, and gives way to them by and by.
    let (usual_mm, usual_basis) = stand_in.usual.eto(date);
    let usual_mm = usual_mm * eto.passed;
    let eto_mm = if eto.trusted < 1.0 { eto.trusted * eto.mm + (1.0 - eto.trusted) * usual_mm } else { eto.mm };
    let eto_basis = match eto.method {
        Method::None => usual_basis,
        _ if eto.trusted < 0.5 => usual_basis,
        _ if weather.bases.of(Input::AirTemperature) == Basis::Neighbours => Basis::Neighbours,
        _ if eto.coverage >= WELL_MEASURED => Basis::Measured,
        _ => Basis::Partial,
    };
    let looked_after = begun.map_or(1.0, |begun| until.since(begun).max(0) as f64 / until.since(start).max(1) as f64);
    let eto_mm = eto_mm * looked_after.min(1.0);
    let share = |millis: i64| millis as f64 / until.since(start).max(HOUR) as f64;
    let (own_mm, near_mm) = (rain.um as f64 / 1000.0, rain.near_um as f64 / 1000.0);
    let told_mm = own_mm + near_mm;
    let (rain_mm, rain_basis) = if share(rain.heard) >= WELL_MEASURED {
        (told_mm, Basis::Measured)
    } else if rain.near > 0 && share(rain.near + rain.heard) >= WELL_MEASURED {
        (told_mm, Basis::Neighbours)
    } else if rain.heard > 0 {
        (told_mm, Basis::Partial)
    } else {
        // Nobody's word is not 0: what usually falls counts for the time that nobody speaks for.
        match stand_in.usual.rain_mm(date).filter(|_| stand_in.has_gauge) {
            Some(mean) => {
                (own_mm.max(mean * (elapsed - elapsed * share(rain.near)).max(0.0)) + near_mm, Basis::Normals)
            }
            None if rain.near > 0 => (told_mm, Basis::Neighbours),
            None => (told_mm, Basis::Default),
        }
    };
    Figures {
        water: DayWater { eto_mm, rain_mm },
        method: if eto.trusted < 0.5 { Method::None } else { eto.method },
        coverage: eto.coverage,
        uncertainty_mm: match eto.trusted {
            trusted if trusted < 1.0 => {
                let usual = stand_in.usual.uncertainty_mm(place.climate) * eto.passed;
                usual.max(eto.uncertainty_mm)
            }
            _ => eto.uncertainty_mm,
        },
        eto_basis,
        rain_basis,
        coldest_celsius: extremes.tmin,
        warmest_celsius: extremes.tmax,
        bases: weather.bases,
        quarantined_mm: rain.quarantined_um as f64 / 1000.0,
        spread: rain.spread,
        dew_mm: rain.dew_um as f64 / 1000.0,
        frozen_mm: rain.frozen_um as f64 / 1000.0,
        fcd: eto.fcd,
        complete: eto_basis == Basis::Measured
            && matches!(eto.method, Method::AsceHourly | Method::PenmanMonteithDaily)
            && eto.substituted == Substituted::default()
            && begun.is_none()
            && until == end,
    }
}

fn is_nothing(mm: &f64) -> bool {
    *mm == 0.0
}

/// A change smaller than this is not worth a revision, mm and °C. Our choice.
fn differs(before: &Figures, after: &Figures) -> bool {
    let moved = |before: f64, after: f64| (before - after).abs() >= 0.005;
    moved(before.water.eto_mm, after.water.eto_mm)
        || moved(before.water.rain_mm, after.water.rain_mm)
        || moved(before.quarantined_mm, after.quarantined_mm)
        || before.bases != after.bases
        || before.coldest_celsius != after.coldest_celsius
        || before.warmest_celsius != after.warmest_celsius
}

/// Share of a day's time that makes it measured and not partly measured. Our choice.
const WELL_MEASURED: f64 = 0.75;

/// Days that forecasts look back.
const RECENT_DAYS: usize = 3;

/// Eight days: a week and the day before it.
const KEPT_DAYS: usize = 8;
