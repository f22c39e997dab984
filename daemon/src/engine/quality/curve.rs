//! A limit that grows with time: anchors, and log-log interpolation between them.

/// The limit at `x`, by a straight line between the anchors on log-log paper (a power law in each piece).
///
/// Anchors come in rising `x`. Before the first one its limit holds, after the last one the last limit holds. A piece
/// with a limit or `x` of 0 or less, which has no logarithm, is interpolated linearly. `None` when there is no anchor or
/// `x` is not a number.
pub fn log_log(anchors: impl IntoIterator<Item = (f64, f64)>, x: f64) -> Option<f64> {
    if x.is_nan() {
        return None;
    }
    let mut before: Option<(f64, f64)> = None;
    for (x1, y1) in anchors {
        if x <= x1 {
            return Some(before.map_or(y1, |(x0, y0)| between((x0, y0), (x1, y1), x)));
        }
        before = Some((x1, y1));
    }
    before.map(|(_, last)| last)
}

fn between((x0, y0): (f64, f64), (x1, y1): (f64, f64), x: f64) -> f64 {
    if x == x1 || x1 <= x0 {
        return y1;
    }
    if x0 <= 0.0 || y0 <= 0.0 || y1 <= 0.0 {
        return y0 + (y1 - y0) * (x - x0) / (x1 - x0);
    }
    let share = (x / x0).ln() / (x1 / x0).ln();
    y0 * (y1 / y0).powf(share)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_follows_a_power_law_between_anchors_and_stays_flat_outside() {
        let anchors = [(1.0, 2.0), (4.0, 8.0), (16.0, 16.0)];
        for (x, expected) in [(0.1, 2.0), (1.0, 2.0), (2.0, 4.0), (4.0, 8.0), (8.0, 8.0 * 2f64.sqrt()), (99.0, 16.0)] {
            let limit = log_log(anchors, x).unwrap();
            assert!((limit - expected).abs() < 1e-9, "{x}: {limit}");
        }
    }

    #[test]
    fn no_anchor_or_no_number_gives_no_limit() {
        assert_eq!(log_log([], 1.0), None);
        assert_eq!(log_log([(1.0, 1.0)], f64::NAN), None);
    }

    #[test]
    fn a_piece_without_logarithms_is_linear() {
        assert_eq!(log_log([(0.0, 0.0), (10.0, 5.0)], 4.0), Some(2.0));
    }
}
