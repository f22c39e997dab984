//! The dry guard: plants that have gone without water for too long are not held by evidence any more.
//!
//! A stuck sensor can hold for ever, and the ledger cannot owe more than its ceiling. So need less rain is also summed without
//! a ceiling from the last watering on; far beyond what the root zone stores, rain, wind and a full root zone hold nothing.
//! Frost, rules, people and the season still do: there the guard only calls for somebody.

use super::alert::{AlertKind, Wording};
use super::civil;
use super::decision::hold::Hold;
use super::decision::reason::Reason;
use super::evidence;
use super::publish::{alerts, words};
use super::settings::GroupSettings;
use super::state::{Context, SiteState};

/// Takes evidence holds away where the guard stands, and says so.
pub fn apply(state: &mut SiteState, index: usize, holds: &mut Vec<Hold>, context: &mut Context<'_>) {
    let (site, now) = (context.site, context.now.wall);
    let settings = &site.groups[index];
    let dry_mm = evidence::dry_mm(state, index, context);
    let stood = state.groups[index].guarded_since;
    let is_dry = if stood.is_some() { dry_mm >= settings.ceiling_mm } else { dry_mm >= limit_mm(settings) };
    let stands = is_dry && grows(state, settings, context);
    state.groups[index].guarded_since = stands.then(|| stood.unwrap_or(now));
    if !stands {
        if stood.is_some() {
            alerts::clear(state, AlertKind::DryGuard, &settings.id, context);
        }
        return;
    }
    let lapsed = names(holds.iter().filter(|hold| is_evidence(hold.reason)));
    holds.retain(|hold| !is_evidence(hold.reason));
    if !state.alerts.is_open(AlertKind::DryGuard, &settings.id) {
        let wording = wording(settings, dry_mm, &lapsed, &names(holds.iter()), context);
        alerts::raise(state, AlertKind::DryGuard, &settings.id, wording, context);
    }
}

/// Lack of water at which the guard stands, mm.
pub fn limit_mm(settings: &GroupSettings) -> f64 {
    settings.ceiling_mm * f64::from(settings.dry_guard_percent) / 100.0
}

/// True in the growing season: the system is filled, no frost is to be reckoned with, and the plants use water.
fn grows(state: &SiteState, settings: &GroupSettings, context: &Context<'_>) -> bool {
    let month = civil::month(civil::date(context.site.zone, context.now.wall));
    state.season.waters() && !context.site.frost_months[month] && settings.plant_factor[month] > 0.0
}

/// True for holds that rest on what sensors say.
fn is_evidence(reason: Reason) -> bool {
    matches!(reason, Reason::Rain | Reason::Wind | Reason::RootZoneFull)
}

fn names<'a>(holds: impl Iterator<Item = &'a Hold>) -> Vec<String> {
    holds.map(|hold| hold.reason.name().replace('_', " ")).collect()
}

fn wording(
    settings: &GroupSettings,
    dry_mm: f64,
    lapsed: &[String],
    left: &[String],
    context: &Context<'_>,
) -> Wording {
    let mut text = format!(
        "{} has gone without {} of water since its last watering, far more than its soil can store.",
        settings.label,
        words::depth(context.site, dry_mm)
    );
    if !lapsed.is_empty() {
        text += &format!(" The hold for {} no longer stops the water.", lapsed.join(" and "));
    }
    let action = if left.is_empty() {
        "Look at the plants, and at the sensors and the controller: something keeps the water away."
    } else {
        text += &format!(" It is still held: {}.", left.join(", "));
        "Look at the plants today, and end the hold if it may be ended."
    };
    Wording::new(text, action).with("dry_mm", dry_mm).with("limit_mm", limit_mm(settings))
}
