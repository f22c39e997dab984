//! Formulas: pure functions by the published standards, with units in their types. No state, no judgment.
//!
//! - [`vapor`]: pressure and humidity of air.
//! - [`solar`]: where the sun stands, sunrise and sunset.
//! - [`sun_of_day`]: the same for all hours of one day.
//! - [`radiation`]: energy from sun and sky, net radiation.
//! - [`reference_et`]: reference evapotranspiration from all of these.
//! - [`effective_rain`]: what becomes of the rain of a day.
//! - [`root_zone`]: effective rain of a day and a month, and the water balance of the root zone.
//!
//! Every function gives a finite number for every finite input. Inputs that no weather on Earth reaches are brought to
//! the nearest edge of the range that the function's doc states; [`super::quality`] decides what is believed.

pub mod effective_rain;
pub mod radiation;
pub mod reference_et;
pub mod root_zone;
pub mod solar;
pub mod sun_of_day;
pub mod vapor;
