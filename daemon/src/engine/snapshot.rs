//! What survives a restart: MessagePack with field names behind one version byte, so that a field can be added later.

use serde::Serialize;
use serde::de::DeserializeOwned;

/// One site as it survives a restart. The id `""` is the partition itself: what was heard from nobody known.
#[derive(Clone, Debug, PartialEq)]
pub struct SavedSite {
    pub id: String,
    /// Last journal sequence that is in `state`.
    pub applied: u64,
    pub state: Vec<u8>,
}

/// What could not be restored, and why; the site starts anew.
#[derive(Clone, Debug, PartialEq)]
pub struct Unreadable {
    pub site: String,
    pub cause: String,
}

/// Serializes a state.
pub(super) fn write(id: &str, applied: u64, state: &impl Serialize) -> SavedSite {
    let mut bytes = vec![VERSION];
    // Plain data into memory: the only possible failure would be a map that changes its length, and there is none.
    if let Ok(mut body) = rmp_serde::to_vec_named(state) {
        bytes.append(&mut body);
    }
    SavedSite { id: id.to_owned(), applied, state: bytes }
}

/// Reads a state.
///
/// # Errors
/// A version that is not ours, or bytes that are no state.
pub(super) fn read<T: DeserializeOwned>(saved: &SavedSite) -> Result<T, String> {
    match saved.state.split_first() {
        Some((&VERSION, body)) => {
            rmp_serde::from_slice(body).map_err(|error| format!("the saved state cannot be read: {error}"))
        }
        Some((version, _)) => Err(format!("the saved state has version {version}, this program reads {VERSION}")),
        None => Err("the saved state is empty".to_owned()),
    }
}

const VERSION: u8 = 1;
