//! Sound files in: WAV headers of every sort, windows at any hop, and a recording of notes
//! as a run.
//!
//! A [`Recording`] is read piece by piece from anything that can be read, a file or a pipe;
//! it may be longer than memory. [`Windows`] measures it window by window. [`Import`] cuts it
//! into notes, listens to each as a run does to the notes that it plays (which is why this
//! crate stands on the orchestrator's ear), and says what the run has to write down. Which
//! note sounded when is said by a table ([`read_notes`]) or by the control voltage itself on
//! a channel of its own ([`ControlVoltage`]).
//!
//! ```
//! use recording::Recording;
//!
//! // A second of mono at 8 kHz, 16 bits, behind a header of 44 bytes.
//! let samples = [0; 16_000];
//! let mut bytes = b"RIFF\xa4\x3e\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0".to_vec();
//! bytes.extend(b"\x40\x1f\0\0\x80\x3e\0\0\x02\0\x10\0data\x80\x3e\0\0");
//! bytes.extend(samples);
//! let length = bytes.len() as u64;
//!
//! let recording = Recording::new("take.wav".to_owned(), bytes.as_slice(), Some(length))?;
//! assert_eq!((recording.channels(), recording.frames_left()), (1, Some(8000)));
//!
//! // Half of it: the header says that there is more.
//! let half = &bytes[..8044];
//! let mut recording = Recording::new("take.wav".to_owned(), half, Some(8044))?;
//! let mut channels = [Vec::new()];
//! let error = loop {
//!     if let Err(error) = recording.next(&mut channels) {
//!         break error.to_string();
//!     }
//! };
//! assert_eq!(channels[0].len(), 4000);
//! assert!(error.starts_with("take.wav: it ends after 0.500 s, before its header says so"));
//! # Ok::<(), recording::RecordingError>(())
//! ```

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod control_voltage;
mod documents;
mod error;
mod header;
mod import;
mod listening;
mod notes;
mod rounds;
mod samples;
mod steps;
mod table;
#[cfg(test)]
mod wave;
mod windows;

pub use control_voltage::{ControlVoltage, ControlVoltageError};
pub use error::{RecordingError, SoundError};
pub use import::{Astray, Import, Source, position};
pub use notes::{Column, NotesError, Place, Slot, TableError};
pub use samples::{MOST_CHANNELS, Recording};
pub use table::{LARGEST as LARGEST_TABLE, read as read_notes};
pub use windows::{Window, Windows};
