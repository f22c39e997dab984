//! The formulas against published values: worked examples of the standards, and long series by other programs.

#[cfg(test)]
mod check_values;
#[cfg(test)]
mod de_bilt;
#[cfg(test)]
mod fallon;
#[cfg(test)]
mod maricopa;
#[cfg(test)]
mod normals;
#[cfg(test)]
mod table;
