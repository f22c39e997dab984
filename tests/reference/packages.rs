//! 2,000 random days and 5,000 random hours against PyPI refet and pyet, which implement the same standards.
//!
//! `tests/run.sh` makes a Python environment with both and names its interpreter in `THIRST_REFERENCE_PYTHON`; where that
//! is set, these tests have to run. Without it they say that they were skipped.

use std::{env, fs, path::Path, process::Command, sync::OnceLock};

use thirstd::engine::{
    formula::{
        reference_et::{self, ClearSky, DailyWeather, HourlyWeather, Surface},
        solar, vapor,
    },
    units::*,
};

use super::table::{self, Row};

/// The cases of a run with the packages' answers, made once; None where no interpreter is named.
fn answers() -> Option<&'static (Vec<Row>, Vec<Row>)> {
    static ANSWERS: OnceLock<Option<(Vec<Row>, Vec<Row>)>> = OnceLock::new();
    ANSWERS
        .get_or_init(|| {
            let python = env::var_os("THIRST_REFERENCE_PYTHON")?;
            let folder = tempfile::tempdir().expect("a temporary folder");
            let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference/packages/answers.py");
            let seed = env::var("THIRST_REFERENCE_SEED").unwrap_or_else(|_| "20050100".to_owned());
            let output = Command::new(&python)
                .arg(script)
                .arg(folder.path())
                .args([&seed, "2000", "5000"])
                .output()
                .unwrap_or_else(|error| panic!("{}: {error}", python.display()));
            let (said, error) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
            assert!(output.status.success(), "the reference packages gave no answers (seed {seed}): {error}");
            print!("{said}");
            let read = |name: &str| table::rows(&fs::read_to_string(folder.path().join(name)).expect(name));
            Some((read("days.csv"), read("hours.csv")))
        })
        .as_ref()
}

fn read(row: &Row, column: &str) -> f64 {
    let value = table::number(row, column).unwrap_or(f64::NAN);
    assert!(value.is_finite(), "{column}: {row:?}");
    value
}

/// The largest difference of each comparison, and the case that had it.
#[derive(Default)]
struct Worst(Vec<(&'static str, f64, f64, String)>);

impl Worst {
    fn compare(&mut self, name: &'static str, limit: f64, ours: f64, theirs: f64, row: &Row) {
        let off = (ours - theirs).abs();
        assert!(off.is_finite(), "{name}: {ours} for {theirs}");
        match self.0.iter_mut().find(|(known, ..)| *known == name) {
            Some(worst) if worst.1 >= off => {}
            Some(worst) => (worst.1, worst.3) = (off, format!("{ours} for {theirs}: {row:?}")),
            None => self.0.push((name, off, limit, format!("{ours} for {theirs}: {row:?}"))),
        }
    }

    fn judge(self) {
        let mut beyond = Vec::new();
        for (name, off, limit, case) in self.0 {
            println!("{name}: largest difference {off:.1e}");
            if off > limit {
                beyond.push(format!("{name}: {off:.1e} is more than {limit:.0e}: {case}"));
            }
        }
        assert!(beyond.is_empty(), "{}", beyond.join("\n"));
    }
}

/// mm of a day or hour.
const DEPTH_LIMIT: f64 = 1e-3;

fn day(row: &Row, clear_sky: ClearSky) -> DailyWeather {
    let wind = reference_et::wind_at_2_m(MetersPerSecond(read(row, "wind")), Meters(read(row, "height")));
    DailyWeather {
        day_of_year: read(row, "day") as u32,
        latitude: Degrees(read(row, "latitude")).radians(),
        elevation: Meters(read(row, "elevation")),
        highest: Celsius(read(row, "tmax")),
        lowest: Celsius(read(row, "tmin")),
        actual_vapor: vapor::saturation_vapor_pressure(Celsius(read(row, "dew"))),
        shortwave: MegajoulesPerM2(read(row, "rs")),
        wind,
        clear_sky,
    }
}

#[test]
fn random_days_agree_with_two_packages_to_a_thousandth_of_a_millimeter() {
    let Some((days, _)) = answers() else {
        println!("skipped: THIRST_REFERENCE_PYTHON names no interpreter with refet and pyet; tests/run.sh makes one");
        return;
    };
    assert_eq!(days.len(), 2000);
    let mut worst = Worst::default();
    for row in days {
        let simple = day(row, ClearSky::Simple);
        let full = day(row, ClearSky::Full);
        let mut check = |name, limit, ours, column| worst.compare(name, limit, ours, read(row, column), row);
        check("wind at 2 m, refet", 1e-9, simple.wind.0, "u2");
        check("Ra, refet", 1e-9, simple.extraterrestrial().0, "ra");
        check("Ra, pyet", 1e-6, simple.extraterrestrial().0, "pyet_ra");
        check("clear sky, simple, refet", 1e-9, simple.clear_sky_radiation().0, "rso_simple");
        check("clear sky, full, refet", 1e-9, full.clear_sky_radiation().0, "rso_full");
        check("short, simple, refet", DEPTH_LIMIT, reference_et::daily(&simple, Surface::Short).0, "eto_simple");
        check("tall, simple, refet", DEPTH_LIMIT, reference_et::daily(&simple, Surface::Tall).0, "etr_simple");
        check("short, full, refet", DEPTH_LIMIT, reference_et::daily(&full, Surface::Short).0, "eto_full");
        check("tall, full, refet", DEPTH_LIMIT, reference_et::daily(&full, Surface::Tall).0, "etr_full");
        check("FAO-56 from dew point, pyet", DEPTH_LIMIT, reference_et::daily(&simple, Surface::Short).0, "pyet_pm");
        let (rh_max, rh_min) = (Percent(read(row, "rh_max")), Percent(read(row, "rh_min")));
        let actual_vapor = vapor::vapor_pressure_of_extremes(simple.highest, simple.lowest, rh_max, rh_min);
        let by_humidity = reference_et::daily(&DailyWeather { actual_vapor, ..simple }, Surface::Short).0;
        check("FAO-56 from humidity, pyet", DEPTH_LIMIT, by_humidity, "pyet_pm_rh");
        let hargreaves = reference_et::hargreaves_samani(simple.highest, simple.lowest, simple.extraterrestrial()).0;
        check("Hargreaves-Samani, pyet", DEPTH_LIMIT, hargreaves, "pyet_hargreaves");
        let sunset = solar::sunset_hour_angle(simple.latitude, solar::declination(simple.day_of_year));
        check("daylight hours, pyet", 1e-6, solar::daylight_hours(sunset).0, "pyet_daylight");
    }
    worst.judge();
}

fn hour(row: &Row, clear_sky: ClearSky) -> HourlyWeather {
    let day_of_year = read(row, "day") as u32;
    let middle = Hours(read(row, "start") + 0.5);
    HourlyWeather {
        day_of_year,
        latitude: Degrees(read(row, "latitude")).radians(),
        middle: solar::solar_time_angle(Degrees(read(row, "longitude")), day_of_year, middle),
        length: Hours(1.0),
        elevation: Meters(read(row, "elevation")),
        air: Celsius(read(row, "air")),
        actual_vapor: vapor::saturation_vapor_pressure(Celsius(read(row, "dew"))),
        shortwave: MegajoulesPerM2(read(row, "rs")),
        wind: reference_et::wind_at_2_m(MetersPerSecond(read(row, "wind")), Meters(read(row, "height"))),
        clear_sky,
    }
}

#[test]
fn random_hours_by_day_and_night_agree_with_refet_to_a_thousandth_of_a_millimeter() {
    let Some((_, hours)) = answers() else {
        println!("skipped: THIRST_REFERENCE_PYTHON names no interpreter with refet and pyet; tests/run.sh makes one");
        return;
    };
    assert_eq!(hours.len(), 5000);
    let mut worst = Worst::default();
    let (mut by_night, mut judged_itself) = (0, 0);
    for row in hours {
        let (start, middle) = (read(row, "sun_start"), read(row, "sun_middle"));
        by_night += usize::from(middle < 0.0);
        for clear_sky in [ClearSky::Simple, ClearSky::Full] {
            let weather = hour(row, clear_sky);
            let (simple, names) = match clear_sky {
                ClearSky::Simple => {
                    (true, ["rso_simple", "cloudiness_simple", "rn_simple", "eto_simple", "etr_simple"])
                }
                ClearSky::Full => (false, ["rso_full", "cloudiness_full", "rn_full", "eto_full", "etr_full"]),
            };
            let [rso, cloudiness, rn, eto, etr] = names;
            let mut check = |name, limit, ours, column| worst.compare(name, limit, ours, read(row, column), row);
            check("Ra of an hour", 1e-9, weather.extraterrestrial().0, "ra");
            check("clear sky of an hour", 1e-9, weather.clear_sky_radiation().0, rso);
            // Where the sun is low, both stand on the cloudiness of another hour: the package takes 1, we are told so. By
            // ASCE the middle of the hour decides; the package goes by its start.
            let own = weather.own_cloudiness();
            assert_eq!(own.is_some(), middle >= 0.3 && read(row, "ra") > 0.0, "{row:?}");
            if let Some(own) = own.filter(|_| start >= 0.3) {
                judged_itself += usize::from(simple);
                check("cloudiness of an hour", 1e-9, own, cloudiness);
            }
            let cloudiness = read(row, cloudiness);
            check("Rn of an hour", 1e-9, weather.net_radiation(cloudiness).0, rn);
            check("short, an hour", DEPTH_LIMIT, reference_et::hourly(&weather, Surface::Short, cloudiness).0, eto);
            check("tall, an hour", DEPTH_LIMIT, reference_et::hourly(&weather, Surface::Tall, cloudiness).0, etr);
        }
    }
    println!("{by_night} hours by night, {judged_itself} with a sun high enough to judge the clouds by");
    assert!(by_night > 1500 && judged_itself > 1000, "{by_night} {judged_itself}");
    worst.judge();
}
