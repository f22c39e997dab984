//! Tells the program when it was built: a wall clock that reads earlier is wrong.

use std::fs;
use std::path::Path;
use std::time::UNIX_EPOCH;

fn main() {
    println!("cargo::rerun-if-env-changed=SOURCE_DATE_EPOCH");
    println!("cargo::rerun-if-changed=src");
    let given = std::env::var("SOURCE_DATE_EPOCH").ok().and_then(|text| text.trim().parse::<u64>().ok());
    // Without a given date the newest source stands for it: the same tree gives the same program.
    let seconds = given.unwrap_or_else(|| newest(Path::new("src")));
    println!("cargo::rustc-env=THIRSTD_BUILD_SECONDS={seconds}");
}

/// When the newest file below `folder` was changed, Unix seconds; what cannot be read does not count.
fn newest(folder: &Path) -> u64 {
    let Ok(entries) = fs::read_dir(folder) else { return 0 };
    let mut newest_seconds = 0;
    for entry in entries.flatten() {
        let path = entry.path();
        let seconds = if path.is_dir() {
            newest(&path)
        } else {
            let changed = entry.metadata().and_then(|metadata| metadata.modified()).ok();
            changed.and_then(|at| at.duration_since(UNIX_EPOCH).ok()).map_or(0, |since| since.as_secs())
        };
        newest_seconds = newest_seconds.max(seconds);
    }
    newest_seconds
}
