//! What makes a number that depends linearly on readings uncertain: each reading's own
//! noise, and what the rig shares between them.
//!
//! The gain of the control source is a slope, shared by all notes, and so is what
//! inputs take from it and what it does from session to session; its offset
//! shifts all notes alike and cancels when retuned (under hertz per volt it does
//! not); its steps belong to each note and do not average over rounds. The sample
//! clock scales every frequency alike and so leaves slopes, drift and everything
//! retuned untouched.

use super::shared_sources::{SharedSources, TRIALS};
use crate::statistics::middle_95;
use crate::statistics::trials::Trials;
use nalgebra::DVector;

/// How many trials an interval of a linear result takes.
const INTERVAL_TRIALS: usize = 4000;

/// A linear result's uncertainty by source, in the result's unit.
#[derive(Debug, Clone)]
pub(crate) struct Sources {
    /// Variance of what is each reading's own.
    pub(crate) own: f64,
    /// Limits of what is shared: gain, loading (one way: with the sign in which it may have
    /// moved the number), session, drift of the gain; offset and its drift.
    pub(crate) gains: [f64; 4],
    pub(crate) offsets: [f64; 2],
    pub(crate) steps: DVector<f64>,
    /// Standard deviations by note of what repeats off the curve beyond the steps, and its
    /// degrees of freedom.
    pub(crate) misfit: DVector<f64>,
    pub(crate) freedom: usize,
}

impl Sources {
    /// The sources of a weighted sum over rounds: noise averages, what is shared
    /// does not.
    pub(crate) fn of_sum(parts: &[(f64, Self)]) -> Option<Self> {
        let (_, first) = parts.first()?;
        let mut sum = Self {
            own: 0.0,
            gains: [0.0; 4],
            offsets: [0.0; 2],
            steps: first.steps.clone() * 0.0,
            misfit: first.misfit.clone() * 0.0,
            freedom: first.freedom,
        };
        for (weight, part) in parts {
            sum.own += weight * weight * part.own;
            for (sum, part) in sum.gains.iter_mut().zip(part.gains) {
                *sum += weight * part;
            }
            for (sum, part) in sum.offsets.iter_mut().zip(part.offsets) {
                *sum += weight * part;
            }
            sum.steps += &part.steps * *weight;
            sum.misfit += &part.misfit * *weight;
        }
        Some(sum)
    }
    /// Combined standard uncertainty.
    pub(crate) fn u(&self) -> f64 {
        let squares = |limits: &[f64]| limits.iter().map(|limit| limit * limit).sum::<f64>();
        let rectangles = squares(&self.gains) + squares(&self.offsets) + self.steps.norm_squared();
        (self.own + rectangles / 3.0 + self.misfit.norm_squared()).sqrt()
    }
    /// What is to be added to the value in each joint trial.
    pub(crate) fn draws(&self, shared: &SharedSources, own: &mut Trials) -> Vec<f64> {
        let [gain, loading, session] = &shared.gains;
        let gains = [gain, loading, session, &shared.gain_drift];
        let offsets = [&shared.offset, &shared.offset_drift];
        let rectangles: Vec<(f64, &Vec<f64>)> = self
            .gains
            .into_iter()
            .zip(gains)
            .chain(self.offsets.into_iter().zip(offsets))
            .chain(self.steps.iter().copied().zip(&shared.steps))
            .filter(|(limit, _)| *limit != 0.0)
            .collect();
        let normals: Vec<(f64, &Vec<f64>)> = self
            .misfit
            .iter()
            .copied()
            .zip(&shared.off_curve)
            .filter(|(deviation, _)| *deviation != 0.0)
            .collect();
        let sum = |parts: &[(f64, &Vec<f64>)], trial: usize| -> f64 {
            parts.iter().map(|(size, draws)| size * draws[trial]).sum()
        };
        (0..TRIALS)
            .map(|trial| {
                own.normal() * self.own.sqrt()
                    + sum(&rectangles, trial)
                    + shared.scale[trial] * sum(&normals, trial)
            })
            .collect()
    }
    /// The middle 95 % of what may be added to the value, wherever within its limits each
    /// error of the rig lies: what stays the same for a run at either end, steps at either
    /// end note by note. Limits say nothing of a shape, so the interval must hold at their
    /// edges, and holds more often within.
    pub(crate) fn interval(&self, trials: &mut Trials) -> (f64, f64) {
        let draws: Vec<f64> = (0..INTERVAL_TRIALS)
            .map(|_| {
                let mut sum = trials.normal() * self.own.sqrt();
                for step in self.steps.iter().filter(|step| **step != 0.0) {
                    sum += step * trials.within(1.0).signum();
                }
                let misfit = self.misfit.norm();
                if misfit > 0.0 {
                    sum += trials.normal() * misfit * trials.unknown_scale(self.freedom);
                }
                sum
            })
            .collect();
        let (lower, upper) = middle_95(&draws);
        let [gain, loading, session, drift] = self.gains;
        let [offset, offset_drift] = self.offsets;
        let either_way = [gain, session, drift, offset, offset_drift];
        let reach: f64 = either_way.iter().map(|limit| limit.abs()).sum();
        (
            lower - reach + loading.min(0.0),
            upper + reach + loading.max(0.0),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The end gauge of JCGM 100:2008 (GUM), H.1, in nanometres: 25 of the standard, 9.7 of
    /// the difference of lengths (5.8, 3.9 and 6.7), 2.9 of the difference of expansion
    /// coefficients (a limit of 1e-6 for a kelvin at 0.1 K) and 16.6 of the difference of
    /// temperatures (a limit of 0.05 K at 11.5e-6 for a kelvin), over 50 mm. Printed: 32
    /// (recalled); recomputed with GTC, an open library: 31.663879.
    #[test]
    fn an_end_gauge_is_that_of_the_gum() {
        let length = 50_000_623.0;
        let sources = Sources {
            own: 25.0 * 25.0,
            gains: [length * 11.5e-6 * 0.05, 0.0, 0.0, 0.0],
            offsets: [length * 0.1 * 1e-6, 0.0],
            steps: DVector::zeros(3),
            misfit: DVector::from_vec(vec![5.8, 3.9, 6.7]),
            freedom: 100,
        };
        assert!((sources.u() - 31.663_879).abs() < 1e-5, "{}", sources.u());
        // The same errors in both of two readings that are averaged stay as they are, and
        // each reading's own average out.
        let again = || Sources {
            steps: sources.steps.clone(),
            misfit: sources.misfit.clone(),
            ..sources
        };
        let mean = Sources::of_sum(&[(0.5, again()), (0.5, again())]).unwrap();
        let expected = (31.663_879f64.powi(2) - 625.0 / 2.0).sqrt();
        assert!((mean.u() - expected).abs() < 1e-5, "{}", mean.u());
        // Of an interval the limits are at their ends, and the rest is normal: 1.96 of
        // 26.808 beside 28.75 and 5, by 4000 draws.
        let (low, high) = sources.interval(&mut Trials::of([0x47, 0x48, 2]));
        assert!(
            (high - 86.29).abs() < 2.5 && (low + 86.29).abs() < 2.5,
            "{low} {high}"
        );
        // What only takes away widens one end.
        let mut loaded = sources.clone();
        loaded.gains[1] = 7.0;
        let (same, wider) = loaded.interval(&mut Trials::of([0x47, 0x48, 2]));
        assert!((same - low).abs() < 1e-9 && (wider - high - 7.0).abs() < 1e-9);
    }
}
