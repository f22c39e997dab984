//! Rain gauges: what of a counter's change, or of an interval's amount, is rain.

mod caps;
pub mod intensity;
mod outcome;
#[cfg(test)]
mod properties;
mod spread;
#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

pub use self::{
    caps::{Cap, Caps},
    outcome::{Catch, Outcome},
    spread::spread,
};
use crate::engine::stamp::{DAY, HOUR, MINUTE, Stamp};

/// How one gauge counts and what is believed of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct GaugeSettings {
    /// Rain of one tip, in mm.
    pub tip_mm: f64,
    /// Where the counter starts again from 0, in the unit it reports in (65536 for 16 bits of tips); `None`: unknown.
    pub modulus: Option<f64>,
    /// A level reached by an impossible jump becomes the baseline after it has persisted so long. It adds nothing.
    pub new_level_hours: u32,
    /// A counter that falls to at most so many tips has been reset; any other fall waits for a second reading.
    pub reset_at_most_tips: f64,
    /// A change by a factor of 25.4 is asked about from this size on, in mm; smaller ones can be rain or a reset.
    pub unit_change_at_least_mm: f64,
    /// The span of an interval amount that comes without one, at most; shorter when the last amount is nearer.
    pub unknown_interval_minutes: u32,
    pub caps: Caps,
}

impl Default for GaugeSettings {
    fn default() -> Self {
        Self {
            tip_mm: 0.2, // the commonest metric gauge
            modulus: None,
            new_level_hours: 24,           // Our choice.
            reset_at_most_tips: 10.0,      // Our choice.
            unit_change_at_least_mm: 10.0, // Our choice.
            unknown_interval_minutes: 60,  // Our choice.
            caps: Caps::default(),
        }
    }
}

/// What the numbers of a counter stand for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RawUnit {
    Tips,
    Millimeters,
}

/// State of one gauge.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Gauge {
    /// The accepted level.
    #[serde(rename = "a")]
    anchor: Option<Level>,
    /// A level that is not accepted yet.
    #[serde(rename = "p")]
    pending: Option<Pending>,
    /// The last fall of the level, as long as it can turn out to have been false.
    #[serde(rename = "f")]
    before_fall: Option<Fall>,
    /// End of the last interval amount.
    #[serde(rename = "i")]
    interval_end: Option<Stamp>,
}

impl Gauge {
    /// Judges a cumulative reading: `raw` in tips or mm, `at` its time.
    ///
    /// With `ordered_by_arrival` the order of arrival is the order of the readings, so none of them is old.
    pub fn counter(
        &mut self,
        raw: f64,
        raw_unit: RawUnit,
        at: Stamp,
        ordered_by_arrival: bool,
        settings: &GaugeSettings,
    ) -> Catch {
        if !(0.0..=MOST_RAW).contains(&raw) {
            return Catch::nothing(Outcome::Impossible, at, at);
        }
        if ordered_by_arrival {
            self.clock_stepped_back(at);
        }
        let Some(anchor) = self.anchor else {
            self.accept(raw, at);
            return Catch::nothing(Outcome::Anchor, at, at);
        };
        let newest = self.pending.map_or(anchor.at, |pending| pending.at.max(anchor.at));
        if !ordered_by_arrival && at <= newest {
            return Catch::nothing(Outcome::DuplicateOrOld, at, at);
        }
        let scale = Scale { settings, raw_unit };
        match self.pending {
            Some(pending) if pending.kind == Kind::Unit => self.in_doubt_of_unit(anchor, pending, raw, at, &scale),
            Some(pending) if pending.kind == Kind::Jump => self.after_jump(anchor, pending, raw, at, &scale),
            pending => self.compare(anchor, pending, raw, at, &scale),
        }
    }

    /// Judges the amount `mm` of an interval that ended `at` and was `interval_ms` long (at most a day).
    ///
    /// Repeats are told apart before (`quality::duplicate`): every amount that gets here is new.
    pub fn interval(&mut self, mm: f64, at: Stamp, interval_ms: Option<i64>, settings: &GaugeSettings) -> Catch {
        if !(0.0..=MOST_RAW).contains(&mm) {
            return Catch::nothing(Outcome::Impossible, at, at);
        }
        let unknown = i64::from(settings.unknown_interval_minutes) * MINUTE;
        let span = interval_ms.filter(|millis| 0 < *millis).unwrap_or_else(|| {
            let since_last = self.interval_end.map_or(unknown, |end| at.since(end));
            if 0 < since_last { since_last.min(unknown) } else { unknown }
        });
        self.interval_end = self.interval_end.max(Some(at));
        Catch::judged(mm, at.plus(-span.clamp(0, DAY)), at, &settings.caps)
    }

    /// Forgets the level: gauge or unit were changed, the next reading is an anchor.
    pub fn reanchor(&mut self) {
        *self = Self { interval_end: self.interval_end, ..Self::default() };
    }

    /// Somebody confirmed that the unit in the settings is right: counting goes on from the present level.
    pub fn confirm_unit(&mut self) {
        if let Some(pending) = self.pending.filter(|pending| pending.kind == Kind::Unit) {
            self.accept(pending.raw, pending.at);
        }
    }

    /// The clock went back: levels dated after `now` are taken as of `now`, so that readings timed by arrival are not old.
    pub fn clock_stepped_back(&mut self, now: Stamp) {
        if let Some(anchor) = &mut self.anchor {
            anchor.at = anchor.at.min(now);
        }
        if let Some(fall) = &mut self.before_fall {
            fall.from.at = fall.from.at.min(now);
        }
        if let Some(pending) = &mut self.pending {
            pending.at = pending.at.min(now);
            pending.since = pending.since.min(now);
        }
        self.interval_end = self.interval_end.map(|end| end.min(now));
    }

    /// The clock was behind by `by` ms and is right `now`: levels that were dated by it move along; what would come to lie
    /// ahead was dated by another clock.
    pub fn clock_stepped_ahead(&mut self, by: i64, now: Stamp) {
        let moved = |at: Stamp| if at.plus(by) <= now { at.plus(by) } else { at };
        if let Some(anchor) = &mut self.anchor {
            anchor.at = moved(anchor.at);
        }
        if let Some(fall) = &mut self.before_fall {
            fall.from.at = moved(fall.from.at);
        }
        if let Some(pending) = &mut self.pending {
            pending.at = moved(pending.at);
            pending.since = moved(pending.since);
        }
        self.interval_end = self.interval_end.map(moved);
    }

    /// Since when the counter has been at the level of an impossible jump.
    pub fn quarantined_since(&self) -> Option<Stamp> {
        self.pending.filter(|pending| pending.kind == Kind::Jump).map(|pending| pending.since)
    }

    /// Since when nothing counts because the unit is in doubt.
    pub fn unit_suspect_since(&self) -> Option<Stamp> {
        self.pending.filter(|pending| pending.kind == Kind::Unit).map(|pending| pending.since)
    }

    /// A reading beside the accepted level, and beside a drop that is not confirmed.
    fn compare(&mut self, anchor: Level, drop: Option<Pending>, raw: f64, at: Stamp, scale: &Scale<'_>) -> Catch {
        let change = scale.mm(raw - anchor.raw);
        if scale.unit_changed(anchor.raw, raw) {
            self.pending = Some(Pending { kind: Kind::Unit, raw, at, since: at });
            return Catch::nothing(Outcome::UnitSuspect, anchor.at, at);
        }
        if -NOISE_MM <= change {
            return self.rise(anchor, raw, at, change, scale);
        }
        if let Some(mm) = scale.rollover(anchor, raw, at) {
            self.accept(raw, at);
            return Catch { mm, ..Catch::nothing(Outcome::Rollover, anchor.at, at) };
        }
        match drop.filter(|drop| -NOISE_MM <= scale.mm(raw - drop.raw)) {
            Some(drop) => {
                let risen = scale.mm(raw - drop.raw).max(0.0);
                if risen <= scale.settings.caps.fail_mm(at.since(drop.at)) {
                    self.accept(raw, at);
                    self.before_fall = Some(Fall { from: anchor, to_raw: drop.raw });
                    return Catch { mm: risen, ..Catch::nothing(Outcome::ReanchorConfirmed, drop.at, at) };
                }
            }
            None if scale.near_zero(raw) => {
                self.accept(raw, at);
                self.before_fall = Some(Fall { from: anchor, to_raw: 0.0 });
                return Catch { mm: scale.mm(raw), ..Catch::nothing(Outcome::AfterReset, anchor.at, at) };
            }
            None => {}
        }
        self.pending = Some(Pending { kind: Kind::Drop, raw, at, since: at });
        Catch::nothing(Outcome::DropPending, anchor.at, at)
    }

    /// A reading at or above the accepted level.
    fn rise(&mut self, anchor: Level, raw: f64, at: Stamp, change: f64, scale: &Scale<'_>) -> Catch {
        let caps = &scale.settings.caps;
        let lasting = i64::from(scale.settings.new_level_hours) * HOUR;
        self.before_fall = self.before_fall.filter(|fall| at.since(fall.from.at) <= lasting);
        if let Some(fall) = self.before_fall {
            let beyond = scale.mm(raw - fall.from.raw);
            let likely = (-NOISE_MM..=caps.suspect_mm(at.since(fall.from.at))).contains(&beyond);
            if likely && caps.suspect_mm(at.since(anchor.at)) < change {
                // The fall was false. What was counted since is part of the rise from the level before it.
                let mm = (beyond - scale.mm(anchor.raw - fall.to_raw)).max(0.0);
                self.accept(raw, at);
                return Catch { mm, ..Catch::nothing(Outcome::BackFromJump, anchor.at, at) };
            }
        }
        if change <= NOISE_MM {
            // The level stays: noise does not add up.
            self.settle(Level { raw: anchor.raw, at });
            return Catch::nothing(Outcome::Zero, anchor.at, at);
        }
        let catch = Catch::judged(change, anchor.at, at, caps);
        if catch.outcome == Outcome::QuarantinedJump {
            self.pending = Some(Pending { kind: Kind::Jump, raw, at, since: at });
        } else {
            self.settle(Level { raw, at });
        }
        catch
    }

    /// A reading while the counter is at the level of an impossible jump.
    fn after_jump(&mut self, anchor: Level, jump: Pending, raw: f64, at: Stamp, scale: &Scale<'_>) -> Catch {
        let caps = &scale.settings.caps;
        let elapsed = at.since(anchor.at);
        if raw < anchor.raw && NOISE_MM < scale.mm(anchor.raw - raw) {
            self.pending = None;
            return self.compare(anchor, None, raw, at, scale);
        }
        // Time alone makes any jump possible, so the old level must also be the nearer one.
        let above = scale.mm(raw - anchor.raw).max(0.0);
        if raw - anchor.raw < jump.raw - raw && above <= caps.fail_mm(elapsed) {
            self.accept(raw, at);
            return Catch { mm: above, ..Catch::nothing(Outcome::BackFromJump, anchor.at, at) };
        }
        let risen = scale.mm(raw - jump.raw);
        if risen < -scale.settings.tip_mm || caps.fail_mm(at.since(jump.at)) < risen {
            // A third level: its time begins now.
            self.pending = Some(Pending { kind: Kind::Jump, raw, at, since: at });
            let quarantined_mm = risen.max(0.0);
            return Catch { quarantined_mm, ..Catch::nothing(Outcome::QuarantinedJump, jump.at, at) };
        }
        if i64::from(scale.settings.new_level_hours) * HOUR <= at.since(jump.since) {
            self.accept(raw, at);
            return Catch::nothing(Outcome::NewLevelAccepted, jump.at, at);
        }
        self.pending = Some(Pending { raw: raw.max(jump.raw), at, ..jump });
        Catch { quarantined_mm: risen.max(0.0), ..Catch::nothing(Outcome::StillQuarantined, jump.at, at) }
    }

    /// A reading while the unit is in doubt: nothing counts, unless the counter is plainly back at the old level.
    fn in_doubt_of_unit(&mut self, anchor: Level, doubt: Pending, raw: f64, at: Stamp, scale: &Scale<'_>) -> Catch {
        let above = scale.mm(raw - anchor.raw);
        let nearer = 2.0 * (raw - anchor.raw).abs() < (raw - doubt.raw).abs();
        if nearer && (-NOISE_MM..=scale.settings.caps.fail_mm(at.since(anchor.at))).contains(&above) {
            self.accept(raw, at);
            return Catch { mm: above.max(0.0), ..Catch::nothing(Outcome::BackFromJump, anchor.at, at) };
        }
        self.pending = Some(Pending { raw, at, ..doubt });
        Catch::nothing(Outcome::UnitSuspect, doubt.at, at)
    }

    /// `raw` is the level from now on, whatever came before.
    fn accept(&mut self, raw: f64, at: Stamp) {
        self.before_fall = None;
        self.settle(Level { raw, at });
    }

    fn settle(&mut self, level: Level) {
        self.anchor = Some(level);
        self.pending = None;
    }
}

/// A level of a counter, in the unit it reports in.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Level {
    #[serde(rename = "r")]
    raw: f64,
    #[serde(rename = "t")]
    at: Stamp,
}

/// The level fell and counting went on from below.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Fall {
    #[serde(rename = "f")]
    from: Level,
    #[serde(rename = "r")]
    to_raw: f64,
}

/// A level that waits for judgment.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Pending {
    #[serde(rename = "k")]
    kind: Kind,
    #[serde(rename = "r")]
    raw: f64,
    /// The newest reading at this level.
    #[serde(rename = "t")]
    at: Stamp,
    #[serde(rename = "s")]
    since: Stamp,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
enum Kind {
    #[serde(rename = "d")]
    Drop,
    #[serde(rename = "j")]
    Jump,
    #[serde(rename = "u")]
    Unit,
}

/// Raw numbers of one gauge as mm.
struct Scale<'a> {
    settings: &'a GaugeSettings,
    raw_unit: RawUnit,
}

impl Scale<'_> {
    fn mm(&self, raw: f64) -> f64 {
        match self.raw_unit {
            RawUnit::Tips => raw * self.settings.tip_mm,
            RawUnit::Millimeters => raw,
        }
    }

    fn near_zero(&self, raw: f64) -> bool {
        self.mm(raw) <= self.settings.reset_at_most_tips * self.settings.tip_mm
    }

    /// The rain in mm, if falling from `anchor` to `raw` is the counter passing its modulus.
    fn rollover(&self, anchor: Level, raw: f64, at: Stamp) -> Option<f64> {
        let modulus = self.settings.modulus?;
        let rise = raw + modulus - anchor.raw;
        let most = self.settings.caps.suspect_mm(at.since(anchor.at).min(DAY));
        // A fall to near zero from the lower half is more likely a reset.
        let likely = 0.0 <= rise && (!self.near_zero(raw) || rise <= modulus / 2.0);
        (likely && self.mm(rise) <= most).then(|| self.mm(rise))
    }

    /// True when `raw` is the total `before` in inches instead of mm or the other way round, within their rounding.
    fn unit_changed(&self, before: f64, raw: f64) -> bool {
        if self.raw_unit == RawUnit::Tips || (raw - before).abs() < self.settings.unit_change_at_least_mm {
            return false;
        }
        let (inches, millimeters) = if raw < before { (raw, before) } else { (before, raw) };
        let half_digit = 0.5 * 10f64.powi(-decimals(inches).max(decimals(millimeters)));
        let rounding = half_digit * (MM_PER_INCH + 1.0);
        // With too few digits the two cannot be told from a reset or from rain.
        rounding <= 0.05 * millimeters && (inches * MM_PER_INCH - millimeters).abs() <= rounding
    }
}

/// Decimals that the number is written with: 1 to 4.
fn decimals(number: f64) -> i32 {
    let whole = |places: i32| {
        let scaled = number * 10f64.powi(places);
        (scaled - scaled.round()).abs() < 1e-6
    };
    (1..4).find(|places| whole(*places)).unwrap_or(4)
}

/// International inch, by definition.
const MM_PER_INCH: f64 = 25.4;

/// Less than this is the noise of converting units, not a change; far below any gauge's step.
const NOISE_MM: f64 = 1e-6;

/// No counter shows more: 32 bits in the finest steps stay below.
const MOST_RAW: f64 = 1e10;
