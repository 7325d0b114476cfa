//! A file that only takes up room, to be given up when the disk is full.

use crate::error::StoreError;
use std::io::Write;
use std::path::Path;

/// Enough for the entries that end a run, the pages of the log around them and
/// the log's index.
const SIZE: usize = 1 << 20;
const NAME: &str = "ballast";

/// Makes the ballast where it is missing and there is room.
pub(crate) fn lay(folder: &Path) {
    let path = folder.join(NAME);
    if std::fs::metadata(&path).is_ok_and(|there| there.len() == SIZE as u64) {
        return;
    }
    // No zeros: a file system that compresses would keep them in no room at all.
    let mut state: u32 = 0x9E37_79B9;
    let filling: Vec<u8> = std::iter::repeat_with(|| {
        // xorshift32, G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003.
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        state.to_le_bytes()[0]
    })
    .take(SIZE)
    .collect();
    let laid = std::fs::File::create(&path)
        .and_then(|mut file| file.write_all(&filling).and_then(|()| file.sync_all()));
    if laid.is_err() {
        // A half of it would be taken for the whole later on.
        let _ = std::fs::remove_file(&path);
    }
}

/// Gives the ballast up when that is what the error calls for, and passes the
/// error on.
pub(crate) fn yield_to(error: StoreError, folder: &Path) -> StoreError {
    let error = match error {
        StoreError::Failed { path, detail, .. } if is_full(folder) => {
            StoreError::Full { path, detail }
        }
        other => other,
    };
    if matches!(error, StoreError::Full { .. }) {
        let _ = std::fs::remove_file(folder.join(NAME));
    }
    error
}

/// Whether the disk has no room. The database reports some of the ways to run
/// out of it (the log's index, a sync) as plain failures.
#[cfg(target_os = "linux")]
fn is_full(folder: &Path) -> bool {
    rustix::fs::statvfs(folder)
        .is_ok_and(|disk| disk.f_bavail.saturating_mul(disk.f_frsize) < 65_536)
}

#[cfg(not(target_os = "linux"))]
fn is_full(_folder: &Path) -> bool {
    false
}
