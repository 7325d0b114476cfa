//! What a unit did since t = 0: the curves of all rounds that play the notes of
//! a stage, smoothed over time, with joint draws of their uncertainty.
//!
//! Extremes are never taken of readings: the largest of many noisy readings is
//! too large, and noise drawn around noisy readings counts twice. They are taken
//! of this smoothed curve, and draws are added to it.

use crate::bench::Bench;
use crate::smoothing::Smoother;
use crate::tracking::Shape;
use crate::trials::Trials;
use crate::uncertainty::RigLimits;
use nalgebra::{DMatrix, DVector};
use std::rc::Rc;

/// About how many numbers all draws of a history may take.
const DRAWN_NUMBERS: usize = 1_000_000;
/// A control source drifts no faster than with this time constant, in seconds.
const FASTEST_DRIFT_S: f64 = 600.0;

/// The curve of one round, at the notes of the stage the history belongs to.
#[derive(Debug, Clone)]
pub(crate) struct Point {
    /// Mean time, in seconds since t = 0.
    pub(crate) t: f64,
    /// Whether it is of the stage itself.
    pub(crate) in_stage: bool,
    pub(crate) y: DVector<f64>,
    pub(crate) readings: usize,
    map: DMatrix<f64>,
    own_sd: Vec<f64>,
}

impl Point {
    /// What turns independent normal numbers into noise of the curve with the
    /// covariance that the readings' own noise gives it: a triangular root of that,
    /// with as many columns as the curve has parameters, fewer than there are readings.
    fn factor(&self) -> DMatrix<f64> {
        let mut by_reading = self.map.transpose();
        for (mut row, sd) in by_reading.row_iter_mut().zip(&self.own_sd) {
            row *= *sd;
        }
        let root = by_reading.qr().r();
        let largest = root.amax();
        let counting: Vec<usize> = (0..root.nrows())
            .filter(|row| root.row(*row).amax() > 1e-9 * largest)
            .collect();
        root.select_rows(&counting).transpose()
    }
}

/// The rounds since t = 0, in the order of time.
#[derive(Debug, Clone)]
pub(crate) struct History {
    pub(crate) points: Vec<Point>,
    /// The notes' distances from the reference note, in octaves.
    pub(crate) x: Vec<f64>,
    /// The reference note's place among them.
    pub(crate) reference: Option<usize>,
    pub(crate) smoother: Smoother,
    /// Smoothed deviations, note after note, round after round, in cents.
    pub(crate) smoothed: Vec<f64>,
    /// Noise that all notes of a round share, and that each has for itself, beyond
    /// what the readings of the round show.
    common_sd: f64,
    each_sd: f64,
    shared: SharedByNote,
}

/// What the rig does to each note of the curve.
#[derive(Debug, Clone)]
struct SharedByNote {
    /// For a gain of one more and for a volt more.
    gain: DVector<f64>,
    offset: DVector<f64>,
    limits: RigLimits,
    /// How a step at one note moves the curve at all of them.
    steps: DMatrix<f64>,
    step_limits: Vec<f64>,
    misfit: Vec<f64>,
    freedom: usize,
}

/// Joint draws: of each reading's own noise, smoothed as the readings are, and
/// of what the rig shares between all rounds.
#[derive(Clone)]
pub(crate) struct Draws {
    own: Rc<Vec<f64>>,
    rig: Rc<Vec<RigDraw>>,
    times: Rc<Vec<f64>>,
    shared: Rc<SharedByNote>,
    /// What of the rig counts.
    limits: RigLimits,
    /// Whether they only serve to see what share of a variance a source has.
    for_share: bool,
    pub(crate) count: usize,
}

/// One draw of what the rig shares, each as a part of its limit.
struct RigDraw {
    gains: [f64; 3],
    offset: f64,
    gain_drift: f64,
    offset_drift: f64,
    /// The time constant with which the control source drifts, in seconds.
    drifts_in: f64,
    /// What steps and what is off the curve do to each note, in cents.
    steps: DVector<f64>,
    off_curve: DVector<f64>,
}

impl History {
    /// Gathers the rounds that play every note of a stage, from its t = 0 to the
    /// next break of the unit's thermal history. `None` without any.
    pub(crate) fn gather(bench: &Bench, stage: u16) -> Option<Self> {
        let own = bench.stages.get(&stage)?;
        let shared = bench.shared(stage)?;
        let notes = &own.fit.notes;
        let origin = own.origin.at.seconds();
        let broken = own
            .origin
            .broken
            .as_ref()
            .map_or(f64::INFINITY, |(at, _)| at.seconds());
        let mut points = Vec::new();
        for (other_stage, other) in bench.stages.iter() {
            let in_stage = *other_stage == stage;
            let places: Option<Vec<usize>> =
                notes.iter().map(|note| other.fit.place(*note)).collect();
            let Some(places) = places else { continue };
            for round in &other.fit.rounds {
                if !in_stage && (round.t < origin || round.t > broken) {
                    continue;
                }
                points.push(Point {
                    t: round.t - origin,
                    in_stage,
                    y: DVector::from_fn(places.len(), |row, _| {
                        round.y[places[row]] + other.fit.proven[places[row]]
                    }),
                    readings: round.note_of.len(),
                    map: DMatrix::from_fn(places.len(), round.map.ncols(), |row, column| {
                        round.map[(places[row], column)]
                    }),
                    own_sd: round.own_sd.clone(),
                });
            }
        }
        points.sort_by(|a, b| a.t.total_cmp(&b.t));
        let in_stage: Vec<&crate::tracking::RoundFit> = own.fit.rounds.iter().collect();
        let middle = in_stage.get(in_stage.len() / 2)?;
        let count = notes.len();
        let mut steps = DMatrix::zeros(count, count);
        for place in 0..count {
            let by_note = middle.by_note(&middle.map.row(place).transpose(), shared.stage);
            steps.set_row(place, &by_note.transpose());
        }
        let of_note = |value: &dyn Fn(usize) -> f64| -> DVector<f64> {
            &steps * DVector::from_iterator(count, notes.iter().map(|note| value(*note)))
        };
        let mut history = Self {
            x: notes.iter().map(|note| bench.unit.notes[*note].x).collect(),
            reference: bench.unit.reference.and_then(|note| own.fit.place(note)),
            smoother: Smoother::for_series(&[], &[]),
            smoothed: Vec::new(),
            common_sd: 0.0,
            each_sd: 0.0,
            shared: SharedByNote {
                gain: of_note(&|note| bench.unit.notes[note].per_gain),
                offset: of_note(&|note| bench.unit.notes[note].per_volt),
                limits: bench.limits,
                step_limits: (0..count).map(|place| shared.counted_step(place)).collect(),
                misfit: (0..count).map(|place| shared.misfit(place)).collect(),
                freedom: own.fit.misfit.1,
                steps,
            },
            points,
        };
        history.smooth(own.fit.shape);
        Some(history)
    }

    /// The note whose course decides how much is smoothed.
    fn leading_note(&self) -> usize {
        self.reference.unwrap_or(0)
    }

    fn smooth(&mut self, shape: Shape) {
        let times: Vec<f64> = self.points.iter().map(|point| point.t).collect();
        let leading = self.leading_note();
        self.smoother = Smoother::for_series(&times, &self.raw(leading));
        let extra: Vec<f64> = (0..self.x.len())
            .map(|note| {
                let series = self.raw(note);
                let formal: f64 = self
                    .points
                    .iter()
                    .map(|point| {
                        let row = point.map.row(note);
                        row.iter()
                            .zip(&point.own_sd)
                            .map(|(w, sd)| (w * sd).powi(2))
                            .sum::<f64>()
                    })
                    .sum::<f64>()
                    / self.points.len().max(1) as f64;
                (self.smoother.noise_variance(&series) - formal).max(0.0)
            })
            .collect();
        match shape {
            Shape::Model { .. } => self.common_sd = extra.get(leading).map_or(0.0, |v| v.sqrt()),
            Shape::NoteByNote => {
                self.each_sd = (extra.iter().sum::<f64>() / extra.len().max(1) as f64).sqrt();
            }
        }
        let notes = self.x.len();
        self.smoothed = vec![0.0; self.points.len() * notes];
        for note in 0..notes {
            let series = self.smoother.apply(&self.raw(note));
            for (point, value) in series.into_iter().enumerate() {
                self.smoothed[point * notes + note] = value;
            }
        }
    }

    /// The same without one round, if that round stands out from its neighbours
    /// by more than `least` cents and eight times the scatter; and when it was.
    pub(crate) fn without_outlier(&self, least: f64, shape: Shape) -> Option<(Self, f64)> {
        let off: Vec<f64> = (0..self.x.len())
            .map(|note| self.smoother.left_out(&self.raw(note)))
            .fold(vec![0.0; self.points.len()], |worst, off| {
                worst.iter().zip(off).map(|(a, b)| a.max(b.abs())).collect()
            });
        let mut sorted = off.clone();
        sorted.sort_by(f64::total_cmp);
        let scatter = 1.4826 * crate::statistics::quantile(&sorted, 0.5);
        let place = off.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?.0;
        // The first and last rounds have neighbours on one side only: no outliers.
        let inner = place > 1 && place + 2 < self.points.len();
        if !inner || self.points.len() < 9 || off[place] < (8.0 * scatter).max(least) {
            return None;
        }
        let mut without = self.clone();
        let t = without.points.remove(place).t;
        without.smooth(shape);
        Some((without, t))
    }

    /// A note's deviations off the curves of the rounds, not smoothed.
    pub(crate) fn raw(&self, note: usize) -> Vec<f64> {
        self.points.iter().map(|point| point.y[note]).collect()
    }

    pub(crate) fn times(&self) -> Vec<f64> {
        self.points.iter().map(|point| point.t).collect()
    }

    /// The rounds of the stage itself.
    pub(crate) fn stage_points(&self) -> Vec<usize> {
        (0..self.points.len())
            .filter(|place| self.points[*place].in_stage)
            .collect()
    }

    /// Draws jointly of everything that is uncertain.
    pub(crate) fn draw(&self, trials: &mut Trials) -> Draws {
        let notes = self.x.len();
        let size = self.points.len() * notes;
        let times = self.times();
        let count = (DRAWN_NUMBERS / size.max(1)).clamp(100, 1000);
        let mut own = vec![0.0; count * size];
        let mut rig = Vec::with_capacity(count);
        let mut noise = vec![0.0; size];
        let factors: Vec<DMatrix<f64>> = self.points.iter().map(Point::factor).collect();
        for trial in 0..count {
            for (factor, noise) in factors.iter().zip(noise.chunks_exact_mut(notes)) {
                noise.fill(self.common_sd * trials.normal());
                for column in factor.column_iter() {
                    let normal = trials.normal();
                    for (sum, weight) in noise.iter_mut().zip(&column) {
                        *sum += weight * normal;
                    }
                }
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
            rig.push(self.shared.draw(&times, trials));
        }
        Draws {
            own: Rc::new(own),
            rig: Rc::new(rig),
            times: Rc::new(times),
            limits: self.shared.limits,
            shared: Rc::new(self.shared.clone()),
            for_share: false,
            count,
        }
    }
}

impl SharedByNote {
    fn draw(&self, times: &[f64], trials: &mut Trials) -> RigDraw {
        let notes = self.gain.len();
        let gains = [0; 3].map(|_| trials.within(1.0));
        let offset = trials.within(1.0);
        let scale = trials.unknown_scale(self.freedom);
        let steps = DVector::from_fn(notes, |note, _| trials.within(self.step_limits[note]));
        let off_curve =
            DVector::from_fn(notes, |note, _| self.misfit[note] * scale * trials.normal());
        // As a warming interface drifts, or steadily, or anything between.
        let last = times
            .last()
            .copied()
            .unwrap_or(0.0)
            .max(2.0 * FASTEST_DRIFT_S);
        let share = 0.5 * (trials.within(1.0) + 1.0);
        RigDraw {
            gains,
            offset,
            gain_drift: trials.within(1.0),
            offset_drift: trials.within(1.0),
            drifts_in: FASTEST_DRIFT_S * (share * (last / FASTEST_DRIFT_S).ln()).exp(),
            steps: &self.steps * steps,
            off_curve: &self.steps * off_curve,
        }
    }
}

impl Draws {
    /// A number computed of each draw (of the first `most`) around the smoothed
    /// curve: with each reading's own noise alone, or with what the rig shares as well.
    pub(crate) fn evaluate(
        &self,
        smoothed: &[f64],
        with_rig: bool,
        most: usize,
        mut number: impl FnMut(&[f64]) -> f64,
    ) -> Vec<f64> {
        if self.for_share && !with_rig {
            return Vec::new();
        }
        let mut drawn = vec![0.0; smoothed.len()];
        (0..self.count.min(most))
            .map(|trial| {
                let own = &self.own[trial * smoothed.len()..];
                for ((value, smooth), own) in drawn.iter_mut().zip(smoothed).zip(own) {
                    *value = smooth + own;
                }
                if with_rig {
                    self.add_rig(trial, &mut drawn);
                }
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

    /// Adds to a curve what the rig does in a draw.
    fn add_rig(&self, trial: usize, drawn: &mut [f64]) {
        let (rig, limits, shared) = (&self.rig[trial], self.limits, &self.shared);
        let notes = shared.gain.len();
        let gain: f64 = rig
            .gains
            .iter()
            .zip(limits.gains())
            .map(|(part, limit)| part * limit)
            .sum();
        let offset = rig.offset * limits.offset;
        let shift: Vec<f64> = (0..notes)
            .map(|note| {
                let mut shift = shared.gain[note] * gain + shared.offset[note] * offset;
                if limits.step > 0.0 {
                    shift += rig.steps[note];
                }
                if limits.off_curve {
                    shift += rig.off_curve[note];
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
                rig.gain_drift * limits.gain_drift,
                rig.offset_drift * limits.offset_drift,
            );
            let drift: Vec<f64> = (0..notes)
                .map(|note| shared.gain[note] * gain + shared.offset[note] * offset)
                .collect();
            let from = self.times.first().copied().unwrap_or(0.0);
            let last = self.times.last().copied().unwrap_or(0.0);
            let whole = (1.0 - (-(last - from) / rig.drifts_in).exp()).max(1e-9);
            for (round, t) in drawn.chunks_exact_mut(notes).zip(self.times.iter()) {
                let drifted = (1.0 - (-(t - from) / rig.drifts_in).exp()) / whole;
                for (value, drift) in round.iter_mut().zip(&drift) {
                    *value += drifted * drift;
                }
            }
        }
    }
}
