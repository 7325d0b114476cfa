//! What the rig does to the curves of a unit in a stage.

use super::tracking::{RoundFit, StageFit};
use crate::readings::deviation::UnitReadings;
use crate::uncertainty::limits::RigLimits;
use crate::uncertainty::sources::Sources;
use nalgebra::DVector;

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
    /// What repeats off the curve at a note beyond what steps explain, as a standard
    /// deviation: with the steps it makes up what is seen.
    pub(crate) fn misfit(&self, place: usize) -> f64 {
        let (misfit, _) = self.stage.misfit;
        let per_volt = self.unit.notes[self.stage.notes[place]].per_volt.abs();
        let explained = self.limits.believed_step * per_volt / 3f64.sqrt();
        if self.limits.off_curve {
            (misfit * misfit - explained * explained).max(0.0).sqrt()
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
            gains: {
                let [gain, loading, session] = self.limits.gains();
                let per_gain = of(&|place| note(place).per_gain);
                [gain, loading, session, self.limits.gain_drift].map(|limit| per_gain * limit)
            },
            offsets: {
                let per_volt = of(&|place| note(place).per_volt);
                [self.limits.offset, self.limits.offset_drift].map(|limit| per_volt * limit)
            },
            steps: DVector::from_fn(by_note.len(), |place, _| by_note[place] * self.step(place)),
            misfit: DVector::from_fn(by_note.len(), |place, _| {
                by_note[place] * self.misfit(place)
            }),
            freedom: self.stage.misfit.1,
        }
    }
}
