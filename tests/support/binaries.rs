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
    // Cargo notes beside the program what it was built from. Without the note the age is not known.
    let note = std::fs::read_to_string(folder.join(format!("{name}.d"))).unwrap_or_default();
    if let Some(source) = sources(&note).into_iter().find(|source| changed(source) > built) {
        let (program, source) = (program.display(), source.display());
        panic!("{program} is older than {source}: run `cargo build --workspace --bins` first");
    }
    program
}

/// A Python with paho-mqtt of version `paho` (1 or 2), as `tests/bridge_python.sh` builds it.
///
/// # Panics
/// Where it is not built.
pub fn python(paho: u8) -> PathBuf {
    let test = std::env::current_exe().expect("a running program has a path");
    let target = test.ancestors().nth(3).expect("cargo runs tests from its target folder");
    let python = target.join(format!("bridge-python-{paho}/bin/python"));
    assert!(
        python.is_file(),
        "there is no {}: run tests/bridge_python.sh, or tests/run.sh, which does",
        python.display()
    );
    python
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

/// When a file was changed; `None`, which is before everything, where there is no such file.
fn changed(path: &Path) -> Option<SystemTime> {
    std::fs::metadata(path).and_then(|about| about.modified()).ok()
}

/// The files in a note in the manner of make: `program: source source`, blanks in names behind a backslash.
fn sources(note: &str) -> Vec<PathBuf> {
    let (_, listed) = note.split_once(": ").unwrap_or_default();
    let whole = listed.trim_end().replace("\\ ", "\0");
    whole.split(' ').filter(|name| !name.is_empty()).map(|name| PathBuf::from(name.replace('\0', " "))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sources_are_read_from_the_note_of_cargo() {
        let check = |note: &str, expected: &[&str]| {
            assert_eq!(sources(note), expected.iter().map(PathBuf::from).collect::<Vec<_>>(), "{note}");
        };
        check("/t/debug/a: /s/a.rs /s/b/mod.rs\n", &["/s/a.rs", "/s/b/mod.rs"]);
        check("/t/debug/a: /my\\ house/a.rs /s/b.rs\n", &["/my house/a.rs", "/s/b.rs"]);
        check("", &[]);
    }
}
