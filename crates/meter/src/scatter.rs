//! What the phases of stretches of the window say about the uncertainty.
//!
//! Noise that is added to the signal is accounted for by the Fisher information.
//! An oscillator whose own phase wanders is not: its stretches scatter more than
//! the added noise makes them.

use crate::refine::Block;
use crate::track::TERMS;
use crate::wander::{Wander, Wandering, legendre};
use std::sync::LazyLock;

/// Most stretches.
const MOST: usize = 24;
/// With fewer, nothing can be said of a wandering phase.
const FEW: usize = 12;

/// What stands against one more order of the track before looking at it: the chance of
/// an order that stands z out of the noise is 1 / (1 + this exp(-z^2 / 2)). With less
/// the uncertainty of steady tones grows too cautious.
const AGAINST_AN_ORDER: f64 = 80.0;

/// An excess is looked into from so many of its standard deviations on, and beyond doubt
/// from so many.
const PERHAPS: f64 = 0.9;
const CLEARLY: f64 = 2.2;

/// What the stretches say.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Scatter {
    /// Mean square of the phases over what the added noise explains; about one
    /// for a steady oscillator.
    pub excess: f64,
    /// Gain in the sum of squares, over the noise, by one more order of the track,
    /// and how much of that sum the noise does not explain.
    pub next_order: (f64, f64),
    /// Square of what the next order of the track, left out because it may be an
    /// accident, would do to the mean, times the chance that it is none; in cycles
    /// per window.
    pub left_out: f64,
    /// Whether the phase wanders beyond doubt.
    pub wanders: bool,
    /// What follows where the excess may be no accident, in cycles per window.
    pub wandering: Option<Wandering>,
}

/// What does not depend on the samples, for every number of stretches and order: worked
/// out once.
static KNOWN: LazyLock<Vec<Wander>> = LazyLock::new(|| {
    let of = |count| (1..TERMS).filter_map(move |order| Wander::new(count, order));
    [FEW, MOST].into_iter().flat_map(of).collect()
});

/// What the stretches say.
#[derive(Debug)]
pub(crate) struct Scatters {
    known: &'static [Wander],
}

impl Scatters {
    pub fn new() -> Self {
        Self { known: &KNOWN }
    }

    /// Looks at the blocks of a pass in which the track had converged. `noise` is
    /// the variance of the added noise per sample, `periods` how many fit in the
    /// window.
    pub fn of(&self, blocks: &[Block], noise: f64, order: usize, periods: f64) -> Scatter {
        let mut scatter = Scatter {
            excess: 1.0,
            ..Scatter::default()
        };
        // Every stretch holds a period at least: else its phase hangs on which part
        // of the waveform fell into it.
        let count = match periods.min(blocks.len() as f64) {
            p if p >= MOST as f64 => MOST,
            p if p >= FEW as f64 => FEW,
            p => p as usize,
        };
        let freedom = count as f64 - order as f64 - 1.0;
        if freedom < 1.0 || noise <= 0.0 {
            return scatter;
        }
        let mut sums = [(0.0_f64, 0.0_f64); MOST];
        for (index, block) in blocks.iter().enumerate() {
            let slot = &mut sums[index * count / blocks.len()];
            slot.0 += block.score;
            slot.1 += block.information;
        }
        let sums = &mut sums[..count];
        if sums.iter().any(|(_, information)| *information <= 0.0) {
            return scatter;
        }
        // The waveform takes up what they have in common.
        let (score, information) = sums
            .iter()
            .fold((0.0, 0.0), |(g, i), sum| (g + sum.0, i + sum.1));
        for sum in sums.iter_mut() {
            sum.0 -= score / information * sum.1;
        }
        let sums = &*sums;
        let square: f64 = sums.iter().map(|(g, i)| g * g / i).sum();
        scatter.excess = square / noise / freedom;
        let (mut along, mut norm) = (0.0, 0.0);
        for (k, (score, information)) in sums.iter().enumerate() {
            let x = (2.0 * k as f64 + 1.0) / count as f64 - 1.0;
            let value = legendre(order + 1, x);
            along += score * value;
            norm += information * value * value;
        }
        let gain = along * along / norm;
        scatter.next_order = (gain / noise, square / noise - freedom);
        // Even orders do not change the mean; an odd one by the gain of its
        // polynomial, which runs from -1 to 1.
        if order.is_multiple_of(2) {
            let shift = 2.0 * along / norm;
            let chance = 1.0 / (1.0 + AGAINST_AN_ORDER * (-0.5 * gain / noise).exp());
            scatter.left_out = shift * shift * chance;
        }
        let rare = (2.0 / freedom).sqrt();
        scatter.wanders = count >= FEW && scatter.excess > 1.0 + CLEARLY * rare;
        if count >= FEW && scatter.excess > 1.0 + PERHAPS * rare {
            let mut phases = [0.0; MOST];
            for (phase, (score, information)) in phases.iter_mut().zip(sums) {
                *phase = score / information;
            }
            let mean = noise * sums.iter().map(|(_, i)| 1.0 / i).sum::<f64>() / count as f64;
            scatter.wandering = self
                .wander(count, order)
                .map(|wander| wander.assess(&phases[..count], mean, scatter.excess));
        }
        scatter
    }

    fn wander(&self, count: usize, order: usize) -> Option<&Wander> {
        self.known
            .iter()
            .find(|wander| wander.count == count && wander.order == order)
    }
}
