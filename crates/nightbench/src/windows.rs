//! Windows at any hop out of a recording, which is read only as far as they need.

use crate::exit::Failure;
use crate::recording::Recording;
use std::io::BufRead;

/// Windows of a recording, one after the other.
#[derive(Debug)]
pub struct Windows<R> {
    recording: Recording<R>,
    frames: usize,
    hop: u64,
    /// Samples of each channel from frame `held_from` on.
    held: Vec<Vec<f32>>,
    held_from: u64,
    next: u64,
    ended: bool,
    /// What is wrong with the recording, told after the windows before it.
    failure: Option<Failure>,
}

/// A window of a recording.
#[derive(Debug)]
pub struct Window<'a> {
    /// Its first frame.
    pub begins: u64,
    /// The samples of each channel.
    pub channels: Vec<&'a [f32]>,
}

impl<R: BufRead> Windows<R> {
    /// Windows of `frames` frames, each `hop` frames after the one before.
    pub fn new(recording: Recording<R>, frames: usize, hop: u64) -> Self {
        let held = vec![Vec::new(); usize::from(recording.channels())];
        Self {
            recording,
            frames: frames.max(1),
            hop: hop.max(1),
            held,
            held_from: 0,
            next: 0,
            ended: false,
            failure: None,
        }
    }

    /// The next window. A rest that
    /// is shorter than a window comes only if it is all there is.
    ///
    /// # Errors
    /// What is wrong with the recording; windows that are whole before it come first.
    pub fn next(&mut self) -> Result<Option<Window<'_>>, Failure> {
        loop {
            self.forget();
            let wanted = self.next - self.held_from + self.frames as u64;
            if self.held_frames() as u64 >= wanted {
                break;
            }
            if let Some(failure) = self.failure.take() {
                return Err(failure);
            }
            if self.ended {
                break;
            }
            match self.recording.next(&mut self.held) {
                Ok(frames) => self.ended = frames == 0,
                Err(failure) => {
                    self.ended = true;
                    self.failure = Some(failure);
                }
            }
        }
        let at = (self.next - self.held_from) as usize;
        let held = self.held_frames();
        let until = at + self.frames;
        if held < until && (self.next > 0 || held == 0) {
            return Ok(None);
        }
        let begins = self.next;
        self.next += self.hop;
        let channels = self
            .held
            .iter()
            .map(|samples| &samples[at..until.min(samples.len())])
            .collect();
        Ok(Some(Window { begins, channels }))
    }

    fn held_frames(&self) -> usize {
        // A sample that is no number may leave the first channels one ahead.
        self.held.iter().map(Vec::len).min().unwrap_or(0)
    }

    /// Drops what no further window needs.
    fn forget(&mut self) {
        let spent = (self.next - self.held_from).min(self.held_frames() as u64) as usize;
        // Moving the rest costs as much as it is long, so it is done now and then.
        if spent > 0 && (spent >= self.frames || spent == self.held_frames()) {
            for samples in &mut self.held {
                samples.drain(..spent);
            }
            self.held_from += spent as u64;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::io::Cursor;

    /// A header of 44 bytes for one or more channels of 16 bits, and the samples.
    fn wave(channels: u16, samples: &[i16]) -> Vec<u8> {
        let size = samples.len() as u32 * 2;
        let mut bytes = b"RIFF".to_vec();
        bytes.extend((size + 36).to_le_bytes());
        bytes.extend(b"WAVEfmt \x10\0\0\0\x01\0");
        bytes.extend(channels.to_le_bytes());
        bytes.extend(48_000u32.to_le_bytes());
        bytes.extend((96_000 * u32::from(channels)).to_le_bytes());
        bytes.extend((2 * channels).to_le_bytes());
        bytes.extend(b"\x10\0data");
        bytes.extend(size.to_le_bytes());
        bytes.extend(samples.iter().flat_map(|sample| sample.to_le_bytes()));
        bytes
    }

    /// Reads a recording to its end and measures it; how many windows there were, and
    /// the most frames held at once.
    fn measure(bytes: Vec<u8>, known: bool, frames: usize, hop: u64) -> (usize, usize) {
        let length = known.then_some(bytes.len() as u64);
        let Ok(recording) = Recording::new("soup".to_owned(), Cursor::new(bytes), length) else {
            return (0, 0);
        };
        let mut meter = meter::Meter::new(recording.rate());
        let mut windows = Windows::new(recording, frames, hop);
        let (mut count, mut most) = (0, 0);
        while let Ok(Some(window)) = windows.next() {
            for samples in &window.channels {
                let estimate = meter.estimate(samples);
                assert!(estimate.frequency.is_none_or(|hz| hz.get().is_finite()));
            }
            count += 1;
            most = most.max(windows.held.iter().map(Vec::capacity).max().unwrap_or(0));
        }
        (count, most)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(192))]

        #[test]
        fn windows_are_the_samples_at_their_place(
            length in 1usize..20_000, channels in 1u16..4, frames in 1usize..6000, hop in 1u64..9000,
        ) {
            let hop = hop.max(length as u64 / 50);
            let value = |at: u64, channel: usize| (at * 7 + channel as u64 * 1000) as u16 as i16;
            let samples: Vec<i16> = (0..length as u64)
                .flat_map(|at| (0..usize::from(channels)).map(move |channel| value(at, channel)))
                .collect();
            let bytes = wave(channels, &samples);
            let size = bytes.len() as u64;
            let recording =
                Recording::new("tone".to_owned(), Cursor::new(bytes), Some(size)).unwrap();
            let mut windows = Windows::new(recording, frames, hop);
            let mut count = 0;
            while let Some(Window { begins, channels: window }) = windows.next().unwrap() {
                prop_assert_eq!(begins, count * hop);
                for (channel, samples) in window.iter().enumerate() {
                    prop_assert_eq!(samples.len(), frames.min(length));
                    for (at, sample) in samples.iter().enumerate() {
                        let expected = f32::from(value(begins + at as u64, channel)) / 32_768.0;
                        prop_assert_eq!(*sample, expected);
                    }
                }
                count += 1;
            }
            let whole = length.checked_sub(frames).map_or(1, |rest| rest as u64 / hop + 1);
            prop_assert_eq!(count, whole);
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
            let begun = std::time::Instant::now();
            let (windows, held) = measure(bytes, known, 1000, 500);
            prop_assert!(windows <= 4000 / 500 + 1);
            prop_assert!(held < 100_000);
            prop_assert!(begun.elapsed() < std::time::Duration::from_secs(20));
        }
    }
}
