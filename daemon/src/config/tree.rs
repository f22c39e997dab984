//! The merged configuration as a tree whose every value knows its file and line, or its environment variable.
//!
//! The `config` crate merges main file and environment. What it does to keys, and what follows for us:
//! - it lower-cases names of environment variables, never keys of files: a JSON Pointer like `/tempC` stays as it is;
//! - it reads the keys of the first level as paths (`"a.b"`, `"a[0]"`), those below as they are: we refuse odd keys of
//!   the first level, and pointers live deeper;
//! - it replaces arrays as a whole: a variable that names a path into an array would throw the array away, so variables
//!   may only name what [`VARIABLES`] lists.
//!
//! It keeps no lines: those come from a second, span-keeping parse by `toml_edit`.

use std::collections::{BTreeMap, HashMap};

use config::{Environment, FileFormat, Value, ValueKind};
use toml_edit::{Array, ArrayOfTables, Document, Item, Table, TableLike};

use super::{
    fault::{Fault, Seen},
    nearest::nearest,
};

/// A value and where it was written.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Node {
    pub origin: Origin,
    pub kind: Kind,
}

/// Where a value was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Origin {
    /// Line of the file, from 1.
    Line(u32),
    Variable(String),
}

/// A value; dates and times are text.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Kind {
    Table(BTreeMap<String, Node>),
    Array(Vec<Node>),
    Text(String),
    Whole(i64),
    Number(f64),
    Truth(bool),
}

/// Reads one file, and lays `variables` over it: names without our prefix, as in `BROKER__HOST`, and values.
///
/// # Errors
/// When the text is not TOML, or a variable names nothing that it may set.
pub(super) fn read(file: &str, text: &str, variables: &[(String, String)]) -> Result<Node, Vec<Fault>> {
    if text.len() > LARGEST_FILE_BYTES {
        let text = format!("the file is larger than {} MiB; split it over sites.d", LARGEST_FILE_BYTES >> 20);
        return Err(vec![file_fault(file, None, text)]);
    }
    let lines = Lines::of(text);
    let document = Document::parse(text).map_err(|error| {
        let line = error.span().map(|span| lines.line(span.start));
        vec![file_fault(file, line, format!("this is not TOML: {}", one_line(error.message())))]
    })?;
    let mut faults = first_level_faults(file, document.as_table(), &lines);
    if let Some(start) = Written::Table(document.as_table()).passes(DEEPEST) {
        let text = format!("nested deeper than {DEEPEST} levels; no setting is");
        faults.push(file_fault(file, start.map(|start| lines.line(start)), text));
    }
    faults.extend(variable_faults(variables));
    if !faults.is_empty() {
        return Err(faults);
    }
    let merged = merge(text, variables)
        .map_err(|error| vec![file_fault(file, None, format!("this is not TOML: {}", one_line(&error.to_string())))])?;
    let named: Vec<(String, String)> =
        variables.iter().map(|(name, _)| (name.to_lowercase().replace(SEPARATOR, "."), name.clone())).collect();
    let walk = Walk { lines: &lines, variables: &named };
    Ok(walk.node(merged, Written::Table(document.as_table()), 1, ""))
}

/// What our prefix stands before: `THIRSTD__BROKER__HOST` gives `BROKER__HOST`.
pub(super) fn own_variables(environment: impl Iterator<Item = (String, String)>) -> Vec<(String, String)> {
    let mut own: Vec<(String, String)> = environment
        .filter_map(|(name, value)| {
            let (head, rest) = name.split_at_checked(PREFIX.len())?;
            // An empty variable counts as not set: that is how container files leave one out.
            (head.eq_ignore_ascii_case(PREFIX) && !value.is_empty()).then(|| (rest.to_owned(), value))
        })
        .collect();
    own.sort();
    own
}

impl Kind {
    /// As it stands in fault texts: short, on one line, control characters escaped.
    pub(super) fn shown(&self) -> String {
        match self {
            Self::Table(_) => "a table".to_owned(),
            Self::Array(_) => "a list".to_owned(),
            Self::Text(text) => quoted(text),
            Self::Whole(number) => number.to_string(),
            Self::Number(number) => format!("{number:?}"),
            Self::Truth(truth) => truth.to_string(),
        }
    }
}

/// The text in quotes, shortened, control characters escaped.
pub(super) fn quoted(text: &str) -> String {
    let mut shown = String::from("\"");
    for (count, letter) in text.chars().enumerate() {
        if count == MOST_LETTERS_SHOWN {
            shown.push('…');
            break;
        }
        match letter {
            '"' | '\\' => shown.extend(['\\', letter]),
            _ if letter.is_control() => shown.extend(letter.escape_default()),
            _ => shown.push(letter),
        }
    }
    shown.push('"');
    shown
}

fn merge(text: &str, variables: &[(String, String)]) -> Result<Value, config::ConfigError> {
    let environment = Environment::default()
        .separator(SEPARATOR)
        .source(Some(variables.iter().cloned().collect::<HashMap<String, String>>()));
    let merged = config::Config::builder()
        .add_source(config::File::from_str(text, FileFormat::Toml))
        .add_source(environment)
        .build()?;
    Ok(merged.cache)
}

/// Pairs the merged values with their places in the file.
struct Walk<'w> {
    lines: &'w Lines,
    /// Paths that variables set, and the names of these.
    variables: &'w [(String, String)],
}

/// What the span-keeping parse has for a value.
#[derive(Clone, Copy)]
enum Written<'t> {
    Table(&'t dyn TableLike),
    Array(&'t Array),
    Tables(&'t ArrayOfTables),
    Plain,
}

impl Walk<'_> {
    fn node(&self, value: Value, written: Written<'_>, line: u32, path: &str) -> Node {
        let mut origin = Origin::Line(line);
        let kind = match value.kind {
            ValueKind::Table(table) => {
                let entries = table.into_iter().map(|(key, value)| {
                    let (line, written) = self.entry(written, &key, line);
                    let below = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
                    let node = self.node(value, written, line, &below);
                    (key, node)
                });
                Kind::Table(entries.collect())
            }
            ValueKind::Array(values) => {
                let nodes = values.into_iter().enumerate().map(|(index, value)| {
                    let (span, written) = written.element(index);
                    // No variable reaches into an array, so no path is needed below one.
                    self.node(value, written, span.map_or(line, |start| self.lines.line(start)), "[]")
                });
                Kind::Array(nodes.collect())
            }
            ValueKind::Nil => Kind::Text(String::new()),
            ValueKind::Boolean(truth) => Kind::Truth(truth),
            ValueKind::I64(number) => Kind::Whole(number),
            ValueKind::I128(number) => i64::try_from(number).map_or(Kind::Number(number as f64), Kind::Whole),
            ValueKind::U64(number) => i64::try_from(number).map_or(Kind::Number(number as f64), Kind::Whole),
            ValueKind::U128(number) => i64::try_from(number).map_or(Kind::Number(number as f64), Kind::Whole),
            ValueKind::Float(number) => Kind::Number(number),
            ValueKind::String(text) => {
                if let Some((_, name)) = self.variables.iter().find(|(variable, _)| variable == path) {
                    origin = Origin::Variable(format!("{PREFIX}{name}"));
                }
                Kind::Text(text)
            }
        };
        Node { origin, kind }
    }

    fn entry<'t>(&self, table: Written<'t>, key: &str, line: u32) -> (u32, Written<'t>) {
        let Written::Table(table) = table else { return (line, Written::Plain) };
        let Some((written, item)) = table.get_key_value(key) else { return (line, Written::Plain) };
        let span = match item {
            // The header `[a.b]` is the place of `b`.
            Item::Table(table) if !table.is_implicit() && !table.is_dotted() => table.span().or_else(|| written.span()),
            _ => written.span().or_else(|| item.span()),
        };
        (span.map_or(line, |span| self.lines.line(span.start)), Written::item(item))
    }
}

impl<'t> Written<'t> {
    fn item(item: &'t Item) -> Self {
        match item {
            Item::None => Self::Plain,
            Item::Value(value) => Self::value(value),
            Item::Table(table) => Self::Table(table),
            Item::ArrayOfTables(tables) => Self::Tables(tables),
        }
    }

    fn value(value: &'t toml_edit::Value) -> Self {
        match value {
            toml_edit::Value::Array(array) => Self::Array(array),
            toml_edit::Value::InlineTable(table) => Self::Table(table),
            _ => Self::Plain,
        }
    }

    /// The element of an array at `index`, and where it starts.
    fn element(self, index: usize) -> (Option<usize>, Self) {
        match self {
            Self::Array(array) => array
                .get(index)
                .map_or((None, Self::Plain), |value| (value.span().map(|span| span.start), Self::value(value))),
            Self::Tables(tables) => tables
                .get(index)
                .map_or((None, Self::Plain), |table| (table.span().map(|span| span.start), Self::Table(table))),
            Self::Table(_) | Self::Plain => (None, Self::Plain),
        }
    }

    /// Where the nesting under this value first passes `levels`.
    fn passes(self, levels: usize) -> Option<Option<usize>> {
        let below = |start: Option<usize>, written: Self| match (written, levels.checked_sub(1)) {
            (Self::Plain, _) => None,
            (_, None) => Some(start),
            (_, Some(levels)) => written.passes(levels),
        };
        match self {
            Self::Table(table) => table.iter().find_map(|(key, item)| {
                let start = table.get_key_value(key).and_then(|(key, _)| key.span()).map(|span| span.start);
                below(start, Self::item(item))
            }),
            Self::Array(array) => (0..array.len()).find_map(|index| {
                let (start, written) = self.element(index);
                below(start, written)
            }),
            Self::Tables(tables) => (0..tables.len()).find_map(|index| {
                let (start, written) = self.element(index);
                below(start, written)
            }),
            Self::Plain => None,
        }
    }
}

/// Line starts of a text.
struct Lines {
    starts: Vec<usize>,
}

impl Lines {
    fn of(text: &str) -> Self {
        let breaks = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n').map(|(at, _)| at + 1);
        Self { starts: std::iter::once(0).chain(breaks).collect() }
    }

    /// The line of the byte at `offset`, from 1.
    fn line(&self, offset: usize) -> u32 {
        u32::try_from(self.starts.partition_point(|start| *start <= offset)).unwrap_or(u32::MAX)
    }
}

/// Keys of the first level that the merge would read as paths.
fn first_level_faults(file: &str, table: &Table, lines: &Lines) -> Vec<Fault> {
    let odd = |key: &str| !key.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-');
    let faults = table.iter().filter(|(key, _)| odd(key)).map(|(key, _)| {
        let span = table.key(key).and_then(|key| key.span());
        Fault {
            key: quoted(key),
            ..file_fault(file, span.map(|span| lines.line(span.start)), "is no key of the first level".to_owned())
        }
    });
    faults.collect()
}

/// Variables that name nothing they may set, or one thing twice.
fn variable_faults(variables: &[(String, String)]) -> Vec<Fault> {
    let mut faults = Vec::new();
    for (index, (name, _)) in variables.iter().enumerate() {
        let full = |name: &str| format!("{PREFIX}{name}");
        let fault = |text: String| Fault { key: full(name), ..file_fault(ENVIRONMENT, None, text) };
        let upper = name.to_uppercase();
        if !VARIABLES.contains(&upper.as_str()) {
            let first = upper.split(SEPARATOR).next().unwrap_or_default();
            faults.push(fault(if ARRAYS.contains(&first) {
                format!("variables cannot reach into {}; set it in the file", first.to_lowercase())
            } else {
                let near = nearest(&upper, VARIABLES.iter().copied());
                format!("sets nothing{}", near.map_or(String::new(), |near| format!("; did you mean {}?", full(near))))
            }));
        } else if let Some((other, _)) = variables[..index].iter().find(|(other, _)| other.eq_ignore_ascii_case(name)) {
            faults.push(fault(format!("says the same as {}; keep one", full(other))));
        }
    }
    faults
}

fn file_fault(file: &str, line: Option<u32>, text: String) -> Fault {
    Fault { file: file.to_owned(), line, key: String::new(), seen: Seen::Unsaid, text }
}

/// Without line breaks and other control characters.
fn one_line(text: &str) -> String {
    text.split(char::is_control).map(str::trim).filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ")
}

const PREFIX: &str = "THIRSTD__";
const SEPARATOR: &str = "__";
/// Stands for the file in faults of variables.
pub(super) const ENVIRONMENT: &str = "environment";

/// What variables may set, each below [`PREFIX`]. No way into arrays: see above.
pub(super) const VARIABLES: [&str; 42] = [
    "PREFIX",
    "INSTANCE",
    "HISTORY__URL",
    "HISTORY__ORGANIZATION",
    "HISTORY__BUCKET",
    "HISTORY__BUCKET_LONG",
    "HISTORY__TOKEN",
    "HISTORY__TOKEN_FILE",
    "HISTORY__CA_FILE",
    "HISTORY__FLEET",
    "HISTORY__GZIP",
    "HISTORY__CONNECT_TIMEOUT",
    "HISTORY__CONNECT_TIMEOUT_MS",
    "HISTORY__TIMEOUT",
    "HISTORY__TIMEOUT_MS",
    "HISTORY__GATHER",
    "HISTORY__GATHER_MS",
    "HISTORY__BATCH_LINES",
    "HISTORY__BATCH_BYTES",
    "HISTORY__LIMIT_MIB",
    "HISTORY__BEHIND_AFTER",
    "HISTORY__BEHIND_AFTER_MINUTES",
    "BROKER__HOST",
    "BROKER__PORT",
    "BROKER__CLIENT_ID",
    "BROKER__USER",
    "BROKER__PASSWORD_FILE",
    "BROKER__TLS__CA_FILE",
    "BROKER__TLS__CERT_FILE",
    "BROKER__TLS__KEY_FILE",
    "BROKER__KEEP_ALIVE",
    "BROKER__KEEP_ALIVE_SECONDS",
    "BROKER__MAX_PACKET_BYTES",
    "BROKER__RECONNECT_MIN",
    "BROKER__RECONNECT_MIN_MS",
    "BROKER__RECONNECT_MAX",
    "BROKER__RECONNECT_MAX_MS",
    "STORE__PATH",
    "STORE__COMMIT_INTERVAL",
    "STORE__COMMIT_INTERVAL_MS",
    "STORE__FREE_FLOOR_MIB",
    "LOG__FORMAT",
];
const ARRAYS: [&str; 3] = ["FEEDS", "SITES", "DISTRICTS"];

/// Our choice: a file for a thousand sites has 1 MiB.
pub(super) const LARGEST_FILE_BYTES: usize = 16 << 20;
/// Deeper than any setting.
const DEEPEST: usize = 12;
const MOST_LETTERS_SHOWN: usize = 60;
