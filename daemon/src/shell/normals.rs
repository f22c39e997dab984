//! `thirstd normals`: reads a weather history and writes the normals of its place.

use std::fs::OpenOptions;
use std::io::Write;
use std::path::{Path, PathBuf};

use crate::climate::{Header, Wanted, block, climate_of, picture};
use crate::engine::settings::DisplayUnits;
use crate::weather_file;

/// Which history, and where the normals go.
#[derive(Debug, clap::Args)]
pub struct NormalsArguments {
    /// The weather history: a station file of GHCN-Daily (CSV), or a daily or hourly table with a first line of column names.
    file: PathBuf,
    /// Of the station, in degrees; south is negative. Else as the file says.
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true, value_parser = within::<90>)]
    latitude: Option<f64>,
    /// Of the station, in degrees; west is negative. For the title alone.
    #[arg(long, value_name = "DEGREES", allow_negative_numbers = true, value_parser = within::<180>)]
    longitude: Option<f64>,
    /// Of the station, in meters. Else as the file says, else 0.
    #[arg(long, value_name = "METERS", allow_negative_numbers = true, value_parser = within::<6000>)]
    elevation: Option<f64>,
    /// The first year to take; else the last 30 of the history.
    #[arg(long, value_name = "YEAR", value_parser = clap::value_parser!(i32).range(1700..=2200))]
    from_year: Option<i32>,
    /// The last year to take; else the history's last.
    #[arg(long, value_name = "YEAR", value_parser = clap::value_parser!(i32).range(1700..=2200))]
    until_year: Option<i32>,
    /// Of what people read: depths and temperatures in table and picture.
    #[arg(long, value_enum, default_value_t = Shown::Metric)]
    units: Shown,
    /// Write [normals], for a site's own file in sites.d, instead of [sites.normals] for the main file.
    #[arg(long)]
    own_file: bool,
    /// Write [[normals]] with this id, for the main file: sites share them by normals = "ID".
    #[arg(long, value_name = "ID", conflicts_with = "own_file", value_parser = id)]
    id: Option<String>,
    /// The file to write; else standard output. A file that is there already is not touched.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Draw the year of the place as an SVG picture, too. A file that is there already is not touched.
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum Shown {
    Metric,
    Us,
}

/// Does it; the result is what to show.
///
/// # Errors
/// What is wrong with the history or a file, and what to do.
pub fn normals(arguments: &NormalsArguments) -> Result<String, String> {
    let history = weather_file::read(&arguments.file).map_err(|error| error.to_string())?;
    let units = match arguments.units {
        Shown::Metric => DisplayUnits::Metric,
        Shown::Us => DisplayUnits::Us,
    };
    let wanted = Wanted {
        latitude_degrees: arguments.latitude,
        longitude_degrees: arguments.longitude,
        elevation_m: arguments.elevation,
        from_year: arguments.from_year,
        until_year: arguments.until_year,
    };
    let name = arguments.file.file_name().unwrap_or(arguments.file.as_os_str()).to_string_lossy();
    let climate = climate_of(&name, &history, &wanted).map_err(|error| error.to_string())?;
    let (header, goes) = match &arguments.id {
        Some(id) => (Header::Shared(id), format!("the main file; sites name them by normals = \"{id}\"")),
        None if arguments.own_file => (Header::OwnFile, "the site's file in sites.d".to_owned()),
        None => (Header::Site, "the main file, behind its [[sites]]".to_owned()),
    };
    let text = block(&climate, header, units);
    let mut shown = text.clone();
    if let Some(path) = &arguments.out {
        save(path, &text)?;
        // The comments are for people, the keys for the configuration.
        let comments = text.lines().filter_map(|line| line.strip_prefix('#'));
        shown = comments.map(|line| format!("{}\n", line.strip_prefix(' ').unwrap_or(line))).collect();
        shown.push_str(&format!("\nWrote {}: put it into {goes}, then run thirstd check.\n", path.display()));
    }
    if let Some(path) = &arguments.picture {
        save(path, &picture(&climate, units)?)?;
        if arguments.out.is_some() {
            shown.push_str(&format!("Drew {}.\n", path.display()));
        }
    }
    Ok(shown)
}

fn save(path: &Path, text: &str) -> Result<(), String> {
    let written =
        OpenOptions::new().write(true).create_new(true).open(path).and_then(|mut file| file.write_all(text.as_bytes()));
    written.map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => format!("{} is there already: name another file", path.display()),
        _ => format!("{}: cannot be written: {error}", path.display()),
    })
}

fn within<const MOST: i32>(text: &str) -> Result<f64, String> {
    let value: f64 = text.trim().parse().map_err(|_| format!("write a number from -{MOST} to {MOST}"))?;
    (value.abs() <= f64::from(MOST)).then_some(value).ok_or_else(|| format!("write a number from -{MOST} to {MOST}"))
}

fn id(text: &str) -> Result<String, String> {
    let fine = (1..=64).contains(&text.len())
        && text.bytes().all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-');
    fine.then(|| text.to_owned()).ok_or_else(|| "write 1 to 64 small letters, digits and -".to_owned())
}
