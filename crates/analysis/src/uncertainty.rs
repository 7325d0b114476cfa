//! What makes a result that depends linearly on readings uncertain: each
//! reading's own noise, and what the rig shares between them.
//!
//! The gain of the control source is a slope, shared by all notes; its offset
//! shifts all notes alike and cancels when retuned (under hertz per volt it does
//! not); its steps belong to each note and do not average over rounds. Limits
//! of the rig are rectangular, `u = limit / sqrt(3)` (GUM 4.3.7). The sample
//! clock scales every frequency alike and so leaves slopes, drift and everything
//! retuned untouched.

use crate::deviation::UnitReadings;
use crate::tracking::{RoundFit, StageFit};
use crate::trials::{Trials, quantile};
use model::document::rig::Rig;
use nalgebra::DVector;

/// How many trials an interval of a linear result takes.
const TRIALS: usize = 4000;

/// The limits of the rig, as limits of rectangular distributions.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RigLimits {
    pub(crate) gain: f64,
    pub(crate) offset: f64,
    pub(crate) step: f64,
}

impl RigLimits {
    pub(crate) fn of(rig: &Rig) -> Self {
        Self {
            gain: rig.bounds.cv_gain.get().abs(),
            offset: rig.bounds.cv_offset.get().abs(),
            step: rig.bounds.cv_step.get().abs(),
        }
    }
}

/// A linear result's uncertainty by source, in the result's unit.
#[derive(Debug, Clone)]
pub(crate) struct Sources {
    /// Variance of what is each reading's own.
    pub(crate) own: f64,
    /// Half-widths of what is shared.
    gain: f64,
    offset: f64,
    steps: DVector<f64>,
    /// Standard deviations by note of what repeats off the curve, and its degrees
    /// of freedom; nought where the steps explain it.
    misfit: DVector<f64>,
    freedom: usize,
}

/// The limits of the rig as seen by one unit and stage.
pub(crate) struct Shared<'a> {
    pub(crate) unit: &'a UnitReadings,
    pub(crate) stage: &'a StageFit,
    pub(crate) limits: RigLimits,
}

impl Shared<'_> {
    /// The largest step of the control source at a note of the stage, in cents.
    pub(crate) fn step(&self, place: usize) -> f64 {
        self.limits.step * self.unit.notes[self.stage.notes[place]].per_volt.abs()
    }
    /// What repeats off the curve at a note, as a standard deviation, where steps
    /// do not explain it.
    pub(crate) fn misfit(&self, place: usize) -> f64 {
        let (misfit, _) = self.stage.misfit;
        if misfit > self.step(place) / 3f64.sqrt() {
            misfit
        } else {
            0.0
        }
    }
    /// The sources of a number that depends on the readings of a round by `weights`.
    pub(crate) fn sources(&self, round: &RoundFit, weights: &DVector<f64>) -> Sources {
        let by_note = round.by_note(weights, self.stage);
        let of = |value: &dyn Fn(usize) -> f64| -> f64 {
            by_note
                .iter()
                .enumerate()
                .map(|(place, weight)| weight * value(place))
                .sum()
        };
        let note = |place: usize| &self.unit.notes[self.stage.notes[place]];
        Sources {
            own: round.own_variance(weights),
            gain: of(&|place| note(place).per_gain) * self.limits.gain,
            offset: of(&|place| note(place).per_volt) * self.limits.offset,
            steps: DVector::from_fn(by_note.len(), |place, _| {
                if self.misfit(place) > 0.0 {
                    0.0
                } else {
                    by_note[place] * self.step(place)
                }
            }),
            misfit: DVector::from_fn(by_note.len(), |place, _| {
                by_note[place] * self.misfit(place)
            }),
            freedom: self.stage.misfit.1,
        }
    }
}

impl Sources {
    /// The sources of a weighted sum over rounds: noise averages, what is shared
    /// does not.
    pub(crate) fn of_sum(parts: &[(f64, Self)]) -> Option<Self> {
        let (_, first) = parts.first()?;
        let mut sum = Self {
            own: 0.0,
            gain: 0.0,
            offset: 0.0,
            steps: first.steps.clone() * 0.0,
            misfit: first.misfit.clone() * 0.0,
            freedom: first.freedom,
        };
        for (weight, part) in parts {
            sum.own += weight * weight * part.own;
            sum.gain += weight * part.gain;
            sum.offset += weight * part.offset;
            sum.steps += &part.steps * *weight;
            sum.misfit += &part.misfit * *weight;
        }
        Some(sum)
    }
    /// Combined standard uncertainty.
    pub(crate) fn u(&self) -> f64 {
        let rectangles = self.gain.powi(2) + self.offset.powi(2) + self.steps.norm_squared();
        (self.own + rectangles / 3.0 + self.misfit.norm_squared()).sqrt()
    }
    /// The middle 95 % of what may be added to the value.
    pub(crate) fn interval(&self, trials: &mut Trials) -> (f64, f64) {
        let mut draws: Vec<f64> = (0..TRIALS)
            .map(|_| {
                let mut sum = trials.normal() * self.own.sqrt()
                    + trials.within(self.gain)
                    + trials.within(self.offset);
                for step in self.steps.iter().filter(|step| **step != 0.0) {
                    sum += trials.within(*step);
                }
                let misfit = self.misfit.norm();
                if misfit > 0.0 {
                    sum += trials.normal() * misfit * trials.unknown_scale(self.freedom);
                }
                sum
            })
            .collect();
        draws.sort_by(f64::total_cmp);
        (quantile(&draws, 0.025), quantile(&draws, 0.975))
    }
}
