//! The ring between the audio thread and everyone else: the samples of about a
//! minute, and what the audio thread has to say about them.
//!
//! The audio thread never waits, locks or allocates here. It writes, announces
//! how far it will have written, and a reader finds out afterwards whether what it
//! copied was written over meanwhile.

use std::sync::atomic::{AtomicI64, AtomicU32, AtomicU64, Ordering, fence};

/// Samples of several channels, the newest over the oldest.
pub(crate) struct Ring {
    /// One row per frame, one column per channel kept; 32-bit floats as bits.
    samples: Vec<AtomicU32>,
    channels: usize,
    frames: u64,
    /// Frames before this one are complete.
    written: AtomicU64,
    /// Frames before this one may be being written.
    reserved: AtomicU64,
    /// Host time of the last callback, in nanoseconds; 0 before the first.
    last_callback: AtomicI64,
    /// The rate observed, against the nominal one; 0 before it is known, 64-bit
    /// float as bits.
    pace: AtomicU64,
    /// When frame 0 would have been sampled, going by the earliest of the recent
    /// callbacks; the largest number before the first.
    start: AtomicI64,
    /// How far the recent callbacks spread, in nanoseconds.
    spread: AtomicI64,
    /// The largest number of frames in one callback.
    block: AtomicU64,
    losses: Losses,
}

/// Where samples were lost: the last few places.
struct Losses {
    places: [AtomicU64; 64],
    count: AtomicU64,
}

impl Ring {
    /// A ring for this many channels and frames.
    pub fn new(channels: usize, frames: u64) -> Self {
        let cells = channels * frames as usize;
        Self {
            samples: (0..cells).map(|_| AtomicU32::new(0)).collect(),
            channels,
            frames,
            written: AtomicU64::new(0),
            reserved: AtomicU64::new(0),
            last_callback: AtomicI64::new(0),
            pace: AtomicU64::new(0),
            start: AtomicI64::new(i64::MAX),
            spread: AtomicI64::new(0),
            block: AtomicU64::new(0),
            losses: Losses {
                places: [const { AtomicU64::new(0) }; 64],
                count: AtomicU64::new(0),
            },
        }
    }

    /// Frames that have been written in all.
    pub fn written(&self) -> u64 {
        self.written.load(Ordering::Acquire)
    }

    /// Host time of the last callback in nanoseconds, if there was one.
    pub fn last_callback(&self) -> Option<i64> {
        Some(self.last_callback.load(Ordering::Acquire)).filter(|at| *at != 0)
    }

    /// The rate observed, against the nominal one, once it is known.
    pub fn pace(&self) -> Option<f64> {
        Some(f64::from_bits(self.pace.load(Ordering::Acquire))).filter(|pace| *pace > 0.0)
    }

    /// For the audio thread: says which rate it observes, against the nominal one.
    pub fn set_pace(&self, pace: f64) {
        self.pace.store(pace.to_bits(), Ordering::Release);
    }

    /// When frame 0 was sampled, going by recent callbacks, and how far those spread.
    pub fn start(&self) -> Option<(i64, i64)> {
        let start = self.start.load(Ordering::Acquire);
        (start != i64::MAX).then(|| (start, self.spread.load(Ordering::Acquire)))
    }

    /// The largest number of frames that came at once.
    pub fn block(&self) -> u64 {
        self.block.load(Ordering::Acquire)
    }

    /// For the audio thread: says when a callback came and what follows from it.
    pub fn stamp(&self, now: i64, start: i64, spread: i64, frames: u64) {
        self.last_callback.store(now, Ordering::Release);
        self.spread.store(spread, Ordering::Release);
        self.start.store(start, Ordering::Release);
        self.block.fetch_max(frames, Ordering::AcqRel);
    }

    /// For the audio thread: adds frames. `sample` is asked for the sample of a
    /// frame, counted from 0, and a column.
    pub fn push(&self, frames: u64, mut sample: impl FnMut(usize, usize) -> f32) {
        let first = self.written.load(Ordering::Relaxed);
        self.reserved.store(first + frames, Ordering::Relaxed);
        // The reservation must be seen before any of the samples are.
        fence(Ordering::Release);
        for frame in 0..frames {
            let row = ((first + frame) % self.frames) as usize * self.channels;
            for column in 0..self.channels {
                self.samples[row + column]
                    .store(sample(frame as usize, column).to_bits(), Ordering::Relaxed);
            }
        }
        self.written.store(first + frames, Ordering::Release);
    }

    /// Notes that samples were lost before the frame to be written next.
    pub fn lost(&self) {
        let place = self.written.load(Ordering::Acquire);
        let number = self.losses.count.load(Ordering::Relaxed);
        let slot = (number % self.losses.places.len() as u64) as usize;
        self.losses.places[slot].store(place, Ordering::Relaxed);
        self.losses.count.store(number + 1, Ordering::Release);
    }

    /// The places between two frames before which samples were lost.
    pub fn losses(&self, from: u64, to: u64) -> Vec<u64> {
        let count = self.losses.count.load(Ordering::Acquire) as usize;
        let mut found: Vec<u64> = self.losses.places[..count.min(self.losses.places.len())]
            .iter()
            .map(|place| place.load(Ordering::Relaxed))
            .filter(|place| *place >= from && *place < to)
            .collect();
        found.sort_unstable();
        found.dedup();
        found
    }

    /// Whether a frame is no longer kept.
    pub fn overwritten(&self, frame: u64) -> bool {
        self.reserved.load(Ordering::Acquire) > frame.saturating_add(self.frames)
    }

    /// Copies complete frames, column by column, or nothing when they are no
    /// longer kept.
    pub fn copy(&self, first: u64, columns: &mut [Vec<f32>], frames: u64) -> Option<()> {
        if frames > self.frames || self.overwritten(first) {
            return None;
        }
        for (column, samples) in columns.iter_mut().enumerate() {
            samples.clear();
            samples.extend((first..first + frames).map(|frame| {
                let row = (frame % self.frames) as usize * self.channels;
                f32::from_bits(self.samples[row + column].load(Ordering::Relaxed))
            }));
        }
        // What was read must be read before it is asked whether it still held.
        fence(Ordering::Acquire);
        (!self.overwritten(first)).then_some(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;
    use std::sync::atomic::AtomicBool;

    #[test]
    fn old_frames_are_refused_not_mixed_with_new_ones() {
        let ring = Ring::new(2, 10);
        let mut columns = vec![Vec::new(), Vec::new()];
        let mut next = 0.0;
        for _ in 0..3 {
            ring.push(4, |frame, column| {
                next + frame as f32 + 100.0 * column as f32
            });
            next += 4.0;
        }
        assert_eq!(ring.written(), 12);
        assert!(ring.copy(1, &mut columns, 4).is_none());
        assert!(ring.copy(2, &mut columns, 10).is_some());
        assert_eq!(columns[0], (2..12).map(|n| n as f32).collect::<Vec<_>>());
        assert_eq!(columns[1][0], 102.0);
        assert!(ring.copy(2, &mut columns, 11).is_none());
    }

    #[test]
    fn a_reader_beside_a_writer_sees_whole_stretches_only() {
        let ring = Arc::new(Ring::new(1, 1000));
        let writer = Arc::clone(&ring);
        let enough = Arc::new(AtomicBool::new(false));
        let end = Arc::clone(&enough);
        // Exact in 32-bit floats.
        let sample = |frame: u64| (frame % 1_000_003) as f32;
        let thread = std::thread::spawn(move || {
            let mut next = 0;
            while !end.load(Ordering::Relaxed) {
                writer.push(64, |frame, _| sample(next + frame as u64));
                next += 64;
            }
        });
        let mut columns = vec![Vec::new()];
        let mut whole = 0;
        while whole < 1000 {
            let first = ring.written().saturating_sub(900);
            if ring.written() >= first + 800 && ring.copy(first, &mut columns, 800).is_some() {
                whole += 1;
                let expected = (first..first + 800).map(sample);
                assert!(columns[0].iter().copied().eq(expected));
            }
        }
        enough.store(true, Ordering::Relaxed);
        thread.join().unwrap();
    }

    #[test]
    fn losses_are_found_where_they_were() {
        let ring = Ring::new(1, 100);
        ring.push(40, |_, _| 0.0);
        ring.lost();
        ring.lost();
        ring.push(40, |_, _| 0.0);
        ring.lost();
        assert_eq!(ring.losses(0, 80), [40]);
        assert_eq!(ring.losses(40, 81), [40, 80]);
        assert!(ring.losses(41, 80).is_empty());
    }
}
