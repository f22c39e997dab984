//! A temporary folder that is gone at the end.

use std::io;
use std::path::{Path, PathBuf};

/// The folder; dropping it removes it with everything in it.
#[derive(Debug)]
pub struct Folder(PathBuf);

impl Folder {
    /// A new folder among the temporary files of the system.
    ///
    /// # Errors
    /// There is no place for it.
    pub fn create() -> io::Result<Self> {
        let mut number = 0_u32;
        loop {
            let path = std::env::temp_dir().join(format!("thirstd-demo-{}-{number}", std::process::id()));
            match std::fs::create_dir(&path) {
                Ok(()) => return Ok(Self(path)),
                Err(fault) if fault.kind() == io::ErrorKind::AlreadyExists && number < 1_000 => number += 1,
                Err(fault) => return Err(fault),
            }
        }
    }

    pub fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_are_many_and_leave_nothing_behind() {
        let (one, other) = (Folder::create().unwrap(), Folder::create().unwrap());
        assert_ne!(one.path(), other.path());
        std::fs::write(one.path().join("file"), "x").unwrap();
        let path = one.path().to_owned();
        drop(one);
        assert!(!path.exists() && other.path().exists());
    }
}
