//! Lines that the database refuses, in a file beside the store, each below what the database said. Bounded: of two files the
//! older goes.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use crate::engine::stamp::Stamp;

/// The file.
#[derive(Debug)]
pub(super) struct Quarantine {
    path: PathBuf,
    older: PathBuf,
    /// Two lanes write.
    turn: Mutex<()>,
}

impl Quarantine {
    /// For the store at `store`: `….refused`, and `….refused.1` for what came before.
    pub(super) fn beside(store: &Path) -> Self {
        Self {
            path: super::beside(store, ".refused"),
            older: super::beside(store, ".refused.1"),
            turn: Mutex::default(),
        }
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// Adds `line`, refused at `at` with the words `why`.
    ///
    /// # Errors
    /// The file cannot be written.
    pub(super) fn put(&self, at: Stamp, why: &str, line: &[u8]) -> io::Result<()> {
        let _turn = self.turn.lock().unwrap_or_else(PoisonError::into_inner);
        let entry = format!("# {} {why}\n{}\n", at.text(), String::from_utf8_lossy(line).trim_end());
        let size = fs::metadata(&self.path).map_or(0, |about| about.len());
        if size > 0 && size + entry.len() as u64 > LARGEST {
            fs::rename(&self.path, &self.older)?;
        }
        File::options().create(true).append(true).open(&self.path)?.write_all(entry.as_bytes())
    }
}

/// Of each of the two files, bytes. Our choice: some thousand lines, enough to see what is wrong.
const LARGEST: u64 = 1 << 20;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refused_lines_are_kept_with_the_reason_and_the_file_does_not_grow_forever() {
        let folder = tempfile::tempdir().unwrap();
        let quarantine = Quarantine::beside(&folder.path().join("store.db"));
        quarantine.put(Stamp(0), "it answered 400: unable to parse", b"reading x 1\n").unwrap();
        let text = fs::read_to_string(folder.path().join("store.db.refused")).unwrap();
        assert_eq!(text, "# 1970-01-01T00:00:00Z it answered 400: unable to parse\nreading x 1\n");
        let long = vec![b'x'; 100_000];
        for _ in 0..40 {
            quarantine.put(Stamp(1), "no", &long).unwrap();
        }
        let sizes: Vec<u64> =
            fs::read_dir(folder.path()).unwrap().map(|entry| entry.unwrap().metadata().unwrap().len()).collect();
        assert_eq!(sizes.len(), 2);
        assert!(sizes.iter().all(|size| *size <= LARGEST), "{sizes:?}");
    }
}
