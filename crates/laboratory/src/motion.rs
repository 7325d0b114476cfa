//! How the phase of a tone runs, and its true mean frequency.

use crate::dice::Dice;

/// Cents in one unit of the natural logarithm.
pub const CENTS: f64 = 1200.0 / std::f64::consts::LN_2;

/// Frequency against time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Motion {
    /// At the beginning of the window, in hertz.
    pub hertz: f64,
    /// Phase there, in periods.
    pub start: f64,
    /// Drift at the beginning, in cents per second.
    pub drift: f64,
    /// Change of the drift, in cents per second squared.
    pub curve: f64,
    /// A random walk of the phase: standard deviation in periods that it gains in one
    /// period.
    pub walk: f64,
    /// White jitter: standard deviation of the phase at each period's beginning, in
    /// periods, on straight lines between them.
    pub jitter: f64,
}

impl Motion {
    /// Of one frequency.
    #[must_use]
    pub fn steady(hertz: f64, start: f64) -> Self {
        Self {
            hertz,
            start,
            drift: 0.0,
            curve: 0.0,
            walk: 0.0,
            jitter: 0.0,
        }
    }

    /// Periods run through after a time in seconds, without what is random. The
    /// frequency is hertz (1 + (drift t + curve t^2 / 2) / CENTS), linear in hertz so
    /// that its integral is exact.
    #[must_use]
    pub fn periods(&self, t: f64) -> f64 {
        self.hertz * t * (1.0 + (self.drift / 2.0 + self.curve * t / 6.0) * t / CENTS)
    }

    /// The highest frequency within the window.
    #[must_use]
    pub fn highest(&self, seconds: f64) -> f64 {
        (0..=64)
            .map(|step| {
                let t = seconds * f64::from(step) / 64.0;
                self.hertz * (1.0 + (self.drift + self.curve * t / 2.0) * t / CENTS)
            })
            .fold(self.hertz, f64::max)
    }

    /// The phase at each of `count` samples, and the true mean frequency over
    /// [0, count / rate): the random walk is part of it, white jitter is not.
    pub fn run(&self, rate: f64, count: usize, dice: &mut Dice) -> (Vec<f64>, f64) {
        let step = self.walk * (self.hertz / rate).sqrt();
        let mut walked = 0.0;
        let mut phases = Vec::with_capacity(count);
        for n in 0..count {
            phases.push(self.start + self.periods(n as f64 / rate) + walked);
            if step > 0.0 {
                walked += step * dice.normal();
            }
        }
        let seconds = count as f64 / rate;
        let truth = (self.periods(seconds) + walked) / seconds;
        if self.jitter > 0.0 {
            let first = phases.first().map_or(0.0, |phase| phase.floor());
            let last = phases.last().map_or(0.0, |phase| phase - first);
            let at: Vec<f64> = (0..last.max(0.0) as usize + 3)
                .map(|_| self.jitter * dice.normal())
                .collect();
            for phase in &mut phases {
                let place = (*phase - first).max(0.0);
                let whole = (place as usize).min(at.len() - 2);
                let part = place - whole as f64;
                *phase += at[whole] * (1.0 - part) + at[whole + 1] * part;
            }
        }
        (phases, truth)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The mean frequency is the mean of the frequency: by Simpson's rule, which is
    /// exact for a parabola.
    #[test]
    fn the_truth_is_the_mean_over_the_window() {
        let motion = Motion {
            drift: 23.0,
            curve: -40.0,
            ..Motion::steady(440.0, 0.3)
        };
        let at = |t: f64| 440.0 * (1.0 + (23.0 * t - 20.0 * t * t) / CENTS);
        let (_, truth) = motion.run(48_000.0, 24_000, &mut Dice::new(1, "", 0));
        let simpson = (at(0.0) + 4.0 * at(0.25) + at(0.5)) / 6.0;
        assert!((truth - simpson).abs() < 1e-10, "{truth} {simpson}");
    }

    /// After T a walk has gained walk sqrt(periods) periods.
    #[test]
    fn a_walk_has_the_variance_that_it_says() {
        let motion = Motion {
            walk: 1e-3,
            ..Motion::steady(400.0, 0.0)
        };
        let mean: f64 = (0..400)
            .map(|index| {
                let (_, truth) = motion.run(8_000.0, 2_000, &mut Dice::new(2, "walk", index));
                ((truth - 400.0) * 0.25).powi(2)
            })
            .sum::<f64>()
            / 400.0;
        // 100 periods; the relative sd of the variance of 400 is 7 %.
        assert!((mean / 1e-4 - 1.0).abs() < 0.3, "{mean}");
    }
}
