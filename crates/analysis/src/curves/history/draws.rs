//! Joint draws of the curves of a history: readings' own noise, smoothed as the readings
//! are, and what the rig does to all rounds alike.
//!
//! Trial i supposes that the truth is what was seen and this much more. A source that two
//! histories share has the same number in both (`shared_sources`).

use super::History;
use crate::statistics::correlated::Factor;
use crate::statistics::middle_95;
use crate::statistics::minimax::half_range;
use crate::statistics::trials::Trials;
use crate::uncertainty::limits::RigLimits;
use crate::uncertainty::shared_sources::{SharedSources, TRIALS};
use nalgebra::{DMatrix, DVector};
use std::f64::consts::TAU;
use std::rc::Rc;

/// About how many numbers all draws of a history may take.
const DRAWN_NUMBERS: usize = 1_000_000;
/// A gain that moves a number by less than this part of what it moves the curve by does
/// not move it.
const MOVES_NOTHING: f64 = 1e-3;
/// So many gains are tried from one end of their limits to the other.
const GAINS_TRIED: u32 = 256;
/// Never fewer draws than this.
const LEAST_DRAWS: usize = 100;
/// A control source drifts no faster than with this time constant, in seconds.
const FASTEST_DRIFT_S: f64 = 600.0;

/// What the rig does to each note of the curve.
#[derive(Debug, Clone)]
pub(super) struct SharedByNote {
    /// For a gain of one more and for a volt more.
    pub(super) gain: DVector<f64>,
    pub(super) offset: DVector<f64>,
    pub(super) limits: RigLimits,
    /// How a step at one note moves the curve at all of them.
    pub(super) steps: DMatrix<f64>,
    pub(super) step_limits: Vec<f64>,
    pub(super) misfit: Vec<f64>,
}

/// Joint draws of a history.
#[derive(Clone)]
pub(crate) struct Draws {
    own: Rc<Vec<f64>>,
    rig: Rc<Vec<RigDraw>>,
    shared: Rc<SharedByNote>,
    /// What of the rig counts.
    limits: RigLimits,
    /// Whether they only serve to see what share of a variance a source has.
    for_share: bool,
    pub(crate) count: usize,
}

/// What of the rig is in a number that is computed of draws.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum RigPart {
    /// Nothing: the readings' own alone.
    Nothing,
    /// All of it, as drawn.
    AsDrawn,
    /// All that acts as a gain together this much, and each of the rest at either end of its
    /// limits: an interval must hold there too, since limits say nothing of a shape.
    WithGain(f64),
}

/// One draw of what the rig shares, each as a part of its limit.
struct RigDraw {
    gains: [f64; 3],
    offset: f64,
    gain_drift: f64,
    offset_drift: f64,
    /// How far the control source has drifted in each round, as a part of what it does.
    drifted: Vec<f64>,
    /// What steps (as drawn, and each at the end it is nearer to) and what is off the curve
    /// do to each note, in cents.
    steps: DVector<f64>,
    steps_at_ends: DVector<f64>,
    off_curve: DVector<f64>,
}

impl History {
    /// Draws jointly of everything that is uncertain: of the rig as `sources` say, of the
    /// readings' own by `trials`.
    pub(crate) fn draw(&self, sources: &SharedSources, trials: &mut Trials) -> Draws {
        let notes = self.x.len();
        let size = self.points.len() * notes;
        let times = self.times();
        let count = (DRAWN_NUMBERS / size.max(1)).clamp(LEAST_DRAWS, TRIALS);
        let mut own = vec![0.0; count * size];
        let mut noise = vec![0.0; size];
        let factors: Vec<Factor> = self.points.iter().map(super::Point::factor).collect();
        for trial in 0..count {
            for (factor, noise) in factors.iter().zip(noise.chunks_exact_mut(notes)) {
                noise.fill(self.common_sd * trials.normal());
                factor.add_draw(trials, noise);
                if self.each_sd > 0.0 {
                    for sum in noise.iter_mut() {
                        *sum += self.each_sd * trials.normal();
                    }
                }
            }
            let smooth = &mut own[trial * size..(trial + 1) * size];
            for place in 0..self.points.len() {
                let row = self.smoother.row(place);
                for (offset, weight) in row.weights.iter().enumerate() {
                    let from = (row.first + offset) * notes;
                    for note in 0..notes {
                        smooth[place * notes + note] += weight * noise[from + note];
                    }
                }
            }
        }
        let rig = (0..count)
            .map(|trial| self.shared.draw(&times, sources, trial))
            .collect();
        Draws {
            own: Rc::new(own),
            rig: Rc::new(rig),
            limits: self.shared.limits,
            shared: Rc::new(self.shared.clone()),
            for_share: false,
            count,
        }
    }
}

impl SharedByNote {
    fn draw(&self, times: &[f64], sources: &SharedSources, trial: usize) -> RigDraw {
        let notes = self.gain.len();
        let steps = DVector::from_fn(notes, |note, _| {
            self.step_limits[note] * sources.steps[note][trial]
        });
        let steps_at_ends = steps.zip_map(
            &DVector::from_column_slice(&self.step_limits),
            |step, limit| limit.copysign(step),
        );
        let off_curve = DVector::from_fn(notes, |note, _| {
            self.misfit[note] * sources.scale[trial] * sources.off_curve[note][trial]
        });
        RigDraw {
            gains: [0, 1, 2].map(|place| sources.gains[place][trial]),
            offset: sources.offset[trial],
            gain_drift: sources.gain_drift[trial],
            offset_drift: sources.offset_drift[trial],
            drifted: drifted(times, trial % 3, 0.5 * (sources.drifts_in[trial] + 1.0)),
            steps: &self.steps * steps,
            steps_at_ends: &self.steps * steps_at_ends,
            off_curve: &self.steps * off_curve,
        }
    }
}

/// How far a control source has drifted at these times, as a part of the most it does: early
/// as a warming interface, steadily, or to and fro as a room. Its limit says nothing of that.
/// `share` (0 to 1) is how fast the first is, and where the last begins.
fn drifted(times: &[f64], shape: usize, share: f64) -> Vec<f64> {
    let from = times.first().copied().unwrap_or(0.0);
    let lasts = times.last().map_or(0.0, |last| last - from).max(1e-9);
    let slowest = lasts.max(2.0 * FASTEST_DRIFT_S) / FASTEST_DRIFT_S;
    let time_constant = FASTEST_DRIFT_S * (share * slowest.ln()).exp();
    let at = |t: f64| match shape {
        0 => 1.0 - (-t / time_constant).exp(),
        1 => t,
        _ => (TAU * (t / lasts + share)).sin() - (TAU * share).sin(),
    };
    let all: Vec<f64> = times.iter().map(|t| at(t - from)).collect();
    let most = all
        .iter()
        .fold(1e-9, |most: f64, part| most.max(part.abs()));
    all.into_iter().map(|part| part / most).collect()
}

impl Draws {
    /// A number computed of each draw (of the first `most`) around the smoothed
    /// curve, with a part of what the rig shares.
    pub(crate) fn evaluate(
        &self,
        smoothed: &[f64],
        rig: RigPart,
        most: usize,
        number: impl FnMut(&[f64]) -> f64,
    ) -> Vec<f64> {
        self.moved(1.0, smoothed, rig, most, number)
    }

    /// The same with what each note has for itself (noise, steps, drift of the source)
    /// the other way: as it would be seen if the truth were what was seen.
    pub(crate) fn evaluate_mirrored(
        &self,
        smoothed: &[f64],
        rig: RigPart,
        most: usize,
        number: impl FnMut(&[f64]) -> f64,
    ) -> Vec<f64> {
        self.moved(-1.0, smoothed, rig, most, number)
    }

    /// A number computed of each draw with nothing but what all notes have from the rig
    /// alike, gain and offset; `seen` is the number without that, and stands for all where
    /// neither moves it.
    pub(crate) fn of_gain_and_offset(
        &self,
        smoothed: &[f64],
        seen: f64,
        most: usize,
        number: impl Fn(&[f64]) -> f64,
    ) -> Vec<f64> {
        let count = self.count.min(most);
        if self.for_share {
            return Vec::new();
        }
        let mut drawn = vec![0.0; smoothed.len()];
        let mut moved_by = |gain: f64, offset: f64| {
            let shift = &self.shared.gain * gain + &self.shared.offset * offset;
            let rounds = drawn.chunks_exact_mut(shift.len());
            for (round, smooth) in rounds.zip(smoothed.chunks_exact(shift.len())) {
                for ((value, smooth), shift) in round.iter_mut().zip(smooth).zip(&shift) {
                    *value = smooth + shift;
                }
            }
            (number(&drawn), shift.amax())
        };
        let gain: f64 = self.limits.gains().iter().sum();
        let offset = self.limits.offset;
        let ends = [(gain, 0.0), (-gain, 0.0), (0.0, offset), (0.0, -offset)];
        let stays = ends.into_iter().all(|(gain, offset)| {
            let (number, shift) = moved_by(gain, offset);
            (number - seen).abs() <= MOVES_NOTHING * shift
        });
        if stays {
            return vec![seen; count];
        }
        (0..count)
            .map(|trial| {
                let (gain, offset) = self.gain_and_offset(trial);
                moved_by(gain, offset).0
            })
            .collect()
    }

    fn moved(
        &self,
        own_way: f64,
        smoothed: &[f64],
        rig: RigPart,
        most: usize,
        mut number: impl FnMut(&[f64]) -> f64,
    ) -> Vec<f64> {
        if self.for_share && rig != RigPart::AsDrawn {
            return Vec::new();
        }
        let mut drawn = vec![0.0; smoothed.len()];
        (0..self.count.min(most))
            .map(|trial| {
                let own = &self.own[trial * smoothed.len()..];
                for ((value, smooth), own) in drawn.iter_mut().zip(smoothed).zip(own) {
                    *value = smooth + own_way * own;
                }
                self.add_rig(rig, trial, own_way, &mut drawn);
                number(&drawn)
            })
            .collect()
    }

    /// The same draws with other limits of the rig; of the first `most` of them.
    /// For a source's share of the variance: what noise alone does is then known already.
    pub(crate) fn for_share(&self, limits: RigLimits, most: usize) -> Self {
        Self {
            limits,
            for_share: true,
            count: self.count.min(most),
            ..self.clone()
        }
    }

    /// Whether anything of the rig moves a number at all.
    pub(crate) fn have_rig(&self) -> bool {
        let limits = self.limits;
        let moving = [
            limits.offset,
            limits.step,
            limits.gain_drift,
            limits.offset_drift,
        ];
        !self.for_share
            && limits
                .gains()
                .iter()
                .chain(&moving)
                .any(|limit| *limit > 0.0)
    }

    /// Gains from one end of their limits to the other. What the loading takes away makes the
    /// unit wider than it was seen.
    fn gains(&self) -> impl Iterator<Item = f64> {
        let [gain, loading, session] = self.limits.gains();
        let (lower, upper) = (-gain - session, gain + session + loading);
        (0..=GAINS_TRIED).map(move |place| {
            let share = f64::from(place) / f64::from(GAINS_TRIED);
            lower + share * (upper - lower)
        })
    }

    /// The gains within their limits with which a number is least and most; one where none
    /// moves it.
    pub(crate) fn gains_that_matter(
        &self,
        smoothed: &[f64],
        number: impl Fn(&[f64]) -> f64,
    ) -> Vec<f64> {
        let at = |gain: f64| number(&self.with_gain(gain, smoothed));
        let all: Vec<f64> = self.gains().collect();
        let (lower, upper) = (all[0], all[all.len() - 1]);
        let moved = (self.shared.gain.amax() * (upper - lower)).max(f64::MIN_POSITIVE);
        let ends = [lower, f64::midpoint(lower, upper), upper].map(at);
        if ends
            .iter()
            .all(|end| (end - ends[0]).abs() <= MOVES_NOTHING * moved)
        {
            return vec![0.0];
        }
        let (mut least, mut most) = ((f64::INFINITY, lower), (f64::NEG_INFINITY, upper));
        for gain in all {
            let found = at(gain);
            if found < least.0 {
                least = (found, gain);
            }
            if found > most.0 {
                most = (found, gain);
            }
        }
        vec![least.1, most.1]
    }

    /// The least and the most of a number that goes by how many notes or rounds lie within a
    /// limit, wherever within its limits each error of the rig lies: with any gain, and with
    /// each round's half range less or more by as much as the rest can make it (95 %).
    ///
    /// A half range is a seminorm: of a sum it is no more than the sum of both.
    pub(crate) fn reach(
        &self,
        smoothed: &[f64],
        number: impl Fn(&[f64], &[f64]) -> f64,
    ) -> (f64, f64) {
        let notes = self.shared.gain.len();
        let mut by_round = vec![Vec::new(); smoothed.len() / notes];
        let (nothing, most) = (vec![0.0; smoothed.len()], self.count.div_ceil(2));
        self.evaluate(&nothing, RigPart::WithGain(0.0), most, |errors| {
            for (all, round) in by_round.iter_mut().zip(errors.chunks_exact(notes)) {
                all.push(half_range(round));
            }
            0.0
        });
        let more: Vec<f64> = by_round.iter().map(|all| middle_95(all).1).collect();
        let less: Vec<f64> = more.iter().map(|more| -more).collect();
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for gain in self.gains() {
            let moved = self.with_gain(gain, smoothed);
            for room in [&less, &more] {
                let found = number(&moved, room);
                (low, high) = (low.min(found), high.max(found));
            }
        }
        (low, high)
    }

    /// What a gain makes of a curve.
    pub(crate) fn with_gain(&self, gain: f64, smoothed: &[f64]) -> Vec<f64> {
        let shift = &self.shared.gain * gain;
        let rounds = smoothed.chunks_exact(shift.len());
        rounds
            .flat_map(|round| round.iter().zip(&shift).map(|(value, shift)| value + shift))
            .collect()
    }

    /// Gain and offset of a draw.
    fn gain_and_offset(&self, trial: usize) -> (f64, f64) {
        let (rig, limits) = (&self.rig[trial], self.limits);
        let gains = rig.gains.iter().zip(limits.gains());
        (
            gains.map(|(part, limit)| part * limit).sum(),
            rig.offset * limits.offset,
        )
    }

    /// Adds to a curve what the rig does in a draw; what each note has for itself one way
    /// or the other.
    fn add_rig(&self, part: RigPart, trial: usize, own_way: f64, drawn: &mut [f64]) {
        let (rig, limits, shared) = (&self.rig[trial], self.limits, &self.shared);
        let notes = shared.gain.len();
        // What is drawn, or the end it is nearer to.
        let placed = |drawn: f64| match part {
            RigPart::WithGain(_) => drawn.signum(),
            _ => drawn,
        };
        let ((gain, offset), steps) = match part {
            RigPart::Nothing => return,
            RigPart::AsDrawn => (self.gain_and_offset(trial), &rig.steps),
            RigPart::WithGain(gain) => (
                (gain, placed(rig.offset) * limits.offset),
                &rig.steps_at_ends,
            ),
        };
        let shift: Vec<f64> = (0..notes)
            .map(|note| {
                let mut shift = shared.gain[note] * gain + shared.offset[note] * offset;
                if limits.step > 0.0 {
                    shift += own_way * steps[note];
                }
                if limits.off_curve {
                    shift += own_way * rig.off_curve[note];
                }
                shift
            })
            .collect();
        if shift.iter().any(|shift| *shift != 0.0) {
            for round in drawn.chunks_exact_mut(notes) {
                for (value, shift) in round.iter_mut().zip(&shift) {
                    *value += shift;
                }
            }
        }
        if limits.gain_drift > 0.0 || limits.offset_drift > 0.0 {
            let (gain, offset) = (
                own_way * placed(rig.gain_drift) * limits.gain_drift,
                own_way * placed(rig.offset_drift) * limits.offset_drift,
            );
            let drift: Vec<f64> = (0..notes)
                .map(|note| shared.gain[note] * gain + shared.offset[note] * offset)
                .collect();
            for (round, drifted) in drawn.chunks_exact_mut(notes).zip(&rig.drifted) {
                for (value, drift) in round.iter_mut().zip(&drift) {
                    *value += drifted * drift;
                }
            }
        }
    }
}
