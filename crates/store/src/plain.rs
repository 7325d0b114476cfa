//! The files that a store keeps under names of its own are plain files, and its folders
//! folders. Anything else under such a name is somebody else's: a link would lead what is
//! written to another file, a pipe would keep whoever opens it waiting for ever. It is left
//! as it is, and said.

use crate::error::StoreError;
use std::fs::{File, FileType, Metadata, OpenOptions};
use std::io;
use std::path::Path;

/// Opens a plain file: never through a link in its place, never waiting.
pub(crate) fn open(path: &Path, options: &mut OpenOptions) -> io::Result<File> {
    #[cfg(target_os = "linux")]
    {
        use rustix::fs::OFlags;
        use std::os::unix::fs::OpenOptionsExt;
        let flags = OFlags::NOFOLLOW | OFlags::NONBLOCK;
        options.custom_flags(flags.bits().cast_signed());
    }
    let file = options.open(path).map_err(|error| {
        // The system's own words do not tell ("too many levels", "no such device").
        let kind = path.symlink_metadata().map(|there| there.file_type());
        match kind {
            Ok(kind) if !kind.is_file() => misplaced(kind, "file"),
            _ => error,
        }
    })?;
    let kind = file.metadata()?.file_type();
    if kind.is_file() {
        Ok(file)
    } else {
        Err(misplaced(kind, "file"))
    }
}

/// Opens a plain file to be read.
pub(crate) fn read(path: &Path) -> io::Result<File> {
    open(path, OpenOptions::new().read(true))
}

/// Makes a file anew in the place of whatever a killed process left there.
pub(crate) fn make(path: &Path) -> io::Result<File> {
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    // Fails where there is anything at all, a link that leads nowhere included.
    OpenOptions::new().write(true).create_new(true).open(path)
}

/// What is known of a plain file; `None` where there is nothing.
pub(crate) fn look(path: &Path) -> io::Result<Option<Metadata>> {
    match path.symlink_metadata() {
        Ok(there) if there.is_file() => Ok(Some(there)),
        Ok(there) => Err(misplaced(there.file_type(), "file")),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

/// Refuses anything but a folder, or nothing at all, under the name of a store's folder.
pub(crate) fn folder(path: &Path) -> Result<(), StoreError> {
    match path.symlink_metadata() {
        Ok(there) if !there.is_dir() => {
            let error = misplaced(there.file_type(), "folder");
            Err(StoreError::file(
                "using a folder of the store",
                path,
                &error,
            ))
        }
        _ => Ok(()),
    }
}

fn misplaced(kind: FileType, wanted: &str) -> io::Error {
    io::Error::other(format!(
        "it is {}, where the store keeps a {wanted} of its own; move it away",
        word(kind)
    ))
}

/// What something on a disk is, for a person.
pub(crate) fn word(kind: FileType) -> &'static str {
    #[cfg(unix)]
    {
        use std::os::unix::fs::FileTypeExt;
        if kind.is_fifo() {
            return "a pipe";
        }
        if kind.is_socket() {
            return "a socket";
        }
        if kind.is_block_device() || kind.is_char_device() {
            return "a device";
        }
    }
    if kind.is_symlink() {
        "a symbolic link"
    } else if kind.is_dir() {
        "a folder"
    } else {
        "a file"
    }
}
