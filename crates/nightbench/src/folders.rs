//! Where runs are kept.

use crate::cli::StoreFolder;
use crate::exit::Failure;
use std::path::PathBuf;

/// The folder of the store: the one that was said, else the user's data folder.
pub fn store(said: &StoreFolder) -> Result<PathBuf, Failure> {
    if let Some(folder) = &said.store {
        return Ok(folder.clone());
    }
    let data = std::env::var_os("XDG_DATA_HOME")
        .filter(|folder| !folder.is_empty())
        .map(PathBuf::from)
        .or_else(|| std::env::home_dir().map(|home| home.join(".local/share")));
    data.map(|data| data.join("nightbench"))
        .ok_or_else(|| Failure::input("there is no home folder to keep runs in; say --store DIR"))
}
