//! S30: directions across north, and humidity above 100.

use crate::case::{at, play};
use crate::configuration::{STATES, Site, settings};
use crate::world::World;

#[test]
fn s30_north_is_north_and_wet_air_is_saturated() {
    let site = Site { sensors: &[("combo", "")], ..Site::default() };
    let mut world = World::new(settings(STATES, &[site]), at("2027-05-20T04:55:00Z"));
    play("S30", &mut world);

    // 350, 10 and 360 give north; the direction of the calm and -1 are left out.
    let direction = world.readings("combo", "wind_from_direction_degrees", "wind_from_direction_flag");
    let flags: Vec<(f64, i64)> = direction.into_iter().map(|(_, value, flag)| (value, flag)).collect();
    assert_eq!(flags, [(350.0, 1), (10.0, 1), (360.0, 1), (180.0, 9), (-1.0, 4)]);
    let humidity = world.readings("combo", "relative_humidity_percent", "relative_humidity_flag");
    let humidity: Vec<(f64, i64)> = humidity.into_iter().map(|(_, value, flag)| (value, flag)).collect();
    assert_eq!(humidity.iter().map(|(_, flag)| *flag).collect::<Vec<_>>(), [1, 1, 1, 4, 4], "{humidity:?}");
    let sensor = world.sensor("oak", "combo");
    assert_eq!(sensor.values["relative_humidity"], 100.0);
    assert_eq!((sensor.flags["clip"], sensor.flags["range"], sensor.flags["step"], sensor.flags["calm"]), (1, 2, 1, 1));
    assert_eq!(world.raised("oak"), []);
    world.until(at("2027-05-20T06:00:01Z"));
    let last = &world.payload("oak/sensor/combo")["last_values"];
    let mean = last["wind_from_direction"]["value"].as_f64().unwrap();
    assert!(mean.min(360.0 - mean) <= 1.0, "{mean}");

    // The day still has its evapotranspiration, from what was measured.
    world.until(at("2027-05-21T00:01:00Z"));
    let day = *world.view("oak").closed_days.last().unwrap();
    assert!(day.figures.water.eto_mm > 0.1, "{day:?}");
    assert_eq!((day.figures.coldest_celsius, day.figures.warmest_celsius), (Some(8.0), Some(8.3)));
}
