//! Time zones by their names in the IANA time zone database.

use chrono_tz::{TZ_VARIANTS, Tz};

use super::spot::Spot;
use super::tree::quoted;

/// The zone of that name; a wrong one is a fault that names the nearest.
pub(super) fn read(spot: &Spot<'_>) -> Option<Tz> {
    let text = spot.text(EXAMPLE)?;
    if let Ok(zone) = text.parse() {
        return Some(zone);
    }
    spot.fault(match likely(spot, text) {
        Some(near) => format!("no such time zone; did you mean {}?", quoted(near)),
        None => format!("no such time zone; write {HOW}"),
    });
    None
}

/// The zone that was meant: by its city alone, or by a slip of the pen.
fn likely(spot: &Spot<'_>, text: &str) -> Option<&'static str> {
    let names = || TZ_VARIANTS.iter().map(|zone| zone.name());
    let plain = text.trim().replace(' ', "_");
    let city = |name: &'static str| name.rsplit('/').next().unwrap_or(name);
    names()
        .find(|name| name.eq_ignore_ascii_case(&plain))
        .or_else(|| names().find(|name| name.contains('/') && city(name).eq_ignore_ascii_case(&plain)))
        .or_else(|| spot.nearest(&plain, names()))
        .or_else(|| {
            let near = spot.nearest(&plain, names().map(city))?;
            names().find(|name| city(name) == near)
        })
}

/// How a zone is written.
pub(super) const HOW: &str =
    "the nearest city of your time zone in the IANA list, for example \"America/Denver\" or \"Europe/Madrid\"";
const EXAMPLE: &str = "Europe/Madrid";
