//! Days in parts of the site, its neighbors and nobody; dew, frost in the gauge, and days of 23 to 25 hours.

use chrono_tz::Tz;

use super::*;
use crate::engine::settings::tests::site;
use crate::engine::site::day_book::KEPT;
use crate::engine::site::neighborhood;

const ZONE: Tz = Tz::Europe__Berlin;

fn at(text: &str) -> Stamp {
    Stamp::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap())
}

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

/// The whole civil day `day` of a site at 52° N, 10° E.
fn whole(book: &DayBook, day: &str) -> DayWeather {
    let (start, end) = (civil::day_start(ZONE, date(day)), civil::day_end(ZONE, date(day)));
    of_day(&site().place, book, date(day), start, end, end)
}

/// A night of 16 June with `rain` (local hour, mm) at `humidity` percent.
fn night(rain: &[(i64, f64)], humidity: f64) -> DayRain {
    let (mut book, start) = (DayBook::default(), at("2027-06-15T22:00:00Z"));
    for hour in 0..24 {
        let middle = start.plus(hour * HOUR + HOUR / 2);
        book.add(ZONE, Averaged::Humidity, humidity, middle, HOUR);
        book.gauge_heard(ZONE, middle);
    }
    for (hour, mm) in rain {
        book.add_rain(ZONE, *mm, false, start.plus(hour * HOUR), start.plus(hour * HOUR + HOUR / 2), 0);
    }
    whole(&book, "2027-06-16").rain
}

#[test]
fn a_tip_or_two_in_a_humid_night_are_dew_and_more_or_drier_or_daylight_is_rain() {
    let dew = |rain: &[(i64, f64)], humidity| {
        let rain = night(rain, humidity);
        (rain.um, rain.dew_um)
    };
    assert_eq!(dew(&[(2, 0.2), (3, 0.2)], 97.0), (400, 400));
    assert_eq!(dew(&[(2, 0.2), (3, 0.4)], 97.0), (600, 0), "0.6 mm in a night is rain");
    assert_eq!(dew(&[(2, 0.2)], 90.0), (200, 0), "not humid enough");
    assert_eq!(dew(&[(12, 0.2)], 97.0), (200, 0), "at noon it rained");
    assert_eq!(dew(&[(2, 0.2), (12, 3.0)], 97.0), (3200, 200), "a shower at noon is no night");
}

#[test]
fn what_a_frozen_gauge_catches_counts_and_is_marked() {
    let (mut book, start) = (DayBook::default(), at("2027-01-15T10:00:00Z"));
    book.add_rain(ZONE, 1.4, false, start, start.plus(HOUR / 2), 0);
    book.gauge_frozen(ZONE, start.plus(HOUR / 2));
    book.add_rain(ZONE, 2.0, false, start.plus(3 * HOUR), start.plus(3 * HOUR + 1), 0);
    let rain = whole(&book, "2027-01-15").rain;
    assert_eq!((rain.um, rain.frozen_um), (3400, 1400));
    let bytes = rmp_serde::to_vec_named(&book).unwrap();
    assert_eq!(rmp_serde::from_slice::<DayBook>(&bytes).unwrap(), book, "the mark survives a restart");
}

/// Temperatures of the hours that `own` says, and a neighbor's in all.
fn shared(day: &str, own: impl Fn(i64) -> bool, near: bool) -> DayWeather {
    let (start, end) = (civil::day_start(ZONE, date(day)), civil::day_end(ZONE, date(day)));
    let mut book = DayBook::default();
    for hour in 0..end.since(start) / HOUR {
        let begin = start.plus(hour * HOUR);
        if own(hour) {
            book.add(ZONE, Averaged::Temperature, 15.0, begin.plus(HOUR / 2), HOUR);
        }
        let digest = crate::engine::event::Digest {
            from: "elm".into(),
            hour: begin,
            air_temperature_celsius: Some(20.0),
            relative_humidity_percent: Some(50.0),
            wind_speed_m_per_s: None,
            shortwave_w_per_m2: None,
            rain_mm: Some(0.5),
            latitude_degrees: 52.1,
            longitude_degrees: 10.0,
            elevation_m: 60.0,
        };
        if near {
            book.neighborhood.put(neighborhood::estimate(&site().place, begin, [&digest].into_iter()).unwrap(), KEPT);
        }
    }
    whole(&book, day)
}

#[test]
fn own_hours_come_first_and_neighbors_fill_the_others() {
    let day = shared("2027-06-16", |hour| hour < 20, true);
    let temperatures: Vec<f64> = day.hours.iter().filter_map(|hour| Some(hour.air_temperature?.mean)).collect();
    assert_eq!(temperatures, [[15.0; 20].as_slice(), &[20.0; 4]].concat());
    assert_eq!(day.extremes, DayExtremes { tmax: Some(20.0), tmin: Some(15.0) });
    assert_eq!(day.bases.of(Input::AirTemperature), Basis::Measured, "20 of 24 hours");
    assert_eq!(day.bases.of(Input::RelativeHumidity), Basis::Neighbours);
    assert_eq!(day.bases.of(Input::WindSpeed), Basis::Default);
    assert!((day.near.temperature - 4.0 / 24.0).abs() < 1e-9 && day.near.humidity == 1.0);
    assert_eq!((day.rain.near_um, day.rain.heard), (12_000, 0), "no gauge of its own");
    let half = shared("2027-06-16", |hour| hour < 12, true);
    assert_eq!(half.bases.of(Input::AirTemperature), Basis::Neighbours);
    let alone = shared("2027-06-16", |hour| hour < 12, false);
    assert_eq!(alone.bases.of(Input::AirTemperature), Basis::Partial);
    assert_eq!(alone.hours.len(), 12);
}

#[test]
fn days_of_23_and_25_hours_have_so_many_hours_also_from_neighbors() {
    assert_eq!(shared("2027-03-28", |_| false, true).hours.len(), 23);
    assert_eq!(shared("2027-10-31", |_| false, true).hours.len(), 25);
    assert_eq!(shared("2027-10-31", |_| true, false).hours.len(), 25);
    assert_eq!(shared("2027-10-31", |_| false, true).rain.near_um, 12_500);
}

#[test]
fn a_running_day_takes_nothing_from_an_hour_that_is_not_over() {
    let mut book = DayBook::default();
    let start = at("2027-06-15T22:00:00Z");
    book.add(ZONE, Averaged::Temperature, 15.0, start.plus(MINUTE), MINUTE);
    let day = of_day(&site().place, &book, date("2027-06-16"), start, start.plus(DAY), start.plus(10 * MINUTE));
    assert_eq!(day.hours.len(), 1);
    assert_eq!(day.hours[0].minutes, 60);
    assert_eq!(day.bases.of(Input::AirTemperature), Basis::Partial, "a minute of ten");
}

#[test]
fn a_stopped_anemometer_is_not_taken_for_calm() {
    let (mut book, start) = (DayBook::default(), at("2027-06-15T22:00:00Z"));
    for hour in 0..24 {
        let middle = start.plus(hour * HOUR + HOUR / 2);
        book.add(ZONE, Averaged::Wind, if hour < 4 { 2.0 } else { 0.0 }, middle, HOUR);
        if hour >= 8 {
            book.doubt(ZONE, Averaged::Wind, middle);
        }
    }
    let winds: Vec<Option<f64>> =
        whole(&book, "2027-06-16").hours.iter().map(|hour| hour.wind_speed.map(|wind| wind.mean)).collect();
    assert_eq!(winds[..8], [[Some(2.0); 4], [Some(0.0); 4]].concat(), "four calm hours are believed");
    assert!(winds[8..].iter().all(Option::is_none), "{winds:?}");
}
