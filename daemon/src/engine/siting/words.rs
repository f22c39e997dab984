//! What people are told about where a sensor stands, and what to look at.

use super::catching::Little;
use super::compared::{Calm, Heated};
use super::shade::Shaded;
use crate::engine::alert::Wording;
use crate::engine::publish::words;
use crate::engine::settings::{DisplayUnits, SiteSettings};

pub fn shaded(id: &str, shaded: &Shaded) -> Wording {
    let Shaded { azimuth_degrees, dips, days } = *shaded;
    Wording::new(
        format!(
            "The sun sensor of {id} seems to stand in shade: on {dips} of {days} clear days the sun was gone while it stood in the \
             {} (azimuth about {azimuth_degrees} degrees).",
            toward(azimuth_degrees)
        ),
        format!(
            "Stand by the sensor and look in that direction for a branch, a mast, a chimney or a roof, and see whether its glass is \
             clean and level. Then note a service of kind \"moved\" or \"cleaned\" for sensor {id}. It closes by itself after five \
             clear days without the dip."
        ),
    )
    .with("azimuth_degrees", f64::from(azimuth_degrees))
    .with("clear_days_with_dip", f64::from(dips))
    .with("clear_days", f64::from(days))
    .bringing("tools to cut branches or to move the sensor")
}

pub fn sheltered(site: &SiteSettings, id: &str, calm: &Calm, by_neighbors: bool) -> Wording {
    let than = if by_neighbors { "at the sites nearby in the same hours" } else { "usual here for the time of year" };
    Wording::new(
        format!(
            "The anemometer of sensor {id} reads little wind: {} in the mean of 30 days, with {} {than}.",
            words::speed(site, calm.here),
            words::speed(site, calm.there)
        ),
        format!(
            "Look for webs and leaves in the cups, turn them by hand and listen for the bearing, and see whether a hedge, a wall or a \
             roof keeps the wind away. Then note a service of kind \"cleaned\" or \"moved\" for sensor {id}. It closes by itself \
             when the wind of 30 days is more than half of that."
        ),
    )
    .with("wind_m_per_s", calm.here)
    .with("wind_elsewhere_m_per_s", calm.there)
    .bringing("a brush for the anemometer and tools to move it")
}

pub fn heated(id: &str, heated: &Heated) -> Wording {
    Wording::new(
        format!(
            "The thermometer of sensor {id} is heated: in calm sun it reads {:+.1} K against the sites nearby, at all other times \
             {:+.1} K ({} hours of calm sun in the last 30 days).",
            heated.in_sun, heated.else_, heated.hours
        ),
        format!(
            "Look for a wall, a roof, paving or a radiator close to it, and for a shield that is dirty, broken or in full sun. Then \
             note a service of kind \"moved\" or \"cleaned\" for sensor {id}. It closes by itself when the difference is less than \
             1 K."
        ),
    )
    .with("warmer_in_calm_sun_kelvin", heated.in_sun)
    .with("warmer_otherwise_kelvin", heated.else_)
    .with("hours_of_calm_sun", f64::from(heated.hours))
    .bringing("a radiation shield and tools to move the sensor")
}

pub fn little(site: &SiteSettings, id: &str, little: &Little) -> Wording {
    let percent = 100.0 * little.here_mm / little.near_mm.max(0.001);
    Wording::new(
        format!(
            "The rain gauge of sensor {id} catches too little: {percent:.0} % of what fell nearby in the last {} rains ({} with {}).",
            little.rains,
            words::depth(site, little.here_mm),
            words::depth(site, little.near_mm)
        ),
        format!(
            "Look for leaves and dirt in the funnel, for a gauge that does not stand level, and for a tree or a roof above it; then \
             pour a measured amount through it. Note a service of kind \"cleaned\", \"moved\" or \"calibration\" for sensor {id}. It \
             closes by itself after three whole rains."
        ),
    )
    .with("caught_percent", percent)
    .with("rains", little.rains as f64)
    .with("caught_mm", little.here_mm)
    .with("nearby_mm", little.near_mm)
}

pub fn trickles(id: &str, count: u32) -> Wording {
    Wording::new(
        format!(
            "The rain gauge of sensor {id} drains slowly: after {count} of the last 5 heavy rains it went on tipping evenly for three \
             hours and more while it was dry outside."
        ),
        format!(
            "Look for dirt in the funnel and its spout, and clean the sieve: the total is nearly right, but it comes hours late and \
             keeps rain holds up. Then note a service of kind \"cleaned\" for sensor {id}. It closes by itself after three rains \
             that end when they end."
        ),
    )
    .with("rains_that_trickled_on", f64::from(count))
}

pub fn bounces(site: &SiteSettings, id: &str, pairs: u32, tip_mm: f64) -> Wording {
    let tip = match site.units {
        DisplayUnits::Metric => format!("{tip_mm} mm"),
        DisplayUnits::Us => format!("{:.3} in", tip_mm / 25.4),
    };
    Wording::new(
        format!(
            "The rain gauge of sensor {id} seems to count every tip twice: of the last 20 times that it tipped, {pairs} were an even \
             number of tips of {tip}, as no rain falls. Its rain would be half of what it says."
        ),
        format!(
            "Tip the bucket by hand once and see by how much the total grows. If by two tips, the switch bounces: exchange it or set \
             its debounce time. If by one, the tip that is set is half of the true one: set tip of the gauge. Then note a service of \
             kind \"replaced\" or \"cleaned\" for sensor {id}."
        ),
    )
    .with("even_of_20", f64::from(pairs))
    .with("tip_mm", tip_mm)
    .bringing("a new switch for the rain gauge")
}

/// The nearest of eight directions.
fn toward(azimuth_degrees: u16) -> &'static str {
    let names = ["north", "northeast", "east", "southeast", "south", "southwest", "west", "northwest"];
    let index = (usize::from(azimuth_degrees) * 2 + 45) / 90 % 8;
    names.get(index).copied().unwrap_or("north")
}
