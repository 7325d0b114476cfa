//! Windows at any hop out of a recording, which is read only as far as they need.

use crate::{Recording, RecordingError};
use meter::{Coupling, Stream, Waveform};
use model::record::Measured;
use std::io::BufRead;

/// Windows of a recording, measured one after the other.
#[derive(Debug)]
pub struct Windows<R> {
    recording: Recording<R>,
    stream: Stream,
    /// What was read last, a vector for each channel.
    piece: Vec<Vec<f32>>,
    ended: bool,
    /// What is wrong with the recording, told after the windows before it.
    failure: Option<RecordingError>,
}

/// A window of a channel.
#[derive(Debug)]
pub struct Window {
    /// Its first frame.
    pub begins: u64,
    /// How many frames it has.
    pub frames: usize,
    /// The channel, counted from 0.
    pub channel: usize,
    /// What was found.
    pub measured: Measured,
    /// The waveform, where that was asked for and there is a tone.
    pub waveform: Option<Waveform>,
}

impl<R: BufRead> Windows<R> {
    /// Windows of `frames` frames, each `hop` frames after the one before, of all channels
    /// or of `only` one (from 0).
    #[must_use]
    pub fn new(recording: Recording<R>, frames: usize, hop: u64, only: Option<usize>) -> Self {
        let channels = usize::from(recording.channels());
        Self {
            stream: Stream::new(recording.rate(), channels, frames, hop).only(only),
            piece: vec![Vec::new(); channels],
            recording,
            ended: false,
            failure: None,
        }
    }

    /// Measures waveforms, too.
    #[must_use]
    pub fn with_waveforms(mut self, coupling: Option<Coupling>) -> Self {
        self.stream = self.stream.with_waveforms(coupling);
        self
    }
}

/// Windows in the order of time, of each the channels in theirs. A rest that is shorter than
/// a window comes only if it is all there is. What is wrong with the recording comes last,
/// after the windows that are whole before it.
impl<R: BufRead> Iterator for Windows<R> {
    type Item = Result<Window, RecordingError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(reading) = self.stream.reading() {
                return Some(Ok(Window {
                    begins: reading.begins,
                    frames: reading.samples.len(),
                    channel: reading.channel,
                    measured: reading.estimate.measured(),
                    waveform: reading.waveform,
                }));
            }
            if let Some(failure) = self.failure.take() {
                return Some(Err(failure));
            }
            if self.ended {
                return None;
            }
            for channel in &mut self.piece {
                channel.clear();
            }
            match self.recording.next(&mut self.piece) {
                Ok(frames) => self.ended = frames == 0,
                Err(failure) => {
                    self.ended = true;
                    self.failure = Some(failure);
                }
            }
            self.stream.push(&self.piece);
            if self.ended && self.failure.is_none() {
                self.stream.finish();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::io::Cursor;

    /// Channels of 16 bits at 48 kHz behind a header of 44 bytes.
    fn wave(channels: u16, samples: &[i16]) -> Vec<u8> {
        crate::wave::signed16(channels, 48_000, samples)
    }

    /// Reads a recording to its end and measures it; how many windows there were, and
    /// the most frames held at once.
    fn measure(bytes: Vec<u8>, known: bool, frames: usize, hop: u64) -> (usize, usize) {
        let length = known.then_some(bytes.len() as u64);
        let Ok(recording) = Recording::new("soup".to_owned(), Cursor::new(bytes), length) else {
            return (0, 0);
        };
        let mut windows = Windows::new(recording, frames, hop, None);
        let (mut count, mut most) = (0, 0);
        while let Some(Ok(window)) = windows.next() {
            let frequency = window.measured.frequency;
            assert!(frequency.is_none_or(|hz| hz.get().is_finite()));
            count += usize::from(window.channel == 0);
            most = most.max(windows.stream.held());
        }
        (count, most)
    }

    proptest! {
        #[test]
        fn windows_lie_where_they_should(
            length in 1usize..20_000, channels in 1u16..4, frames in 1usize..6000, hop in 1u64..9000,
        ) {
            let hop = hop.max(length as u64 / 50);
            // Each channel rests at a level of its own.
            let level = |channel: u64| 1000 * (channel as i16 + 1);
            let samples: Vec<i16> = (0..length as u64)
                .flat_map(|_| (0..u64::from(channels)).map(level))
                .collect();
            let bytes = wave(channels, &samples);
            let size = bytes.len() as u64;
            let recording =
                Recording::new("tone".to_owned(), Cursor::new(bytes), Some(size)).unwrap();
            let windows = Windows::new(recording, frames, hop, None);
            let mut count = 0;
            for window in windows {
                let window = window.unwrap();
                let (turn, channel) = (count / u64::from(channels), count % u64::from(channels));
                prop_assert_eq!(window.begins, turn * hop);
                prop_assert_eq!(window.channel as u64, channel);
                prop_assert_eq!(window.frames, frames.min(length));
                let expected = 20.0 * (f64::from(level(channel)) / 32_768.0).log10();
                let found = window.measured.level.unwrap().get();
                prop_assert!((found - expected).abs() < 1e-6);
                count += 1;
            }
            let whole = length.checked_sub(frames).map_or(1, |rest| rest as u64 / hop + 1);
            prop_assert_eq!(count, whole * u64::from(channels));
        }

        #[test]
        fn byte_soup_ends(
            soup in proptest::collection::vec(any::<u8>(), 0..3000),
            known: bool, as_wave: bool, float: bool,
        ) {
            let mut bytes = soup;
            if as_wave {
                let mut whole = wave(1, &[]);
                if float {
                    // Floats of 32 bits, of any pattern.
                    whole[20] = 3;
                    whole[32] = 4;
                    whole[34] = 32;
                }
                whole[40..44].copy_from_slice(&(bytes.len() as u32 / 4 * 4).to_le_bytes());
                whole.extend(bytes);
                bytes = whole;
            }
            measure(bytes, known, 200, 100);
        }

        #[test]
        fn changed_headers_end_without_absurd_memory(
            changes in proptest::collection::vec((0usize..44, any::<u8>()), 1..6),
            cut in 0usize..4044, known: bool,
        ) {
            let samples: Vec<i16> = (0..2000).map(|at| ((at % 100) * 300) as i16).collect();
            let mut bytes = wave(1, &samples);
            for (at, value) in changes {
                bytes[at] = value;
            }
            bytes.truncate(cut.max(44));
            let (windows, held) = measure(bytes, known, 1000, 500);
            prop_assert!(windows <= 4000 / 500 + 1);
            prop_assert!(held < 100_000);
        }
    }
}
