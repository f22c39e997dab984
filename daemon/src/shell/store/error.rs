//! What can go wrong with the store, in words that say which file and what to do.

use std::path::{Path, PathBuf};

/// A fault of the store.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    #[error(
        "cannot open the store {path}: {cause}; the folder must exist and be writable for the user that runs thirstd"
    )]
    Open { path: PathBuf, cause: String },
    #[error("the store {path} is in use by another thirstd; stop that one, or give this one its own store")]
    InUse { path: PathBuf },
    #[error("{path} is a database of another program; give thirstd a file of its own")]
    Foreign { path: PathBuf },
    #[error(
        "the store {path} was written by a newer thirstd (its version {found}, this program knows {known}); run that \
         version, or move the file away to begin anew"
    )]
    Newer { path: PathBuf, found: i64, known: i64 },
    #[error(
        "the store {path} was written by an older thirstd (its version {found}, this program knows {known}); start \
         thirstd run once, which brings it up to date"
    )]
    Older { path: PathBuf, found: i64, known: i64 },
    #[error("there is no store at {path} yet; thirstd run makes it when it first starts with this configuration")]
    Missing { path: PathBuf },
    #[error("the store {path} is damaged: {cause}")]
    Damaged { path: PathBuf, cause: String },
    #[error("cannot write to the store {path}: {cause}; look for a full or read-only disk")]
    Write { path: PathBuf, cause: String },
    #[error("cannot read the store {path}: {cause}")]
    Read { path: PathBuf, cause: String },
    #[error("cannot move the damaged store {path} aside: {cause}; move it away by hand")]
    SetAside { path: PathBuf, cause: String },
    #[error("{path} exists already; name a new file, or move that one away: nothing is overwritten")]
    Exists { path: PathBuf },
    #[error(
        "cannot write the copy {path}: {cause}; its folder must exist, be writable and have room for the whole store"
    )]
    Copy { path: PathBuf, cause: String },
}

impl StoreError {
    /// True when only another file helps.
    pub fn is_damage(&self) -> bool {
        matches!(self, Self::Damaged { .. })
    }

    pub(super) fn open(path: &Path, error: &rusqlite::Error) -> Self {
        Self::damage(path, error).unwrap_or_else(|| Self::Open { path: path.to_owned(), cause: error.to_string() })
    }

    pub(super) fn write(path: &Path, error: &rusqlite::Error) -> Self {
        Self::damage(path, error).unwrap_or_else(|| Self::Write { path: path.to_owned(), cause: error.to_string() })
    }

    pub(super) fn read(path: &Path, error: &rusqlite::Error) -> Self {
        Self::damage(path, error).unwrap_or_else(|| Self::Read { path: path.to_owned(), cause: error.to_string() })
    }

    pub(super) fn damaged(path: &Path, cause: impl Into<String>) -> Self {
        Self::Damaged { path: path.to_owned(), cause: cause.into() }
    }

    /// Damage, as SQLite sees it, or as our own tables show it: a column of another type than we wrote.
    fn damage(path: &Path, error: &rusqlite::Error) -> Option<Self> {
        use rusqlite::ErrorCode::{DatabaseCorrupt, NotADatabase};
        let damaged = match error {
            rusqlite::Error::SqliteFailure(failure, _) => matches!(failure.code, DatabaseCorrupt | NotADatabase),
            rusqlite::Error::InvalidColumnType(..)
            | rusqlite::Error::IntegralValueOutOfRange(..)
            | rusqlite::Error::FromSqlConversionFailure(..)
            | rusqlite::Error::Utf8Error(..) => true,
            _ => false,
        };
        damaged.then(|| Self::damaged(path, error.to_string()))
    }
}
