//! What must always hold for a gauge, whatever it says.

use proptest::prelude::*;

use super::*;

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![proptest::num::f64::ANY, 0.0..2_000.0, (0u32..600).prop_map(f64::from), Just(4.83), Just(122.682)]
}

proptest! {
    #[test]
    fn no_reading_takes_rain_away(
        readings in prop::collection::vec((any_number(), -DAY..3 * DAY, any::<bool>(), any::<bool>(), any::<bool>()), 0..60),
        modulus in prop::option::of(any_number()),
    ) {
        let settings = GaugeSettings { modulus, ..GaugeSettings::default() };
        let mut gauge = Gauge::default();
        for (raw, at, in_tips, by_arrival, step_back) in readings {
            let unit = if in_tips { RawUnit::Tips } else { RawUnit::Millimeters };
            let counted = gauge.counter(raw, unit, Stamp(at), by_arrival, &settings);
            let amount = gauge.interval(raw, Stamp(at), by_arrival.then_some(at), &settings);
            for catch in [counted, amount] {
                prop_assert!(0.0 <= catch.mm && catch.mm.is_finite());
                prop_assert!(0.0 <= catch.quarantined_mm && catch.quarantined_mm.is_finite());
                prop_assert!(catch.from <= catch.to);
            }
            if step_back {
                gauge.clock_stepped_back(Stamp(at - HOUR));
            }
        }
    }

    #[test]
    fn no_time_panics(times in prop::collection::vec((any::<i64>(), any::<Option<i64>>()), 0..20), raw in any_number()) {
        let settings = GaugeSettings::default();
        let mut gauge = Gauge::default();
        for (at, interval) in times {
            gauge.counter(raw, RawUnit::Millimeters, Stamp(at), false, &settings);
            let catch = gauge.interval(raw, Stamp(at), interval, &settings);
            let bins = [(Stamp(i64::MIN), Stamp(0)), (Stamp(0), Stamp(i64::MAX))];
            let total: f64 = spread(catch.from, catch.to, catch.mm, bins.into_iter()).map(|(_, mm)| mm).sum();
            prop_assert!(total <= catch.mm + 1e-9);
        }
    }

    #[test]
    fn a_plausible_rising_counter_counts_exactly_last_less_first(
        tips in prop::collection::vec((0u32..60, 5i64..120), 1..60),
        first in 0u32..100_000,
    ) {
        let settings = GaugeSettings::default();
        let mut gauge = Gauge::default();
        let (mut level, mut at, mut total) = (first, Stamp(0), 0.0);
        gauge.counter(f64::from(level), RawUnit::Tips, at, false, &settings);
        for (more, minutes) in tips {
            level += more;
            at = at.plus(minutes * MINUTE);
            total += gauge.counter(f64::from(level), RawUnit::Tips, at, false, &settings).mm;
        }
        prop_assert!((total - f64::from(level - first) * 0.2).abs() < 1e-9);
    }

    #[test]
    fn shares_add_up_to_what_fell(mm in 0.0..500.0, from in 0..20 * HOUR, span in 0..20 * HOUR) {
        let hours = (0..48).map(|hour| (Stamp(hour * HOUR), Stamp((hour + 1) * HOUR)));
        let shares: Vec<_> = spread(Stamp(from), Stamp(from + span), mm, hours).collect();
        prop_assert!((shares.iter().map(|(_, share)| share).sum::<f64>() - mm).abs() < 1e-9);
        prop_assert!(shares.iter().all(|(_, share)| -1e-9 <= *share));
    }
}
