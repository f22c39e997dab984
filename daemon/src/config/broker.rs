//! `[broker]`, `[store]`, `[log]` and the topic prefix: what the shell needs to know.

use std::fs;
use std::path::{Path, PathBuf};

use super::fault::{Fault, Faults, Seen};
use super::measure::{MILLIS, SECONDS};
use super::table::Table;
use super::tls::{self, TlsFiles};
use super::tree::quoted;
use crate::engine::decode::TopicTemplate;

/// How the broker is reached.
#[derive(Clone, PartialEq, Eq)]
pub struct Broker {
    pub host: String,
    pub port: u16,
    pub client_id: String,
    pub user: Option<String>,
    /// The first line of `password_file`.
    pub password: Option<String>,
    pub password_file: Option<PathBuf>,
    /// None: nothing is encrypted.
    pub tls: Option<TlsFiles>,
    /// 5–3600.
    pub keep_alive_seconds: u16,
    pub max_packet_bytes: usize,
    pub reconnect_min_ms: u64,
    pub reconnect_max_ms: u64,
}

impl std::fmt::Debug for Broker {
    /// Without the password.
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("Broker")
            .field("host", &self.host)
            .field("port", &self.port)
            .field("client_id", &self.client_id)
            .field("user", &self.user)
            .field("password_file", &self.password_file)
            .field("tls", &self.tls)
            .finish_non_exhaustive()
    }
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LogFormat {
    #[default]
    Text,
    Json,
}

/// What the shell is told.
pub(super) struct Shell {
    pub broker: Broker,
    pub store_path: PathBuf,
    pub commit_interval_ms: u64,
    pub free_floor_mib: u32,
    pub log_format: LogFormat,
}

pub(super) fn read(root: &Table<'_>) -> Shell {
    let broker = root.table("broker").map_or_else(Broker::default, |table| broker(&table));
    let store = root.table("store");
    let store_path = store.as_ref().and_then(|store| store.text("path", "/var/lib/thirstd/thirstd.db"));
    let commit_interval_ms = store.as_ref().and_then(|store| store.measured_whole("commit_interval", &MILLIS, 0..=200));
    let free_floor_mib = store.as_ref().and_then(|store| store.whole("free_floor_mib", 16..=1_048_576));
    let log = root.table("log");
    let log_format = log
        .as_ref()
        .and_then(|log| log.word("format", &[("text", LogFormat::Text), ("json", LogFormat::Json)]))
        .unwrap_or_default();
    Shell {
        broker,
        store_path: PathBuf::from(store_path.unwrap_or("thirstd.db")),
        commit_interval_ms: commit_interval_ms.unwrap_or(0),
        // Four times what SQLite's log may take, for then recovery needs room.
        free_floor_mib: free_floor_mib.unwrap_or(64),
        log_format,
    }
}

/// First levels of every topic of ours.
pub(super) fn prefix<'n>(root: &Table<'n>) -> &'n str {
    let Some(prefix) = root.text("prefix", PREFIX) else { return PREFIX };
    let plain = prefix.split('/').all(|level| !level.is_empty() && !level.contains(['+', '#', '$', '{', '}']));
    if !plain || prefix.len() > LONGEST_PREFIX || TopicTemplate::parse(prefix).is_err() {
        root.fault("prefix", format!("write one or more levels of plain text, for example \"{PREFIX}\""));
        return PREFIX;
    }
    prefix
}

/// Reads the password and looks at certificates and keys. Their files are named from `folder` on.
pub(super) fn read_files(broker: &mut Broker, folder: &Path, file: &str) -> Result<(), Faults> {
    let mut faults = Vec::new();
    let mut note = |key: &str, path: &Path, text: String| {
        let seen = Seen::Value(quoted(&path.display().to_string()));
        faults.push(Fault { file: file.to_owned(), line: None, key: format!("broker.{key}"), seen, text });
    };
    if let Some(path) = broker.password_file.take().map(|path| folder.join(path)) {
        match read_password(&path) {
            Ok(password) => broker.password = Some(password),
            Err(text) => note("password_file", &path, text),
        }
        broker.password_file = Some(path);
    }
    broker.tls = broker.tls.take().map(|tls| tls.below(folder));
    if let Some(Err(fault)) = broker.tls.as_ref().map(TlsFiles::read) {
        note(&format!("tls.{}", fault.key), &fault.path, fault.text);
    }
    let total = faults.len();
    if total == 0 { Ok(()) } else { Err(Faults::new(faults, total)) }
}

fn read_password(path: &Path) -> Result<String, String> {
    let text = fs::read_to_string(path).map_err(|error| format!("cannot be read: {error}"))?;
    match text.lines().next().unwrap_or_default() {
        "" => Err("has an empty first line; write the password there".to_owned()),
        password => Ok(password.to_owned()),
    }
}

fn broker(table: &Table<'_>) -> Broker {
    let defaults = Broker::default();
    let text = |key: &'static str, example: &str| table.text(key, example).map(str::to_owned);
    let tls = table.table("tls").map(|table| tls::read_table(&table));
    let port = if tls.is_some() { TLS_PORT } else { defaults.port };
    let millis = |key, default| table.measured_whole(key, &MILLIS, 100..=3_600_000).unwrap_or(default);
    let broker = Broker {
        host: text("host", "localhost").unwrap_or(defaults.host),
        port: table.whole("port", 1..=65_535).unwrap_or(port),
        client_id: text("client_id", "thirstd").unwrap_or(defaults.client_id),
        user: text("user", "thirstd"),
        password: None,
        password_file: text("password_file", "broker.password").map(PathBuf::from),
        tls,
        keep_alive_seconds: table
            .measured_whole("keep_alive", &SECONDS, 5..=3600)
            .unwrap_or(defaults.keep_alive_seconds),
        max_packet_bytes: table.whole("max_packet_bytes", 1024..=268_435_455).unwrap_or(defaults.max_packet_bytes),
        reconnect_min_ms: millis("reconnect_min", defaults.reconnect_min_ms),
        reconnect_max_ms: millis("reconnect_max", defaults.reconnect_max_ms),
    };
    if broker.password_file.is_some() && broker.user.is_none() {
        table.missing("user", "a password is of no use without it");
    }
    if broker.reconnect_min_ms > broker.reconnect_max_ms {
        table.here().note(format!(
            "reconnect_max ({} ms) is shorter than reconnect_min ({} ms)",
            broker.reconnect_max_ms, broker.reconnect_min_ms
        ));
    }
    broker
}

impl Default for Broker {
    fn default() -> Self {
        Self {
            host: "localhost".to_owned(),
            port: 1883,
            client_id: "thirstd".to_owned(),
            user: None,
            password: None,
            password_file: None,
            tls: None,
            keep_alive_seconds: 30,
            // Our choice: four times the largest payload a feed takes by default.
            max_packet_bytes: 262_144,
            reconnect_min_ms: 1_000,
            reconnect_max_ms: 30_000,
        }
    }
}

/// MQTT over TLS, where no port is given: `secure-mqtt` in IANA's list of service names and ports.
const TLS_PORT: u16 = 8883;

const PREFIX: &str = "thirst/v1";
const LONGEST_PREFIX: usize = 200;
