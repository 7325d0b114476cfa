//! Which files a store is, whatever their names lead to later.

use crate::error::StoreError;
use crate::schema;
use std::fs::Metadata;
use std::path::{Path, PathBuf};

/// The files that were found under the names of a store's database when it was opened. A
/// connection goes on with these where somebody deletes or replaces them, and what is
/// committed then is nowhere, or stands beside what somebody else put there.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Place {
    folder: PathBuf,
    files: Vec<(PathBuf, Option<Identity>)>,
}

/// The device and the number of a file on it.
type Identity = (u64, u64);

impl Place {
    /// The database in a folder.
    pub(crate) fn of_database(folder: &Path) -> Self {
        Self::of(folder, vec![schema::database(folder)])
    }

    /// The same, with the log and its index that an open connection has made beside it.
    pub(crate) fn with_log(folder: &Path) -> Self {
        let database = schema::database(folder);
        let log = schema::log(folder);
        let index = schema::index_of_log(folder);
        Self::of(folder, vec![database, log, index])
    }

    fn of(folder: &Path, paths: Vec<PathBuf>) -> Self {
        Self {
            folder: folder.to_owned(),
            files: paths
                .into_iter()
                .map(|path| (path.clone(), look(&path)))
                .collect(),
        }
    }

    /// Makes sure that the names still lead to the files.
    pub(crate) fn check(&self) -> Result<(), StoreError> {
        for (path, known) in &self.files {
            let now = look(path);
            if now == *known {
                continue;
            }
            let name = path.file_name().unwrap_or_default().display();
            return Err(StoreError::Gone {
                folder: self.folder.clone(),
                detail: match now {
                    None => format!("{name} was deleted or moved"),
                    Some(_) => format!("another file has taken the place of {name}"),
                },
            });
        }
        Ok(())
    }
}

fn look(path: &Path) -> Option<Identity> {
    path.symlink_metadata().ok().map(|there| identity(&there))
}

#[cfg(unix)]
fn identity(there: &Metadata) -> Identity {
    use std::os::unix::fs::MetadataExt;
    (there.dev(), there.ino())
}

#[cfg(not(unix))]
const fn identity(_there: &Metadata) -> Identity {
    (0, 0)
}
