//! When samples were taken, going by when the audio thread was called.
//!
//! A callback comes some time after its samples were taken: at least the age the
//! audio system states, and later still when the machine is busy. So of the recent
//! callbacks the one that came earliest tells best when frame 0 was sampled.
//! Twenty seconds are kept: long enough that one of them was punctual, short
//! enough that a sample clock 100 ppm off moves by no more than 2 ms.

const BUCKET_NS: i64 = 5_000_000_000;
const BUCKETS: usize = 4;

/// What the audio thread knows of its own pace.
pub(crate) struct Pace {
    rate: f64,
    /// The earliest start of frame 0 in each stretch of five seconds, and the
    /// latest: (bucket number, earliest, latest).
    buckets: [Option<(i64, i64, i64)>; BUCKETS],
}

/// What follows from one callback.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Beat {
    /// When frame 0 was sampled, by the recent callbacks.
    pub start: i64,
    /// The width in which the recent callbacks lie.
    pub spread: i64,
    /// How much later than the earliest of them this one came.
    pub late: i64,
}

impl Pace {
    pub fn new(rate: f64) -> Self {
        Self {
            rate,
            buckets: [None; BUCKETS],
        }
    }

    /// Forgets everything: samples were lost, so what was known of frame 0 no
    /// longer holds.
    pub fn forget(&mut self) {
        self.buckets = [None; BUCKETS];
    }

    /// Takes in a callback: the frame it begins with, and when that frame was
    /// sampled by its own account (the host time less the age of the frame).
    pub fn beat(&mut self, first: u64, sampled: i64) -> Beat {
        let start = sampled - (first as f64 / self.rate * 1e9).round() as i64;
        let number = sampled.div_euclid(BUCKET_NS);
        let slot = &mut self.buckets[number.rem_euclid(BUCKETS as i64) as usize];
        *slot = match *slot {
            Some((same, earliest, latest)) if same == number => {
                Some((number, earliest.min(start), latest.max(start)))
            }
            _ => Some((number, start, start)),
        };
        for bucket in &mut self.buckets {
            if bucket.is_some_and(|(old, ..)| old <= number - BUCKETS as i64) {
                *bucket = None;
            }
        }
        let earliest = self.earliest().unwrap_or(start);
        Beat {
            start: earliest,
            spread: self.latest().unwrap_or(start) - earliest,
            late: start - earliest,
        }
    }

    fn earliest(&self) -> Option<i64> {
        self.buckets.iter().flatten().map(|bucket| bucket.1).min()
    }

    fn latest(&self) -> Option<i64> {
        self.buckets.iter().flatten().map(|bucket| bucket.2).max()
    }
}

/// A stretch over which a rate is observed lasts at least so long, and so many
/// callbacks: when one of them comes matters less then.
const STRETCH_NS: i64 = 2_000_000_000;
const STRETCH_CALLBACKS: u32 = 8;
/// So many stretches are observed before a rate is believed.
const STRETCHES: u32 = 5;

/// Which rate a stream really runs at.
///
/// Some audio systems take any rate and then deliver another. Of several stretches
/// the one counts that is nearest to the nominal rate: a stream that stood still
/// for a moment is not slow.
pub(crate) struct RateWatch {
    rate: f64,
    /// When the stretch began, and what has come in it.
    since: Option<i64>,
    frames: u64,
    callbacks: u32,
    stretches: u32,
    nearest: f64,
}

impl RateWatch {
    pub const fn new(rate: f64) -> Self {
        Self {
            rate,
            since: None,
            frames: 0,
            callbacks: 0,
            stretches: 0,
            nearest: f64::INFINITY,
        }
    }

    /// Takes in a callback; returns the rate against the nominal one once it is
    /// known.
    pub fn beat(&mut self, now: i64, frames: u64) -> Option<f64> {
        let lasted = now - self.since.unwrap_or(now);
        if lasted >= STRETCH_NS && self.callbacks >= STRETCH_CALLBACKS {
            let pace = self.frames as f64 / (lasted as f64 * 1e-9) / self.rate;
            // The first stretch may begin with a heap of old samples.
            if self.stretches > 0 && (pace - 1.0).abs() < (self.nearest - 1.0).abs() {
                self.nearest = pace;
            }
            self.stretches += 1;
            self.since = None;
        }
        if self.since.is_none() {
            (self.since, self.frames, self.callbacks) = (Some(now), 0, 0);
        }
        self.frames += frames;
        self.callbacks += 1;
        (self.stretches > STRETCHES).then_some(self.nearest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Calls at 48 kHz in blocks of 1024 with the given delays behind time.
    fn run(pace: &mut Pace, first_block: u64, delays_ms: &[f64], clock: f64) -> Beat {
        let mut last = None;
        for (number, delay) in delays_ms.iter().enumerate() {
            let first = (first_block + number as u64) * 1024;
            let sampled = (first as f64 / (48_000.0 * clock) * 1e9 + delay * 1e6) as i64;
            last = Some(pace.beat(first, sampled));
        }
        last.unwrap()
    }

    #[test]
    fn the_punctual_callback_counts() {
        let mut pace = Pace::new(48_000.0);
        let beat = run(&mut pace, 0, &[3.0, 9.0, 0.2, 7.0, 30.0], 1.0);
        assert!((beat.start - 200_000).abs() < 10);
        assert!((beat.spread - 29_800_000).abs() < 10);
        assert!((beat.late - 29_800_000).abs() < 10);
    }

    #[test]
    fn lost_samples_show_as_lateness_until_forgotten() {
        let mut pace = Pace::new(48_000.0);
        run(&mut pace, 0, &[0.0; 10], 1.0);
        let late = run(&mut pace, 10, &[200.0], 1.0).late;
        assert!((late - 200_000_000).abs() < 10, "{late}");
        pace.forget();
        let beat = run(&mut pace, 11, &[200.0; 10], 1.0);
        assert!((beat.start - 200_000_000).abs() < 10);
    }

    #[test]
    fn a_wrong_rate_is_seen_and_a_pause_is_none() {
        for (true_rate, pause_ns) in [
            (48_000.0, 0),
            (48_000.0, 400_000_000),
            (44_100.0, 0),
            (96_000.0, 0),
        ] {
            let mut watch = RateWatch::new(48_000.0);
            let mut seen = None;
            let mut now = 0.0;
            for block in 0..(20.0 * true_rate / 1024.0) as u64 {
                now += 1024.0 / true_rate * 1e9;
                if block == 130 {
                    now += f64::from(pause_ns);
                }
                seen = watch.beat(now as i64, 1024);
            }
            let seen = seen.unwrap();
            assert!(
                (seen - true_rate / 48_000.0).abs() < 1e-3,
                "{true_rate}: {seen}"
            );
        }
    }

    #[test]
    fn a_clock_that_is_off_is_followed() {
        // 100 ppm slow: after ten minutes frame 0 seems 60 ms later; the mapping
        // may lag behind by what drifts in twenty seconds.
        let mut pace = Pace::new(48_000.0);
        let blocks = 600 * 48_000 / 1024;
        let beat = run(&mut pace, 0, &vec![0.0; blocks], 1.0 - 100e-6);
        let now = 600.0 * 100e-6 * 1e9;
        assert!((beat.start as f64 - now).abs() < 2.1e6, "{}", beat.start);
    }
}
