//! `thirstd survey`: listens on a broker or reads a recording, and writes a configuration to start from.

use std::fs::{self, File, OpenOptions};
use std::future::Future;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::path::PathBuf;
use std::time::Duration;

use chrono::DateTime;
use serde::Deserialize;

use super::clock::{Clock, SystemClock};
use super::mqtt::{BrokerSettings, listen};
use crate::engine::stamp::Stamp;
use crate::survey::{Place, Survey, Written, page, write};

/// What is surveyed, and where the configuration goes.
#[derive(Debug, clap::Args)]
pub struct SurveyArguments {
    /// The broker to listen on.
    #[arg(long, value_name = "HOST:PORT", required_unless_present = "recording")]
    broker: Option<String>,
    /// A recording (one JSON object a line: at, topic, payload) instead of a broker.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["broker", "user", "password_file", "topics", "seconds"])]
    recording: Option<PathBuf>,
    #[arg(long)]
    user: Option<String>,
    /// The first line of that file.
    #[arg(long, value_name = "FILE", requires = "user")]
    password_file: Option<PathBuf>,
    /// Topics to listen to, as MQTT filters; can be given several times.
    #[arg(long, value_name = "FILTER", default_value = "#")]
    topics: Vec<String>,
    /// How long to listen. Counters, nights and intervals are told better from hours than from a minute.
    #[arg(long, default_value_t = 60, value_parser = clap::value_parser!(u64).range(1..=604_800))]
    seconds: u64,
    /// The configuration to write; a file that is there already is not touched.
    #[arg(long, value_name = "FILE", default_value = "thirstd.toml")]
    out: PathBuf,
    /// Of the site, in degrees; south is negative.
    #[arg(long, allow_negative_numbers = true, value_parser = degrees::<90>)]
    latitude: Option<f64>,
    /// Of the site, in degrees; west is negative.
    #[arg(long, allow_negative_numbers = true, value_parser = degrees::<180>)]
    longitude: Option<f64>,
    /// Of the site, from the IANA list, for example America/Denver.
    #[arg(long, value_parser = zone)]
    zone: Option<String>,
}

/// Does it. `say` is told what to show while it takes its time; the result is the report.
///
/// # Errors
/// What went wrong, and what to do.
pub fn survey(
    arguments: &SurveyArguments,
    stop: impl Future<Output = ()>,
    say: impl Fn(&str),
) -> Result<String, String> {
    // Refused before the wait, not after it.
    if arguments.out.exists() {
        return Err(format!("{} is there already: name another file with --out", arguments.out.display()));
    }
    let mut found = Survey::default();
    let (source, place, note) = match &arguments.recording {
        Some(path) => {
            let skipped = read_recording(path, &mut found)?;
            let note = (skipped > 0)
                .then(|| format!("{skipped} lines of the recording were no messages and were passed over."));
            (path.display().to_string(), place(arguments, "localhost", DEFAULT_PORT), note)
        }
        None => {
            let (host, port) = address(arguments.broker.as_deref().unwrap_or_default())?;
            say(&format!(
                "Listening on {host}:{port} for {} s. Ctrl-C ends it sooner and takes what was heard.",
                arguments.seconds
            ));
            let refused = hear(arguments, &host, port, &mut found, stop)?;
            let note = (!refused.is_empty()).then(|| format!("The broker did not grant {}.", refused.join(", ")));
            (format!("{host}:{port}"), place(arguments, &host, port), note)
        }
    };
    if found.messages() == 0 {
        return Err(format!("{source}: nothing came. Listen longer (--seconds 600), or check --topics."));
    }
    let report = found.report();
    let written = write(&report, &place);
    let mut text = page(&report, &source);
    if let Some(note) = note {
        text.push_str(&format!("\n{note}\n"));
    }
    if written.feeds == 0 {
        return Err(format!("{text}\nNothing is written: no field is sure enough to be in force."));
    }
    save(&arguments.out, &written.text)?;
    text.push_str(&closing(arguments, &written));
    Ok(text)
}

fn hear(
    arguments: &SurveyArguments,
    host: &str,
    port: u16,
    found: &mut Survey,
    stop: impl Future<Output = ()>,
) -> Result<Vec<String>, String> {
    let password = arguments.password_file.as_ref().map(|path| {
        let text = fs::read_to_string(path).map_err(|error| format!("{}: cannot be read: {error}", path.display()))?;
        Ok::<String, String>(text.lines().next().unwrap_or_default().to_owned())
    });
    let broker = BrokerSettings {
        host: host.to_owned(),
        port,
        client_id: format!("thirstd-survey-{}", std::process::id()),
        user: arguments.user.clone(),
        password: password.transpose()?,
        ..BrokerSettings::default()
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .map_err(|error| format!("the system gives no threads: {error}"))?;
    let clock = SystemClock::start();
    let limit = Duration::from_secs(arguments.seconds);
    let outcome = runtime.block_on(async {
        let until = async {
            tokio::select! {
                () = tokio::time::sleep(limit) => {}
                () = stop => {}
            }
        };
        let take = |heard: super::mqtt::Heard| found.take(clock.wall(), &heard.topic, &heard.payload, heard.retain);
        listen(&broker, &arguments.topics, until, take).await
    });
    runtime.shutdown_background();
    outcome.map_err(|error| error.to_string())
}

/// What the survey reads of a line; the rest is for others.
#[derive(Deserialize)]
struct Line {
    at: String,
    topic: Option<String>,
    payload: Option<String>,
    #[serde(default)]
    retain: bool,
}

/// Returns how many lines were no messages.
fn read_recording(path: &PathBuf, found: &mut Survey) -> Result<u64, String> {
    let fault = |error: io::Error| format!("{}: cannot be read: {error}", path.display());
    let mut input = BufReader::new(File::open(path).map_err(fault)?);
    let mut skipped = 0;
    let mut line = Vec::new();
    loop {
        line.clear();
        let read = input.by_ref().take(LONGEST_LINE).read_until(b'\n', &mut line).map_err(fault)?;
        if read == 0 {
            return Ok(skipped);
        }
        let told: Option<(Stamp, String, Vec<u8>, bool)> =
            serde_json::from_slice::<Line>(&line).ok().and_then(|line| {
                let at = DateTime::parse_from_rfc3339(&line.at).ok()?.to_utc();
                // A payload that is not text stands in base64, under another key: no sensor that we could read.
                let payload = line.payload.map_or(vec![0xff], String::into_bytes);
                Some((Stamp::from(at), line.topic?, payload, line.retain))
            });
        match told {
            Some((at, topic, payload, retain)) => found.take(at, &topic, &payload, retain),
            None => skipped += 1,
        }
    }
}

fn place(arguments: &SurveyArguments, host: &str, port: u16) -> Place {
    Place {
        latitude: arguments.latitude,
        longitude: arguments.longitude,
        zone: arguments.zone.clone(),
        broker_host: host.to_owned(),
        broker_port: port,
        broker_user: arguments.user.clone(),
        broker_password_file: arguments.password_file.as_ref().map(|path| path.display().to_string()),
    }
}

/// Never over a file that is there.
fn save(path: &PathBuf, text: &str) -> Result<(), String> {
    let file = OpenOptions::new().write(true).create_new(true).open(path);
    file.and_then(|mut file| file.write_all(text.as_bytes()))
        .map_err(|error| format!("{}: cannot be written: {error}; name another file with --out", path.display()))
}

fn closing(arguments: &SurveyArguments, written: &Written) -> String {
    let count = |count: usize, what: &str| format!("{count} {what}{}", if count == 1 { "" } else { "s" });
    let out = arguments.out.display();
    let mut text = format!(
        "\nWritten to {out}: {}, {}, {}; {} in force, {} to decide on.\n",
        count(written.feeds, "feed"),
        count(written.sites, "site"),
        count(written.sensors, "sensor"),
        count(written.fields, "field"),
        written.remarks
    );
    if written.to_fill_in > 0 {
        text.push_str(&format!("{} in it are marked TO FILL IN.\n", count(written.to_fill_in, "line")));
    }
    text.push_str(&format!("\nNext:  thirstd check --config {out}\n"));
    text
}

/// `HOST`, `HOST:PORT` or `[IPv6]:PORT`.
fn address(text: &str) -> Result<(String, u16), String> {
    let wrong = || format!("--broker {text:?}: write HOST:PORT, for example 192.0.2.7:1883 or [2001:db8::7]:1883");
    let (host, port) = match text.strip_prefix('[') {
        Some(rest) => {
            let (host, after) = rest.split_once(']').ok_or_else(wrong)?;
            (host, if after.is_empty() { None } else { Some(after.strip_prefix(':').ok_or_else(wrong)?) })
        }
        None => text.split_once(':').map_or((text, None), |(host, port)| (host, Some(port))),
    };
    let is_host = !host.is_empty() && !host.contains(|c: char| c.is_whitespace() || c == '/');
    let port = port.map_or(Ok(DEFAULT_PORT), |port| port.parse().ok().filter(|port| *port != 0).ok_or_else(wrong));
    if is_host { Ok((host.to_owned(), port?)) } else { Err(wrong()) }
}

fn degrees<const MOST: u16>(text: &str) -> Result<f64, String> {
    let degrees: Option<f64> = text.parse().ok().filter(|degrees: &f64| degrees.abs() <= f64::from(MOST));
    degrees.ok_or_else(|| format!("write degrees from -{MOST} to {MOST}"))
}

fn zone(text: &str) -> Result<String, String> {
    let zone: Option<chrono_tz::Tz> = text.parse().ok();
    zone.map(|zone| zone.name().to_owned())
        .ok_or_else(|| "write a name of the IANA list, for example America/Denver".to_owned())
}

/// MQTT without encryption.
const DEFAULT_PORT: u16 = 1883;

/// A recording's longest line.
const LONGEST_LINE: u64 = 1 << 20;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_broker_is_a_host_and_a_port() {
        let check = |text: &str, expected: Option<(&str, u16)>| {
            let found = address(text).ok();
            assert_eq!(found.as_ref().map(|(host, port)| (host.as_str(), *port)), expected, "{text}");
        };
        check("broker.example", Some(("broker.example", 1883)));
        check("192.0.2.7:18830", Some(("192.0.2.7", 18830)));
        check("[2001:db8::7]:1884", Some(("2001:db8::7", 1884)));
        check("[::1]", Some(("::1", 1883)));
        for wrong in ["", ":1883", "host:", "host:0", "host:65536", "a b:1", "mqtt://host:1883", "[::1", "[::1]x"] {
            check(wrong, None);
        }
    }

    #[test]
    fn a_recording_is_read_and_other_lines_are_counted() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.ndjson");
        let lines = [
            r#"{"at":"2027-06-01T04:00:00Z","topic":"a/b","payload":"21.5"}"#,
            r#"{"at":"2027-06-01T04:00:00Z","event":"broker_down"}"#,
            r#"{"at":"2027-06-01T04:00:10Z","topic":"a/c","payload_base64":"/w=="}"#,
            "nonsense",
        ];
        fs::write(&path, lines.join("\n")).unwrap();
        let mut found = Survey::default();
        assert_eq!(read_recording(&path, &mut found), Ok(2));
        assert_eq!((found.messages(), found.report().topics), (2, 2));
        assert!(read_recording(&folder.path().join("none"), &mut found).unwrap_err().contains("cannot be read"));
    }

    #[test]
    fn a_file_that_is_there_is_not_written_over() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("thirstd.toml");
        save(&path, "a = 1").unwrap();
        assert!(save(&path, "b = 2").unwrap_err().contains("--out"));
        assert_eq!(fs::read_to_string(&path).unwrap(), "a = 1");
    }
}
