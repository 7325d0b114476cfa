//! What is wrong with a recording, or with what is said of it.

use crate::control_voltage::ControlVoltageError;
use crate::notes::{NotesError, Place, TableError};
use model::document::DocumentError;
use model::port::CaptureError;

/// What is wrong and where, in a sentence for the person who has the recording.
#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    /// A sound file cannot be measured, or not to its end.
    #[error("{file}: {wrong}")]
    Sound {
        /// The file, as it was named.
        file: String,
        /// What is wrong with it.
        wrong: SoundError,
    },
    /// A table of notes cannot be read.
    #[error("{place}: {wrong}")]
    Table {
        /// Where in it.
        place: Place,
        /// What is wrong there.
        wrong: TableError,
    },
    /// A channel holds no control voltage in which notes can be found.
    #[error("{file}, channel {channel}: {wrong}")]
    ControlVoltage {
        /// The sound file, as it was named.
        file: String,
        /// The channel, counted from 1.
        channel: u16,
        /// What is wrong with it.
        wrong: ControlVoltageError,
    },
    /// The notes do not fit the recording or the plan.
    #[error(transparent)]
    Notes(#[from] NotesError),
    /// The plan or rig written for a recording cannot be read: a bug.
    #[error(transparent)]
    Document(#[from] DocumentError),
    /// A note that was cut out cannot be listened to: a bug.
    #[error(transparent)]
    Capture(#[from] CaptureError),
}

/// What is wrong with a sound file, in words that follow its name.
#[derive(Debug, thiserror::Error)]
pub enum SoundError {
    /// Another kind of file.
    #[error("it is no WAV file (it does not begin with RIFF and WAVE)")]
    NotWave,
    /// The file ends before the samples begin.
    #[error("it ends within its header; it was cut off")]
    HeaderCutOff,
    /// The system would not read it.
    #[error("it cannot be read: {0}")]
    Unreadable(std::io::Error),
    /// Samples without a format before them.
    #[error("its header does not say how its samples are written (no fmt chunk before the data)")]
    NoFormat,
    /// Numbers in the header that cannot be.
    #[error("its header contradicts itself ({0})")]
    Contradiction(String),
    /// Compressed samples, or of an odd width.
    #[error(
        "its samples are of a kind that cannot be measured ({0}); convert it to 16, 24 or 32 bit integers or 32 bit float"
    )]
    Kind(String),
    /// More channels than [`MOST_CHANNELS`](crate::MOST_CHANNELS).
    #[error("it claims {0} channels; 1 to {most} can be measured", most = crate::MOST_CHANNELS)]
    Channels(u16),
    /// A sample rate outside 1 kHz to 1 MHz, in hertz.
    #[error("it claims a sample rate of {0} Hz; 1 kHz to 1 MHz can be measured")]
    Rate(u32),
    /// A header and nothing behind it.
    #[error("it holds no samples")]
    Empty,
    /// A sample that is not finite.
    #[error("channel {channel} holds a sample that is no number (NaN or infinite) at {at_s:.3} s")]
    NotFinite {
        /// The channel, counted from 1.
        channel: usize,
        /// Where it stands, in seconds from the beginning.
        at_s: f64,
    },
    /// Fewer samples than the header says.
    #[error("it ends after {after_s:.3} s, before its header says so; it was cut off")]
    CutOff {
        /// How long it is, in seconds.
        after_s: f64,
    },
    /// The last frame lacks some of its samples.
    #[error("it ends within a frame; it was cut off")]
    FrameCutOff,
}

impl From<std::io::Error> for SoundError {
    fn from(error: std::io::Error) -> Self {
        if error.kind() == std::io::ErrorKind::UnexpectedEof {
            Self::HeaderCutOff
        } else {
            Self::Unreadable(error)
        }
    }
}
