//! Daily and hourly tables with named columns in metric units.

use chrono::NaiveDateTime;

use super::{DayRow, HourRow, Line, Source, WeatherFileError, YEARS, quoted, year};

/// A column that can be read: its name, the range of its values (both ends included), and an example for errors.
#[derive(Clone, Copy, Debug)]
pub struct Column<R> {
    pub name: &'static str,
    pub range: (f64, f64),
    pub write: &'static str,
    put: fn(&mut R, f64),
}

/// The columns of a daily table, beside `date` and the wind as `wind_{H}m_m_s` with the height of the anemometer in it.
/// Ranges are wide: they refuse units and decimal points gone wrong, not rare weather. Our choice.
pub const DAILY: [Column<DayRow>; 11] = [
    Column { name: "tmin_c", range: AIR, write: CELSIUS, put: |row, value| row.lowest_celsius = Some(value) },
    Column { name: "tmax_c", range: AIR, write: CELSIUS, put: |row, value| row.highest_celsius = Some(value) },
    Column { name: "tmean_c", range: AIR, write: CELSIUS, put: |row, value| row.mean_celsius = Some(value) },
    Column {
        name: "shortwave_mj_m2",
        range: (0.0, 60.0),
        write: "the day's sum in MJ/m2 such as 18.4",
        put: |row, value| row.shortwave_mj_per_m2 = Some(value),
    },
    Column { name: "dew_point_c", range: AIR, write: CELSIUS, put: |row, value| row.dew_point_celsius = Some(value) },
    Column {
        name: "rh_max_pct",
        range: PERCENT,
        write: HUMIDITY,
        put: |row, value| row.highest_humidity_percent = Some(value),
    },
    Column {
        name: "rh_min_pct",
        range: PERCENT,
        write: HUMIDITY,
        put: |row, value| row.lowest_humidity_percent = Some(value),
    },
    Column {
        name: "rh_mean_pct",
        range: PERCENT,
        write: HUMIDITY,
        put: |row, value| row.mean_humidity_percent = Some(value),
    },
    Column {
        name: "rain_mm",
        range: RAIN,
        write: "millimeters such as 4.2",
        put: |row, value| row.rain_mm = Some(value),
    },
    Column {
        name: "published_eto_short_mm",
        range: ETO,
        write: "millimeters such as 4.2",
        put: |row, value| row.eto_mm = Some(value),
    },
    Column {
        name: "expected_eto_short_mm",
        range: ETO,
        write: "millimeters such as 4.2",
        put: |row, value| row.eto_mm = Some(value),
    },
];

/// The columns of an hourly table, beside `hour_ending_local_standard` and the wind as in a daily one.
pub const HOURLY: [Column<HourRow>; 6] = [
    Column { name: "air_temperature_c", range: AIR, write: CELSIUS, put: |row, value| row.air_celsius = Some(value) },
    Column { name: "dew_point_c", range: AIR, write: CELSIUS, put: |row, value| row.dew_point_celsius = Some(value) },
    Column { name: "rh_pct", range: PERCENT, write: HUMIDITY, put: |row, value| row.humidity_percent = Some(value) },
    Column {
        name: "shortwave_w_m2",
        range: (-20.0, 2000.0),
        write: "W/m2 such as 640",
        put: |row, value| row.shortwave_w_per_m2 = Some(value),
    },
    Column {
        name: "rain_mm",
        range: RAIN,
        write: "millimeters such as 0.4",
        put: |row, value| row.rain_mm = Some(value),
    },
    Column {
        name: "expected_eto_short_mm_h",
        range: ETO,
        write: "millimeters such as 0.42",
        put: |row, value| row.eto_mm = Some(value),
    },
];

pub(super) struct Daily {
    date: usize,
    wind: Option<usize>,
    pub wind_height_m: Option<f64>,
    columns: Vec<(usize, Column<DayRow>)>,
}

impl Daily {
    pub fn find(source: &Source<'_>, line: u64, names: &[String]) -> Result<Self, WeatherFileError> {
        let at = |name: &str| names.iter().position(|found| found == name);
        for needed in ["tmin_c", "tmax_c"] {
            if at(needed).is_none() {
                return Err(
                    source.line(line, &format!("no column {needed}: a daily table needs date, tmin_c and tmax_c"))
                );
            }
        }
        let (wind, wind_height_m) = wind(source, line, names)?;
        let columns = DAILY.into_iter().filter_map(|column| Some((at(column.name)?, column))).collect();
        Ok(Self { date: at("date").unwrap_or_default(), wind, wind_height_m, columns })
    }

    pub fn uses(&self, index: usize) -> bool {
        index == self.date || self.wind == Some(index) || self.columns.iter().any(|(at, _)| *at == index)
    }

    pub fn row(&self, line: &Line<'_>) -> Result<DayRow, WeatherFileError> {
        let mut row = DayRow { date: line.date(self.date)?, ..DayRow::default() };
        for (index, column) in &self.columns {
            if let Some(value) = line.within(*index, column.range, column.write)? {
                (column.put)(&mut row, value);
            }
        }
        row.wind_m_per_s = wind_of(line, self.wind)?;
        if let (Some(lowest), Some(highest)) = (row.lowest_celsius, row.highest_celsius)
            && lowest > highest
        {
            return Err(line.line(&format!("tmin_c {lowest} is above tmax_c {highest}: write the lower one as tmin_c")));
        }
        Ok(row)
    }
}

pub(super) struct Hourly {
    end: usize,
    wind: Option<usize>,
    pub wind_height_m: Option<f64>,
    columns: Vec<(usize, Column<HourRow>)>,
}

impl Hourly {
    pub fn find(source: &Source<'_>, line: u64, names: &[String]) -> Result<Self, WeatherFileError> {
        let at = |name: &str| names.iter().position(|found| found == name);
        if at("air_temperature_c").is_none() {
            let text = "no column air_temperature_c: an hourly table needs it beside hour_ending_local_standard";
            return Err(source.line(line, text));
        }
        let (wind, wind_height_m) = wind(source, line, names)?;
        let columns = HOURLY.into_iter().filter_map(|column| Some((at(column.name)?, column))).collect();
        Ok(Self { end: at("hour_ending_local_standard").unwrap_or_default(), wind, wind_height_m, columns })
    }

    pub fn uses(&self, index: usize) -> bool {
        index == self.end || self.wind == Some(index) || self.columns.iter().any(|(at, _)| *at == index)
    }

    pub fn row(&self, line: &Line<'_>) -> Result<HourRow, WeatherFileError> {
        let text = line.text(self.end);
        let forms = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S"];
        let end = forms.iter().find_map(|form| NaiveDateTime::parse_from_str(&text, form).ok());
        let Some(end) = end.filter(|end| YEARS.contains(&year(end.date()))) else {
            return Err(line.fault(self.end, format!("{} is no hour: write it as 2027-04-03T14:00", quoted(&text))));
        };
        let mut row = HourRow { end, ..HourRow::default() };
        for (index, column) in &self.columns {
            if let Some(value) = line.within(*index, column.range, column.write)? {
                (column.put)(&mut row, value);
            }
        }
        row.wind_m_per_s = wind_of(line, self.wind)?;
        Ok(row)
    }
}

/// The wind's column and the height in its name: `wind_10m_m_s`.
fn wind(source: &Source<'_>, line: u64, names: &[String]) -> Result<(Option<usize>, Option<f64>), WeatherFileError> {
    let height = |name: &str| name.strip_prefix("wind_")?.strip_suffix("m_m_s")?.parse::<f64>().ok();
    let mut found = names.iter().enumerate().filter_map(|(index, name)| Some((index, height(name)?)));
    let Some((index, height_m)) = found.next() else { return Ok((None, None)) };
    if found.next().is_some() {
        return Err(source.line(line, "the wind has two columns: leave one out"));
    }
    if !(0.5..=200.0).contains(&height_m) {
        let text = format!("{}: the anemometer stands between 0.5 and 200 m: write wind_2m_m_s", names[index]);
        return Err(source.line(line, &text));
    }
    Ok((Some(index), Some(height_m)))
}

fn wind_of(line: &Line<'_>, index: Option<usize>) -> Result<Option<f64>, WeatherFileError> {
    index.map_or(Ok(None), |index| line.within(index, (0.0, 115.0), "m/s such as 2.4"))
}

const AIR: (f64, f64) = (-100.0, 70.0);
const PERCENT: (f64, f64) = (0.0, 105.0);
const RAIN: (f64, f64) = (0.0, 2000.0);
const ETO: (f64, f64) = (-2.0, 40.0);
const CELSIUS: &str = "degrees Celsius such as 21.5";
const HUMIDITY: &str = "percent such as 64";
