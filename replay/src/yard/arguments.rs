//! The command line of the yard.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use thirstd::weather_file::{self, History};

use super::faults::Fault;
use super::setup::{Controller, RainHold, Sensors, Setup, SiteFactor};
use super::weather::{Series, Spot};
use super::{NormalsFrom, Outcome, given, page, run, summary};

/// Arguments of `thirst-replay yard`.
#[derive(Args, Debug)]
pub struct Arguments {
    /// The history: a daily or hourly table, or a station file of GHCN-Daily.
    #[arg(long = "weather", value_name = "CSV")]
    pub history: PathBuf,
    /// Degrees, south negative; as in the file where it says so.
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true)]
    pub latitude: Option<f64>,
    /// Degrees, west negative.
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true)]
    pub longitude: Option<f64>,
    /// Meters above the sea.
    #[arg(long, value_name = "METERS", allow_negative_numbers = true)]
    pub elevation: Option<f64>,
    /// Of the anemometer above ground, meters; as in the name of the file's column, else 2.
    #[arg(long, value_name = "METERS")]
    pub wind_height: Option<f64>,
    /// A table of normals, as `thirstd normals` writes it. Else from the history itself.
    #[arg(long, value_name = "FILE", conflicts_with = "normals_from_first_years")]
    pub normals: Option<PathBuf>,
    /// Make the normals from so many first years, and score the rest. Else from the whole history.
    #[arg(long, value_name = "YEARS", value_parser = clap::value_parser!(u32).range(1..=100))]
    pub normals_from_first_years: Option<u32>,
    /// What the yard's sensor measures: full, temp-rain, or a list beside temperature: humidity,wind,sun,rain.
    #[arg(long, value_name = "SENSORS", default_value = "full", value_parser = sensors)]
    pub sensors: Sensors,
    /// What the controller can be told.
    #[arg(long, value_name = "WHAT", default_value = "percent-per-group")]
    pub controller: ControllerArgument,
    /// Watering days: mon,wed,fri or daily.
    #[arg(long, value_name = "DAYS", default_value = "mon,wed,fri", value_parser = days)]
    pub days: Days,
    /// The daemon is not told the watering days and takes every day for one.
    #[arg(long)]
    pub days_not_told: bool,
    /// Length of a rain hold: auto, days from 0 to 7, or off.
    #[arg(long, value_name = "LENGTH", default_value = "auto", value_parser = rain_hold)]
    pub rain_hold: RainHold,
    /// Does the daemon know what each root zone holds?
    #[arg(long, value_name = "WHAT", default_value = "default")]
    pub storage: Storage,
    /// Rain that the ledgers store ahead, mm; else the daemon's default.
    #[arg(long, value_name = "MM", value_parser = credit)]
    pub credit: Option<f64>,
    /// The bridge reports nothing: the daemon books water as decided.
    #[arg(long)]
    pub no_reports: bool,
    /// Hold for freeze and wind too, which the protocol does not know.
    #[arg(long)]
    pub frost_and_wind: bool,
    /// The daemon is away: the bridge follows the fallback table alone.
    #[arg(long)]
    pub away: bool,
    /// What evapotranspiration by temperature alone is multiplied by, from the normals.
    #[arg(long, value_name = "WHAT", default_value = "monthly")]
    pub site_factor: FactorArgument,
    /// What goes wrong, once in every growing season: names separated by commas, or all.
    #[arg(long, value_name = "FAULTS", value_delimiter = ',', value_parser = faults)]
    pub faults: Vec<FaultsArgument>,
    /// Sites nearby that measure the same weather, a little different, and never break.
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = clap::value_parser!(u8).range(0..=8))]
    pub neighbors: u8,
    /// Other seeds put rain and faults at other times.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Write a page with charts.
    #[arg(long, value_name = "FILE.html")]
    pub report: Option<PathBuf>,
    /// Write a table of the days of the last run: of the last fault, where one is asked for.
    #[arg(long, value_name = "FILE.csv")]
    pub daily: Option<PathBuf>,
    /// Print only the last line, one JSON object.
    #[arg(long)]
    pub json: bool,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum ControllerArgument {
    PercentPerGroup,
    Percent,
    Hold,
    Relays,
    TwelveMonths,
}

#[derive(Clone, Copy, Debug, PartialEq, ValueEnum)]
pub enum Storage {
    Known,
    Default,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum FactorArgument {
    Monthly,
    Annual,
    None,
}

/// Watering days, Monday first.
#[derive(Clone, Copy, Debug)]
pub struct Days([bool; 7]);

/// One fault or all of them.
#[derive(Clone, Debug)]
pub struct FaultsArgument(Vec<Fault>);

/// What came of it: what to print, and what to write where it is asked for.
#[derive(Clone, Debug, Default)]
pub struct Carried {
    pub text: String,
    pub page: Option<String>,
    pub daily: Option<String>,
}

/// Carries it out.
///
/// # Errors
/// What is wrong with the file or the arguments, in words for the user.
pub fn carry_out(arguments: &Arguments) -> Result<Carried, String> {
    let history = weather_file::read(&arguments.history).map_err(|fault| fault.to_string())?;
    let spot = spot(arguments, &history)?;
    let series = Series::of(&history, spot).map_err(|why| format!("{}: {why}", arguments.history.display()))?;
    let setup = setup(arguments);
    fits(&series, setup.sensors).map_err(|why| format!("{}: {why}", arguments.history.display()))?;
    let from = match (&arguments.normals, arguments.normals_from_first_years) {
        (Some(path), _) => {
            let (normals, table) = given::read(path, spot)?;
            NormalsFrom::Given(Box::new(normals), table)
        }
        (None, Some(years)) => NormalsFrom::FirstYears(years),
        (None, None) => NormalsFrom::History,
    };
    let mut faults: Vec<Fault> = arguments.faults.iter().flat_map(|some| some.0.iter().copied()).collect();
    faults.sort_unstable();
    faults.dedup();
    let outcome: Outcome = run(series, &setup, from, &faults)?;
    let mut text = if arguments.json { String::new() } else { summary::text(&outcome.findings) + "\n" };
    text += &summary::json(&outcome.findings)?;
    let title = arguments.history.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    let page = arguments.report.as_ref().map(|_| page::page(&outcome, &title)).transpose()?;
    let daily = arguments.daily.is_some().then_some(outcome.daily);
    Ok(Carried { text, page, daily })
}

fn setup(arguments: &Arguments) -> Setup {
    Setup {
        sensors: arguments.sensors,
        controller: match arguments.controller {
            ControllerArgument::PercentPerGroup => Controller::PercentPerGroup,
            ControllerArgument::Percent => Controller::Percent,
            ControllerArgument::Hold => Controller::Hold,
            ControllerArgument::Relays => Controller::Relays,
            ControllerArgument::TwelveMonths => Controller::TwelveMonths,
        },
        days: arguments.days.0,
        days_told: !arguments.days_not_told,
        rain_hold: arguments.rain_hold,
        storage_known: arguments.storage == Storage::Known,
        credit_mm: arguments.credit,
        reports: !arguments.no_reports,
        frost_and_wind: arguments.frost_and_wind,
        away: arguments.away,
        site_factor: match arguments.site_factor {
            FactorArgument::Monthly => SiteFactor::Monthly,
            FactorArgument::Annual => SiteFactor::Annual,
            FactorArgument::None => SiteFactor::None,
        },
        neighbors: usize::from(arguments.neighbors),
        seed: arguments.seed,
    }
}

fn spot(arguments: &Arguments, history: &History) -> Result<Spot, String> {
    let station = &history.station;
    let needed = |given: Option<f64>, of_file: Option<f64>, name: &str, (least, most): (f64, f64)| {
        let value = given.or(of_file).ok_or(format!("the file does not say where it is: write --{name}"))?;
        let fits = (least..=most).contains(&value);
        fits.then_some(value).ok_or(format!("--{name} {value}: write a number from {least} to {most}"))
    };
    Ok(Spot {
        latitude_degrees: needed(arguments.latitude, station.latitude_degrees, "latitude", (-66.0, 66.0))?,
        longitude_degrees: needed(arguments.longitude, station.longitude_degrees, "longitude", (-180.0, 180.0))?,
        elevation_m: needed(arguments.elevation, station.elevation_m, "elevation", (-430.0, 6000.0))?,
        wind_height_m: needed(arguments.wind_height, station.wind_height_m.or(Some(2.0)), "wind-height", (0.5, 100.0))?,
    })
}

/// A sensor can only say what the history knows.
fn fits(series: &Series, sensors: Sensors) -> Result<(), String> {
    let has = series.has;
    for (name, wanted, there) in [
        ("humidity", sensors.humidity, has.humidity),
        ("wind", sensors.wind, has.wind),
        ("sun", sensors.sun, has.sun),
        ("rain", true, has.rain),
    ] {
        if wanted && !there {
            return Err(match name {
                "rain" => "has no rain: nothing can be scored without".to_owned(),
                _ => format!("has no {name}: write --sensors temp-rain, or a list without {name}"),
            });
        }
    }
    Ok(())
}

fn sensors(text: &str) -> Result<Sensors, String> {
    match text {
        "full" => return Ok(Sensors::FULL),
        "temp-rain" => return Ok(Sensors::TEMPERATURE_AND_RAIN),
        _ => {}
    }
    let mut sensors = Sensors { humidity: false, wind: false, sun: false, rain: false };
    for name in text.split(',') {
        match name.trim() {
            "temp" | "temperature" => {}
            "humidity" => sensors.humidity = true,
            "wind" => sensors.wind = true,
            "sun" => sensors.sun = true,
            "rain" => sensors.rain = true,
            other => return Err(format!("{other:?}: write full, temp-rain, or some of humidity,wind,sun,rain")),
        }
    }
    Ok(sensors)
}

fn days(text: &str) -> Result<Days, String> {
    if text == "daily" {
        return Ok(Days([true; 7]));
    }
    let names = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];
    let mut days = [false; 7];
    for name in text.split(',') {
        match names.iter().position(|known| *known == name.trim()) {
            Some(index) => days[index] = true,
            None => return Err(format!("{name:?}: write daily, or days such as mon,wed,fri")),
        }
    }
    Ok(Days(days))
}

fn rain_hold(text: &str) -> Result<RainHold, String> {
    match (text, text.parse::<f64>()) {
        ("auto", _) => Ok(RainHold::Auto),
        ("off", _) => Ok(RainHold::Off),
        (_, Ok(days)) if (0.0..=7.0).contains(&days) => Ok(RainHold::Days(days)),
        _ => Err("write auto, a number of days from 0 to 7, or off".to_owned()),
    }
}

fn credit(text: &str) -> Result<f64, String> {
    let credit = text.parse::<f64>().ok().filter(|mm| (0.0..=50.0).contains(mm));
    credit.ok_or_else(|| "write millimeters from 0 to 50".to_owned())
}

fn faults(text: &str) -> Result<FaultsArgument, String> {
    if text == "all" {
        return Ok(FaultsArgument(Fault::ALL.to_vec()));
    }
    let found = Fault::ALL.into_iter().find(|fault| fault.name() == text);
    let names: Vec<&str> = Fault::ALL.iter().map(|fault| fault.name()).collect();
    found.map(|fault| FaultsArgument(vec![fault])).ok_or_else(|| format!("write all, or one of {}", names.join(", ")))
}
