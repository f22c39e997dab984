//! Arguments, configuration, run, exit code; nothing else.

mod manual;

use std::future::Future;
#[cfg(feature = "demo")]
use std::io::IsTerminal;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use clap::{CommandFactory, Parser, Subcommand, ValueEnum};
use thirst_schemas as wire;
use thirstd::config::{self, Loaded};
use thirstd::engine::decode;
use thirstd::engine::stamp::Stamp;
use thirstd::shell::clock::{Clock, SystemClock};
use thirstd::shell::log::{self, LogFormat};
use thirstd::shell::mqtt::BrokerSettings;
use thirstd::shell::normals::{NormalsArguments, normals};
use thirstd::shell::run::{RunSettings, run};
use thirstd::shell::store::StoreError;
use thirstd::shell::survey::{SurveyArguments, survey};
use thirstd::shell::terminal::{self, Day, Form, NoAnswer, Screen, Wanted};

/// Reads weather sensors over MQTT and decides, with reasons, whether irrigation is held or scaled.
///
/// Not for life safety, fire protection or frost-protection sprinkling. Local watering rules, codes and licensed practice
/// come first; holding in frost is best effort.
#[derive(Debug, Parser)]
#[command(version, max_term_width = 100)]
struct Arguments {
    #[command(subcommand)]
    task: Task,
}

#[derive(Debug, Subcommand)]
enum Task {
    /// Run the daemon until it is told to stop (SIGTERM or Ctrl-C).
    ///
    /// The environment variable THIRSTD_LOG sets what is logged: info (default), warn, debug.
    Run {
        #[command(flatten)]
        source: Source,
        /// How log lines look; else as the configuration says.
        #[arg(long, value_enum)]
        log: Option<Log>,
    },
    /// Read the configuration and say what it will do, or everything that is wrong with it.
    Check {
        #[command(flatten)]
        source: Source,
    },
    /// Watch the job done: invented sites with their weather, a broker and the daemon, some days in ten seconds.
    ///
    /// Needs nothing and leaves nothing: broker and store are temporary. Ends by itself, or with Ctrl-C.
    #[cfg(feature = "demo")]
    Demo {
        /// End after so many seconds.
        #[arg(long, value_name = "N", default_value_t = 60, value_parser = clap::value_parser!(u32).range(1..=86_400))]
        seconds: u32,
        /// Other seeds give other clouds, noise and lost messages.
        #[arg(long, value_name = "N", default_value_t = 1)]
        seed: u64,
        /// Days in a second; 0: as fast as it goes.
        #[arg(long, value_name = "X", hide = true, default_value_t = thirstd::demo::PACE)]
        pace: f64,
    },
    /// Find out what a broker's sensors send, and write a configuration to start from.
    Survey(SurveyArguments),
    /// Make a site's climate normals of a public weather history, as a table of the configuration.
    ///
    /// Normals are what a place usually has. They stand in for days that nobody measured, say in which nights frost is to be
    /// reckoned with, give controllers twelve percentages for when the daemon is away, and correct evapotranspiration that
    /// rests on temperature alone.
    ///
    /// The history is one CSV file of a weather station near the site, at a like height: a station file of GHCN-Daily (columns
    /// STATION, DATE, PRCP, TMAX, TMIN, tenths of mm and °C; values with a quality flag are left out), or a table with the
    /// columns date, tmin_c, tmax_c and as many of rain_mm, shortwave_mj_m2, dew_point_c, rh_max_pct, rh_min_pct, rh_mean_pct,
    /// wind_2m_m_s (with the anemometer's height in its name) as there are; or hourly with hour_ending_local_standard,
    /// air_temperature_c, dew_point_c or rh_pct, shortwave_w_m2, wind_2m_m_s, rain_mm. With sun, wind and humidity
    /// evapotranspiration is by Penman-Monteith, else by temperature alone (Hargreaves-Samani). Each month needs 80 % of its
    /// days; thirty years are usual.
    ///
    /// Example: thirstd normals station.csv --out normals.toml --picture normals.svg
    Normals(NormalsArguments),
    /// Show what becomes of one message, field by field.
    Decode {
        #[command(flatten)]
        source: Source,
        /// The topic it comes on.
        topic: String,
        /// Its text; "-" reads it from standard input.
        payload: String,
        /// When it arrives (RFC 3339), for example 2026-04-01T06:00:00Z; else now.
        #[arg(long)]
        at: Option<DateTime<Utc>>,
    },
    /// Say what every site does now, and which of them need somebody. Reads the store alone.
    Status {
        #[command(flatten)]
        source: Source,
        /// One site, whole; else all of them.
        #[arg(long, value_name = "SITE")]
        site: Option<String>,
        /// As one JSON object, with the payloads as they are published.
        #[arg(long)]
        json: bool,
    },
    /// List the sites that need somebody: by when, why, and what to bring. Reads the store alone.
    ///
    /// The most pressing come first: flat batteries, sensors nobody hears, gauges that were knocked or sprayed, controllers
    /// that do not follow. An alert that was put off (command acknowledge with until) is not listed before its time.
    ///
    /// Example: thirstd visits --config thirstd.toml --audience technician --until 2027-06-11
    Visits {
        #[command(flatten)]
        source: Source,
        /// Only what is for them to do; else for everybody.
        #[arg(long, value_enum)]
        audience: Option<Audience>,
        /// Only visits that are due by the end of this day, such as 2027-06-11; what has no date is left out.
        #[arg(long, value_name = "DATE")]
        until: Option<NaiveDate>,
        /// As lines for a spreadsheet, one for each site.
        #[arg(long, conflicts_with = "json")]
        csv: bool,
        /// As one JSON object, like the payload that is published.
        #[arg(long)]
        json: bool,
    },
    /// Say why a site did or did not water on a day: decisions, figures, what ran. Reads the store alone.
    Why {
        /// The site's id.
        site: String,
        /// The civil day at the site: a date as 2027-05-12, today, or yesterday.
        #[arg(default_value = "today")]
        date: Day,
        #[command(flatten)]
        source: Source,
        /// One group of the site.
        #[arg(long)]
        group: Option<String>,
        /// As one JSON object, with the payloads as they were published.
        #[arg(long)]
        json: bool,
    },
    /// Copy the store into a new file while the daemon runs: one moment of it, whole and checked.
    ///
    /// The store holds what was learnt of each site, its water account, and what waits for the database. The configuration and
    /// the files it names are not in it: keep them, too.
    ///
    /// Example: thirstd backup --config thirstd.toml --to /mnt/backup/thirstd-2027-05-12.db
    Backup {
        #[command(flatten)]
        source: Source,
        /// The file to write. A file that is there already is not touched.
        #[arg(long, value_name = "FILE")]
        to: PathBuf,
    },
    /// Put a copy made by backup in the store's place. Stop the daemon first.
    ///
    /// The store that was there is set aside, not deleted. What is published afterwards has a higher epoch, so that bridges
    /// follow it. Holds and debts are then those of the copy until new readings come: look at status before you rely on them.
    Restore {
        #[command(flatten)]
        source: Source,
        /// The copy.
        #[arg(long, value_name = "FILE")]
        from: PathBuf,
    },
    /// Write completions for a shell to standard output.
    #[command(hide = true)]
    Completions { shell: clap_complete::Shell },
    /// Write man pages into a folder.
    #[command(hide = true)]
    Man { folder: PathBuf },
}

#[derive(Debug, clap::Args)]
struct Source {
    /// The configuration file. Variables THIRSTD__… of the environment overrule it.
    #[arg(long, value_name = "FILE")]
    config: PathBuf,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Log {
    Text,
    Json,
}

/// Who is to act.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum Audience {
    /// Who goes there with tools.
    Technician,
    /// Who lives or works at the site.
    Owner,
    /// Who plans the visits.
    Office,
}

fn main() -> ExitCode {
    let done = match Arguments::parse().task {
        Task::Run { source, log } => start(&source, log),
        Task::Check { source } => load(&source).map(|loaded| say(&config::describe(&loaded))),
        #[cfg(feature = "demo")]
        Task::Demo { seconds, seed, pace } => demo(seconds, seed, pace),
        Task::Survey(arguments) => look_around(&arguments),
        Task::Normals(arguments) => normals(&arguments).map(|text| say(&text)).map_err(Fault::failed),
        Task::Decode { source, topic, payload, at } => explain(&source, &topic, &payload, at),
        Task::Status { source, site, json } => {
            answer(&source, |loaded, now| terminal::status(loaded, site.as_deref(), form(json), now))
        }
        Task::Visits { source, audience, until, csv, json } => {
            let audience = audience.map(|audience| match audience {
                Audience::Technician => wire::Audience::Technician,
                Audience::Owner => wire::Audience::Owner,
                Audience::Office => wire::Audience::Office,
            });
            let wanted = Wanted { audience, until };
            answer(&source, |loaded, now| terminal::visits(loaded, wanted, csv, form(json), now))
        }
        Task::Why { site, date, source, group, json } => {
            answer(&source, |loaded, now| terminal::why(loaded, &site, date, group.as_deref(), form(json), now))
        }
        Task::Backup { source, to } => keep(&source, |path, _| thirstd::shell::backup::backup(path, &to)),
        Task::Restore { source, from } => keep(&source, |path, now| thirstd::shell::backup::restore(&from, path, now)),
        Task::Completions { shell } => {
            say(&manual::completions(&command(), shell));
            Ok(())
        }
        Task::Man { folder } => {
            manual::pages(&command(), &folder).map_err(|error| Fault::failed(format!("{}: {error}", folder.display())))
        }
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            let _ = writeln!(io::stderr(), "{}", fault.text.trim_end());
            ExitCode::from(fault.code)
        }
    }
}

fn start(source: &Source, log: Option<Log>) -> Result<(), Fault> {
    let loaded = load(source)?;
    let format = match (log, loaded.log_format) {
        (Some(Log::Json), _) | (None, config::LogFormat::Json) => LogFormat::Json,
        (Some(Log::Text), _) | (None, config::LogFormat::Text) => LogFormat::Text,
    };
    log::start(format, &std::env::var("THIRSTD_LOG").unwrap_or_else(|_| "info".to_owned()));
    let runtime = runtime()?;
    let done = runtime.block_on(async {
        let stop = stop_signal().map_err(|error| Fault::failed(format!("signals cannot be heard: {error}")))?;
        run(run_settings(loaded), stop).await.map_err(|error| Fault::failed(error.to_string()))
    });
    // A disk that hangs shall not keep the program from ending.
    runtime.shutdown_background();
    done
}

#[cfg(feature = "demo")]
fn demo(seconds: u32, seed: u64, pace: f64) -> Result<(), Fault> {
    // The account is what is to be read; the log tells of faults alone, unless somebody asks.
    log::start(LogFormat::Text, &std::env::var("THIRSTD_LOG").unwrap_or_else(|_| "error".to_owned()));
    let options = thirstd::demo::Options { seconds, seed, pace, color: io::stdout().is_terminal() };
    let runtime = runtime()?;
    let done = runtime.block_on(async {
        let stop = stop_signal().map_err(|error| Fault::failed(format!("signals cannot be heard: {error}")))?;
        thirstd::demo::run(options, stop, say).await.map_err(|error| Fault::failed(error.to_string()))
    });
    runtime.shutdown_background();
    done
}

fn runtime() -> Result<tokio::runtime::Runtime, Fault> {
    let built = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    built.map_err(|error| Fault::failed(format!("the system gives no threads: {error}")))
}

fn look_around(arguments: &SurveyArguments) -> Result<(), Fault> {
    // A signal that cannot be heard only means that nothing but the time ends it.
    let stop = async {
        match stop_signal() {
            Ok(stop) => stop.await,
            Err(_) => std::future::pending().await,
        }
    };
    survey(arguments, stop, say).map(|page| say(&page)).map_err(Fault::failed)
}

fn explain(source: &Source, topic: &str, payload: &str, at: Option<DateTime<Utc>>) -> Result<(), Fault> {
    let loaded = load(source)?;
    let mut bytes = payload.as_bytes().to_vec();
    if payload == "-" {
        bytes.clear();
        io::stdin()
            .take(LARGEST_PAYLOAD)
            .read_to_end(&mut bytes)
            .map_err(|error| Fault::failed(format!("standard input: {error}")))?;
    }
    let arrival = at.map_or_else(|| SystemClock::start().wall(), Stamp::from);
    let sites = &loaded.settings.sites;
    let local_of = |name: &str| {
        let site = sites.iter().find(|site| site.heard_as == name)?;
        Some(decode::Local { zone: site.zone, units: site.units })
    };
    say(&decode::explain_in(&loaded.settings.feeds, topic, &bytes, arrival, local_of).to_string());
    Ok(())
}

/// Says what the store answers now.
fn answer(source: &Source, ask: impl FnOnce(&Loaded, Stamp) -> Result<String, NoAnswer>) -> Result<(), Fault> {
    let loaded = load(source)?;
    let text = ask(&loaded, SystemClock::start().wall()).map_err(|error| Fault::failed(error.to_string()))?;
    say(&text);
    Ok(())
}

/// Does something with the store as a file.
fn keep(source: &Source, act: impl FnOnce(&Path, Stamp) -> Result<String, StoreError>) -> Result<(), Fault> {
    let loaded = load(source)?;
    let text =
        act(&loaded.store_path, SystemClock::start().wall()).map_err(|error| Fault::failed(error.to_string()))?;
    say(&text);
    Ok(())
}

fn form(json: bool) -> Form {
    if json { Form::Json } else { Form::Text(Screen::of_output()) }
}

/// The arguments, for who describes them.
fn command() -> clap::Command {
    Arguments::command()
}

fn load(source: &Source) -> Result<Loaded, Fault> {
    config::load(&source.config, std::env::vars())
        .map_err(|faults| Fault { code: WRONG_CONFIG, text: faults.to_string() })
}

fn run_settings(loaded: Loaded) -> RunSettings {
    let broker = BrokerSettings {
        host: loaded.broker.host,
        port: loaded.broker.port,
        client_id: loaded.broker.client_id,
        user: loaded.broker.user,
        password: loaded.broker.password,
        tls: loaded.broker.tls,
        keep_alive_seconds: loaded.broker.keep_alive_seconds,
        max_packet_bytes: loaded.broker.max_packet_bytes,
        reconnect_min_ms: loaded.broker.reconnect_min_ms,
        reconnect_max_ms: loaded.broker.reconnect_max_ms,
    };
    let read_settings = Arc::new(|text: &str| {
        config::load_text("stored settings", text, std::iter::empty()).ok().map(|loaded| loaded.settings)
    });
    RunSettings {
        read_settings,
        commit_interval_ms: loaded.commit_interval_ms,
        history: loaded.history,
        free_floor_bytes: u64::from(loaded.free_floor_mib) << 20,
        ..RunSettings::new(loaded.settings, loaded.text, broker, loaded.store_path)
    }
}

/// Ready at the first SIGTERM or SIGINT.
fn stop_signal() -> io::Result<impl Future<Output = ()>> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    Ok(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
    })
}

/// To standard output; a reader that went away is no fault.
fn say(text: &str) {
    let _ = writeln!(io::stdout(), "{}", text.trim_end());
}

/// Why the program ends without success.
struct Fault {
    code: u8,
    text: String,
}

impl Fault {
    fn failed(text: String) -> Self {
        Self { code: FAILED, text }
    }
}

/// Exit codes.
const FAILED: u8 = 1;
const WRONG_CONFIG: u8 = 2;

/// MQTT's largest packet (3.1.1, section 2.2.3), bytes.
const LARGEST_PAYLOAD: u64 = 268_435_455;
