//! Figures as they stand in payloads: rounded, finite, never a negative zero.

/// `value` rounded to two decimals, half away from zero. Never -0.0. A value that is not finite stays as it is: give it
/// to [`finite`] first.
pub fn round2(value: f64) -> f64 {
    rounded(value, 100.0)
}

/// `value` rounded to one decimal, half away from zero. Never -0.0. A value that is not finite stays as it is.
pub fn round1(value: f64) -> f64 {
    rounded(value, 10.0)
}

/// `value` where it is a number, absent where it is infinite or none: for figures that may be left out.
pub fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn rounded(value: f64, steps: f64) -> f64 {
    let scaled = value * steps;
    // From 2^52 on every double is a whole number; and what overflows is large enough to be left alone.
    if !scaled.is_finite() || scaled.abs() >= 4_503_599_627_370_496.0 {
        return value;
    }
    // Adding +0.0 turns -0.0 into 0.0 (IEEE 754, section 6.3).
    scaled.round() / steps + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_rounded_and_never_a_negative_zero() {
        for (value, two, one) in [
            (1.234, 1.23, 1.2),
            (-1.236, -1.24, -1.2),
            (-0.004, 0.0, 0.0),
            (-0.0, 0.0, 0.0),
            (0.1 + 0.2, 0.3, 0.3),
            (1e300, 1e300, 1e300),
            (-f64::MAX, -f64::MAX, -f64::MAX),
            (f64::MIN_POSITIVE, 0.0, 0.0),
        ] {
            assert_eq!((round2(value), round1(value)), (two, one), "{value}");
            assert!(round2(value) != 0.0 || round2(value).is_sign_positive(), "{value}");
            assert!(round1(value) != 0.0 || round1(value).is_sign_positive(), "{value}");
        }
    }

    #[test]
    fn what_is_not_finite_is_left_out() {
        assert!(round2(f64::NAN).is_nan());
        assert_eq!(round1(f64::INFINITY), f64::INFINITY);
        assert_eq!((finite(f64::NAN), finite(f64::NEG_INFINITY), finite(-3.5)), (None, None, Some(-3.5)));
    }
}
