//! Locks that the kernel gives back when their holder ends, however it ends.

use crate::error::StoreError;
use crate::plain;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;
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
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false);
    let mut file = plain::open(path, &mut options).map_err(|error| fail(&error))?;
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
    plain::read(path)
        .is_ok_and(|file| matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock)))
}

/// Who holds a lock, as far as its file says.
pub(crate) fn holder(path: &Path) -> String {
    let mut text = String::new();
    let read = plain::read(path).and_then(|file| file.take(32).read_to_string(&mut text));
    match read.ok().and_then(|_| text.trim().parse::<u32>().ok()) {
        Some(process) if process == std::process::id() => "by this very program".to_owned(),
        Some(process) => format!("by process {process}"),
        None => "by another program".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
