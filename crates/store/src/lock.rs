//! Locks that the kernel gives back when their holder ends, however it ends.

use crate::error::StoreError;
use sha2::{Digest, Sha256};
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How a lock is held: by one, or by many at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Hold {
    Alone,
    Shared,
}

/// A lock on a file, held until it is dropped or the process ends.
#[derive(Debug)]
pub(crate) struct Lock {
    _file: File,
}

/// Looking whether a lock is held takes it for an instant; whoever wants it in
/// earnest waits that long.
pub(crate) const MOMENT: Duration = Duration::from_millis(300);

/// Takes the lock on a file, which is made where it is missing, waiting at most
/// `patience` for it. `None` when somebody else holds it.
pub(crate) fn take(
    path: &Path,
    hold: Hold,
    patience: Duration,
) -> Result<Option<Lock>, StoreError> {
    let fail = |error: &std::io::Error| StoreError::file("taking a lock", path, error);
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(path)
        .map_err(|error| fail(&error))?;
    let begun = Instant::now();
    loop {
        let tried = match hold {
            Hold::Alone => file.try_lock(),
            Hold::Shared => file.try_lock_shared(),
        };
        match tried {
            Ok(()) => break,
            Err(TryLockError::WouldBlock) if begun.elapsed() >= patience => return Ok(None),
            Err(TryLockError::WouldBlock) => std::thread::sleep(Duration::from_millis(5)),
            Err(TryLockError::Error(error)) => return Err(fail(&error)),
        }
    }
    if hold == Hold::Alone {
        // Only tells others who holds it; a full disk is no reason to fail here.
        let _ = write_holder(&mut file);
    }
    Ok(Some(Lock { _file: file }))
}

fn write_holder(file: &mut File) -> std::io::Result<()> {
    file.set_len(0)?;
    file.seek(SeekFrom::Start(0))?;
    writeln!(file, "{}", std::process::id())
}

/// Whether somebody holds the lock alone.
pub(crate) fn is_held(path: &Path) -> bool {
    File::open(path)
        .is_ok_and(|file| matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock)))
}

/// Who holds a lock, as far as its file says.
pub(crate) fn holder(path: &Path) -> String {
    let mut text = String::new();
    let read = File::open(path).and_then(|file| file.take(32).read_to_string(&mut text));
    match read.ok().and_then(|_| text.trim().parse::<u32>().ok()) {
        Some(process) if process == std::process::id() => "by this very program".to_owned(),
        Some(process) => format!("by process {process}"),
        None => "by another program".to_owned(),
    }
}

/// Holds a real rig until it is dropped or the process ends.
#[derive(Debug)]
pub struct RigLock {
    _lock: Lock,
    path: PathBuf,
}

impl RigLock {
    /// The file that stands for the rig.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}

/// Locks a real rig, so that no two runs play to it at once. `name` is the name
/// in the rig file, `runtime_folder` the user's folder for such things (made
/// where it is missing). The kernel releases the lock when the process ends.
///
/// # Errors
/// [`StoreError::InUse`], with the number of the process, when the rig is locked;
/// else when the file cannot be made.
pub fn lock_rig(name: &str, runtime_folder: &Path) -> Result<RigLock, StoreError> {
    std::fs::create_dir_all(runtime_folder)
        .map_err(|error| StoreError::file("making the folder for locks", runtime_folder, &error))?;
    let path = runtime_folder.join(rig_file(name));
    match take(&path, Hold::Alone, MOMENT)? {
        Some(lock) => Ok(RigLock { _lock: lock, path }),
        None => Err(StoreError::InUse {
            what: format!("the rig \"{name}\""),
            holder: holder(&path),
            advice: "wait until that run ends, or stop it",
        }),
    }
}

/// A file name for a rig: readable as far as its name has plain letters, and
/// unique by the hash of all of it.
fn rig_file(name: &str) -> String {
    let plain: String = name
        .chars()
        .take(40)
        .map(|letter| {
            if letter.is_ascii_alphanumeric() {
                letter
            } else {
                '-'
            }
        })
        .collect();
    let hash = crate::identity::hex(&Sha256::digest(name.as_bytes())[..4]);
    format!("nightbench-rig-{plain}-{hash}.lock")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rig_is_locked_once_and_the_message_says_by_whom() {
        let folder = tempfile::tempdir().unwrap();
        let held = lock_rig("north shelf", folder.path()).unwrap();
        let written = std::fs::read_to_string(held.path()).unwrap();
        assert_eq!(written.trim(), std::process::id().to_string());
        let refused = lock_rig("north shelf", folder.path())
            .unwrap_err()
            .to_string();
        assert!(
            refused.contains("\"north shelf\" is in use by this very program"),
            "{refused}"
        );
        // Names that look alike as file names are still two rigs.
        let other = lock_rig("north/shelf", folder.path()).unwrap();
        drop(held);
        lock_rig("north shelf", folder.path()).unwrap();
        drop(other);
    }

    #[test]
    fn no_name_leads_out_of_the_folder() {
        for name in [
            "../../etc/passwd",
            "",
            ".",
            "a\0b",
            "north\nshelf",
            &"x".repeat(5000),
            "Ü",
        ] {
            let file = rig_file(name);
            assert!(
                file.len() < 100
                    && file
                        .chars()
                        .all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '.')
                    && !file.starts_with('.'),
                "{file}"
            );
        }
    }

    #[test]
    fn looking_does_not_disturb() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.lock");
        assert!(!is_held(&path));
        let held = take(&path, Hold::Alone, Duration::ZERO).unwrap().unwrap();
        assert!(is_held(&path));
        assert!(take(&path, Hold::Alone, Duration::ZERO).unwrap().is_none());
        drop(held);
        assert!(!is_held(&path));
    }
}
