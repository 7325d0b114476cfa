//! What makes a result that depends linearly on readings uncertain: each
//! reading's own noise, and what the rig shares between them.
//!
//! The gain of the control source is a slope, shared by all notes, and so is what
//! inputs take from it and what it does from session to session; its offset
//! shifts all notes alike and cancels when retuned (under hertz per volt it does
//! not); its steps belong to each note and do not average over rounds. Limits
//! of the rig are rectangular, `u = limit / sqrt(3)` (GUM 4.3.7). The sample
//! clock scales every frequency alike and so leaves slopes, drift and everything
//! retuned untouched.

use crate::deviation::UnitReadings;
use crate::shared_sources::{SharedSources, TRIALS};
use crate::statistics::quantile;
use crate::tracking::{RoundFit, StageFit};
use crate::trials::Trials;
use model::document::rig::Rig;
use model::record::PositionId;
use model::result::UncertaintySource;
use nalgebra::DVector;

/// How many trials an interval of a linear result takes.
const INTERVAL_TRIALS: usize = 4000;

/// What a CV input has where the rig does not say, in ohms.
const USUAL_INPUT_OHM: f64 = 100e3;

/// The limits of the rig at a position, as limits of rectangular distributions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct RigLimits {
    pub(crate) gain: f64,
    pub(crate) offset: f64,
    pub(crate) step: f64,
    pub(crate) gain_drift: f64,
    pub(crate) offset_drift: f64,
    pub(crate) loading: f64,
    pub(crate) session: f64,
    /// Kelvin.
    pub(crate) thermometer: f64,
    /// The steps that may explain what repeats off the curve, and whether what is beyond
    /// them counts.
    pub(crate) believed_step: f64,
    pub(crate) off_curve: bool,
}

impl RigLimits {
    /// The limits of a rig at one of its positions. What the output resistance of a
    /// control voltage loses into all inputs on it is taken as a limit either way,
    /// though it only ever takes away.
    pub(crate) fn of(rig: &Rig, position: &PositionId) -> Self {
        let bounds = &rig.bounds;
        let own = rig.positions.get(position.as_str());
        let conductance: f64 = rig
            .positions
            .values()
            .filter(|other| {
                own.is_some_and(|own| {
                    other.cv.sender == own.cv.sender && other.cv.channel == own.cv.channel
                })
            })
            .map(|other| {
                let ohms = other.input_resistance.map_or(USUAL_INPUT_OHM, |r| r.get());
                1.0 / ohms.max(1.0)
            })
            .sum();
        let load = bounds.cv_output_resistance.get() * conductance.max(1.0 / USUAL_INPUT_OHM);
        Self {
            gain: bounds.cv_gain.get().abs(),
            offset: bounds.cv_offset.get().abs(),
            step: bounds.cv_step.get().abs(),
            gain_drift: bounds.cv_gain_drift.get().abs(),
            offset_drift: bounds.cv_offset_drift.get().abs(),
            loading: load / (1.0 + load),
            session: bounds.cv_session.get().abs(),
            thermometer: bounds.thermometer.get().abs(),
            believed_step: bounds.cv_step.get().abs(),
            off_curve: true,
        }
    }

    /// A rig without any error: readings alone.
    pub(crate) const fn none(self) -> Self {
        Self {
            gain: 0.0,
            offset: 0.0,
            step: 0.0,
            gain_drift: 0.0,
            offset_drift: 0.0,
            loading: 0.0,
            session: 0.0,
            thermometer: 0.0,
            believed_step: self.believed_step,
            off_curve: false,
        }
    }

    /// A rig with one source of error only; `None` when that source is nought, or
    /// cancels from every result (the clock).
    pub(crate) fn only(self, source: UncertaintySource) -> Option<Self> {
        let mut only = self.none();
        match source {
            UncertaintySource::CvGain => only.gain = self.gain,
            UncertaintySource::CvOffset => only.offset = self.offset,
            UncertaintySource::CvSteps => only.step = self.step,
            UncertaintySource::CvDrift => {
                only.gain_drift = self.gain_drift;
                only.offset_drift = self.offset_drift;
            }
            UncertaintySource::Loading => only.loading = self.loading,
            UncertaintySource::Session => only.session = self.session,
            UncertaintySource::Thermometer => only.thermometer = self.thermometer,
            UncertaintySource::OffCurve => only.off_curve = self.off_curve,
            UncertaintySource::Readings | UncertaintySource::SampleClock => {}
        }
        (only != self.none()).then_some(only)
    }

    /// The same with a gain.
    pub(crate) const fn with_gain(self, gain: f64) -> Self {
        Self { gain, ..self }
    }

    /// All that acts as a gain which stays for a run.
    pub(crate) const fn gains(self) -> [f64; 3] {
        [self.gain, self.loading, self.session]
    }
}

/// A linear result's uncertainty by source, in the result's unit.
#[derive(Debug, Clone)]
pub(crate) struct Sources {
    /// Variance of what is each reading's own.
    pub(crate) own: f64,
    /// Half-widths of what is shared: gain, its drift, loading, session; offset and
    /// its drift.
    gains: [f64; 4],
    offsets: [f64; 2],
    steps: DVector<f64>,
    /// Standard deviations by note of what repeats off the curve beyond the steps, and its
    /// degrees of freedom.
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
    /// The middle 95 % of what may be added to the value.
    pub(crate) fn interval(&self, trials: &mut Trials) -> (f64, f64) {
        let mut draws: Vec<f64> = (0..INTERVAL_TRIALS)
            .map(|_| {
                let mut sum = trials.normal() * self.own.sqrt();
                for limit in self.gains.iter().chain(&self.offsets) {
                    if *limit != 0.0 {
                        sum += trials.within(*limit);
                    }
                }
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
        // Hardly anything but normal: 95 % lie within 1.96 u, by 4000 draws.
        let (low, high) = sources.interval(&mut Trials::of([0x47, 0x48, 2]));
        assert!((high - low) / 2.0 / sources.u() > 1.85);
        assert!((high - low) / 2.0 / sources.u() < 2.05);
    }
}
