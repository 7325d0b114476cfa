//! The folder of a store: made where it is missing, refused where a commit could
//! not be relied on.

use crate::error::StoreError;
use std::fs::File;
use std::path::Path;

/// Makes the folder and the folders in it, and refuses a network file system.
pub(crate) fn prepare(folder: &Path) -> Result<(), StoreError> {
    for folder in [folder.to_owned(), folder.join("locks")] {
        std::fs::create_dir_all(&folder).map_err(|error| StoreError::NotWritable {
            folder: folder.clone(),
            detail: error.to_string(),
        })?;
    }
    match network(folder) {
        Some(kind) => Err(StoreError::NetworkFileSystem {
            folder: folder.to_owned(),
            kind,
        }),
        None => Ok(()),
    }
}

/// Puts the names in a folder on disk, as `fsync` of a file does its contents.
pub(crate) fn sync(folder: &Path) -> Result<(), StoreError> {
    File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(|error| StoreError::file("putting a folder on disk", folder, &error))
}

/// The network file system the folder is on, if it is on one that is known.
#[cfg(target_os = "linux")]
fn network(folder: &Path) -> Option<&'static str> {
    let kind = rustix::fs::statfs(folder).ok()?.f_type;
    // The width and sign of the field differ between machines; the number has 32 bits.
    network_name(kind as u64 as u32)
}

#[cfg(not(target_os = "linux"))]
fn network(_folder: &Path) -> Option<&'static str> {
    None
}

/// The name of a network file system by its magic number, as listed in statfs(2)
/// of the Linux manual and in linux/magic.h. Unknown ones are taken for local.
#[cfg_attr(not(target_os = "linux"), allow(dead_code))]
fn network_name(magic: u32) -> Option<&'static str> {
    Some(match magic {
        0x6969 => "NFS",
        0x517B => "SMB",
        0xFF53_4D42 => "CIFS",
        0xFE53_4D42 => "SMB2",
        0x0102_1997 => "9P",
        0x5346_414F | 0x6B41_4653 => "AFS",
        0x7375_7245 => "Coda",
        0x564C => "NCP",
        0x00C3_6400 => "Ceph",
        0x0116_1970 => "GFS2",
        0x7461_636F => "OCFS2",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    // Magic numbers: statfs(2), Linux manual pages.
    #[test]
    fn network_file_systems_are_known_and_local_ones_pass() {
        for (magic, name) in [(0x6969, "NFS"), (0xFF53_4D42, "CIFS"), (0x0102_1997, "9P")] {
            assert_eq!(network_name(magic), Some(name));
        }
        // ext4, tmpfs, btrfs, xfs, and none at all.
        for magic in [0xEF53, 0x0102_1994, 0x9123_683E, 0x5846_5342, 0] {
            assert_eq!(network_name(magic), None);
        }
    }

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
