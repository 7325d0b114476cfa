//! What a unit did since t = 0: the curves of all rounds that play the notes of
//! a stage, smoothed over time, with joint draws of their uncertainty.
//!
//! Extremes are never taken of readings: the largest of many noisy readings is
//! too large, and noise drawn around noisy readings counts twice. They are taken
//! of this smoothed curve, and draws are added to it.

mod draws;

pub(crate) use draws::{Draws, RigPart};

use crate::curves::tracking::Shape;
use crate::curves::unit::UnitCurves;
use crate::statistics::correlated::Factor;
use crate::statistics::smoothing::{Noisy, Smoother};
use draws::SharedByNote;
use nalgebra::{DMatrix, DVector};

/// The curve of one round, at the notes of the stage the history belongs to.
#[derive(Debug, Clone)]
pub(crate) struct Point {
    /// Mean time, in seconds since t = 0.
    pub(crate) t: f64,
    /// Whether it is of the stage itself.
    pub(crate) in_stage: bool,
    /// Whether a reading of it was off the unit's course.
    off_course: bool,
    pub(crate) y: DVector<f64>,
    pub(crate) readings: usize,
    map: DMatrix<f64>,
    own_sd: Vec<f64>,
}

impl Point {
    /// What draws noise of the curve with the covariance that the readings' own noise
    /// gives it.
    fn factor(&self) -> Factor {
        let mut by_reading = self.map.transpose();
        for (mut row, sd) in by_reading.row_iter_mut().zip(&self.own_sd) {
            row *= *sd;
        }
        Factor::of(by_reading)
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

impl History {
    /// Gathers the rounds that play every note of a stage, from its t = 0 to the
    /// next break of the unit's thermal history. `None` without any.
    pub(crate) fn gather(curves: &UnitCurves, stage: u16) -> Option<Self> {
        let own = curves.stages.get(&stage)?;
        let shared = curves.shared(stage)?;
        let notes = &own.fit.notes;
        let origin = own.origin.at.seconds();
        let broken = own
            .origin
            .broken
            .as_ref()
            .map_or(f64::INFINITY, |(at, _)| at.seconds());
        let mut points = Vec::new();
        for (other_stage, other) in curves.stages.iter() {
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
                    off_course: curves.was_off_course(round.from, round.until),
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
        let in_stage: Vec<&crate::curves::tracking::RoundFit> = own.fit.rounds.iter().collect();
        let middle = in_stage.get(in_stage.len() / 2)?;
        let count = notes.len();
        let is_proven = |place: usize| own.fit.proven[place] != 0.0;
        let mut steps = DMatrix::zeros(count, count);
        for place in 0..count {
            let by_note = middle.by_note(&middle.map.row(place).transpose(), shared.stage);
            steps.set_row(place, &by_note.transpose());
            // What is proven off the curve is as the note is read, with its step.
            if is_proven(place) {
                steps.row_mut(place).fill(0.0);
                steps[(place, place)] = 1.0;
            }
        }
        let of_note = |value: &dyn Fn(usize) -> f64| -> DVector<f64> {
            &steps * DVector::from_iterator(count, notes.iter().map(|note| value(*note)))
        };
        let mut history = Self {
            x: notes
                .iter()
                .map(|note| curves.unit.notes[*note].x)
                .collect(),
            reference: curves.unit.reference.and_then(|note| own.fit.place(note)),
            smoother: Smoother::for_series(&[], &[]),
            smoothed: Vec::new(),
            common_sd: 0.0,
            each_sd: 0.0,
            shared: SharedByNote {
                gain: of_note(&|note| curves.unit.notes[note].per_gain),
                offset: of_note(&|note| curves.unit.notes[note].per_volt),
                limits: curves.limits,
                step_limits: (0..count).map(|place| shared.step(place)).collect(),
                misfit: (0..count)
                    .map(|place| {
                        if is_proven(place) {
                            0.0
                        } else {
                            shared.misfit(place)
                        }
                    })
                    .collect(),
                steps,
            },
            points,
        };
        history.smooth(own.fit.shape);
        Some(history)
    }

    /// The note whose course decides first how much is smoothed.
    fn leading_note(&self) -> usize {
        self.reference.unwrap_or(0)
    }

    /// What the noise that the readings of a round show makes of a note, as a variance: the
    /// mean of all rounds from one on.
    pub(crate) fn own_variance(&self, note: usize, from: usize) -> f64 {
        let points = &self.points[from.min(self.points.len())..];
        let variance = |point: &Point| {
            let row = point.map.row(note);
            let of_readings = row.iter().zip(&point.own_sd);
            of_readings.map(|(w, sd)| (w * sd).powi(2)).sum::<f64>()
        };
        points.iter().map(variance).sum::<f64>() / points.len().max(1) as f64
    }

    fn smooth(&mut self, shape: Shape) {
        let times: Vec<f64> = self.points.iter().map(|point| point.t).collect();
        let leading = self.leading_note();
        let series: Vec<Vec<f64>> = (0..self.x.len()).map(|note| self.raw(note)).collect();
        let formal: Vec<f64> = (0..self.x.len())
            .map(|note| self.own_variance(note, 0))
            .collect();
        let watched = [leading, 0, self.x.len().saturating_sub(1)];
        let watched: Vec<Noisy<'_>> = watched
            .into_iter()
            .filter_map(|note| {
                Some(Noisy {
                    values: series.get(note)?,
                    at_least: formal.get(note)?.sqrt(),
                })
            })
            .collect();
        self.smoother = Smoother::for_series(&times, &watched);
        let extra: Vec<f64> = series
            .iter()
            .zip(&formal)
            .map(|(series, formal)| (self.smoother.noise_variance(series) - formal).max(0.0))
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

    /// The same without the rounds with readings that were off the unit's course, and how
    /// many these are. `None` where there are none, or nothing is left.
    pub(crate) fn on_course(&self, shape: Shape) -> Option<(Self, usize)> {
        let mut without = self.clone();
        without.points.retain(|point| !point.off_course);
        let left_aside = self.points.len() - without.points.len();
        if left_aside == 0 || without.stage_points().is_empty() {
            return None;
        }
        without.smooth(shape);
        Some((without, left_aside))
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
}
