//! The folder of a store: made where it is missing, refused where a commit could
//! not be relied on.

use crate::error::StoreError;
#[cfg(target_os = "linux")]
use crate::file_system;
use crate::file_system::Against;
use crate::plain;
use std::fs::File;
#[cfg(target_os = "linux")]
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
#[cfg(target_os = "linux")]
use std::path::PathBuf;

/// Makes the folder and the folders in it, and refuses a file system where a commit could
/// not be relied on, before anything is made there.
pub(crate) fn prepare(folder: &Path) -> Result<(), StoreError> {
    match against(folder) {
        Some(Against::Network(kind)) => {
            return Err(StoreError::NetworkFileSystem {
                folder: folder.to_owned(),
                kind,
            });
        }
        Some(Against::Program(kind)) => {
            return Err(StoreError::UnknownFileSystem {
                folder: folder.to_owned(),
                kind,
            });
        }
        None => {}
    }
    // The folder itself may be a link that somebody laid; what is in it is the store's own.
    plain::folder(&folder.join("locks"))?;
    for folder in [folder.to_owned(), folder.join("locks")] {
        std::fs::create_dir_all(&folder).map_err(|error| StoreError::NotWritable {
            folder: folder.clone(),
            detail: error.to_string(),
        })?;
    }
    Ok(())
}

/// Puts the names in a folder on disk, as `fsync` of a file does its contents.
pub(crate) fn sync(folder: &Path) -> Result<(), StoreError> {
    File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(|error| StoreError::file("putting a folder on disk", folder, &error))
}

/// Where the disk is mounted that a path with its links resolved lies on.
#[cfg(target_os = "linux")]
pub(crate) fn mounted_at(there: &Path) -> Option<PathBuf> {
    use std::os::unix::ffi::OsStringExt;
    let text = std::fs::read("/proc/self/mountinfo").ok()?;
    let point = file_system::mounted_at(&text, there.as_os_str().as_bytes(), number(there))?;
    Some(std::ffi::OsString::from_vec(point).into())
}

/// The number of the mount that a path lies on, where the system gives it.
#[cfg(target_os = "linux")]
fn number(there: &Path) -> Option<u64> {
    use rustix::fs::{AtFlags, CWD, StatxFlags, statx};
    statx(CWD, there, AtFlags::empty(), StatxFlags::MNT_ID)
        .ok()
        .filter(|known| known.stx_mask & StatxFlags::MNT_ID.bits() != 0)
        .map(|known| known.stx_mnt_id)
}

/// What stands against the file system that a folder is on, or would be on if it were made.
#[cfg(target_os = "linux")]
fn against(folder: &Path) -> Option<Against> {
    use rustix::fs::statfs;
    let whole = std::path::absolute(folder).ok()?;
    let there = whole
        .ancestors()
        .find_map(|above| above.canonicalize().ok())?;
    match std::fs::read("/proc/self/mountinfo") {
        Ok(text) => file_system::against(&text, there.as_os_str().as_bytes(), number(&there)),
        Err(_) => {
            // The width and sign of the field differ between machines; the number has 32 bits.
            let kind = statfs(&there).ok()?.f_type;
            file_system::against_magic(kind as u64 as u32)
        }
    }
}

#[cfg(not(target_os = "linux"))]
fn against(_folder: &Path) -> Option<Against> {
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_below_a_file_is_refused_by_name() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("file");
        std::fs::write(&file, "x").unwrap();
        let refused = prepare(&file.join("store")).unwrap_err();
        assert!(
            matches!(refused, StoreError::NotWritable { .. }),
            "{refused}"
        );
        assert!(refused.to_string().contains("file/store"), "{refused}");
    }
}
