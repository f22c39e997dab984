//! thirstd: from a weather sensor's message to an explained watering decision.
//!
//! The flow, one way, in reading order:
//!
//! 1. [`engine::event`]: what comes in, always with the time it came.
//! 2. [`engine::decode`]: topic and bytes become readings.
//! 3. [`engine::quality`]: each reading gets a flag.
//! 4. [`engine::sensor`]: the health of each reporting device.
//! 5. [`engine::site`]: the water of the site: day book, rain, evapotranspiration, ledger.
//! 6. [`engine::decision`] and [`engine::alert`]: hold or scale, and who has to look at what.
//! 7. [`engine::output`]: what goes out: publications, history, audit, log lines.
//!
//! Around the engine stands a thin shell: [`config`] reads settings, [`shell`] talks to broker and store and owns the
//! only clock. [`weather_file`] reads weather histories, of which [`climate`] makes normals.

pub mod climate;
pub mod config;
#[cfg(feature = "demo")]
pub mod demo;
pub mod engine;
pub mod shell;
pub mod survey;
pub mod weather_file;
