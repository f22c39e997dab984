//! `thirstd backup` and `thirstd restore`: the store copied while the daemon runs, and a copy put in its place.

use std::path::{Path, PathBuf};

use crate::engine::stamp::Stamp;

use super::store::{self, Copied, StoreError};

/// Copies the store at `path` to the new file `to`; the result is what to show.
///
/// # Errors
/// See [`store::copy`].
pub fn backup(path: &Path, to: &Path) -> Result<String, StoreError> {
    let copied = store::copy(path, to)?;
    Ok(format!(
        "{}: {}, checked, {}.\nKeep it on another disk. thirstd restore puts it back.\n",
        to.display(),
        described(&copied),
        size(copied.bytes)
    ))
}

/// Puts the copy `from` in the place of the store at `path`; the result is what to show.
///
/// # Errors
/// See [`store::put_back`].
pub fn restore(from: &Path, path: &Path, now: Stamp) -> Result<String, StoreError> {
    let back = store::put_back(from, path, now)?;
    let before = back.moved_to.map_or(String::new(), |moved_to: PathBuf| {
        format!("\nThe store that was there before is {}.", moved_to.display())
    });
    Ok(format!(
        "{}: {}, back in place with epoch {}.{before}\nAt its start thirstd sends all it last said then; rain since then \
         counts where gauges send a running total, and is missing elsewhere.\n",
        path.display(),
        described(&back.copied),
        back.epoch
    ))
}

fn described(copied: &Copied) -> String {
    let sites = if copied.sites == 1 { "1 site".to_owned() } else { format!("{} sites", copied.sites) };
    match copied.last {
        Some(last) => format!("{sites} as of {}", last.utc().format("%Y-%m-%d %H:%M:%S UTC")),
        None => format!("{sites}, nothing heard yet"),
    }
}

/// Bytes, as people read them.
fn size(bytes: u64) -> String {
    if bytes < 1_000_000 { format!("{} kB", bytes.div_ceil(1000)) } else { format!("{:.1} MB", bytes as f64 / 1e6) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shell::store::{Limits, Store};

    #[test]
    fn both_tasks_say_what_they_did_in_words() {
        let folder = tempfile::TempDir::new().unwrap();
        let (path, to) = (folder.path().join("store.db"), folder.path().join("copy.db"));
        drop(Store::open(&path, Limits::default()).unwrap());
        let said = backup(&path, &to).unwrap();
        assert!(said.contains("copy.db: 0 sites, nothing heard yet, checked, "), "{said}");
        let said = restore(&to, &path, Stamp(1_700_000_000_000)).unwrap();
        assert!(said.contains("back in place with epoch 1700000000.\nThe store that was there before is "), "{said}");
        assert_eq!([size(4096), size(999_999), size(3_141_592)], ["5 kB", "1000 kB", "3.1 MB"]);
    }
}
