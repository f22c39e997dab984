//! Station files of NOAA's Global Historical Climatology Network daily: one station, tenths of °C and of mm.
//!
//! Column names and units by the network's documentation of its access files (from memory): an element's `…_ATTRIBUTES` holds
//! measurement flag, quality flag and source flag, separated by commas; a quality flag that is not blank marks a value that
//! failed a test of the network.

use super::{DayRow, Line, Source, Station, WeatherFileError, quoted};

pub(super) struct Ghcn {
    station: usize,
    date: usize,
    place: [Option<usize>; 4],
    elements: [Option<Element>; 3],
    /// The station of the first row.
    id: Option<String>,
}

#[derive(Clone, Copy)]
struct Element {
    value: usize,
    attributes: Option<usize>,
}

impl Ghcn {
    pub fn find(source: &Source<'_>, line: u64, names: &[String]) -> Result<Self, WeatherFileError> {
        let at = |name: &str| names.iter().position(|found| found == name);
        let element = |name: &str| Some(Element { value: at(name)?, attributes: at(&format!("{name}_ATTRIBUTES")) });
        let elements = ["TMIN", "TMAX", "PRCP"].map(element);
        let (Some(station), Some(date)) = (at("STATION"), at("DATE")) else {
            return Err(source.line(line, "no column DATE: write it as in GHCN-Daily station files"));
        };
        if elements.iter().all(Option::is_none) {
            return Err(source.line(line, "none of the columns TMIN, TMAX, PRCP: take a station that reports them"));
        }
        let place = ["NAME", "LATITUDE", "LONGITUDE", "ELEVATION"].map(at);
        Ok(Self { station, date, place, elements, id: None })
    }

    pub fn uses(&self, index: usize) -> bool {
        let of_element = |element: &Element| element.value == index || element.attributes == Some(index);
        [self.station, self.date].contains(&index)
            || self.place.contains(&Some(index))
            || self.elements.iter().flatten().any(of_element)
    }

    /// The day, and how many of its values were refused. The first row fills `station`.
    pub fn row(&mut self, line: &Line<'_>, station: &mut Station) -> Result<(DayRow, usize), WeatherFileError> {
        let id = line.text(self.station);
        match &self.id {
            None => {
                *station = self.station_of(line)?;
                self.id = Some(id);
            }
            Some(first) if *first != id => {
                let text = format!("{} after {}: give each station a file", quoted(&id), quoted(first));
                return Err(line.fault(self.station, text));
            }
            Some(_) => {}
        }
        let mut row = DayRow { date: line.date(self.date)?, ..DayRow::default() };
        let mut refused = 0;
        let mut value =
            |element: Option<Element>, (least, most): (f64, f64)| -> Result<Option<f64>, WeatherFileError> {
                let Some(element) = element else { return Ok(None) };
                let Some(tenths) = line.number(element.value, "tenths such as 215")? else { return Ok(None) };
                // Older extracts fill what is missing with this.
                if tenths == -9999.0 {
                    return Ok(None);
                }
                let flags = element.attributes.map(|index| line.text(index));
                let flagged =
                    flags.is_some_and(|flags| flags.split(',').nth(1).is_some_and(|flag| !flag.trim().is_empty()));
                let value = tenths / 10.0;
                if flagged || value < least || value > most {
                    refused += 1;
                    return Ok(None);
                }
                Ok(Some(value))
            };
        row.lowest_celsius = value(self.elements[0], (-100.0, 70.0))?;
        row.highest_celsius = value(self.elements[1], (-100.0, 70.0))?;
        row.rain_mm = value(self.elements[2], (0.0, 2000.0))?;
        if let (Some(lowest), Some(highest)) = (row.lowest_celsius, row.highest_celsius)
            && lowest > highest
        {
            // The network flags most of these; nobody can say which of the two is wrong.
            (row.lowest_celsius, row.highest_celsius) = (None, None);
            refused += 2;
        }
        Ok((row, refused))
    }

    fn station_of(&self, line: &Line<'_>) -> Result<Station, WeatherFileError> {
        let [name, latitude, longitude, elevation] = self.place;
        let number = |index: Option<usize>, range, write: &str| match index {
            Some(index) => line.within(index, range, write),
            None => Ok(None),
        };
        Ok(Station {
            name: name.map(|index| line.text(index)).filter(|name| !name.is_empty()).map(|name| short(&name)),
            latitude_degrees: number(latitude, (-90.0, 90.0), "degrees such as 52.1, south negative")?,
            longitude_degrees: number(longitude, (-180.0, 180.0), "degrees such as 5.18, west negative")?,
            // Where the height is not known the network writes -999.9.
            elevation_m: number(elevation, (-999.9, 9000.0), "meters such as 2.0")?.filter(|height| *height > -500.0),
            wind_height_m: None,
        })
    }
}

/// Names go into reports.
fn short(name: &str) -> String {
    name.chars().filter(|letter| !letter.is_control()).take(80).collect()
}
