//! The settings of a run, from the daemon's own configuration files.

use std::path::Path;
use std::sync::Arc;

use thirstd::config;
use thirstd::engine::settings::Settings;

/// Loads the configuration at `path` as the daemon does, environment included.
///
/// # Errors
/// All faults of the files, as text.
pub fn load(path: &Path) -> Result<Arc<Settings>, String> {
    let loaded = config::load(path, std::env::vars()).map_err(|faults| faults.to_string())?;
    Ok(loaded.settings)
}
