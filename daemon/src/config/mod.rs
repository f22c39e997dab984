//! Configuration: TOML files and environment become settings, or a list of every fault with its place.
//!
//! 1. [`load`] reads the main file, the files of `sites.d` beside it, and the environment.
//! 2. `tree` merges them and keeps for each value where it was written.
//! 3. `table` gives typed access; `broker`, `history`, `feed`, `site`, `group` … read one part each.
//! 4. `check` looks at what only the whole can show: feeds that overlap, sensors that no feed can reach.
//! 5. [`describe`] says in plain words what will be done.

mod broker;
mod calendar;
mod canonical;
mod check;
mod describe;
mod fault;
mod feed;
mod group;
mod history;
mod hold;
mod limits;
mod measure;
mod nearest;
mod normals;
mod restriction;
mod sensor;
mod site;
mod spot;
mod table;
mod tls;
mod tree;
mod zone;

use std::collections::HashMap;
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use broker::{Broker, LogFormat};
pub use describe::describe;
pub use fault::{Fault, Faults, Seen};
pub use history::{History, HistoryFault};
pub use tls::{ClientFiles, TlsContents, TlsFault, TlsFiles};

use crate::engine::settings::Settings;
use spot::Findings;
use table::Table;
use tree::{LARGEST_FILE_BYTES, Node};

/// A configuration without faults.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// `settings.version` is the FNV-1a hash of `text`.
    pub settings: Arc<Settings>,
    pub broker: Broker,
    pub store_path: PathBuf,
    /// 0: the next commit begins when the last one ends. 0–200.
    pub commit_interval_ms: u64,
    /// History stops, and an alert comes, where less is free beside the store. 16–1,048,576 MiB.
    pub free_floor_mib: u32,
    /// None: points of history go nowhere.
    pub history: Option<History>,
    pub log_format: LogFormat,
    /// What the engine is told, as one canonical file: [`load_text`] makes the same settings of it.
    pub text: String,
    /// Per site and group: where each number came from.
    sources: Vec<Vec<group::Sources>>,
    /// What is allowed and perhaps not meant.
    cautions: Vec<String>,
}

/// Reads `path`, the `*.toml` files of the folder `sites.d` beside it (one site each), and the variables of `environment`
/// that begin with `THIRSTD__`.
///
/// # Errors
/// Every fault of all of them.
pub fn load(path: &Path, environment: impl Iterator<Item = (String, String)>) -> Result<Loaded, Faults> {
    let folder = path.parent().unwrap_or_else(|| Path::new(""));
    let mut faults = Vec::new();
    let name = path.file_name().map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned());
    let main = read_file(path, &name, &mut faults);
    let sites = site_files(folder, &mut faults);
    let Some(main) = main else {
        let total = faults.len();
        return Err(Faults::new(faults, total));
    };
    let mut loaded = load_texts(&name, &main, &sites, environment, faults)?;
    loaded.store_path = folder.join(&loaded.store_path);
    broker::read_files(&mut loaded.broker, folder, &name)?;
    match &mut loaded.history {
        Some(history) => history::read_files(history, folder, &name)?,
        None if loaded.settings.history => return Err(history::without_database(&name)),
        None => {}
    }
    Ok(loaded)
}

/// Reads a configuration from one text; `name` stands for the file in faults. Paths stay as they are, and neither
/// password nor certificates are read.
///
/// # Errors
/// Every fault.
pub fn load_text(
    name: &str,
    text: &str,
    environment: impl Iterator<Item = (String, String)>,
) -> Result<Loaded, Faults> {
    load_texts(name, text, &[], environment, Vec::new())
}

/// A file's name for faults, and its text.
type NamedText = (String, String);

fn load_texts(
    name: &str,
    text: &str,
    site_files: &[NamedText],
    environment: impl Iterator<Item = (String, String)>,
    earlier: Vec<Fault>,
) -> Result<Loaded, Faults> {
    let findings = Findings::default();
    earlier.into_iter().for_each(|fault| findings.note(fault));
    let variables = tree::own_variables(environment);
    let main = noted(&findings, tree::read(name, text, &variables));
    let site_nodes: Vec<(&str, Node)> = site_files
        .iter()
        .filter_map(|(name, text)| Some((name.as_str(), noted(&findings, tree::read(name, text, &[]))?)))
        .collect();
    let loaded = main.as_ref().and_then(|main| read_all(&findings, name, main, &site_nodes));
    match (findings.into_faults(), loaded) {
        (None, Some(loaded)) => Ok(loaded),
        (Some(faults), _) => Err(faults),
        // Whoever gives nothing has noted why; this only keeps the promise in a form the compiler can see.
        (None, None) => Err(Faults::new(Vec::new(), 1)),
    }
}

fn read_all(findings: &Findings, name: &str, main: &Node, site_files: &[(&str, Node)]) -> Option<Loaded> {
    let root = Table::root(findings, name, main)?;
    let shell = broker::read(&root);
    let prefix = broker::prefix(&root);
    let instance = root.spot_of("instance").and_then(|spot| spot.id("thirstd")).unwrap_or("thirstd");
    let (keeps_history, history) = history::read(&root, instance);
    let mut districts = HashMap::new();
    for table in &root.tables("districts") {
        let Some(district) = restriction::read_district(table) else { continue };
        if districts.contains_key(&district.id) {
            table.fault("id", "another district has it; ids are given once");
        }
        districts.insert(district.id.clone(), district);
    }
    let shared_normals = normals::read_shared(&root);
    let mut site_tables = root.many_tables("sites", MOST_SITES);
    // Each file of `sites.d` is one site.
    site_tables.extend(site_files.iter().filter_map(|(name, node)| Table::root(findings, name, node)));
    if root.is_without("sites") && site_files.is_empty() {
        root.missing("sites", "write at least one [[sites]], or a file in sites.d");
    }
    let mut sites: Vec<site::Site<'_>> =
        site_tables.iter().filter_map(|table| site::read(table, &districts, &shared_normals)).collect();
    // Faults of sites that could not be read must not make faults of feeds.
    let sole = check::sole_names(&sites, site_tables.len());
    let feed_tables = root.tables("feeds");
    if root.is_without("feeds") {
        root.missing("feeds", "write at least one [[feeds]] with topic, format and fields");
    }
    let feeds: Vec<_> = feed_tables
        .iter()
        .enumerate()
        .filter_map(|(index, table)| Some((feed::read(table, index, &sole)?, table)))
        .collect();
    check::sites(&sites);
    // A neighbor that could not be read is not one that is missing.
    if sites.len() == site_tables.len() {
        check::neighbors(&mut sites);
    }
    check::feeds(&feeds, prefix);
    if feeds.len() == feed_tables.len() {
        check::reach(&feeds, &sites);
    }
    let nodes: Vec<&Node> = site_files.iter().map(|(_, node)| node).collect();
    let text = canonical::text(main, &nodes);
    let mut cautions = check::cautions(&sites);
    if let Some(history) = history.as_ref().filter(|history| history.is_exposed()) {
        cautions.push(check::exposed(&history.url));
    }
    let feeds = feeds.into_iter().map(|(feed, _)| feed).collect();
    let (sites, sources) = sites.into_iter().map(|site| (site.settings, site.sources)).unzip();
    let settings = Settings {
        version: canonical::version(&text),
        prefix: prefix.to_owned(),
        instance: instance.to_owned(),
        feeds,
        sites,
        history: keeps_history,
    };
    Some(Loaded {
        settings: Arc::new(settings),
        broker: shell.broker,
        store_path: shell.store_path,
        commit_interval_ms: shell.commit_interval_ms,
        free_floor_mib: shell.free_floor_mib,
        history,
        log_format: shell.log_format,
        text,
        sources,
        cautions,
    })
}

fn noted(findings: &Findings, read: Result<Node, Vec<Fault>>) -> Option<Node> {
    match read {
        Ok(node) => Some(node),
        Err(faults) => {
            faults.into_iter().for_each(|fault| findings.note(fault));
            None
        }
    }
}

/// The files of `sites.d`, by name.
fn site_files(folder: &Path, faults: &mut Vec<Fault>) -> Vec<NamedText> {
    let listed = fs::read_dir(folder.join(SITES_FOLDER)).and_then(|entries| {
        let names = entries.map(|entry| Ok(entry?.file_name().to_string_lossy().into_owned()));
        names.collect::<std::io::Result<Vec<String>>>()
    });
    let mut names = match listed {
        Ok(names) => names,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Vec::new(),
        Err(error) => {
            faults.push(unreadable(SITES_FOLDER, error));
            return Vec::new();
        }
    };
    names.retain(|name| name.ends_with(".toml") && !name.starts_with('.'));
    names.sort();
    let read = names.into_iter().filter_map(|name| {
        let shown = format!("{SITES_FOLDER}/{name}");
        let text = read_file(&folder.join(SITES_FOLDER).join(&name), &shown, faults)?;
        Some((shown, text))
    });
    read.collect()
}

/// The text of a file; what cannot be read is a fault.
fn read_file(path: &Path, name: &str, faults: &mut Vec<Fault>) -> Option<String> {
    // One byte more than allowed is enough for `tree` to refuse it.
    let limit = LARGEST_FILE_BYTES as u64 + 1;
    let mut bytes = Vec::new();
    let read = fs::File::open(path).and_then(|file| file.take(limit).read_to_end(&mut bytes));
    match read.map(|_| String::from_utf8(bytes)) {
        Ok(Ok(text)) => return Some(text),
        Ok(Err(_)) => {
            let text = "the file is not UTF-8 text; save it as UTF-8".to_owned();
            faults.push(Fault { text, ..unreadable(name, String::new()) });
        }
        Err(error) => faults.push(unreadable(name, error)),
    }
    None
}

fn unreadable(name: &str, error: impl std::fmt::Display) -> Fault {
    let text = format!("cannot be read: {error}");
    Fault { file: name.to_owned(), line: None, key: String::new(), seen: Seen::Unsaid, text }
}

/// Our choice: what one process is built for.
const MOST_SITES: usize = 100_000;
/// Beside the main file.
const SITES_FOLDER: &str = "sites.d";

#[cfg(test)]
mod tests;
