//! Weather files: what is read, what is refused and how, and that no bytes do harm.

use std::path::PathBuf;

use proptest::prelude::*;

use super::*;

fn days(text: &str) -> (History, Vec<DayRow>) {
    let history = parse("a.csv", text.as_bytes()).unwrap_or_else(|fault| panic!("{fault}"));
    let Rows::Days(days) = history.rows.clone() else { panic!("no days") };
    (history, days)
}

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

#[test]
fn a_daily_table_is_read_by_column_name_and_empty_fields_stay_unknown() {
    let (history, days) = days(
        "date,rain_mm,tmax_c,tmin_c,wind_3m_m_s,sea_level_pressure_hpa,published_eto_short_mm\r\n\
         2003-01-01,0.4,17.5,-0.5,1.0,1007.2,1.45\r\n\
         2003-01-03,,19,2.5,,,\r\n",
    );
    assert_eq!(history.station.wind_height_m, Some(3.0));
    assert_eq!(history.unused, ["sea_level_pressure_hpa"]);
    let first = DayRow {
        date: date("2003-01-01"),
        rain_mm: Some(0.4),
        highest_celsius: Some(17.5),
        lowest_celsius: Some(-0.5),
        wind_m_per_s: Some(1.0),
        eto_mm: Some(1.45),
        ..DayRow::default()
    };
    let second = DayRow {
        date: date("2003-01-03"),
        highest_celsius: Some(19.0),
        lowest_celsius: Some(2.5),
        ..DayRow::default()
    };
    assert_eq!(days, [first, second]);
}

#[test]
fn an_hourly_table_is_read() {
    let text = "hour_ending_local_standard,air_temperature_c,dew_point_c,wind_3m_m_s,shortwave_w_m2,expected_eto_short_mm_h\n\
                2015-01-01T00:00,-13.933,-17.633,0.049,0.00,-.01\n";
    let history = parse("hours.csv", text.as_bytes()).unwrap();
    let Rows::Hours(hours) = &history.rows else { panic!("no hours") };
    assert_eq!(hours[0].end, date("2015-01-01").and_hms_opt(0, 0, 0).unwrap());
    assert_eq!((hours[0].air_celsius, hours[0].eto_mm, hours[0].rain_mm), (Some(-13.933), Some(-0.01), None));
    assert_eq!(history.station.wind_height_m, Some(3.0));
}

#[test]
fn a_station_file_of_ghcn_daily_is_read_in_tenths_and_flagged_values_are_refused() {
    let (history, days) = days(
        "\"STATION\",\"DATE\",\"LATITUDE\",\"LONGITUDE\",\"ELEVATION\",\"NAME\",\"PRCP\",\"PRCP_ATTRIBUTES\",\"TMAX\",\
         \"TMAX_ATTRIBUTES\",\"TMIN\",\"TMIN_ATTRIBUTES\",\"SNWD\"\n\
         \"XX000000001\",\"1980-01-01\",\"52.1\",\"5.18\",\"2.0\",\"REED VALLEY, XX\",\"   58\",\",,E\",\"   23\",\",,E\",\
         \"   -8\",\",,E\",\"\"\n\
         \"XX000000001\",\"1980-01-02\",\"52.1\",\"5.18\",\"2.0\",\"REED VALLEY, XX\",\"  990\",\",X,E\",\"\",\"\",\
         \"-9999\",\",,E\",\"\"\n\
         \"XX000000001\",\"1980-01-03\",\"52.1\",\"5.18\",\"2.0\",\"REED VALLEY, XX\",\"0\",\"T,,E\",\"10\",\",,E\",\
         \"20\",\",,E\",\"5\"\n",
    );
    let place = history.station;
    assert_eq!((place.latitude_degrees, place.longitude_degrees), (Some(52.1), Some(5.18)));
    assert_eq!((place.elevation_m, place.name.as_deref()), (Some(2.0), Some("REED VALLEY, XX")));
    assert_eq!((days[0].rain_mm, days[0].highest_celsius, days[0].lowest_celsius), (Some(5.8), Some(2.3), Some(-0.8)));
    assert_eq!((days[1].rain_mm, days[1].highest_celsius, days[1].lowest_celsius), (None, None, None));
    assert_eq!((days[2].rain_mm, days[2].highest_celsius), (Some(0.0), None), "lowest above highest");
    assert_eq!((history.refused, history.unused), (3, vec!["SNWD".to_owned()]));
}

#[test]
fn a_fault_names_file_line_column_and_what_to_write() {
    let check = |text: &str, expected: &str| {
        let fault = parse("a.csv", text.as_bytes()).unwrap_err().to_string();
        assert!(fault.contains(expected) && fault.starts_with("a.csv: line "), "{fault}");
    };
    check("", "line 1: the file is empty");
    check("time,x\n1,2\n", "line 1: no column says the time: write date");
    check("date;tmin_c;tmax_c\n", "separate the fields by commas");
    check("date,tmin_c\n2003-01-01,1\n", "line 1: no column tmax_c");
    check("date,tmin_c,tmax_c,tmin_c\n", "line 1: the column \"tmin_c\" comes twice");
    check("date,tmin_c,tmax_c\n", "line 1: no row follows");
    check("date,tmin_c,tmax_c\n2003-01-01,1\n", "line 2: it has 2 fields, the first line 3");
    check("date,tmin_c,tmax_c\n1.1.2003,1,2\n", "line 2: date: \"1.1.2003\" is no date: write it as 2027-04-03");
    check("date,tmin_c,tmax_c\n2003-01-01,one,2\n", "line 2: tmin_c: \"one\" is no number: write degrees Celsius");
    check("date,tmin_c,tmax_c\n2003-01-01,NaN,2\n", "line 2: tmin_c: \"NaN\" is no number");
    check("date,tmin_c,tmax_c\n2003-01-01,1,200\n", "line 2: tmax_c: 200 is not between -100 and 70");
    check("date,tmin_c,tmax_c\n2003-01-01,3,2\n", "line 2: tmin_c 3 is above tmax_c 2");
    check("date,tmin_c,tmax_c\n2003-01-02,1,2\n2003-01-02,1,2\n", "line 3: the day does not come after the one before");
    check("date,tmin_c,tmax_c,wind_2m_m_s,wind_10m_m_s\n", "line 1: the wind has two columns");
    check("date,tmin_c,tmax_c,wind_900m_m_s\n", "line 1: wind_900m_m_s: the anemometer stands between");
    check("date,tmin_c,tmax_c\n2003-01-01,\"1,2\n2003-01-02,3,4\n", "line 2: it has 2 fields");
    check("STATION,TMIN\n", "line 1: no column DATE");
    check("STATION,DATE,SNOW\n", "line 1: none of the columns TMIN, TMAX, PRCP");
    check("STATION,DATE,TMIN\nA,2003-01-01,5\nB,2003-01-02,5\n", "line 3: STATION: \"B\" after \"A\"");
    check("hour_ending_local_standard,air_temperature_c\n2003-01-01,5\n", "is no hour: write it as 2027-04-03T14:00");
    check(&format!("date,tmin_c,tmax_c\n{}\n", "1".repeat(70_000)), "line 2: it has more than 64 KiB");
}

#[test]
fn a_file_that_is_not_there_is_said_by_name() {
    let fault = read(&PathBuf::from("no-such-folder/weather.csv")).unwrap_err().to_string();
    assert!(fault.starts_with("no-such-folder/weather.csv: cannot be read: "), "{fault}");
}

/// The open histories, where they are: `THIRST_DATA`, or `shared/data` beside the workspace.
fn series(file: &str) -> Option<History> {
    let folder = std::env::var_os("THIRST_DATA")
        .map_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../shared/data"), PathBuf::from);
    let path = folder.join(file);
    if !path.exists() {
        println!("skipped: no weather data");
        return None;
    }
    Some(read(&path).unwrap_or_else(|fault| panic!("{fault}")))
}

#[test]
fn the_open_histories_are_read_whole() {
    let check = |file: &str, rows: usize, wind_height_m: Option<f64>, unused: &[&str]| {
        let Some(history) = series(file) else { return };
        assert_eq!((history.rows.len(), history.station.wind_height_m), (rows, wind_height_m), "{file}");
        assert_eq!((history.unused, history.refused), (unused.iter().map(ToString::to_string).collect(), 0), "{file}");
    };
    check("maricopa_2003_2020_full.csv", 6575, Some(3.0), &[]);
    check("debilt_1980_2019_full.csv", 14610, Some(10.0), &["sea_level_pressure_hpa"]);
    check("debilt_1980_2019_ghcnd_layout.csv", 14610, None, &[]);
    check("fallon_2015_daily.csv", 364, Some(3.0), &["expected_etr_tall_mm"]);
    check("fallon_2015_hourly.csv", 8758, Some(3.0), &["expected_etr_tall_mm_h"]);
}

#[test]
fn the_two_layouts_of_one_station_agree() {
    let (Some(full), Some(ghcn)) = (series("debilt_1980_2019_full.csv"), series("debilt_1980_2019_ghcnd_layout.csv"))
    else {
        return;
    };
    let (Rows::Days(full), Rows::Days(ghcn)) = (full.rows, ghcn.rows) else { panic!("no days") };
    for (full, ghcn) in full.iter().zip(&ghcn) {
        assert_eq!(
            (full.date, full.lowest_celsius, full.highest_celsius),
            (ghcn.date, ghcn.lowest_celsius, ghcn.highest_celsius)
        );
    }
}

proptest! {
    #[test]
    fn any_bytes_give_rows_or_a_fault(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let _ = parse("a.csv", &bytes);
    }

    #[test]
    fn anything_under_a_good_header_gives_rows_in_order_or_a_fault(
        header in prop_oneof![
            Just("date,tmin_c,tmax_c,rain_mm,wind_2m_m_s"),
            Just("STATION,DATE,TMIN,TMIN_ATTRIBUTES,PRCP"),
            Just("hour_ending_local_standard,air_temperature_c,rain_mm,dew_point_c,rh_pct"),
        ],
        lines in proptest::collection::vec("(2003-01-0[1-9](T0[0-9]:00)?|A|[\"0-9.,-]{0,8}),[-0-9.TAe\",]{0,30}", 0..8),
    ) {
        let text = format!("{header}\n{}\n", lines.join("\n"));
        if let Ok(history) = parse("a.csv", text.as_bytes()) {
            match history.rows {
                Rows::Days(days) => prop_assert!(days.windows(2).all(|pair| pair[0].date < pair[1].date)),
                Rows::Hours(hours) => prop_assert!(hours.windows(2).all(|pair| pair[0].end < pair[1].end)),
            }
        }
    }
}
