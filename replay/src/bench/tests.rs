//! The measurement at a small number of sites: everything is counted, and nothing is lost on the way.

use super::*;

fn arguments(order: Order) -> Arguments {
    Arguments { sites: 7, messages: Some(500), order, warm_days: 1, seed: 3, json: true }
}

#[test]
fn every_message_is_counted_and_the_figures_fit_each_other() {
    for order in [Order::Round, Order::Random] {
        let measured = engine(&arguments(order)).unwrap();
        let value: serde_json::Value = serde_json::from_str(&serde_json::to_string(&measured).unwrap()).unwrap();
        let number = |key: &str| value[key].as_f64().unwrap_or_else(|| panic!("{key}: {value}"));
        assert_eq!((number("sites"), number("messages"), number("readings")), (7.0, 500.0, 3_000.0));
        assert_eq!(number("warm_messages"), 7.0 * 48.0);
        assert!((number("messages_per_s") * number("seconds") - 500.0).abs() < 1e-6, "{value}");
        assert!((number("readings_per_s") - 6.0 * number("messages_per_s")).abs() < 1e-6, "{value}");
        assert!(number("publications") >= 7.0, "within an hour each site tells its totals: {value}");
        assert!(500.0 < number("row_bytes_mean") && number("row_bytes_mean") <= number("row_bytes_max"), "{value}");
    }
}

#[test]
fn the_engine_takes_every_message_of_the_fleet() {
    let mut run = Run::new(&arguments(Order::Round)).unwrap();
    run.warm_up();
    run.measure(500);
    assert_eq!(run.driver.engine().intake().strangers.len(), 0);
    for site in 0..7 {
        let view = run.driver.engine().view(&id(site)).unwrap();
        let sensor = &view.sensors[0];
        assert_eq!(sensor.rejects.len(), 0, "{:?}", sensor.rejects);
        assert_eq!(sensor.values.len(), 6);
    }
}

#[test]
fn equal_seeds_give_equal_messages_and_other_sites_read_otherwise() {
    let (mut one, mut two) = (Fleet::new(3, 5), Fleet::new(3, 5));
    let at = Fleet::begins().plus(DAY);
    assert_eq!(one.payload(4, at), two.payload(4, at));
    assert_ne!(one.payload(4, at), two.payload(5, at));
}
