//! Readings at any hop over audio of many channels that comes in pieces of any size.

use crate::{Coupling, Estimate, Meter, Waveform};
use model::time::SampleRate;

/// Windows of all channels, one after the other, measured as soon as they are whole.
/// One meter, with its transforms and buffers, serves all channels.
///
/// ```
/// use meter::Stream;
/// use model::quantity::Hertz;
/// use model::time::SampleRate;
///
/// let rate = SampleRate::new(Hertz::of(48_000.0)).unwrap();
/// let mut stream = Stream::new(rate, 2, 4_800, 2_400);
/// let frames: Vec<f32> = (0..12_000)
///     .flat_map(|n| [(f64::from(n) * 0.1).sin() as f32 * 0.5, 0.0])
///     .collect();
/// let mut begins = Vec::new();
/// for piece in frames.chunks(1_001) {
///     stream.push_interleaved(piece);
///     while let Some(reading) = stream.reading() {
///         begins.push((reading.begins, reading.channel));
///     }
/// }
/// assert_eq!(begins[..4], [(0, 0), (0, 1), (2_400, 0), (2_400, 1)]);
/// ```
#[derive(Debug)]
pub struct Stream {
    meter: Meter,
    window: usize,
    hop: u64,
    /// Samples of each channel from frame `held_from` on.
    held: Vec<Vec<f32>>,
    held_from: u64,
    /// Samples of a frame of which the rest has not come yet.
    begun: Vec<f32>,
    next: u64,
    /// Which channel of the next window comes next.
    turn: usize,
    only: Option<usize>,
    waveforms: Option<Coupling>,
    finished: bool,
}

/// A window of one channel, measured.
#[derive(Debug)]
pub struct StreamReading<'a> {
    /// The first frame of the window, counted from the beginning of the stream.
    pub begins: u64,
    /// The channel, counted from 0.
    pub channel: usize,
    /// Its samples.
    pub samples: &'a [f32],
    /// What was found.
    pub estimate: Estimate,
    /// The waveform, where that was asked for and there is a tone.
    pub waveform: Option<Waveform>,
}

impl Stream {
    /// Windows of `window` frames, each `hop` frames after the one before, of `channels`
    /// channels. All are at least one.
    #[must_use]
    pub fn new(rate: SampleRate, channels: usize, window: usize, hop: u64) -> Self {
        Self {
            meter: Meter::new(rate),
            window: window.max(1),
            hop: hop.max(1),
            held: vec![Vec::new(); channels.max(1)],
            held_from: 0,
            begun: Vec::new(),
            next: 0,
            turn: 0,
            only: None,
            waveforms: None,
            finished: false,
        }
    }

    /// Measures this channel (from 0) only.
    #[must_use]
    pub fn only(mut self, channel: Option<usize>) -> Self {
        self.only = channel;
        self
    }

    /// Measures waveforms too.
    #[must_use]
    pub fn with_waveforms(mut self, coupling: Option<Coupling>) -> Self {
        self.waveforms = coupling;
        self
    }

    /// Takes more samples of each channel; of channels of unequal length what all have,
    /// of missing ones silence.
    pub fn push(&mut self, channels: &[impl AsRef<[f32]>]) {
        let frames = channels
            .iter()
            .map(|samples| samples.as_ref().len())
            .min()
            .unwrap_or(0);
        for (index, held) in self.held.iter_mut().enumerate() {
            match channels.get(index) {
                Some(samples) => held.extend_from_slice(&samples.as_ref()[..frames]),
                None => held.resize(held.len() + frames, 0.0),
            }
        }
    }

    /// Takes more samples, frame by frame; a piece may end within a frame.
    pub fn push_interleaved(&mut self, samples: &[f32]) {
        let count = self.held.len();
        let mut samples = samples;
        if !self.begun.is_empty() {
            let wanted = (count - self.begun.len()).min(samples.len());
            self.begun.extend_from_slice(&samples[..wanted]);
            samples = &samples[wanted..];
            if self.begun.len() < count {
                return;
            }
            for (held, sample) in self.held.iter_mut().zip(self.begun.drain(..)) {
                held.push(sample);
            }
        }
        let frames = samples.chunks_exact(count);
        self.begun.extend_from_slice(frames.remainder());
        for (channel, held) in self.held.iter_mut().enumerate() {
            held.extend(frames.clone().map(|frame| frame[channel]));
        }
    }

    /// Says that nothing more comes. A rest that is shorter than a window is measured only
    /// if it is all there is.
    pub fn finish(&mut self) {
        self.finished = true;
    }

    /// The next window of the next channel, if all of it has come.
    pub fn reading(&mut self) -> Option<StreamReading<'_>> {
        let channel = self.whose_turn()?;
        let length = self.next_length()?;
        let at = (self.next - self.held_from) as usize;
        let begins = self.next;
        self.turn = channel + 1;
        let samples = &self.held[channel][at..at + length];
        let estimate = self.meter.estimate(samples);
        let waveform = self
            .waveforms
            .and_then(|coupling| self.meter.waveform(samples, &estimate, coupling));
        Some(StreamReading {
            begins,
            channel,
            samples,
            estimate,
            waveform,
        })
    }

    /// How many frames are kept for windows to come.
    #[must_use]
    pub fn held(&self) -> usize {
        self.held.first().map_or(0, Vec::len)
    }

    /// The channel that comes next; goes on to the next window when all have had theirs.
    fn whose_turn(&mut self) -> Option<usize> {
        let wanted = |channel: &usize| self.only.is_none_or(|only| only == *channel);
        if let Some(channel) = (self.turn..self.held.len()).find(wanted) {
            return Some(channel);
        }
        let first = (0..self.held.len()).find(wanted)?;
        self.next += self.hop;
        self.turn = 0;
        self.forget();
        Some(first)
    }

    /// The length of the next window, if it is there.
    fn next_length(&self) -> Option<usize> {
        let held = self.held() as u64 + self.held_from;
        if held >= self.next + self.window as u64 {
            return Some(self.window);
        }
        (self.finished && self.next == 0 && held > 0).then_some(held as usize)
    }

    /// Drops what no further window needs.
    fn forget(&mut self) {
        let spent = (self.next - self.held_from).min(self.held() as u64) as usize;
        // Moving the rest costs as much as it is long, so it is done now and then.
        if spent > 0 && (spent >= self.window || spent == self.held()) {
            for samples in &mut self.held {
                samples.drain(..spent);
            }
            self.held_from += spent as u64;
        }
    }
}
