//! The report as a page.

use super::Outcome;

/// The page.
///
/// # Errors
/// A chart cannot be drawn.
pub fn page(_: &Outcome, _: &str) -> Result<String, String> {
    Ok(String::new())
}
