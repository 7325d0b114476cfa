//! Time: host time, sample time, and the one mapping between them; time within
//! a run; and the flag that stops a wait.

use crate::quantity::{Fraction, Hertz, Seconds};
use std::fmt;
use std::ops::{Add, Sub};
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::Duration;

pub use jiff::Timestamp;

/// A point in the host's time, in nanoseconds since a moment of its own choice
/// (its start, say). Counts while the machine is suspended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct HostTime(i64);

impl HostTime {
    /// The point this many nanoseconds after the host's zero.
    #[must_use]
    pub const fn from_nanoseconds(nanoseconds: i64) -> Self {
        Self(nanoseconds)
    }
    /// Nanoseconds since the host's zero.
    #[must_use]
    pub const fn nanoseconds(self) -> i64 {
        self.0
    }
    /// The time from `earlier` to this point; zero when `earlier` is later.
    #[must_use]
    pub fn since(self, earlier: Self) -> Seconds {
        Seconds::from_nanoseconds(self.0.saturating_sub(earlier.0))
    }
}

impl Add<Seconds> for HostTime {
    type Output = Self;
    fn add(self, by: Seconds) -> Self {
        Self(self.0.saturating_add(by.nanoseconds()))
    }
}

impl Sub<Seconds> for HostTime {
    type Output = Self;
    fn sub(self, by: Seconds) -> Self {
        Self(self.0.saturating_sub(by.nanoseconds()))
    }
}

/// A point in the time of a run: nanoseconds since the run began, gaps between
/// its sessions included. What is stored is in this time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct RunTime(i64);

impl RunTime {
    /// The moment the run began.
    pub const START: Self = Self(0);
    /// The point this many nanoseconds after the run began.
    #[must_use]
    pub const fn from_nanoseconds(nanoseconds: i64) -> Self {
        Self(nanoseconds)
    }
    /// Nanoseconds since the run began.
    #[must_use]
    pub const fn nanoseconds(self) -> i64 {
        self.0
    }
    /// Seconds since the run began.
    #[must_use]
    pub fn seconds(self) -> f64 {
        self.0 as f64 * 1e-9
    }
    /// Seconds since `origin`, negative before it.
    #[must_use]
    pub fn seconds_from(self, origin: Self) -> f64 {
        (self.0 - origin.0) as f64 * 1e-9
    }
}

impl Add<Seconds> for RunTime {
    type Output = Self;
    fn add(self, by: Seconds) -> Self {
        Self(self.0.saturating_add(by.nanoseconds()))
    }
}

/// Which unbroken stretch of a capture stream a sample belongs to. A
/// reconnection or a loss of unknown size begins the next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Epoch(pub u32);

/// A point in the time of a capture stream: the index of a frame in an epoch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SampleTime {
    /// The unbroken stretch.
    pub epoch: Epoch,
    /// Frames since its beginning.
    pub index: u64,
}

/// A stretch of frames, from `start` on, the end excluded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// Its first frame.
    pub start: SampleTime,
    /// How many frames.
    pub frames: u64,
}

impl Span {
    /// The first frame after the span.
    #[must_use]
    pub const fn end(self) -> SampleTime {
        SampleTime {
            epoch: self.start.epoch,
            index: self.start.index + self.frames,
        }
    }
    /// The span of `frames` frames that follows this one without a gap.
    #[must_use]
    pub const fn then(self, frames: u64) -> Self {
        Self {
            start: self.end(),
            frames,
        }
    }
    /// Whether a frame lies in the span.
    #[must_use]
    pub fn contains(self, at: SampleTime) -> bool {
        at.epoch == self.start.epoch
            && at.index >= self.start.index
            && at.index < self.start.index + self.frames
    }
}

/// A sample rate: frames in a second, nominal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleRate(Hertz);

impl SampleRate {
    /// A rate between 1 kHz and 1 MHz.
    #[must_use]
    pub fn new(rate: Hertz) -> Option<Self> {
        (1e3..=1e6).contains(&rate.get()).then_some(Self(rate))
    }
    /// Frames in a second.
    #[must_use]
    pub const fn get(self) -> f64 {
        self.0.get()
    }
    /// The number of frames nearest to a duration.
    #[must_use]
    pub fn frames(self, duration: Seconds) -> u64 {
        (duration.get() * self.get()).round() as u64
    }
    /// How long a number of frames lasts.
    #[must_use]
    pub fn duration(self, frames: u64) -> Seconds {
        Seconds::of(frames as f64 / self.get())
    }
}

/// The only place where sample time meets host time. It places windows; it never
/// enters a frequency, which comes from the nominal rate and the calibration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timeline {
    /// A frame and the host time at which it was sampled.
    pub anchor: (SampleTime, HostTime),
    /// The nominal rate.
    pub rate: SampleRate,
    /// How much faster the device runs than nominal, as far as it is known.
    pub rate_error: Fraction,
    /// How far off, either way, the mapping may be.
    pub jitter: Seconds,
}

impl Timeline {
    /// When a frame of the anchor's epoch was or will be sampled.
    #[must_use]
    pub fn host_time(&self, at: SampleTime) -> HostTime {
        let frames = at.index as i128 - i128::from(self.anchor.0.index);
        let rate = self.rate.get() * (1.0 + self.rate_error.get());
        HostTime(
            self.anchor
                .1
                .0
                .saturating_add((frames as f64 / rate * 1e9).round() as i64),
        )
    }
    /// The first frame sampled at or after a host time; frame 0 for times
    /// before the epoch.
    #[must_use]
    pub fn sample_time(&self, at: HostTime) -> SampleTime {
        let seconds = (at.0 - self.anchor.1.0) as f64 * 1e-9;
        let rate = self.rate.get() * (1.0 + self.rate_error.get());
        // Host time is whole nanoseconds: a frame that falls on the instant itself
        // must not be rounded up past it.
        let frames = (seconds * rate - 1e-3).ceil() as i64;
        let index = i64::try_from(self.anchor.0.index)
            .unwrap_or(i64::MAX)
            .saturating_add(frames);
        SampleTime {
            epoch: self.anchor.0.epoch,
            index: u64::try_from(index).unwrap_or(0),
        }
    }
}

/// Why a run is asked to stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StopReason {
    /// The person at the bench asked (Ctrl-C, a request from another process).
    Asked,
    /// The system asked (SIGTERM, a shutdown).
    System,
    /// An instrument's own word, or an electrical fault: supplies go off.
    Electrical,
}

/// The wait was cut short because the run is to stop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("stopped on request")]
pub struct Cancelled;

/// A flag that any thread may raise and that every wait heeds. Clones share it.
#[derive(Clone, Default)]
pub struct Stop {
    shared: Arc<Shared>,
}

#[derive(Default)]
struct Shared {
    reason: AtomicU8,
    guard: Mutex<()>,
    raised: Condvar,
}

impl Stop {
    /// A flag that is down.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }
    /// Raises the flag. The first reason stays, except that an electrical one
    /// outranks the others.
    pub fn raise(&self, reason: StopReason) {
        let code = match reason {
            StopReason::Asked => 1,
            StopReason::System => 2,
            StopReason::Electrical => 3,
        };
        let before = self.shared.reason.load(Ordering::SeqCst);
        if before == 0 || code == 3 {
            self.shared.reason.store(code, Ordering::SeqCst);
        }
        let _guard = self
            .shared
            .guard
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        self.shared.raised.notify_all();
    }
    /// Why the flag is up, if it is.
    #[must_use]
    pub fn reason(&self) -> Option<StopReason> {
        match self.shared.reason.load(Ordering::SeqCst) {
            1 => Some(StopReason::Asked),
            2 => Some(StopReason::System),
            3 => Some(StopReason::Electrical),
            _ => None,
        }
    }
    /// Whether the flag is up, as an error to return with `?`.
    ///
    /// # Errors
    /// [`Cancelled`] when it is.
    pub fn check(&self) -> Result<(), Cancelled> {
        if self.reason().is_some() {
            Err(Cancelled)
        } else {
            Ok(())
        }
    }
    /// Blocks the calling thread for at most `longest`, less if the flag goes up.
    /// For real clocks and devices only; simulated ones move their own time.
    ///
    /// # Errors
    /// [`Cancelled`] when the flag is up.
    pub fn wait(&self, longest: Duration) -> Result<(), Cancelled> {
        let guard = self
            .shared
            .guard
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        let waited = self
            .shared
            .raised
            .wait_timeout_while(guard, longest, |()| self.reason().is_none());
        drop(waited.unwrap_or_else(PoisonError::into_inner));
        self.check()
    }
}

impl fmt::Debug for Stop {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Stop")
            .field("reason", &self.reason())
            .finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn timeline() -> Timeline {
        Timeline {
            anchor: (
                SampleTime {
                    epoch: Epoch(0),
                    index: 480,
                },
                HostTime(1_000_000_000),
            ),
            rate: SampleRate::new(Hertz::of(48_000.0)).unwrap(),
            rate_error: Fraction::ZERO,
            jitter: Seconds::ZERO,
        }
    }

    #[test]
    fn the_two_mappings_are_inverse() {
        let timeline = timeline();
        for index in [0, 479, 480, 481, 48_000, 2_073_600_000] {
            let at = SampleTime {
                epoch: Epoch(0),
                index,
            };
            assert_eq!(timeline.sample_time(timeline.host_time(at)), at, "{index}");
        }
        assert_eq!(timeline.sample_time(HostTime(0)).index, 0);
    }

    #[test]
    fn an_electrical_reason_outranks() {
        let stop = Stop::new();
        assert_eq!(stop.check(), Ok(()));
        stop.raise(StopReason::Asked);
        stop.raise(StopReason::System);
        assert_eq!(stop.reason(), Some(StopReason::Asked));
        stop.raise(StopReason::Electrical);
        assert_eq!(stop.reason(), Some(StopReason::Electrical));
    }
}
