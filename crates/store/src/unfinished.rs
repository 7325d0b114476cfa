//! What is on a disk for a moment only, and goes when it is done with, however the program
//! ends: by itself, by a signal (whoever handles it calls [`remove_unfinished`]), or by
//! SIGKILL, after which the next one sweeps.

use std::collections::BTreeSet;
use std::fs::{File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// All that is unfinished in this process.
static ALL: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());

/// A file or a folder that is removed unless it is finished.
#[derive(Debug)]
pub struct Unfinished {
    path: PathBuf,
}

impl Unfinished {
    /// Takes charge of a file or a folder.
    #[must_use]
    pub fn file(path: &Path) -> Self {
        let mut all = ALL.lock().unwrap_or_else(PoisonError::into_inner);
        all.insert(path.to_owned());
        Self {
            path: path.to_owned(),
        }
    }

    /// Lets go of it: it has its name now, and stays.
    pub fn is_finished(self) {
        let mut all = ALL.lock().unwrap_or_else(PoisonError::into_inner);
        all.remove(&self.path);
    }
}

impl Drop for Unfinished {
    fn drop(&mut self) {
        let mut all = ALL.lock().unwrap_or_else(PoisonError::into_inner);
        if all.remove(&self.path) {
            remove(&self.path);
        }
    }
}

/// Removes all that is unfinished, before a program ends by a signal. What works on it
/// meanwhile fails, and nothing new can be begun: whoever tries waits for the end.
pub fn remove_unfinished() {
    let mut all = ALL.lock().unwrap_or_else(PoisonError::into_inner);
    for path in std::mem::take(&mut *all) {
        // Under another name first, so that nothing is put into a folder while it is emptied.
        let mut gone = path.clone().into_os_string();
        gone.push(".gone");
        let gone = PathBuf::from(gone);
        match std::fs::rename(&path, &gone) {
            Ok(()) => remove(&gone),
            Err(_) => remove(&path),
        }
    }
    std::mem::forget(all);
}

/// A link is removed, and not what it leads to.
fn remove(path: &Path) {
    let is_folder = path.symlink_metadata().is_ok_and(|there| there.is_dir());
    let _ = if is_folder {
        std::fs::remove_dir_all(path)
    } else {
        std::fs::remove_file(path)
    };
}

const PREFIX: &str = "nightbench-copy-";
const HIDDEN: &str = ".nightbench-unfinished-";

/// A folder among the system's temporary files, or another one, for as long as this lives.
#[derive(Debug)]
pub struct TemporaryFolder {
    unfinished: Unfinished,
    /// Locked as long as it is used: whoever sweeps leaves it then.
    _held: File,
}

impl TemporaryFolder {
    /// Makes one in `place`, after having swept there what killed programs left.
    ///
    /// # Errors
    /// When it cannot be made.
    pub fn new_in(place: &Path) -> io::Result<Self> {
        Self::named(place, PREFIX)
    }

    /// Makes one in a folder of the user's, where nobody gives such a name to what is to stay.
    pub(crate) fn hidden_in(place: &Path) -> io::Result<Self> {
        Self::named(place, HIDDEN)
    }

    fn named(place: &Path, prefix: &str) -> io::Result<Self> {
        sweep(place, prefix);
        loop {
            // In charge of it from its first moment.
            let (folder, unfinished) = {
                let mut all = ALL.lock().unwrap_or_else(PoisonError::into_inner);
                let folder = tempfile::Builder::new().prefix(prefix).tempdir_in(place)?;
                let path = folder.path().to_owned();
                all.insert(path.clone());
                (folder, Unfinished { path })
            };
            let held = File::open(folder.path())?;
            held.lock()?;
            // Between the two, somebody who swept may have taken it for a dead one's.
            if folder.path().is_dir() {
                let _ = folder.keep();
                return Ok(Self {
                    unfinished,
                    _held: held,
                });
            }
        }
    }

    /// Where it is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.unfinished.path
    }

    /// Lets go of it: it has another name now, and stays.
    pub fn is_finished(self) {
        self.unfinished.is_finished();
    }
}

/// Removes the folders that programs left which are no more.
fn sweep(place: &Path, prefix: &str) {
    let Ok(entries) = std::fs::read_dir(place) else {
        return;
    };
    for entry in entries.flatten() {
        let ours = entry.file_name().to_string_lossy().starts_with(prefix);
        if !ours || !entry.file_type().is_ok_and(|kind| kind.is_dir()) {
            continue;
        }
        let Ok(folder) = File::open(entry.path()) else {
            continue;
        };
        match folder.try_lock() {
            // That of another user stays: removing it fails.
            Ok(()) => drop(std::fs::remove_dir_all(entry.path())),
            Err(TryLockError::WouldBlock | TryLockError::Error(_)) => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_swept_and_what_is_used_is_not() {
        let place = tempfile::tempdir().unwrap();
        let used = TemporaryFolder::new_in(place.path()).unwrap();
        let dead = place.path().join(format!("{PREFIX}dead"));
        std::fs::create_dir(&dead).unwrap();
        std::fs::write(dead.join("a"), "a").unwrap();
        let other = place.path().join("another program's");
        std::fs::create_dir(&other).unwrap();
        let next = TemporaryFolder::new_in(place.path()).unwrap();
        assert!(!dead.exists());
        assert!(used.path().is_dir() && next.path().is_dir() && other.is_dir());
        let path = used.path().to_owned();
        drop(used);
        assert!(!path.exists());
    }

    #[test]
    fn what_is_finished_stays() {
        let place = tempfile::tempdir().unwrap();
        let [done, undone] = ["done", "undone"].map(|name| place.path().join(name));
        for path in [&done, &undone] {
            std::fs::write(path, "x").unwrap();
        }
        Unfinished::file(&done).is_finished();
        drop(Unfinished::file(&undone));
        assert!(done.exists() && !undone.exists());
    }
}
