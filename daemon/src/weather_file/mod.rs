//! Weather histories from CSV files: daily tables, hourly tables and NOAA's GHCN-Daily station files.
//!
//! The first line names the columns; the file says by them which of the three it is:
//!
//! - **daily**: `date` and any of the columns in [`table::DAILY`], for example `tmin_c`, `tmax_c`, `rain_mm`;
//! - **hourly**: `hour_ending_local_standard` and any of the columns in [`table::HOURLY`];
//! - **GHCN-Daily**: `STATION`, `DATE`, `LATITUDE`, `LONGITUDE`, `ELEVATION`, `NAME`, `PRCP`, `TMAX`, `TMIN` in tenths, with or
//!   without `…_ATTRIBUTES`; a value whose quality flag is set is not taken.
//!
//! An empty field is a value that was not measured, and is never 0. A file is read whole or not at all.

mod ghcn;
pub mod table;
#[cfg(test)]
mod tests;

use std::fs::File;
use std::io::Read;
use std::path::Path;

use chrono::{NaiveDate, NaiveDateTime};
use csv::{ByteRecord, ReaderBuilder};

/// What a file tells.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct History {
    pub station: Station,
    pub rows: Rows,
    /// Columns that nothing was read from.
    pub unused: Vec<String>,
    /// Values that were not taken: a quality flag of the source is set, or no weather on Earth reaches them (GHCN-Daily).
    pub refused: usize,
}

/// Where the weather was measured, as far as the file says.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Station {
    pub name: Option<String>,
    /// South is negative.
    pub latitude_degrees: Option<f64>,
    /// West is negative.
    pub longitude_degrees: Option<f64>,
    pub elevation_m: Option<f64>,
    /// Of the anemometer above ground.
    pub wind_height_m: Option<f64>,
}

/// Rows in order of time, each time once; days and hours may be missing.
#[derive(Clone, Debug, PartialEq)]
pub enum Rows {
    Days(Vec<DayRow>),
    Hours(Vec<HourRow>),
}

/// One civil day.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DayRow {
    pub date: NaiveDate,
    pub lowest_celsius: Option<f64>,
    pub highest_celsius: Option<f64>,
    pub mean_celsius: Option<f64>,
    pub shortwave_mj_per_m2: Option<f64>,
    pub dew_point_celsius: Option<f64>,
    pub highest_humidity_percent: Option<f64>,
    pub lowest_humidity_percent: Option<f64>,
    pub mean_humidity_percent: Option<f64>,
    /// At [`Station::wind_height_m`].
    pub wind_m_per_s: Option<f64>,
    pub rain_mm: Option<f64>,
    /// Reference evapotranspiration, short surface, as published with the data.
    pub eto_mm: Option<f64>,
}

/// One hour of local standard time, by its end.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct HourRow {
    pub end: NaiveDateTime,
    pub air_celsius: Option<f64>,
    pub dew_point_celsius: Option<f64>,
    pub humidity_percent: Option<f64>,
    /// At [`Station::wind_height_m`].
    pub wind_m_per_s: Option<f64>,
    pub shortwave_w_per_m2: Option<f64>,
    pub rain_mm: Option<f64>,
    /// Reference evapotranspiration, short surface, as published with the data; slightly negative in some nights.
    pub eto_mm: Option<f64>,
}

/// Why a file cannot be read: where, and what to write instead.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WeatherFileError {
    #[error("{file}: cannot be read: {why}")]
    File { file: String, why: String },
    #[error("{file}: line {line}: {text}")]
    Line { file: String, line: u64, text: String },
    #[error("{file}: line {line}: {column}: {text}")]
    Field { file: String, line: u64, column: String, text: String },
}

/// Reads the file at `path`.
///
/// # Errors
/// The first fault, with file, line, column and what to write; a file of more than 128 MiB, 2,000,000 rows, or with a line of
/// more than 64 KiB.
pub fn read(path: &Path) -> Result<History, WeatherFileError> {
    let file = path.display().to_string();
    let unreadable = |why: String| WeatherFileError::File { file: file.clone(), why };
    let opened = File::open(path).map_err(|fault| unreadable(fault.to_string()))?;
    let mut bytes = Vec::new();
    opened.take(MOST_BYTES + 1).read_to_end(&mut bytes).map_err(|fault| unreadable(fault.to_string()))?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(unreadable("it has more than 128 MiB: split it by years".to_owned()));
    }
    parse(&file, &bytes)
}

/// Reads a file's bytes; `file` is its name in errors.
///
/// # Errors
/// As [`read`].
///
/// ```
/// use thirstd::weather_file::{Rows, parse};
/// let history = parse("june.csv", b"date,tmin_c,tmax_c,rain_mm\n2027-06-01,9.5,24.0,\n")?;
/// let Rows::Days(days) = history.rows else { unreachable!() };
/// assert_eq!((days[0].highest_celsius, days[0].rain_mm), (Some(24.0), None));
///
/// let fault = parse("june.csv", b"date,tmin_c,tmax_c\n2027-06-01,9.5,hot\n").unwrap_err();
/// assert!(fault.to_string().starts_with("june.csv: line 2: tmax_c: \"hot\" is no number"));
/// # Ok::<(), thirstd::weather_file::WeatherFileError>(())
/// ```
pub fn parse(file: &str, bytes: &[u8]) -> Result<History, WeatherFileError> {
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let source = Source { file };
    for (line, text) in (1..).zip(bytes.split(|byte| *byte == b'\n')) {
        if text.len() > LONGEST_LINE {
            return Err(source.line(line, "it has more than 64 KiB: is this a CSV file?"));
        }
    }
    let mut reader = ReaderBuilder::new().has_headers(false).flexible(true).from_reader(bytes);
    let mut record = ByteRecord::new();
    let mut next = |record: &mut ByteRecord| -> Result<Option<u64>, WeatherFileError> {
        let more = reader.read_byte_record(record);
        let more = more.map_err(|fault| WeatherFileError::File { file: file.to_owned(), why: fault.to_string() })?;
        Ok(more.then(|| record.position().map_or(0, csv::Position::line)))
    };
    let Some(first) = next(&mut record)? else {
        return Err(source.line(1, "the file is empty: name the columns in its first line, beginning with date"));
    };
    let names: Vec<String> = record.iter().map(|name| text_of(name).trim().to_owned()).collect();
    let mut columns = Columns::find(&source, first, &names)?;
    let mut history = History { station: columns.station(), unused: columns.unused(&names), ..History::default() };
    while let Some(line) = next(&mut record)? {
        if record.len() != names.len() {
            let text = format!("it has {} fields, the first line {}: write as many", record.len(), names.len());
            return Err(source.line(line, &text));
        }
        if history.rows.len() >= MOST_ROWS {
            return Err(source.line(line, "more than 2,000,000 rows: split the file by years"));
        }
        let row = Line { source: &source, number: line, record: &record, names: &names };
        columns.take(&row, &mut history)?;
    }
    if history.rows.is_empty() {
        return Err(source.line(first, "no row follows: write at least one day"));
    }
    Ok(history)
}

impl Rows {
    pub fn len(&self) -> usize {
        match self {
            Self::Days(days) => days.len(),
            Self::Hours(hours) => hours.len(),
        }
    }

    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

impl Default for Rows {
    fn default() -> Self {
        Self::Days(Vec::new())
    }
}

/// Which of the three layouts, with the place of each column.
enum Columns {
    Daily(table::Daily),
    Hourly(table::Hourly),
    Ghcn(ghcn::Ghcn),
}

impl Columns {
    fn find(source: &Source<'_>, line: u64, names: &[String]) -> Result<Self, WeatherFileError> {
        let at = |name: &str| names.iter().position(|found| found == name);
        if let Some(twice) = names.iter().enumerate().find(|(index, name)| at(name) != Some(*index)) {
            return Err(source.line(line, &format!("the column {} comes twice: leave one out", quoted(twice.1))));
        }
        if at("STATION").is_some() {
            return ghcn::Ghcn::find(source, line, names).map(Self::Ghcn);
        }
        if at("hour_ending_local_standard").is_some() {
            return table::Hourly::find(source, line, names).map(Self::Hourly);
        }
        if at("date").is_some() {
            return table::Daily::find(source, line, names).map(Self::Daily);
        }
        let hint = if names.iter().any(|name| name.contains(';')) { "; separate the fields by commas" } else { "" };
        let text = format!(
            "no column says the time: write date (one row a day), hour_ending_local_standard (one row an hour), or STATION \
             and DATE as in GHCN-Daily{hint}"
        );
        Err(source.line(line, &text))
    }

    fn station(&self) -> Station {
        match self {
            Self::Daily(daily) => Station { wind_height_m: daily.wind_height_m, ..Station::default() },
            Self::Hourly(hourly) => Station { wind_height_m: hourly.wind_height_m, ..Station::default() },
            Self::Ghcn(_) => Station::default(),
        }
    }

    fn unused(&self, names: &[String]) -> Vec<String> {
        let used = |index: &usize| match self {
            Self::Daily(daily) => daily.uses(*index),
            Self::Hourly(hourly) => hourly.uses(*index),
            Self::Ghcn(ghcn) => ghcn.uses(*index),
        };
        (0..names.len()).filter(|index| !used(index)).map(|index| names[index].clone()).collect()
    }

    fn take(&mut self, line: &Line<'_>, history: &mut History) -> Result<(), WeatherFileError> {
        match self {
            Self::Daily(daily) => push_day(daily.row(line)?, line, history),
            Self::Hourly(hourly) => {
                let row = hourly.row(line)?;
                match &mut history.rows {
                    Rows::Hours(hours) => {
                        if hours.last().is_some_and(|last| last.end >= row.end) {
                            return Err(
                                line.line("the hour does not come after the one before: sort by time, each once")
                            );
                        }
                        hours.push(row);
                    }
                    rows => *rows = Rows::Hours(vec![row]),
                }
                Ok(())
            }
            Self::Ghcn(ghcn) => {
                let (row, refused) = ghcn.row(line, &mut history.station)?;
                history.refused += refused;
                push_day(row, line, history)
            }
        }
    }
}

fn push_day(row: DayRow, line: &Line<'_>, history: &mut History) -> Result<(), WeatherFileError> {
    if let Rows::Days(days) = &mut history.rows {
        if days.last().is_some_and(|last| last.date >= row.date) {
            return Err(line.line("the day does not come after the one before: sort by date, each day once"));
        }
        days.push(row);
    }
    Ok(())
}

/// A file under its name, for errors.
struct Source<'a> {
    file: &'a str,
}

impl Source<'_> {
    fn line(&self, line: u64, text: &str) -> WeatherFileError {
        WeatherFileError::Line { file: self.file.to_owned(), line, text: text.to_owned() }
    }
}

/// One row of the file.
struct Line<'a> {
    source: &'a Source<'a>,
    number: u64,
    record: &'a ByteRecord,
    names: &'a [String],
}

impl Line<'_> {
    fn line(&self, text: &str) -> WeatherFileError {
        self.source.line(self.number, text)
    }

    fn text(&self, index: usize) -> String {
        text_of(self.record.get(index).unwrap_or_default()).trim().to_owned()
    }

    fn fault(&self, index: usize, text: String) -> WeatherFileError {
        let column = self.names.get(index).cloned().unwrap_or_default();
        WeatherFileError::Field { file: self.source.file.to_owned(), line: self.number, column, text }
    }

    /// The number in a field; None where it is empty.
    fn number(&self, index: usize, write: &str) -> Result<Option<f64>, WeatherFileError> {
        let text = self.text(index);
        if text.is_empty() {
            return Ok(None);
        }
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => Ok(Some(number)),
            _ => Err(self.fault(index, format!("{} is no number: write {write}, or nothing", quoted(&text)))),
        }
    }

    /// [`Self::number`] within `range`.
    fn within(&self, index: usize, range: (f64, f64), write: &str) -> Result<Option<f64>, WeatherFileError> {
        let (least, most) = range;
        match self.number(index, write)? {
            Some(number) if number < least || number > most => {
                let text = format!("{number} is not between {least} and {most}: write {write}, or nothing");
                Err(self.fault(index, text))
            }
            number => Ok(number),
        }
    }

    fn date(&self, index: usize) -> Result<NaiveDate, WeatherFileError> {
        let text = self.text(index);
        let date = NaiveDate::parse_from_str(&text, "%Y-%m-%d").ok().filter(|date| YEARS.contains(&year(*date)));
        date.ok_or_else(|| self.fault(index, format!("{} is no date: write it as 2027-04-03", quoted(&text))))
    }
}

fn text_of(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// A field in an error: short, and without control characters.
fn quoted(text: &str) -> String {
    let short: String = text.chars().take(40).collect();
    format!("{short:?}")
}

fn year(date: NaiveDate) -> i32 {
    chrono::Datelike::year(&date)
}

/// Years that a weather history can have.
const YEARS: std::ops::RangeInclusive<i32> = 1700..=2200;

// Our choice: more than two centuries of hours, and any column set of a public archive.
const MOST_BYTES: u64 = 128 << 20;
const MOST_ROWS: usize = 2_000_000;
const LONGEST_LINE: usize = 64 << 10;
