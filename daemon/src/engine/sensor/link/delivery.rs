//! How sure a delivery ratio is.

/// Bounds between which the true share lies in 95 of 100 cases, where `received` of `expected` messages came: the score
/// interval of Wilson (1927), Probable inference, the law of succession, and statistical inference. Both 0 to 1.
pub fn likely_share(received: u64, expected: u64) -> (f64, f64) {
    if expected == 0 {
        return (0.0, 1.0);
    }
    let n = expected as f64;
    let share = (received as f64 / n).min(1.0);
    let z2 = Z * Z;
    let middle = (share + z2 / (2.0 * n)) / (1.0 + z2 / n);
    let half = Z / (1.0 + z2 / n) * (share * (1.0 - share) / n + z2 / (4.0 * n * n)).sqrt();
    ((middle - half).max(0.0), (middle + half).min(1.0))
}

/// Two-sided 95 % of the standard normal distribution.
const Z: f64 = 1.959_964;
