//! WAV files, read piece by piece: a recording may be longer than memory.

use crate::exit::Failure;
use crate::wave_header::{self, Claim, Header};
use model::quantity::Hertz;
use model::time::SampleRate;
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

/// The most channels a recording may have.
const MOST_CHANNELS: u16 = 32;

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

impl Recording<BufReader<File>> {
    /// Opens a file and reads its header.
    pub fn open(path: &Path) -> Result<Self, Failure> {
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
        Self::new(name, BufReader::with_capacity(1 << 16, file), length)
    }
}

impl<R: BufRead> Recording<R> {
    /// Reads the header of a recording. `length` is in bytes, where it is known.
    pub fn new(name: String, mut source: R, length: Option<u64>) -> Result<Self, Failure> {
        let wrong = |why: String| Failure::input(format!("{name}: {why}"));
        let header =
            wave_header::read(&mut source, length).map_err(|error| wrong(error.to_string()))?;
        if header.channels > MOST_CHANNELS {
            return Err(wrong(format!(
                "it claims {} channels; 1 to {MOST_CHANNELS} can be measured",
                header.channels
            )));
        }
        let rate = Hertz::new(f64::from(header.rate))
            .ok()
            .and_then(SampleRate::new)
            .ok_or_else(|| {
                wrong(format!(
                    "it claims a sample rate of {} Hz; 1 kHz to 1 MHz can be measured",
                    header.rate
                ))
            })?;
        let left = match header.claim {
            Claim::Bytes(0) => return Err(wrong("it holds no samples".to_owned())),
            Claim::Bytes(bytes) => Some(bytes),
            Claim::ToTheEnd => None,
        };
        Ok(Self {
            name,
            source,
            header,
            rate,
            left,
            read: 0,
            bytes: Vec::new(),
        })
    }

    pub const fn rate(&self) -> SampleRate {
        self.rate
    }

    pub const fn channels(&self) -> u16 {
        self.header.channels
    }

    /// How many frames are still to come, where the header says so.
    pub fn frames_left(&self) -> Option<u64> {
        let frame = self.header.kind.bytes() as u64 * u64::from(self.header.channels);
        self.left.map(|left| left / frame.max(1))
    }

    /// Whether the header leaves open how long the recording is.
    pub const fn length_is_open(&self) -> bool {
        self.left.is_none()
    }

    /// Appends the next frames to `channels`, a vector for each, and says how many came:
    /// none at the end.
    ///
    /// # Errors
    /// The recording ends before its header says so, holds a sample that is no number, or
    /// cannot be read. Whole frames before that have been appended.
    pub fn next(&mut self, channels: &mut [Vec<f32>]) -> Result<usize, Failure> {
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
            .map_err(|error| self.wrong(format!("it cannot be read: {error}")))?;
        let frames = got / frame;
        for (index, samples) in self.bytes.chunks_exact(frame).enumerate() {
            for (number, (channel, sample)) in channels
                .iter_mut()
                .zip(samples.chunks_exact(width))
                .enumerate()
            {
                let sample = kind.decode(sample);
                if !sample.is_finite() {
                    let at = self.rate.duration(self.read + index as u64).get();
                    return Err(self.wrong(format!(
                        "channel {} holds a sample that is no number (NaN or infinite) at {at:.3} s",
                        number + 1
                    )));
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
                return Err(self.wrong(format!(
                    "it ends after {:.3} s, before its header says so; it was cut off",
                    self.rate.duration(self.read).get()
                )));
            }
            if frames == 0 && *left > 0 {
                return Err(self.wrong("it ends within a frame; it was cut off".to_owned()));
            }
        }
        if frames == 0 && self.read == 0 {
            return Err(self.wrong("it holds no samples".to_owned()));
        }
        Ok(frames)
    }

    fn wrong(&self, why: String) -> Failure {
        Failure::input(format!("{}: {why}", self.name))
    }
}
