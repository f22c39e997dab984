//! The command line of thirst-replay: arguments, files, exit code.

use std::fs::File;
use std::io::{self, BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use clap::{Args, Parser, Subcommand};

use thirst_replay::bench;
use thirst_replay::broker::{self, Access};
use thirst_replay::link_table;
use thirst_replay::offline::{self, Options, RunError};
use thirst_replay::recording::{Line, Reader, Writer, parse_time};
use thirst_replay::report::{Form, Report};
use thirst_replay::world::faults::{Fault, Switches};
use thirst_replay::world::{self, World, scenario};
use thirst_replay::{clock, closed_loop, configuration, synthetic};
use thirst_replay::{fleet, yard};
use thirstd::config;
use thirstd::engine::stamp::{HOUR, Stamp};

/// Weather histories through the engine of thirstd: offline, recorded from a broker, or played to one.
///
/// A recording is text, one JSON object a line: {"at":"2027-04-03T06:00:00Z","topic":"yard/oak/mast/state",
/// "payload":"{\"temp_c\":4.1}"}. Lines with "event" instead of "topic" tell of the connection and the clock.
#[derive(Parser)]
#[command(version, max_term_width = 100)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Run a recording through the engine and print what it would have published. Needs no broker, no clock, no network;
    /// the same recording and configuration print the same bytes.
    Run {
        /// The recording to read.
        recording: PathBuf,
        /// The daemon's configuration file.
        #[arg(long, value_name = "FILE")]
        config: PathBuf,
        /// Leave out the lines after this time (RFC 3339), and let time run up to it after the last line.
        #[arg(long, value_name = "TIME", value_parser = time)]
        until: Option<Stamp>,
        /// Print each output as one JSON object a line; the summary goes to standard error.
        #[arg(long)]
        json: bool,
        /// Print only what changed: no refreshed decisions, no log, no audit, no history.
        #[arg(long)]
        changes: bool,
        /// Say on standard error how long it took.
        #[arg(long)]
        timing: bool,
    },
    /// Write what comes on some topics of a broker to a recording, until Ctrl-C.
    Record {
        #[command(flatten)]
        broker: BrokerArguments,
        /// Topic filters, separated by commas.
        #[arg(long, value_name = "FILTERS", required = true, value_delimiter = ',', value_parser = filter)]
        topics: Vec<String>,
        /// Stop after so many seconds.
        #[arg(long, value_name = "N")]
        seconds: Option<u64>,
        /// The recording to write; an existing file is not touched.
        out: PathBuf,
    },
    /// Publish the messages of a recording to a broker with QoS 1.
    Play {
        /// The recording to read.
        recording: PathBuf,
        #[command(flatten)]
        broker: BrokerArguments,
        /// How many times faster than recorded: 60 is a minute per second, 0 as fast as the broker acknowledges.
        #[arg(long, value_name = "X", default_value_t = 1.0, value_parser = speed)]
        speed: f64,
    },
    /// Write a recording of made-up weather: one site, one message with six fields a minute. Its settings are in
    /// replay/samples/year.toml.
    Year {
        /// The recording to write; an existing file is not touched.
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
        #[arg(long, value_name = "N", default_value_t = 365)]
        days: u16,
        /// Other seeds give other weather.
        #[arg(long, value_name = "N", default_value_t = 1)]
        seed: u64,
    },
    /// Write the sample: nine days at one orchard, with rain, frost, a silent sensor, a rule and a command. Its settings
    /// are in replay/samples/orchard-week.toml.
    Sample {
        /// The recording to write; an existing file is not touched.
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
    },
    /// Write a recording of invented sites that live through weather and faults, with controllers that follow the decisions
    /// made for them, and the configuration for it beside it.
    Synth {
        /// How many sites.
        #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u16).range(1..=10_000))]
        sites: u16,
        #[arg(long, value_name = "N", default_value_t = 30, value_parser = clap::value_parser!(u16).range(1..=3_660))]
        days: u16,
        /// Other seeds give other sites and other weather.
        #[arg(long, value_name = "N", default_value_t = 1)]
        seed: u64,
        /// The recording to write; the configuration gets the same name, ending in .toml. Existing files are not touched.
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
        /// What shall not happen, separated by commas: loss bursts silence battery reset jump knock spray clock service
        /// operator sprinklers.
        #[arg(long, value_name = "FAULTS", value_delimiter = ',', value_parser = fault)]
        without: Vec<Fault>,
    },
    /// Play years of measured weather as messages through the engine, water six zones as it says, and score what became of
    /// them beside a fixed timer. Modelled on the published protocol, zone table from memory; no statement of conformity.
    /// The last line printed is one JSON object.
    Yard(Box<yard::arguments::Arguments>),
    /// Play invented sites over years, with seeded faults, as messages through the engine, and count what was said of them.
    /// The last line printed is one JSON object.
    Fleet(fleet::Arguments),
    /// Print how often a living sensor is taken for silent, and how long a dead one goes unnoticed, by what its radio link
    /// loses: invented links through the same engine, one sensor at a time.
    LinkTable {
        /// Sensors in each row.
        #[arg(long, value_name = "N", default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..=10_000))]
        sensors: u32,
        /// Days of each sensor.
        #[arg(long, value_name = "N", default_value_t = 365, value_parser = clap::value_parser!(u16).range(1..=3_660))]
        days: u16,
        /// Seconds between two messages, separated by commas.
        #[arg(long, value_name = "SECONDS", default_value = "300", value_delimiter = ',', value_parser = clap::value_parser!(u32).range(10..=86_400))]
        interval: Vec<u32>,
        /// Other seeds give other losses.
        #[arg(long, value_name = "N", default_value_t = 1)]
        seed: u64,
        /// Print one JSON object a row instead of a table.
        #[arg(long)]
        json: bool,
    },
    /// Measure, on this machine and without a broker; quiet machines tell more.
    Bench {
        #[command(subcommand)]
        what: bench::What,
    },
}

#[derive(Args)]
struct BrokerArguments {
    /// Where the broker listens.
    #[arg(long, value_name = "HOST:PORT", value_parser = Access::address)]
    broker: (String, u16),
    /// User name at the broker.
    #[arg(long, value_name = "NAME", requires = "password_file")]
    user: Option<String>,
    /// File with the password in its first line.
    #[arg(long, value_name = "FILE", requires = "user")]
    password_file: Option<PathBuf>,
}

impl BrokerArguments {
    fn access(self, what: &str) -> Result<Access, String> {
        let login = match (self.user, self.password_file) {
            (Some(user), Some(path)) => {
                let text = std::fs::read_to_string(&path).map_err(|fault| format!("{}: {fault}", path.display()))?;
                Some((user, text.lines().next().unwrap_or_default().to_owned()))
            }
            _ => None,
        };
        let (host, port) = self.broker;
        // One process, one client: two with one id would push each other out of the broker.
        Ok(Access { host, port, login, client_id: format!("thirst-replay-{what}-{}", std::process::id()) })
    }
}

fn main() -> ExitCode {
    match carry_out(Arguments::parse().command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(text) => {
            let _ = writeln!(io::stderr(), "thirst-replay: {text}");
            ExitCode::FAILURE
        }
    }
}

fn carry_out(command: Command) -> Result<(), String> {
    match command {
        Command::Run { recording, config, until, json, changes, timing } => {
            let started = clock::monotonic();
            let form = if json { Form::Json } else { Form::Lines };
            run(&recording, &config, Options { until, ..Options::default() }, form, changes)?;
            if timing {
                let millis = clock::monotonic() - started;
                tell(&format!("took {}.{:03} s", millis / 1_000, millis % 1_000));
            }
            Ok(())
        }
        Command::Record { broker, topics, seconds, out } => {
            let access = broker.access("record")?;
            let mut writer = create(&out)?;
            let outcome = runtime()?.block_on(broker::record(&access, &topics, &mut writer, stop_after(seconds)));
            if outcome.is_err() && std::fs::metadata(&out).is_ok_and(|file| file.len() == 0) {
                // Nothing was recorded: the next try shall find the name free.
                let _ = std::fs::remove_file(&out);
            }
            let recorded = outcome.map_err(|fault| fault.to_string())?;
            if !recorded.refused.is_empty() {
                tell(&format!("caution: the broker refused {}", recorded.refused.join(", ")));
            }
            tell(&format!(
                "{}: {} messages, connection lost {} times",
                out.display(),
                recorded.messages,
                recorded.interruptions
            ));
            Ok(())
        }
        Command::Play { recording, broker, speed } => {
            let access = broker.access("play")?;
            let reader = Reader::open(&recording).map_err(|fault| fault.to_string())?;
            let played = runtime()?
                .block_on(broker::play(&access, reader, speed, stop_after(None)))
                .map_err(|fault| fault.to_string())?;
            tell(&format!(
                "{}{} messages published, {} acknowledged, {} other lines left out",
                if played.stopped { "stopped: " } else { "" },
                played.messages,
                played.acknowledged,
                played.left_out
            ));
            Ok(())
        }
        Command::Year { out, days, seed } => write_all(&out, synthetic::year(days, seed)),
        Command::Sample { out } => write_all(&out, synthetic::sample().into_iter()),
        Command::Synth { sites, days, seed, out, without } => synth(usize::from(sites), days, seed, &out, without),
        Command::Fleet(arguments) => {
            let text = fleet::carry_out(&arguments)?;
            writeln!(io::stdout(), "{text}").map_err(|fault| format!("the output cannot be written: {fault}"))
        }
        Command::Yard(arguments) => {
            let carried = yard::arguments::carry_out(&arguments)?;
            for (path, written) in [(&arguments.report, carried.page), (&arguments.daily, carried.daily)] {
                if let (Some(path), Some(written)) = (path, written) {
                    std::fs::write(path, written)
                        .map_err(|fault| format!("{}: cannot be written: {fault}", path.display()))?;
                }
            }
            writeln!(io::stdout(), "{}", carried.text).map_err(|fault| format!("the output cannot be written: {fault}"))
        }
        Command::LinkTable { sensors, days, interval, seed, json } => {
            let mut text = String::new();
            let mut rows = Vec::new();
            for seconds in interval {
                for loss in link_table::losses() {
                    let row = link_table::row(loss, i64::from(seconds), sensors, i64::from(days), seed)?;
                    if json {
                        text += &serde_json::to_string(&row).map_err(|fault| fault.to_string())?;
                        text.push('\n');
                    }
                    rows.push(row);
                }
            }
            if !json {
                text = link_table::table(&rows);
            }
            write!(io::stdout(), "{text}").map_err(|fault| format!("the output cannot be written: {fault}"))
        }
        Command::Bench { what: bench::What::Engine(arguments) } => {
            let measured = bench::engine(&arguments)?;
            let mut text = bench::text(&measured);
            if arguments.json {
                text.push('\n');
                text += &serde_json::to_string(&measured).map_err(|fault| fault.to_string())?;
            }
            writeln!(io::stdout(), "{text}").map_err(|fault| format!("the output cannot be written: {fault}"))
        }
    }
}

fn create(out: &Path) -> Result<Writer<BufWriter<File>>, String> {
    let file = File::create_new(out).map_err(|fault| match fault.kind() {
        ErrorKind::AlreadyExists => format!("{}: exists: name a new file", out.display()),
        _ => format!("{}: cannot be created: {fault}", out.display()),
    })?;
    Ok(Writer::new(BufWriter::new(file)))
}

fn write_all(out: &Path, mut lines: impl Iterator<Item = Line>) -> Result<(), String> {
    let mut writer = create(out)?;
    let written = lines.try_for_each(|line| writer.write(&line)).and_then(|()| writer.flush());
    written.map_err(|fault| format!("{}: cannot be written: {fault}", out.display()))
}

fn synth(sites: usize, days: u16, seed: u64, out: &Path, without: Vec<Fault>) -> Result<(), String> {
    let beside = out.with_extension("toml");
    if beside == out {
        return Err(format!("{}: this is the name of the configuration: name it .ndjson", out.display()));
    }
    let scenario = scenario::invented(sites, u32::from(days), scenario::usual_start(), seed);
    let slots = i64::from(days) * 24 * HOUR / scenario.slot;
    let head = format!(
        "# The settings for {}: {sites} invented sites, {days} days, seed {seed}.\n\n",
        out.file_name().unwrap_or_default().display()
    );
    let text = head + &world::config::configuration(&scenario);
    let loaded = config::load_text("the configuration of the world", &text, std::iter::empty());
    let settings = loaded.map_err(|faults| faults.to_string())?.settings;
    let mut writer = create(out)?;
    let unwritten = |path: &Path, fault: io::Error| match fault.kind() {
        ErrorKind::AlreadyExists => format!("{}: exists: name a new recording", path.display()),
        _ => format!("{}: cannot be written: {fault}", path.display()),
    };
    let written = File::create_new(&beside).and_then(|mut file| file.write_all(text.as_bytes()));
    if let Err(fault) = written {
        let _ = std::fs::remove_file(out);
        return Err(unwritten(&beside, fault));
    }
    let world = World::new(scenario, seed, Switches::without(without));
    let mut lines = 0_u64;
    let recorded = closed_loop::record(world, slots, &settings, |line| {
        lines += 1;
        writer.write(line)
    });
    recorded.and_then(|()| writer.flush()).map_err(|fault| unwritten(out, fault))?;
    tell(&format!("{}: {lines} lines; configuration: {}", out.display(), beside.display()));
    Ok(())
}

fn run(recording: &Path, config: &Path, options: Options, form: Form, changes: bool) -> Result<(), String> {
    let settings = configuration::load(config)?;
    let reader = Reader::open(recording).map_err(|fault| fault.to_string())?;
    let output = BufWriter::new(io::stdout().lock());
    let mut report = Report::new(output, io::stderr(), &settings, form, changes);
    let outcome = offline::run(reader, settings, options, &mut report).and_then(|summary| Ok(report.finish(&summary)?));
    match outcome {
        // Whoever read our output has seen enough.
        Err(RunError::Output(fault)) if fault.kind() == ErrorKind::BrokenPipe => Ok(()),
        outcome => outcome.map_err(|fault| fault.to_string()),
    }
}

fn runtime() -> Result<tokio::runtime::Runtime, String> {
    let built = tokio::runtime::Builder::new_current_thread().enable_all().build();
    built.map_err(|fault| format!("the network cannot be used: {fault}"))
}

/// Ends with SIGINT or SIGTERM, or after `seconds`.
async fn stop_after(seconds: Option<u64>) {
    let time_is_up = async {
        match seconds {
            Some(seconds) => tokio::time::sleep(Duration::from_secs(seconds)).await,
            None => std::future::pending().await,
        }
    };
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        () = terminated() => {}
        () = time_is_up => {}
    }
}

#[cfg(unix)]
async fn terminated() {
    use tokio::signal::unix::{SignalKind, signal};
    match signal(SignalKind::terminate()) {
        Ok(mut signal) => drop(signal.recv().await),
        Err(_) => std::future::pending().await,
    }
}

#[cfg(not(unix))]
async fn terminated() {
    std::future::pending().await
}

/// One line for the person at the terminal; standard output is for outputs.
fn tell(text: &str) {
    let _ = writeln!(io::stderr(), "{text}");
}

fn time(text: &str) -> Result<Stamp, String> {
    parse_time(text).ok_or_else(|| "write RFC 3339 with an offset, for example 2027-04-03T06:00:00Z".to_owned())
}

fn filter(text: &str) -> Result<String, String> {
    let text = text.trim();
    if rumqttc::valid_filter(text) {
        Ok(text.to_owned())
    } else {
        Err("write topic filters of MQTT, for example yard/# or yard/+/state".to_owned())
    }
}

fn fault(text: &str) -> Result<Fault, String> {
    let known = || Fault::ALL.map(Fault::name).join(", ");
    Fault::from_name(text.trim()).ok_or_else(|| format!("write one of {}", known()))
}

fn speed(text: &str) -> Result<f64, String> {
    let speed = text.parse::<f64>().ok().filter(|speed| speed.is_finite() && *speed >= 0.0);
    speed.ok_or_else(|| "write a number from 0 up, for example 60".to_owned())
}
