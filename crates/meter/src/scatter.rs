//! What the phases of stretches of the window say about the uncertainty.
//!
//! Noise that is added to the signal is accounted for by the Fisher information.
//! An oscillator whose own phase wanders is not: its stretches scatter more than
//! the added noise makes them. White jitter scatters them one by one; a wandering
//! frequency (white frequency noise, a random walk of phase) moves neighbours
//! together. The two are told apart by comparing the mean square of the scatter
//! with that of the differences of neighbours (von Neumann's ratio).

use crate::refine::Block;

/// Most stretches.
const MOST: usize = 24;

/// For a random walk of phase of variance q t, after a polynomial of order 1 to 5
/// was fitted over the window T: the mean square that is left over q T; the
/// variance of the mean frequency found from it, over q / T; and of its difference
/// from the mean frequency as it was. Computed from the covariance min(s, t) on a
/// grid of 480 points; orders 1 and 2 agree with 1/15, 3/70 and 6/5, 1/5.
const LEFT: [f64; 6] = [1.0 / 6.0, 1.0 / 15.0, 3.0 / 70.0, 0.03174, 0.02525, 0.02098];
const OF_SOURCE: [f64; 6] = [1.0, 1.2, 1.2, 1.1111, 1.1111, 1.0770];
const OF_WINDOW: [f64; 6] = [1.0, 0.2, 0.2, 0.1111, 0.1111, 0.0770];

/// What the stretches say.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Scatter {
    /// Mean square of the phases over what the added noise explains; about one
    /// for a steady oscillator.
    pub excess: f64,
    /// How many degrees of freedom it has.
    pub freedom: f64,
    /// Variance gained per window by a random walk of phase, cycles squared.
    pub walk: f64,
    /// Gain in the sum of squares, over the noise, by one more order of the track.
    pub next_order: f64,
    /// Mean square of the relative changes of level from stretch to stretch, over
    /// what the added noise explains.
    pub swell: f64,
}

impl Scatter {
    /// Variance of the mean frequency as it was over the window and of the
    /// oscillator's frequency that the window samples, from the wandering alone,
    /// in (cycles per window) squared.
    pub fn of_walk(&self, order: usize) -> (f64, f64) {
        (self.walk * OF_WINDOW[order], self.walk * OF_SOURCE[order])
    }

    /// Looks at the blocks of a pass in which the track had converged. `noise` is
    /// the variance of the added noise per sample, `periods` how many fit in the
    /// window.
    pub fn of(blocks: &[Block], noise: f64, order: usize, periods: f64) -> Self {
        // Every stretch holds a period at least: else its phase hangs on which part
        // of the waveform fell into it.
        let count = MOST.min(periods as usize).min(blocks.len());
        let freedom = count as f64 - order as f64 - 1.0;
        if freedom < 1.0 || noise <= 0.0 {
            return Self {
                excess: 1.0,
                ..Self::default()
            };
        }
        let mut phases = [(0.0_f64, 0.0_f64, 0.0_f64, 0.0_f64); MOST];
        for (index, block) in blocks.iter().enumerate() {
            let slot = &mut phases[index * count / blocks.len()];
            slot.0 += block.score;
            slot.1 += block.information;
            slot.2 += block.swell;
            slot.3 += block.power;
        }
        let phases = &phases[..count];
        if phases.iter().any(|slot| slot.1 <= 0.0 || slot.3 <= 0.0) {
            return Self {
                excess: 1.0,
                ..Self::default()
            };
        }
        let n = count as f64;
        let excess = phases.iter().map(|(g, i, ..)| g * g / i).sum::<f64>() / noise / freedom;
        let swell = phases.iter().map(|(_, _, a, p)| a * a / p).sum::<f64>() / noise / (n - 1.0);
        let square = phases
            .iter()
            .map(|(g, i, ..)| (g / i) * (g / i))
            .sum::<f64>()
            / freedom;
        let steps = phases
            .windows(2)
            .map(|pair| {
                let step = pair[1].0 / pair[1].1 - pair[0].0 / pair[0].1;
                step * step
            })
            .sum::<f64>()
            / (n - 1.0);
        // Mean square = white + walk * LEFT * n / freedom; differences =
        // 2 white + walk * (2/3) / n.
        let walk = if excess > 1.0 + 3.0 * (2.0 / freedom).sqrt() && steps < 1.4 * square {
            ((square - steps / 2.0) / (LEFT[order] * n / freedom - 1.0 / (3.0 * n))).max(0.0)
        } else {
            0.0
        };
        // One more order: the Legendre polynomial of it, over stretches.
        let next = order + 1;
        let (mut along, mut norm) = (0.0, 0.0);
        for (k, (score, information, ..)) in phases.iter().enumerate() {
            let x = (2.0 * k as f64 + 1.0) / n - 1.0;
            let (mut before, mut here) = (1.0, x);
            for degree in 1..next {
                let degree = degree as f64;
                let after = ((2.0 * degree + 1.0) * x * here - degree * before) / (degree + 1.0);
                (before, here) = (here, after);
            }
            along += score * here;
            norm += information * here * here;
        }
        Self {
            excess,
            freedom,
            walk,
            next_order: along * along / norm / noise,
            swell,
        }
    }
}
