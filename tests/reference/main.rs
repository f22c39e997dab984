//! The formulas against published values: worked examples of the standards, and long series by other programs.

#[cfg(test)]
mod battery;
#[cfg(test)]
mod battery_fleet;
#[cfg(test)]
mod check_values;
#[cfg(test)]
mod de_bilt;
#[cfg(test)]
mod fallon;
#[cfg(test)]
mod knock;
#[cfg(test)]
mod maricopa;
#[cfg(test)]
mod nights;
#[cfg(test)]
mod normals;
#[cfg(test)]
mod packages;
#[cfg(test)]
mod qartod;
#[cfg(test)]
mod qartod_cases;
mod qartod_daemon;
#[cfg(test)]
mod siting;
#[cfg(test)]
mod sun_clock;
#[cfg(test)]
mod table;
