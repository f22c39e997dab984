//! To come.

pub mod evapotranspiration;
