//! The database through its client: what goes over, how long it may take, and what each answer means. No other file knows
//! the crate.

use std::error::Error;
use std::io::Write;
use std::time::Duration;

use flate2::Compression;
use flate2::write::GzEncoder;
use influxdb2::api::write::TimestampPrecision;
use influxdb2::{Client, ClientBuilder, RequestError};
use reqwest::header::{CONTENT_ENCODING, HeaderMap, HeaderValue};
use reqwest::redirect::Policy;

use crate::config::History;

use super::database::{Answer, Database};

/// One way to the database. Every lane has its own, so that none waits for the other.
pub(super) struct Influx {
    history: History,
    /// Made when first needed, and anew after a fault, with what the files then say.
    clients: Option<Clients>,
}

struct Clients {
    plain: Client,
    /// Says in a header of its own that what it sends is packed: packing is ours, at the level that is worth its time.
    packed: Client,
    /// Never shown.
    token: Option<String>,
}

impl Influx {
    pub(super) fn new(history: History) -> Self {
        Self { history, clients: None }
    }

    /// The clients, made where there are none.
    fn clients(&mut self) -> Result<&Clients, String> {
        let clients = match self.clients.take() {
            Some(clients) => clients,
            None => self.build()?,
        };
        Ok(self.clients.insert(clients))
    }

    fn build(&self) -> Result<Clients, String> {
        let history = &self.history;
        let (token, authorities) = history.read_files().map_err(|fault| fault.to_string())?;
        // The builder panics where the address is none; the configuration has been looked at, but not by this function.
        reqwest::Url::parse(&history.url).map_err(|fault| format!("{}: {fault}", history.url))?;
        let client = |headers: HeaderMap| {
            let mut builder = reqwest::Client::builder()
                .user_agent(concat!("thirstd/", env!("CARGO_PKG_VERSION")))
                .connect_timeout(Duration::from_millis(history.connect_timeout_ms))
                .timeout(Duration::from_millis(history.timeout_ms))
                // A redirected POST becomes a GET, is answered, and what it carried is lost.
                .redirect(Policy::none())
                .no_proxy()
                .pool_max_idle_per_host(1)
                .default_headers(headers);
            if let Some(pem) = &authorities {
                let authority = reqwest::Certificate::from_pem(pem).map_err(|fault| fault.to_string())?;
                builder = builder.add_root_certificate(authority);
            }
            let token = token.clone().unwrap_or_default();
            ClientBuilder::with_builder(builder, &history.url, &history.organization, token)
                .build()
                .map_err(|fault| fault.to_string())
        };
        let packed = HeaderMap::from_iter([(CONTENT_ENCODING, HeaderValue::from_static("gzip"))]);
        Ok(Clients { plain: client(HeaderMap::new())?, packed: client(packed)?, token })
    }
}

impl Database for Influx {
    async fn write(&mut self, bucket: &str, lines: &[u8]) -> Answer {
        let (organization, gzip) = (self.history.organization.clone(), self.history.gzip);
        let clients = match self.clients() {
            Ok(clients) => clients,
            Err(fault) => return Answer::Misconfigured(short(&fault, None)),
        };
        let packed = if gzip && lines.len() >= WORTH_PACKING { pack(lines) } else { None };
        let (client, body) = match packed {
            Some(packed) => (&clients.packed, packed),
            None => (&clients.plain, lines.to_vec()),
        };
        let written = client
            .write_line_protocol_with_precision(&organization, bucket, body, TimestampPrecision::Milliseconds)
            .await;
        match written {
            Ok(()) => Answer::Stored,
            Err(RequestError::Http { status, text }) => {
                let text = short(&text, clients.token.as_deref());
                meaning(status.as_u16(), status.canonical_reason().unwrap_or_default(), &text)
            }
            Err(RequestError::ReqwestProcessing { source }) => failed(source, clients.token.as_deref()),
            Err(other) => Answer::Busy(short(&other.to_string(), clients.token.as_deref())),
        }
    }

    fn renew(&mut self) {
        self.clients = None;
    }
}

/// What a status means; `text` is what the server said beside it. Source: the public description of the write API of
/// InfluxDB 2.x.
fn meaning(status: u16, reason: &str, text: &str) -> Answer {
    let said = format!("it answered {status} {reason}: {text}").replace(" :", ":");
    let said = said.trim_end_matches([' ', ':']).to_owned();
    match status {
        204 => Answer::Stored,
        400 => Answer::Refused(said),
        413 => Answer::TooLarge(said),
        422 => Answer::Partly { lines: dropped(text), text: said },
        500 if text.contains("partial write") => Answer::Partly { lines: dropped(text), text: said },
        408 | 425 | 429 | 500..=599 => Answer::Busy(said),
        // 200 too: whatever answers so is no such database, and has stored nothing.
        _ => Answer::Misconfigured(said),
    }
}

/// How many points a partial write has dropped; one where it does not say.
fn dropped(text: &str) -> u64 {
    let after = text.split_once("dropped=").map(|(_, after)| after);
    let digits = after.map(|after| after.chars().take_while(char::is_ascii_digit).collect::<String>());
    digits.and_then(|digits| digits.parse().ok()).unwrap_or(1)
}

/// There was no answer.
fn failed(fault: reqwest::Error, token: Option<&str>) -> Answer {
    let fault = fault.without_url();
    if fault.is_timeout() {
        return Answer::Busy("it did not answer in time".to_owned());
    }
    // The innermost cause is the one that helps.
    let mut cause: &dyn Error = &fault;
    while let Some(inner) = cause.source() {
        cause = inner;
    }
    let text = short(&cause.to_string(), token);
    if fault.is_builder() {
        Answer::Misconfigured(format!("no request can be made: {text}"))
    } else if fault.is_connect() {
        Answer::Busy(format!("it cannot be reached: {text}"))
    } else {
        Answer::Broken(format!("the connection broke: {text}"))
    }
}

/// What a stranger said, on one short line and without the token.
fn short(text: &str, token: Option<&str>) -> String {
    let text = match token {
        Some(token) => text.replace(token, "…"),
        None => text.to_owned(),
    };
    let plain: String = text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect();
    let words = plain.split_whitespace().collect::<Vec<_>>().join(" ");
    match words.char_indices().nth(LONGEST_TEXT) {
        Some((end, _)) => format!("{}…", &words[..end]),
        None => words,
    }
}

fn pack(lines: &[u8]) -> Option<Vec<u8>> {
    let mut encoder = GzEncoder::new(Vec::with_capacity(lines.len() / 4), Compression::fast());
    encoder.write_all(lines).ok()?;
    encoder.finish().ok()
}

/// Below, what is saved is less than a packet. Our choice, bytes.
const WORTH_PACKING: usize = 1_400;

/// Letters of a server's text that are shown. Our choice.
const LONGEST_TEXT: usize = 300;

#[cfg(test)]
mod tests;
