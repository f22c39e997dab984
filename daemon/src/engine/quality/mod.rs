//! Reading → flag: what each reading is worth.

pub mod curve;
