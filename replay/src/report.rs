//! The outputs of a run as text: one readable line each, or one JSON object each.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::io::{self, Write};

use chrono_tz::Tz;
use serde_json::{Value as Json, json};

use thirstd::engine::output::{Lane, Level, Output, Record, Value};
use thirstd::engine::settings::Settings;
use thirstd::engine::stamp::Stamp;

use crate::offline::{Sink, Summary};
use crate::topic::{self, Kind};

#[cfg(test)]
mod tests;
mod words;

/// How outputs are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// `time site what: text`, in the local time of the site with its offset from UTC. Points of history are counted in the summary alone; status of sensors,
    /// totals and fallback appear when what they tell has changed.
    Lines,
    /// One JSON object a line: every output with all it holds.
    Json,
}

/// Writes outputs to `W` as they come.
pub struct Report<W, E> {
    output: W,
    warnings: E,
    prefix: String,
    zones: BTreeMap<String, Tz>,
    form: Form,
    /// Leave out what repeats: refreshed decisions and instructions, log, audit and history.
    changes_only: bool,
    /// What was told last on each topic.
    told: BTreeMap<String, Json>,
}

impl<W: Write, E: Write> Report<W, E> {
    /// Outputs of sites in `settings` go to `output`, warnings to `warnings`.
    pub fn new(output: W, warnings: E, settings: &Settings, form: Form, changes_only: bool) -> Self {
        let zones = settings.sites.iter().map(|site| (site.id.clone(), site.zone)).collect();
        Self { output, warnings, prefix: settings.prefix.clone(), zones, form, changes_only, told: BTreeMap::new() }
    }

    /// Writes the summary: behind readable lines, or beside the JSON.
    ///
    /// # Errors
    /// Those of the output.
    pub fn finish(mut self, summary: &Summary) -> io::Result<()> {
        match self.form {
            Form::Lines => write!(self.output, "\n{}", words::summary(summary))?,
            Form::Json => write!(self.warnings, "{}", words::summary(summary))?,
        }
        self.output.flush()
    }

    /// False where the state on `topic` tells the same as before.
    fn tells_news(&mut self, kind: Kind, topic: &str, payload: &Json) -> bool {
        let Some(substance) = words::substance(kind, payload) else {
            return true;
        };
        if self.told.get(topic) == Some(&substance) {
            return false;
        }
        self.told.insert(topic.to_owned(), substance);
        true
    }

    fn line(&mut self, at: Stamp, site: &str, what: &str) -> io::Result<()> {
        let zone = self.zones.get(site).copied().unwrap_or(Tz::UTC);
        let time = at.utc().with_timezone(&zone).format("%Y-%m-%d %H:%M:%S %:z");
        let site = if site.is_empty() { "-" } else { site };
        writeln!(self.output, "{time}  {site}  {}", one_line(what))
    }

    fn published(&mut self, at: Stamp, output: &str, topic: &str, payload: &[u8]) -> io::Result<()> {
        let parts = topic::parts(&self.prefix, topic);
        let parsed: Json = serde_json::from_slice(payload).unwrap_or(Json::Null);
        let news = self.tells_news(parts.kind, topic, &parsed);
        match self.form {
            Form::Json => {
                if self.changes_only && !news {
                    return Ok(());
                }
                let head = json!({"at": at.text(), "output": output, "topic": topic}).to_string();
                let head = head.strip_suffix('}').unwrap_or(&head);
                // The payload stands as it was published, byte by byte, unless it is no JSON at all.
                let payload: Cow<'_, [u8]> = if payload.is_empty() {
                    Cow::Borrowed(b"null")
                } else if parsed.is_null() || payload.contains(&b'\n') {
                    Cow::Owned(json!(String::from_utf8_lossy(payload)).to_string().into_bytes())
                } else {
                    Cow::Borrowed(payload)
                };
                write!(self.output, "{head},\"payload\":")?;
                self.output.write_all(&payload)?;
                self.output.write_all(b"}\n")
            }
            Form::Lines => {
                let always = matches!(parts.kind, Kind::Decision | Kind::Instruction) && !self.changes_only;
                if payload.is_empty() || !(news || always) {
                    return Ok(());
                }
                match words::published(&parts, &parsed) {
                    Some(what) => self.line(at, parts.site, &what),
                    None => Ok(()),
                }
            }
        }
    }
}

impl<W: Write, E: Write> Sink for Report<W, E> {
    fn output(&mut self, at: Stamp, output: &Output) -> io::Result<()> {
        match (output, self.form) {
            (Output::State { topic, payload }, _) => self.published(at, "state", topic, payload),
            (Output::Answer { topic, payload }, _) => self.published(at, "answer", topic, payload),
            _ if self.changes_only => Ok(()),
            (Output::Record(record), Form::Json) => writeln!(self.output, "{}", record_json(at, record)),
            (Output::Record(_), Form::Lines) => Ok(()),
            (Output::Audit { site, who, text }, Form::Json) => {
                let line = json!({"at": at.text(), "output": "audit", "site": site, "who": who, "text": text});
                writeln!(self.output, "{line}")
            }
            (Output::Audit { site, who, text }, Form::Lines) => self.line(at, site, &format!("audit {who}: {text}")),
            // All of it is published or logged as well.
            (Output::Diary(_) | Output::Digest(_), _) => Ok(()),
            (Output::Log { level, site, text }, Form::Json) => {
                let level = level_name(*level);
                let line = json!({"at": at.text(), "output": "log", "level": level, "site": site, "text": text});
                writeln!(self.output, "{line}")
            }
            (Output::Log { level, site, text }, Form::Lines) => {
                self.line(at, site, &format!("log {}: {text}", level_name(*level)))
            }
        }
    }

    fn warning(&mut self, text: &str) -> io::Result<()> {
        writeln!(self.warnings, "caution: {}", one_line(text))
    }
}

fn record_json(at: Stamp, record: &Record) -> Json {
    let tags: serde_json::Map<String, Json> =
        record.tags.iter().map(|(name, value)| ((*name).to_owned(), json!(value))).collect();
    let fields: serde_json::Map<String, Json> = record
        .fields
        .iter()
        .map(|(name, value)| {
            let value = match value {
                Value::Float(number) => json!(number),
                Value::Integer(number) => json!(number),
                Value::Boolean(truth) => json!(truth),
                Value::Text(text) => json!(text),
            };
            ((*name).to_owned(), value)
        })
        .collect();
    let lane = match record.lane {
        Lane::Reading => "reading",
        Lane::Account => "account",
    };
    json!({
        "at": at.text(), "output": "record", "measurement": record.measurement, "lane": lane,
        "record_at": record.at.text(), "tags": tags, "fields": fields,
    })
}

fn level_name(level: Level) -> &'static str {
    match level {
        Level::Info => "info",
        Level::Warn => "warn",
        Level::Error => "error",
    }
}

/// Text from outside may hold line ends and control characters: one output stays one line.
fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}
