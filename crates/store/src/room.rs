//! How much room a disk has, for messages that say so.

use std::fmt;
use std::path::{Path, PathBuf};

/// The room on the disk that a file is on, or would be on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Room {
    mounted_at: PathBuf,
    free: u64,
}

impl Room {
    /// Looks; `None` where the system does not say.
    #[must_use]
    pub fn at(path: &Path) -> Option<Self> {
        #[cfg(target_os = "linux")]
        {
            let whole = std::path::absolute(path).ok()?;
            let there = whole
                .ancestors()
                .find_map(|above| above.canonicalize().ok())?;
            let disk = rustix::fs::statvfs(&there).ok()?;
            Some(Self {
                mounted_at: crate::folder::mounted_at(&there)?,
                free: disk.f_bavail.saturating_mul(disk.f_frsize),
            })
        }
        #[cfg(not(target_os = "linux"))]
        {
            let _ = path;
            None
        }
    }

    /// The bytes that are free.
    #[must_use]
    pub const fn free(&self) -> u64 {
        self.free
    }

    /// A sentence that holds the room against what is needed, in bytes.
    #[must_use]
    pub fn against(&self, needed: u64) -> String {
        format!(
            "the disk mounted at {} has {} free, and {} are needed",
            self.mounted_at.display(),
            Bytes(self.free),
            Bytes(needed)
        )
    }
}

/// A number of bytes in the decimal units that disks are sold in.
struct Bytes(u64);

impl fmt::Display for Bytes {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            0..1_000 => write!(formatter, "{} bytes", self.0),
            1_000..1_000_000 => write!(formatter, "{:.1} kB", self.0 as f64 / 1e3),
            1_000_000..1_000_000_000 => write!(formatter, "{:.1} MB", self.0 as f64 / 1e6),
            _ => write!(formatter, "{:.1} GB", self.0 as f64 / 1e9),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_disk_is_named() {
        let said = Room {
            mounted_at: "/srv".into(),
            free: 4096,
        }
        .against(1_500_000);
        assert_eq!(
            said,
            "the disk mounted at /srv has 4.1 kB free, and 1.5 MB are needed"
        );
        #[cfg(target_os = "linux")]
        {
            // The kernel's own file system is a mount of its own everywhere.
            let proc = Room::at(Path::new("/proc/self/no such file")).unwrap();
            assert_eq!(proc.mounted_at, Path::new("/proc"));
        }
    }
}
