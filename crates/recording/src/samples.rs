//! WAV files, read piece by piece: a recording may be longer than memory.

use crate::header::{self, Claim, Header};
use crate::notes::Slot;
use crate::{NotesError, RecordingError, SoundError};
use model::quantity::{Hertz, Seconds};
use model::time::SampleRate;
use std::io::{BufRead, Read};

/// The most channels that a recording may have.
pub const MOST_CHANNELS: u16 = 32;

/// A note may end so much after the recording: what was rounded to a millisecond, twice.
const ROUNDING: f64 = 2e-3;

/// Frames that are read at once.
const PIECE: usize = 4096;

/// A WAV file under way.
#[derive(Debug)]
pub struct Recording<R> {
    name: String,
    source: R,
    header: Header,
    rate: SampleRate,
    /// Bytes that the header promises and that were not read yet.
    left: Option<u64>,
    read: u64,
    bytes: Vec<u8>,
}

impl<R: BufRead> Recording<R> {
    /// Reads the header of a recording. `name` is what it is called in errors, `length`
    /// that of the whole file in bytes, where it is known: a pipe has none.
    ///
    /// # Errors
    /// It is no WAV file, or none that can be measured.
    pub fn new(name: String, mut source: R, length: Option<u64>) -> Result<Self, RecordingError> {
        match checked(&mut source, length) {
            Ok((header, rate)) => Ok(Self {
                name,
                source,
                header,
                rate,
                left: match header.claim {
                    Claim::Bytes(bytes) => Some(bytes),
                    Claim::ToTheEnd => None,
                },
                read: 0,
                bytes: Vec::new(),
            }),
            Err(wrong) => Err(RecordingError::Sound { file: name, wrong }),
        }
    }

    /// What it is called in errors.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Its nominal sample rate.
    #[must_use]
    pub const fn rate(&self) -> SampleRate {
        self.rate
    }

    /// How many channels it has: 1 to [`MOST_CHANNELS`].
    #[must_use]
    pub const fn channels(&self) -> u16 {
        self.header.channels
    }

    /// How many frames are still to come, where the header says so.
    #[must_use]
    pub fn frames_left(&self) -> Option<u64> {
        let frame = self.header.kind.bytes() as u64 * u64::from(self.header.channels);
        self.left.map(|left| left / frame.max(1))
    }

    /// How long what is still to come lasts, where the header says so.
    #[must_use]
    pub fn lasts(&self) -> Option<Seconds> {
        self.frames_left().map(|frames| self.rate.duration(frames))
    }

    /// Looks whether it is long enough for its notes, as far as its header says so.
    ///
    /// # Errors
    /// The first note that lasts longer.
    pub fn holds(&self, notes: &[Slot]) -> Result<(), RecordingError> {
        match self.lasts() {
            Some(ends) => Ok(self.ends(notes, ends)?),
            None => Ok(()),
        }
    }

    /// The same for one that is known to end there.
    pub(crate) fn ends(&self, notes: &[Slot], ends: Seconds) -> Result<(), NotesError> {
        match notes.iter().find(|slot| slot.end() > ends.get() + ROUNDING) {
            None => Ok(()),
            Some(late) => Err(NotesError::PastTheEnd {
                place: late.place.clone(),
                until: late.end(),
                file: self.name.clone(),
                ends: ends.get(),
            }),
        }
    }

    /// Whether the header leaves open how long the recording is.
    #[must_use]
    pub const fn length_is_open(&self) -> bool {
        self.left.is_none()
    }

    /// Appends the next frames to `channels`, a vector for each, and says how many came:
    /// none at the end.
    ///
    /// # Errors
    /// The recording ends before its header says so, holds a sample that is no number, or
    /// cannot be read. Whole frames before that have been appended.
    pub fn next(&mut self, channels: &mut [Vec<f32>]) -> Result<usize, RecordingError> {
        self.appended(channels)
            .map_err(|wrong| RecordingError::Sound {
                file: self.name.clone(),
                wrong,
            })
    }

    fn appended(&mut self, channels: &mut [Vec<f32>]) -> Result<usize, SoundError> {
        let kind = self.header.kind;
        let width = kind.bytes();
        let frame = width * usize::from(self.header.channels);
        let wanted = self
            .left
            .map_or(PIECE as u64, |left| (left / frame as u64).min(PIECE as u64));
        self.bytes.clear();
        let got = (&mut self.source)
            .take(wanted * frame as u64)
            .read_to_end(&mut self.bytes)
            .map_err(SoundError::Unreadable)?;
        let frames = got / frame;
        for (index, samples) in self.bytes.chunks_exact(frame).enumerate() {
            for (number, (channel, sample)) in channels
                .iter_mut()
                .zip(samples.chunks_exact(width))
                .enumerate()
            {
                let sample = kind.decode(sample);
                if !sample.is_finite() {
                    return Err(SoundError::NotFinite {
                        channel: number + 1,
                        at_s: self.rate.duration(self.read + index as u64).get(),
                    });
                }
                channel.push(sample);
            }
        }
        self.read += frames as u64;
        if let Some(left) = &mut self.left {
            *left -= got as u64;
            if (got as u64) < wanted * frame as u64 {
                // What came before the cut is worth measuring; the next call tells.
                if frames > 0 {
                    *left = (*left).max(frame as u64);
                    return Ok(frames);
                }
                return Err(SoundError::CutOff {
                    after_s: self.rate.duration(self.read).get(),
                });
            }
            if frames == 0 && *left > 0 {
                return Err(SoundError::FrameCutOff);
            }
        }
        if frames == 0 && self.read == 0 {
            return Err(SoundError::Empty);
        }
        Ok(frames)
    }
}

/// Reads a header and refuses what cannot be measured.
fn checked(
    source: &mut impl BufRead,
    length: Option<u64>,
) -> Result<(Header, SampleRate), SoundError> {
    let header = header::read(source, length)?;
    if header.channels > MOST_CHANNELS {
        return Err(SoundError::Channels(header.channels));
    }
    let rate = Hertz::new(f64::from(header.rate))
        .ok()
        .and_then(SampleRate::new)
        .ok_or(SoundError::Rate(header.rate))?;
    if header.claim == Claim::Bytes(0) {
        return Err(SoundError::Empty);
    }
    Ok((header, rate))
}
