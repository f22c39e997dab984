//! Writes the generated files of the contract into the folder of this crate.

use std::path::Path;
use std::{fs, io};

fn main() -> io::Result<()> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    for file in thirst_schemas::contract::files() {
        fs::write(folder.join(&file.path), &file.text)?;
    }
    Ok(())
}
