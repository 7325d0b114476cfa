//! Changes of note in audio of many channels that comes in pieces: each with its onset and
//! its settling curve.

use crate::{Estimate, Meter, Onset, SettlingPoint};
use model::quantity::{Cents, Hertz, HertzDifference, Seconds};
use model::time::SampleRate;

/// What the pitch is followed by, seconds: short enough to see a note of a fifth of a
/// second, long enough for the lowest.
const LOOK: f64 = 0.1;
const LOOKS_A_WINDOW: usize = 4;
/// Windows that agree so well are of one note, cents.
const SAME_NOTE: f64 = 6.0;
/// A pitch so far off has left the note, cents.
const LEFT: f64 = 30.0;
/// The old note is kept this long before a change, seconds.
const BEFORE: f64 = 0.3;
/// A settling curve is followed so long, seconds, unless the next change comes first.
const LONGEST: f64 = 2.0;
/// The windows of the curve: at least so long, and so many periods of the lower note.
const CURVE_WINDOW: f64 = 0.02;
const CURVE_PERIODS: f64 = 6.0;

/// A change from one note to another.
#[derive(Debug, Clone, PartialEq)]
pub struct NoteChange {
    /// The channel, counted from 0.
    pub channel: usize,
    /// When the pitch began to leave the old note, from the beginning of the stream.
    pub onset: Seconds,
    /// Standard uncertainty of that moment.
    pub u_onset: Seconds,
    /// The old note.
    pub from: Estimate,
    /// Where the new note came to rest: over the end of the curve.
    pub to: Estimate,
    /// The frequency after the onset, over overlapping short windows.
    pub curve: Vec<SettlingPoint>,
}

impl NoteChange {
    /// How far a point of the curve is from where the note came to rest.
    #[must_use]
    pub fn from_rest(&self, point: &SettlingPoint) -> Option<Cents> {
        Some(point.frequency.cents_from(self.to.frequency?))
    }

    /// When the curve came to stay within `within` of where the note came to rest, after
    /// the onset: the beginning of the first window from which on all are. Uncertainties
    /// count for the note: what noise alone may have put outside is inside. `None` where
    /// the last window is still outside.
    #[must_use]
    pub fn settled_after(&self, within: Cents) -> Option<Seconds> {
        let outside = |point: &SettlingPoint| {
            let slack = point.u.cents_at(point.frequency).get() * 2.0;
            self.from_rest(point)
                .is_none_or(|off| off.get().abs() > within.get() + slack)
        };
        let inside = self
            .curve
            .iter()
            .rposition(outside)
            .map_or(0, |last| last + 1);
        self.curve.get(inside).map(|point| point.begins)
    }

    /// How far the curve went beyond where the note came to rest; nothing where it did
    /// not, or noise may have made it seem so.
    #[must_use]
    pub fn overshoot(&self) -> Option<Cents> {
        let rising = self.to.frequency? > self.from.frequency?;
        let beyond = self.curve.iter().filter_map(|point| {
            let off = self.from_rest(point)?.get();
            let slack = point.u.cents_at(point.frequency).get() * 3.0;
            let beyond = if rising { off } else { -off };
            (beyond > slack).then_some(beyond)
        });
        Some(Cents::of(beyond.fold(0.0, f64::max)))
    }
}

/// Follows the pitch of every channel and finds changes of note.
#[derive(Debug)]
pub struct ChangeFinder {
    meter: Meter,
    rate: f64,
    followed: Vec<Followed>,
}

/// A channel under way.
#[derive(Debug, Default)]
struct Followed {
    samples: Vec<f32>,
    /// The frame of the first of them.
    from: u64,
    /// Where the next look begins.
    next: u64,
    before: Option<Hertz>,
    /// What the last looks saw, cents, the latest last.
    looks: Vec<f64>,
    /// The note that sounds, and the last look that agreed with it.
    note: Option<(f64, u64)>,
    /// A change under way: up to where the old note sounded.
    leaving: Option<u64>,
}

impl ChangeFinder {
    /// Follows so many channels.
    #[must_use]
    pub fn new(rate: SampleRate, channels: usize) -> Self {
        Self {
            meter: Meter::new(rate),
            rate: rate.get(),
            followed: (0..channels).map(|_| Followed::default()).collect(),
        }
    }

    /// Takes more samples of a channel (from 0), and adds the changes of note that are
    /// complete with them to `found`.
    pub fn push(&mut self, channel: usize, samples: &[f32], found: &mut Vec<NoteChange>) {
        let Some(followed) = self.followed.get_mut(channel) else {
            return;
        };
        followed.samples.extend_from_slice(samples);
        let window = (LOOK * self.rate) as usize;
        let hop = (window / LOOKS_A_WINDOW).max(1);
        loop {
            let at = (followed.next - followed.from) as usize;
            let Some(look) = followed.samples.get(at..at + window) else {
                break;
            };
            let estimate = self.meter.glimpse(look, followed.before);
            followed.before = estimate.frequency;
            let cents = estimate
                .frequency
                .map(|frequency| frequency.cents_from(Hertz::of(1.0)).get());
            let u = estimate.frequency.zip(estimate.u).map_or(0.0, cents_of);
            if let Some((until, end)) = followed.see(cents, u, self.rate) {
                found.extend(change(&mut self.meter, followed, channel, until, end));
            }
            followed.next += hop as u64;
            followed.forget(self.rate);
        }
    }

    /// Says that nothing more comes, and adds what is complete with that to `found`.
    pub fn finish(&mut self, found: &mut Vec<NoteChange>) {
        for (channel, followed) in self.followed.iter_mut().enumerate() {
            if let Some(until) = followed.leaving.take() {
                let end = followed.from + followed.samples.len() as u64;
                found.extend(change(&mut self.meter, followed, channel, until, end));
            }
        }
    }
}

fn cents_of((frequency, u): (Hertz, HertzDifference)) -> f64 {
    u.cents_at(frequency).get()
}

impl Followed {
    /// Takes what the look at `next` saw. A change that is complete is handed back: up to
    /// where the old note sounded, and up to where the new one.
    fn see(&mut self, cents: Option<f64>, u: f64, rate: f64) -> Option<(u64, u64)> {
        let slack = 3.0 * u;
        match cents {
            Some(cents) => self.looks.push(cents),
            None => self.looks.clear(),
        }
        let agree = self.agree(slack);
        let agrees =
            |note: f64, by: f64| cents.is_some_and(|cents| (cents - note).abs() < by + slack);
        match (self.note, self.leaving) {
            (None, None) => {
                self.note = agree.map(|note| (note, self.next));
                None
            }
            (Some((note, _)), None) if agrees(note, LEFT) => {
                // A note may drift; the last looks say where it is.
                self.note = Some((agree.unwrap_or(note), self.next));
                None
            }
            (Some((_, last)), None) => {
                self.leave(last);
                None
            }
            (None, Some(until)) => {
                self.note = agree.map(|note| (note, self.next));
                self.out_of_time(until, rate)
            }
            (Some((note, _)), Some(until)) if agrees(note, LEFT) => {
                self.note = Some((note, self.next));
                self.out_of_time(until, rate)
            }
            (Some((_, last)), Some(until)) => {
                self.leave(last);
                Some((until, last + (LOOK * rate / 2.0) as u64))
            }
        }
    }

    fn leave(&mut self, until: u64) {
        self.leaving = Some(until);
        self.note = None;
        self.looks.clear();
    }

    fn out_of_time(&mut self, until: u64, rate: f64) -> Option<(u64, u64)> {
        let end = self.next + (LOOK * rate) as u64;
        (end - until > (LONGEST * rate) as u64).then(|| {
            self.leaving = None;
            (until, end)
        })
    }

    /// The mean of the last looks, over a window and its neighbour, if they are of one note.
    fn agree(&mut self, slack: f64) -> Option<f64> {
        let spare = self.looks.len().saturating_sub(LOOKS_A_WINDOW + 1);
        self.looks.drain(..spare);
        if self.looks.len() <= LOOKS_A_WINDOW {
            return None;
        }
        let (low, high) = self
            .looks
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| {
                (low.min(*x), high.max(*x))
            });
        (high - low < SAME_NOTE + slack)
            .then(|| self.looks.iter().sum::<f64>() / self.looks.len() as f64)
    }

    /// Drops what no change needs any more.
    fn forget(&mut self, rate: f64) {
        let before = (BEFORE * rate) as u64;
        let oldest = self.note.map_or(self.next, |(_, last)| last);
        let needed = self
            .leaving
            .unwrap_or(oldest)
            .min(oldest)
            .saturating_sub(before);
        let spent = needed.saturating_sub(self.from) as usize;
        // Moving the rest costs as much as it is long, so it is done now and then.
        if spent > before as usize {
            self.samples.drain(..spent.min(self.samples.len()));
            self.from = needed;
        }
    }
}

/// Looks closely at a change between two frames.
fn change(
    meter: &mut Meter,
    followed: &Followed,
    channel: usize,
    until: u64,
    end: u64,
) -> Option<NoteChange> {
    let rate = meter.rate;
    let start = until
        .saturating_sub((BEFORE * rate) as u64)
        .max(followed.from);
    let place =
        |frame: u64| ((frame.saturating_sub(followed.from)) as usize).min(followed.samples.len());
    let samples = &followed.samples[place(start)..place(end)];
    let Onset { at, u, old, new } = meter.onset(samples, (until - start) as usize)?;
    let lower = old.frequency?.get().min(new.frequency?.get());
    let window = ((CURVE_PERIODS / lower).max(CURVE_WINDOW) * rate) as usize;
    let curve = meter.settling(samples, at, window, (window / 4).max(1));
    Some(NoteChange {
        channel,
        onset: Seconds::of((start as f64 + at) / rate),
        u_onset: u,
        from: old,
        to: new,
        curve,
    })
}
