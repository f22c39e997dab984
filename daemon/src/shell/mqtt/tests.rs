//! Pure parts of both connections.

use super::*;

#[test]
fn pauses_double_up_to_the_longest_and_are_spread() {
    let broker = BrokerSettings { reconnect_min_ms: 100, reconnect_max_ms: 3_000, ..BrokerSettings::default() };
    let mut back_off = BackOff::new(&broker);
    let mut longest = 100;
    for _ in 0..40 {
        let pause = back_off.next().as_millis() as u64;
        assert!((100.max(longest / 2)..=longest).contains(&pause), "{pause} of {longest}");
        longest = (longest * 2).min(3_000);
    }
    back_off.reset();
    assert_eq!(back_off.next(), Duration::from_millis(100));
}

#[test]
fn a_password_is_never_shown() {
    let broker = BrokerSettings { password: Some("rosebud".into()), ..BrokerSettings::default() };
    assert!(!format!("{broker:?}").contains("rosebud"));
}
