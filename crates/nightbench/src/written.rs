//! Files that somebody asked for, written whole or not at all: half of a report would be
//! taken for all of it, and half of a new one is no reason to lose the old one.

use crate::exit::Failure;
use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl};
use std::ffi::OsStr;
use std::fs::{File, Metadata, OpenOptions, TryLockError};
use std::io::{self, ErrorKind, Write};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{FileTypeExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How long to wait for another program that is writing the same file.
const PATIENCE: Duration = Duration::from_secs(10);

/// Writes a file aside, puts it on disk and gives it its name; what had the name before
/// stays until then. A pipe or a device takes what is written as it comes.
pub(crate) fn write_file(path: &Path, content: impl AsRef<[u8]>) -> Result<(), Failure> {
    let content = content.as_ref();
    let (written, is_file, old_stays) = match std::fs::metadata(path) {
        Ok(there) if there.is_dir() => (
            Err(io::Error::other("it is a folder; name a file in it")),
            false,
            false,
        ),
        Ok(there) if there.is_file() && !names_a_stream(path) => {
            let replaced = path
                .canonicalize()
                .and_then(|target| replace(&target, content, Some(&there)));
            (replaced, true, true)
        }
        Ok(_) => (pass_on(path, content), false, false),
        Err(error) if error.kind() == ErrorKind::NotFound => {
            (replace(path, content, None), true, false)
        }
        Err(error) => (Err(error), false, false),
    };
    written.map_err(|error| {
        let mut said = format!("{} cannot be written: {error}", path.display());
        if is_file
            && matches!(
                error.kind(),
                ErrorKind::StorageFull | ErrorKind::QuotaExceeded
            )
            && let Some(room) = store::Room::at(path)
        {
            said += &format!("; {}", room.against(content.len() as u64));
        }
        if old_stays {
            said += "; what was there before is unchanged";
        }
        Failure::input(said)
    })
}

/// Whether a name stands for what the program was given to write to, such as
/// `/dev/stdout`, which may lead to a file that others have open.
fn names_a_stream(path: &Path) -> bool {
    path.starts_with("/dev") || path.starts_with("/proc")
}

fn replace(target: &Path, content: &[u8], old: Option<&Metadata>) -> io::Result<()> {
    let name = target
        .file_name()
        .ok_or_else(|| io::Error::other("this names no file"))?;
    let folder = match target.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    if old.is_some() {
        // Whoever protected the file did not mean it to be replaced either.
        OpenOptions::new().write(true).open(target)?;
    }
    // Names may have 255 bytes, this one too.
    let name = name.as_bytes();
    let aside = [b".", &name[..name.len().min(200)], b".part"].concat();
    let aside = folder.join(OsStr::from_bytes(&aside));
    let mut file = alone(&aside)?;
    let unfinished = store::Unfinished::file(&aside);
    file.set_len(0)?;
    file.write_all(content)?;
    if let Some(old) = old {
        file.set_permissions(old.permissions())?;
    }
    file.sync_all()?;
    std::fs::rename(&aside, target)?;
    unfinished.is_finished();
    Ok(())
}

/// Opens the file aside for this program alone. What a killed one left is written over.
fn alone(aside: &PathBuf) -> io::Result<File> {
    let begun = Instant::now();
    loop {
        let file = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(false)
            .custom_flags((OFlags::NOFOLLOW | OFlags::NONBLOCK).bits().cast_signed())
            .open(aside)
            .map_err(|error| about(aside, &error))?;
        let taken = match file.try_lock() {
            // Whoever had it may have given it its name meanwhile.
            Ok(()) => std::fs::symlink_metadata(aside).is_ok_and(|there| {
                file.metadata()
                    .is_ok_and(|ours| ours.ino() == there.ino() && ours.is_file())
            }),
            Err(TryLockError::WouldBlock) => false,
            Err(TryLockError::Error(error)) => return Err(about(aside, &error)),
        };
        if taken {
            return Ok(file);
        }
        if begun.elapsed() > PATIENCE {
            return Err(io::Error::other(format!(
                "{} is in the way, or another program is writing it",
                aside.display()
            )));
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn about(aside: &Path, error: &io::Error) -> io::Error {
    io::Error::new(error.kind(), format!("{error} ({})", aside.display()))
}

/// Writes into a pipe or a device. A pipe that nobody reads would be waited for without end.
fn pass_on(path: &Path, content: &[u8]) -> io::Result<()> {
    let opened = OpenOptions::new()
        .write(true)
        .custom_flags(OFlags::NONBLOCK.bits().cast_signed())
        .open(path);
    let mut file = opened.map_err(|error| {
        let is_pipe = || std::fs::metadata(path).is_ok_and(|there| there.file_type().is_fifo());
        if error.raw_os_error() == Some(rustix::io::Errno::NXIO.raw_os_error()) && is_pipe() {
            io::Error::other("it is a pipe, and nobody reads it")
        } else {
            error
        }
    })?;
    fcntl_setfl(&file, fcntl_getfl(&file)?.difference(OFlags::NONBLOCK))?;
    file.write_all(content)
}
