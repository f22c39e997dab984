//! Where the programs under test are.

use std::env::consts::EXE_SUFFIX;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// A program of this workspace, as cargo built it.
///
/// # Panics
/// Where it is not built, or older than its sources: a test of yesterday's program proves nothing.
pub fn ours(name: &str) -> PathBuf {
    // Test binaries stand in deps/, one level below the programs.
    let test = std::env::current_exe().expect("a running program has a path");
    let folder = test.parent().and_then(Path::parent).expect("cargo runs tests from its target folder");
    let program = folder.join(format!("{name}{EXE_SUFFIX}"));
    let built = changed(&program);
    assert!(built.is_some(), "{} is not built: run `cargo build --workspace --bins` first", program.display());
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the tests crate stands in the repository");
    let newest = ["daemon", "schemas", "replay"].map(|krate| newest_source(&top.join(krate).join("src")));
    assert!(
        newest.into_iter().flatten().max() <= built,
        "{} is older than its sources: run `cargo build --workspace --bins` first",
        program.display()
    );
    program
}

/// A program of the system. Daemons stand where the PATH of a plain user does not look.
///
/// # Panics
/// Where there is none, with the package that brings it.
pub fn systems(name: &str, package: &str) -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let more = ["/usr/local/sbin", "/usr/sbin", "/opt/homebrew/sbin", "/opt/homebrew/opt/mosquitto/sbin"];
    let folders = std::env::split_paths(&path).chain(more.map(PathBuf::from));
    let found = folders.map(|folder| folder.join(format!("{name}{EXE_SUFFIX}"))).find(|program| program.is_file());
    found
        .unwrap_or_else(|| panic!("there is no {name}: install the package {package}, or run tests/run.sh, which does"))
}

fn changed(path: &Path) -> Option<SystemTime> {
    std::fs::metadata(path).and_then(|about| about.modified()).ok()
}

fn newest_source(folder: &Path) -> Option<SystemTime> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .filter_map(|entry| if entry.path().is_dir() { newest_source(&entry.path()) } else { changed(&entry.path()) })
        .max()
}
