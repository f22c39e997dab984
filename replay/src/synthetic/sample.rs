//! Nine days in April at one orchard, written so that everything a site lives through comes once.

use thirstd::engine::stamp::{HOUR, MINUTE, Stamp};

use super::random::Random;
use super::{Almanac, Day, Mast, Place, Shower, midnight};
use crate::recording::{Entry, Line};

/// The settings that the sample is run with, as shipped in `samples/orchard-week.toml`.
pub const SAMPLE_CONFIG: &str = include_str!("../../samples/orchard-week.toml");

/// The lines of `samples/orchard-week.ndjson`: site `tern-hollow`, sensor `mast`, a message each ten minutes from local
/// midnight on Friday, 2027-04-09 (UTC-7).
///
/// | local day | what happens |
/// |---|---|
/// | Fri 9 to Sun 11 | dry and sunny; on Sunday a windy afternoon |
/// | Mon 12 | 14 mm of rain from 13:00 to 23:00 |
/// | Tue 13, Wed 14 | clearing up, and getting cold |
/// | Thu 15 | frost from midnight to morning; the mast is silent from 10:00 to 22:00 |
/// | Fri 16 | at 09:30 an operator holds for eight hours |
/// | Sat 17 | the district's rule allows no watering |
pub fn sample() -> Vec<Line> {
    let place = Place {
        latitude_degrees: 46.31,
        longitude_degrees: -120.04,
        mean_celsius: 12.5,
        season_celsius: 11.0,
        swing_celsius: 5.5,
    };
    let dry = |anomaly_celsius, cloud, wind_m_per_s| Day { anomaly_celsius, cloud, wind_m_per_s, shower: None };
    // By the sun it is an hour earlier than by the clock.
    let rain = Shower { begins_minute: 12 * 60, minutes: 600, mm: 14.0 };
    let days = vec![
        // The day that ends in the first night, by the sun.
        dry(1.0, 0.1, 2.0),
        dry(1.0, 0.1, 2.2),
        dry(2.0, 0.0, 2.0),
        dry(2.5, 0.2, 6.5),
        Day { shower: Some(rain), ..dry(-1.0, 0.95, 3.0) },
        dry(-1.5, 0.4, 2.2),
        dry(-5.0, 0.1, 1.6),
        dry(-10.0, 0.0, 1.2),
        dry(1.5, 0.2, 1.8),
        dry(1.0, 0.1, 2.0),
        dry(1.5, 0.1, 2.0),
    ];
    let almanac = Almanac::new(place, midnight(2027, 4, 8), days);
    let mut mast = Mast {
        topic: "yard/tern-hollow/mast/state".to_owned(),
        random: Random::new(0x7e52),
        rain_mm: 208.2,
        battery_volts: 2.96,
        fading_volts_per_day: 0.002,
    };
    let begins = midnight(2027, 4, 9).plus(7 * HOUR); // midnight of UTC-7
    let local = |day: i64, hour: i64| begins.plus((day * 24 + hour) * HOUR);
    let silent = local(6, 10)..local(6, 22);
    let mut lines = Vec::new();
    for step in 0..9 * 144 {
        let since = step * 10 * MINUTE;
        let at = begins.plus(since);
        let line = mast.message(at, since, almanac.at(at));
        if !silent.contains(&at) {
            lines.push(line);
        }
        if at == local(7, 9).plus(30 * MINUTE) {
            lines.push(operator(at.plus(12_000)));
        }
    }
    lines
}

fn operator(at: Stamp) -> Line {
    let payload = r#"{"id":"phone-17","who":"office","verb":"hold","hours":8,"note":"Grafting in the upper rows"}"#;
    let topic = "thirst/v1/site/tern-hollow/command".to_owned();
    Line { at, entry: Entry::Message { topic, payload: payload.as_bytes().to_vec(), retain: false, dup: false } }
}
