//! Opening sound files.

use crate::exit::Failure;
use recording::Recording;
use std::fs::File;
use std::io::BufReader;
use std::path::Path;

/// Opens a file, or a pipe, and reads its header.
pub fn open(path: &Path) -> Result<Recording<BufReader<File>>, Failure> {
    let name = path.display().to_string();
    let unreadable = |error| Failure::input(format!("{name}: it cannot be opened: {error}"));
    let file = File::open(path).map_err(unreadable)?;
    let metadata = file.metadata().map_err(unreadable)?;
    if metadata.is_dir() {
        return Err(Failure::input(format!(
            "{name}: it is a folder, not a WAV file"
        )));
    }
    // A pipe has no length.
    let length = metadata.is_file().then_some(metadata.len());
    let file = BufReader::with_capacity(1 << 16, file);
    Ok(Recording::new(name, file, length)?)
}
