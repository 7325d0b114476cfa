//! WAV files, read window by window.

use crate::exit::Failure;
use hound::{SampleFormat, WavReader};
use model::quantity::Hertz;
use model::time::SampleRate;
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

/// The most channels a recording may have.
const MOST_CHANNELS: u16 = 32;

/// A WAV file under way.
pub struct Recording {
    path: PathBuf,
    reader: WavReader<BufReader<File>>,
    rate: SampleRate,
    left: u64,
}

impl Recording {
    /// Opens a file and reads its header.
    pub fn open(path: &Path) -> Result<Self, Failure> {
        let wrong = |why: String| Failure::input(format!("{}: {why}", path.display()));
        let file =
            File::open(path).map_err(|error| wrong(format!("it cannot be opened: {error}")))?;
        if file.metadata().is_ok_and(|metadata| metadata.is_dir()) {
            return Err(wrong("it is a folder, not a WAV file".to_owned()));
        }
        let reader = WavReader::new(BufReader::new(file)).map_err(|error| wrong(words(&error)))?;
        let spec = reader.spec();
        if spec.channels == 0 || spec.channels > MOST_CHANNELS {
            return Err(wrong(format!(
                "it claims {} channels; 1 to {MOST_CHANNELS} can be measured",
                spec.channels
            )));
        }
        let rate = Hertz::new(f64::from(spec.sample_rate))
            .ok()
            .and_then(SampleRate::new)
            .ok_or_else(|| {
                wrong(format!(
                    "it claims a sample rate of {} Hz",
                    spec.sample_rate
                ))
            })?;
        let left = u64::from(reader.duration());
        if left == 0 {
            return Err(wrong("it holds no samples".to_owned()));
        }
        Ok(Self {
            path: path.to_owned(),
            reader,
            rate,
            left,
        })
    }

    pub const fn rate(&self) -> SampleRate {
        self.rate
    }

    pub fn channels(&self) -> u16 {
        self.reader.spec().channels
    }

    /// The next `frames` frames of each channel, fewer at the end, `None` after it.
    pub fn next(&mut self, frames: usize) -> Result<Option<Vec<Vec<f32>>>, Failure> {
        if self.left == 0 {
            return Ok(None);
        }
        let spec = self.reader.spec();
        let channels = usize::from(spec.channels);
        let frames = frames.min(usize::try_from(self.left).unwrap_or(usize::MAX));
        self.left -= frames as u64;
        let wanted = frames * channels;
        let read: Result<Vec<f32>, hound::Error> = match spec.sample_format {
            SampleFormat::Float => self.reader.samples::<f32>().take(wanted).collect(),
            SampleFormat::Int => {
                let full_scale = 2f32.powi(i32::from(spec.bits_per_sample) - 1);
                self.reader
                    .samples::<i32>()
                    .take(wanted)
                    .map(|sample| sample.map(|sample| sample as f32 / full_scale))
                    .collect()
            }
        };
        let samples = read.map_err(|error| {
            Failure::input(format!("{}: {}", self.path.display(), words(&error)))
        })?;
        if let Some(at) = samples.iter().position(|sample| !sample.is_finite()) {
            return Err(Failure::input(format!(
                "{}: channel {} holds a sample that is no number (NaN or infinite)",
                self.path.display(),
                at % channels + 1
            )));
        }
        if samples.len() < wanted {
            return Err(Failure::input(format!(
                "{}: it ends before its header says so; it was cut off",
                self.path.display()
            )));
        }
        let mut split: Vec<Vec<f32>> = (0..channels).map(|_| Vec::with_capacity(frames)).collect();
        for frame in samples.chunks_exact(channels) {
            for (channel, sample) in split.iter_mut().zip(frame) {
                channel.push(*sample);
            }
        }
        Ok(Some(split))
    }
}

/// What is wrong with a WAV file, in words.
fn words(error: &hound::Error) -> String {
    match error {
        hound::Error::IoError(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => {
            "it ends in the middle; it was cut off, or is no WAV file".to_owned()
        }
        hound::Error::IoError(error) => format!("it cannot be read: {error}"),
        hound::Error::FormatError(what) => format!("it is no proper WAV file ({what})"),
        hound::Error::Unsupported | hound::Error::InvalidSampleFormat | hound::Error::TooWide => {
            "its kind of samples is not supported; convert it to 16, 24 or 32 bit integer or 32 bit float".to_owned()
        }
        hound::Error::UnfinishedSample => "it ends within a frame; it was cut off".to_owned(),
    }
}
