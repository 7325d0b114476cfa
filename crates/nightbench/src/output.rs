//! Results on stdout. A reader that went away (`... | head`) is no failure; results that
//! could not be written, as on a full disk, are.

use crate::exit::Failure;
use crate::outlet;
use model::plain;
use std::io::{self, Write};

/// Prints a text, after whatever was told before.
///
/// # Errors
/// When it could not be written, unless nobody reads any more.
pub fn print(text: &str) -> Result<(), Failure> {
    outlet::settle();
    judge(write(plain(text).as_bytes()))
}

/// Writes bytes at once, so that whoever reads along sees whole lines.
pub fn write(bytes: &[u8]) -> io::Result<()> {
    let mut out = io::stdout().lock();
    out.write_all(bytes)?;
    out.flush()
}

/// What the end of writing means for the program.
///
/// # Errors
/// When something could not be written, unless nobody reads any more.
pub fn judge(outcome: io::Result<()>) -> Result<(), Failure> {
    match outcome {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(Failure::input(format!(
            "the results could not be written to where stdout leads: {error}"
        ))),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_reader_that_went_away_is_no_failure() {
        judge(Ok(())).unwrap();
        judge(Err(io::ErrorKind::BrokenPipe.into())).unwrap();
        assert!(judge(Err(io::ErrorKind::StorageFull.into())).is_err());
    }
}
