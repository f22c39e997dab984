//! `[history]`: the database that points of history go to.

use std::fmt;
use std::fs;
use std::path::{Path, PathBuf};

use url::{Host, Url};

use super::fault::{Fault, Faults, Seen};
use super::measure::{MILLIS, MINUTES};
use super::spot::Spot;
use super::table::Table;
use super::tls;
use super::tree::{Kind, Origin, quoted};

/// How the database is reached, and how much waits for it.
#[derive(Clone, PartialEq, Eq)]
pub struct History {
    /// `http` or `https`, host and perhaps a port; no path.
    pub url: String,
    pub organization: String,
    /// Readings, sensors and the daemon itself.
    pub bucket: String,
    /// Days, decisions and alerts; may be the same.
    pub bucket_long: String,
    /// The word of the environment, or the first line of `token_file`. None: the database asks for none.
    pub token: Option<String>,
    pub token_file: Option<PathBuf>,
    /// Authorities that may have signed the database's certificate, beside the public ones.
    pub ca_file: Option<PathBuf>,
    /// Tag of every point, so that several daemons can share a bucket.
    pub fleet: String,
    pub gzip: bool,
    /// 100–60,000.
    pub connect_timeout_ms: u64,
    /// From the connection to the end of the answer, 1,000–600,000.
    pub timeout_ms: u64,
    /// Lines that come within this time go together, 0–60,000.
    pub gather_ms: u64,
    /// 1–5,000.
    pub batch_lines: u32,
    /// 10,000–1,000,000.
    pub batch_bytes: u32,
    /// What may wait in the store, 1–1,048,576 MiB.
    pub limit_mib: u32,
    /// An alert comes when the oldest line that waits is so old, 1–10,080.
    pub behind_after_minutes: u32,
}

impl fmt::Debug for History {
    /// Without the token.
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.debug_struct("History")
            .field("url", &self.url)
            .field("organization", &self.organization)
            .field("bucket", &self.bucket)
            .field("bucket_long", &self.bucket_long)
            .field("token_file", &self.token_file)
            .field("ca_file", &self.ca_file)
            .field("fleet", &self.fleet)
            .finish_non_exhaustive()
    }
}

impl History {
    /// The token and the authorities as their files have them now; PEM.
    ///
    /// # Errors
    /// The key, the file, and what is wrong with it.
    pub fn read_files(&self) -> Result<(Option<String>, Option<Vec<u8>>), HistoryFault> {
        let fault = |key, path: &Path, text| HistoryFault { key, path: path.to_owned(), text };
        let token = match &self.token_file {
            Some(path) => Some(read_token(path).map_err(|text| fault(TOKEN_FILE, path, text))?),
            None => self.token.clone(),
        };
        let Some(path) = &self.ca_file else { return Ok((token, None)) };
        let pem = tls::authorities_pem(path).map_err(|text| fault(CA_FILE, path, text))?;
        Ok((token, Some(pem)))
    }

    /// What is sent can be read on the way there, and the token with it.
    pub fn is_exposed(&self) -> bool {
        let has_token = self.token.is_some() || self.token_file.is_some();
        let far = |url: Url| match url.host() {
            Some(Host::Domain(name)) => name != "localhost" && !name.ends_with(".localhost"),
            Some(Host::Ipv4(address)) => !address.is_loopback(),
            Some(Host::Ipv6(address)) => !address.is_loopback(),
            None => false,
        };
        has_token && self.url.starts_with("http:") && Url::parse(&self.url).is_ok_and(far)
    }
}

/// A file that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HistoryFault {
    /// Below `history`.
    pub key: &'static str,
    pub path: PathBuf,
    pub text: String,
}

impl fmt::Display for HistoryFault {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "history.{} {}: {}", self.key, self.path.display(), self.text)
    }
}

/// Whether points are kept, and the database they are for. A bare `history = true` stands in texts that the store keeps:
/// there the database does not matter.
pub(super) fn read(root: &Table<'_>, instance: &str) -> (bool, Option<History>) {
    let Some(spot) = root.spot_of("history") else { return (false, None) };
    match &spot.node.kind {
        Kind::Truth(is_kept) => (*is_kept, None),
        Kind::Table(_) => {
            let history = spot.table().and_then(|table| read_table(&table, instance));
            (history.is_some(), history)
        }
        _ => {
            spot.fault("write a table [history] with url, organization and bucket, or false");
            (false, None)
        }
    }
}

/// Reads the token, and looks at the files. They are named from `folder` on.
pub(super) fn read_files(history: &mut History, folder: &Path, file: &str) -> Result<(), Faults> {
    history.token_file = history.token_file.take().map(|path| folder.join(path));
    history.ca_file = history.ca_file.take().map(|path| folder.join(path));
    match history.read_files() {
        Ok((token, _)) => {
            history.token = token;
            Ok(())
        }
        Err(HistoryFault { key, path, text }) => {
            let seen = Seen::Value(quoted(&path.display().to_string()));
            let key = format!("history.{key}");
            Err(Faults::new(vec![Fault { file: file.to_owned(), line: None, key, seen, text }], 1))
        }
    }
}

/// A bare `history = true`, in a file that a daemon shall run with, says not where to.
pub(super) fn without_database(file: &str) -> Faults {
    let fault = Fault {
        file: file.to_owned(),
        line: None,
        key: "history".to_owned(),
        seen: Seen::Value("true".to_owned()),
        text: "says not where to; write a table [history] with url, organization and bucket instead".to_owned(),
    };
    Faults::new(vec![fault], 1)
}

fn read_table(table: &Table<'_>, instance: &str) -> Option<History> {
    let required = |key: &'static str, example: &str| {
        if !table.has(key) {
            table.missing(key, format!("write {key} = {}", quoted(example)));
        }
        table.text(key, example).map(str::trim).map(str::to_owned)
    };
    let url = table.spot_of("url").map(|spot| read_url(&spot));
    if url.is_none() {
        table.missing("url", "write where the database listens, for example url = \"http://localhost:8086\"");
    }
    let (organization, bucket) = (required("organization", "garden"), required("bucket", "weather"));
    let bucket_long = table.text("bucket_long", "weather-long").map(|name| name.trim().to_owned());
    let token = table.spot_of("token").and_then(|spot| read_own_token(&spot));
    let token_file = table.text(TOKEN_FILE, "history.token").map(PathBuf::from);
    if token.is_some() && token_file.is_some() {
        table.fault(TOKEN_FILE, "the environment gives a token too; keep one of them");
    }
    let fleet = table.spot_of("fleet").map_or(Some(instance), |spot| spot.id("heron-valley"));
    let millis = |key, range, default| table.measured_whole(key, &MILLIS, range).unwrap_or(default);
    let history = History {
        url: url.flatten().unwrap_or_default(),
        organization: organization.unwrap_or_default(),
        bucket_long: bucket_long.or_else(|| bucket.clone()).unwrap_or_default(),
        bucket: bucket.unwrap_or_default(),
        token,
        token_file,
        ca_file: table.text(CA_FILE, "ca.pem").map(PathBuf::from),
        fleet: fleet.unwrap_or(instance).to_owned(),
        gzip: table.truth("gzip").unwrap_or(true),
        // Our choice, like all below but the batch, which is what databases of this kind take at once.
        connect_timeout_ms: millis("connect_timeout", 100..=60_000, 5_000),
        timeout_ms: millis("timeout", 1_000..=600_000, 30_000),
        gather_ms: millis("gather", 0..=60_000, 1_000),
        batch_lines: table.whole("batch_lines", 1..=5_000).unwrap_or(5_000),
        batch_bytes: table.whole("batch_bytes", 10_000..=1_000_000).unwrap_or(1_000_000),
        limit_mib: table.whole("limit_mib", 1..=1_048_576).unwrap_or(512),
        behind_after_minutes: table.measured_whole("behind_after", &MINUTES, 1..=10_080).unwrap_or(60),
    };
    if history.ca_file.is_some() && history.url.starts_with("http:") {
        table.fault(CA_FILE, "nothing is encrypted over http; write url = \"https://…\", or leave this out");
    }
    Some(history)
}

/// Scheme, host and perhaps a port; None, with a fault, where it is anything else.
fn read_url(spot: &Spot<'_>) -> Option<String> {
    let text = spot.text("http://localhost:8086")?.trim();
    // Who writes a password into it shall not find it in a log.
    let fault = |text: &str| if spot.node.kind.shown().contains('@') { spot.note(text) } else { spot.fault(text) };
    let Ok(url) = Url::parse(text) else {
        fault("write scheme and host, for example \"http://localhost:8086\"");
        return None;
    };
    let wrong = if !matches!(url.scheme(), "http" | "https") {
        "begin with http:// or https://"
    } else if url.host_str().is_none_or(str::is_empty) {
        "write a host after the //"
    } else if !url.username().is_empty() || url.password().is_some() {
        "write no name and no password here; what the database wants is a token, in token_file"
    } else if !matches!(url.path(), "" | "/") || url.query().is_some() || url.fragment().is_some() {
        "write scheme, host and port alone, without a path; organization and bucket have keys of their own"
    } else {
        return Some(text.trim_end_matches('/').to_owned());
    };
    fault(wrong);
    None
}

/// A token stands in the environment or in a file of its own, never in the configuration.
fn read_own_token(spot: &Spot<'_>) -> Option<String> {
    let text = match (&spot.node.kind, &spot.node.origin) {
        (Kind::Text(text), Origin::Variable(_)) => text,
        _ => {
            spot.note("a secret does not belong here; put it into a file and write token_file = \"history.token\"");
            return None;
        }
    };
    match word(text) {
        Ok(token) => Some(token),
        Err(fault) => {
            spot.note(fault);
            None
        }
    }
}

fn read_token(path: &Path) -> Result<String, String> {
    let text = fs::read_to_string(path).map_err(|error| format!("cannot be read: {error}"))?;
    word(text.lines().next().unwrap_or_default()).map_err(|fault| format!("has a first line that is no token: {fault}"))
}

/// What can go into a header as it is.
fn word(text: &str) -> Result<String, &'static str> {
    match text.trim() {
        "" => Err("it is empty; write the token there"),
        token if token.len() > LONGEST_TOKEN => Err("it is longer than any token"),
        token if token.bytes().all(|byte| byte.is_ascii_graphic()) => Ok(token.to_owned()),
        _ => Err("it has blanks or letters that no token has; write the token alone"),
    }
}

const TOKEN_FILE: &str = "token_file";
const CA_FILE: &str = "ca_file";
const LONGEST_TOKEN: usize = 4096;

#[cfg(test)]
mod tests;
