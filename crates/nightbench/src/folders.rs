//! Where runs are kept.

use crate::cli::StoreFolder;
use crate::exit::Failure;
use std::path::PathBuf;

/// The folder of the store: the one that was said, else that of the environment, else
/// the user's data folder.
pub fn store(said: &StoreFolder) -> Result<PathBuf, Failure> {
    let named = |variable: &str| {
        let folder = std::env::var_os(variable).filter(|folder| !folder.is_empty());
        folder.map(PathBuf::from)
    };
    if let Some(folder) = said.store.clone().or_else(|| named("NIGHTBENCH_STORE")) {
        return Ok(folder);
    }
    let data = named("XDG_DATA_HOME")
        .or_else(|| std::env::home_dir().map(|home| home.join(".local/share")));
    data.map(|data| data.join("nightbench"))
        .ok_or_else(|| Failure::input("there is no home folder to keep runs in; say --store DIR"))
}
