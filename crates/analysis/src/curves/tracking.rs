//! The tracking model, round by round:
//! `e = a + b x + c (u - 1) + d (1/u - 1)`, with x the note's distance from the
//! reference note in octaves and u the measured frequency over the reference
//! note's; b is the scale error, c the high end (reset time and bulk resistance
//! both go with the frequency), d the low end (leakage goes with its inverse).
//!
//! What to fit is decided by span and number of notes, never by how well it
//! fits: a, b, c from four octaves and five notes on; d only with six octaves
//! and more than three times its uncertainty; below that the mean slope alone. Where a
//! low end stands out over fewer octaves, slope and high end would be made of it, and
//! are not stated.
//! Each round also carries a linear time term, so that drift within the round is
//! not taken for scale error; how the slope itself moves comes from the rounds
//! before and after.
//!
//! Under hertz per volt (`f = K V`) there is no slope in cents per octave; a
//! voltage too much has the term `1/u - 1` in its place, and the gain K is what a
//! knob retunes.

use crate::curves::off_curve::{low_end_is_there, noise, proven};
use crate::readings::deviation::{Round, Sample, UnitReadings};
use crate::statistics::least_squares::{Fit, fit};
use crate::statistics::median;
use crate::uncertainty::limits::RigLimits;
use model::pitch::ControlLaw;
use model::result::{LeftOut, NotDetermined, OneNote};
use nalgebra::{DMatrix, DVector};
use std::collections::BTreeMap;

/// From this span on, in octaves, slope and high end can be told apart.
pub(crate) const SPAN_FOR_HIGH_END: f64 = 4.0;
/// From this span on a low-end term is tried.
pub(crate) const SPAN_FOR_LOW_END: f64 = 6.0;
/// So many notes are needed for either.
pub(crate) const NOTES_FOR_HIGH_END: usize = 5;
/// Never trust a meter beyond this, in cents, when readings are weighed.
const LEAST_SD: f64 = 1e-3;
/// So many times as uncertain as is usual in its round a reading weighs less.
const STANDS_OUT: f64 = 10.0;
/// From this on, in cents at the bottom note, a low end has its exact form.
const LARGE_LOW_END: f64 = 20.0;
/// A factor of e in cents.
pub(crate) const CENTS_PER_E: f64 = 1200.0 / std::f64::consts::LN_2;

/// Which terms the curve of a stage has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    /// The model, with or without its ends.
    Model { high: bool, low: bool },
    /// Too few notes for a model: each note for itself.
    NoteByNote,
}

/// A number that depends linearly on the readings of a round.
#[derive(Debug, Clone)]
pub(crate) struct Functional {
    pub(crate) value: f64,
    pub(crate) weights: DVector<f64>,
}

/// The curve of one round.
#[derive(Debug, Clone)]
pub(crate) struct RoundFit {
    /// Mean time of its readings, in seconds of the run.
    pub(crate) t: f64,
    /// First and last window, in seconds of the run.
    pub(crate) from: f64,
    pub(crate) until: f64,
    /// The note of each reading, and its own standard deviation.
    pub(crate) note_of: Vec<usize>,
    pub(crate) own_sd: Vec<f64>,
    /// Deviation of each note of the stage at `t`, in cents, off the curve.
    pub(crate) y: DVector<f64>,
    /// How `y` depends on the readings.
    pub(crate) map: DMatrix<f64>,
    pub(crate) scale_error: Option<Functional>,
    pub(crate) high_end: Option<Functional>,
    /// What the low-end term does at the bottom note, in cents.
    pub(crate) low_end: Option<Functional>,
    /// The same where it does not stand out and is not in the curve.
    pub(crate) low_end_not_there: Option<Functional>,
    /// Under hertz per volt: the coefficient of `1/u - 1`, in cents.
    pub(crate) voltage_offset: Option<Functional>,
    pub(crate) mean_slope: Option<Functional>,
    /// Drift within the round, cents per second.
    pub(crate) drift: Option<Functional>,
    /// Readings with what neighbouring rounds say of drift taken out.
    values: DVector<f64>,
    middles: Vec<f64>,
    pub(crate) residuals: Vec<f64>,
    pub(crate) degrees_of_freedom: usize,
}

/// The curves of all rounds of a stage.
#[derive(Debug, Clone)]
pub(crate) struct StageFit {
    /// The notes that count in the stage, lowest first, as indices into the unit's.
    pub(crate) notes: Vec<usize>,
    /// How many were played, whether or not they count, and what of the readings does not.
    played: usize,
    left_out: BTreeMap<LeftOut, usize>,
    pub(crate) span: f64,
    pub(crate) shape: Shape,
    /// Whether slope and high end may be named.
    pub(crate) named: bool,
    /// That they may not though span and notes would do: the lowest notes are off as a low
    /// end makes them, and the span is too short to tell it from slope and high end.
    pub(crate) hides_low_end: bool,
    pub(crate) rounds: Vec<RoundFit>,
    /// What repeats from round to round off the curve and is more than steps of
    /// the control source can explain; by note of the stage, in cents.
    pub(crate) proven: DVector<f64>,
    /// Standard deviation of what repeats off the curve, and its degrees of freedom.
    pub(crate) misfit: (f64, usize),
    /// Whether drift within the rounds could be told from slope.
    pub(crate) timed: bool,
}

impl StageFit {
    /// Fits every round of a stage.
    pub(crate) fn new(unit: &UnitReadings, stage: u16, limits: RigLimits) -> Self {
        let rounds: Vec<&Round> = unit
            .rounds
            .iter()
            .filter(|round| round.stage == stage)
            .collect();
        let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
        for sample in rounds.iter().flat_map(|round| round.counting()) {
            *counts.entry(sample.note).or_default() += 1;
        }
        let notes: Vec<usize> = counts.into_keys().collect();
        let span = match (notes.first(), notes.last()) {
            (Some(first), Some(last)) => unit.notes[*last].x - unit.notes[*first].x,
            _ => 0.0,
        };
        let mut named = span > SPAN_FOR_HIGH_END - 1e-6 && notes.len() >= NOTES_FOR_HIGH_END;
        let mut hides_low_end = false;
        let mut shape = if notes.len() < NOTES_FOR_HIGH_END {
            Shape::NoteByNote
        } else {
            Shape::Model {
                high: span > 2.0 - 1e-6,
                low: false,
            }
        };
        let fitter = Fitter {
            unit,
            notes: &notes,
        };
        let mut fits = fitter.fit_all(&rounds, shape);
        let octaves = matches!(unit.law, ControlLaw::VoltsPerOctave { .. });
        if named && octaves && notes.len() > NOTES_FOR_HIGH_END {
            let with_low = Shape::Model {
                high: true,
                low: true,
            };
            let tried = fitter.fit_all(&rounds, with_low);
            let is_there = low_end_is_there(&tried, unit, limits);
            if span < SPAN_FOR_LOW_END - 1e-6 {
                // Slope and high end that bend for it would be stated with an interval that
                // does not hold them.
                hides_low_end = is_there;
                named = !is_there;
            } else if is_there {
                shape = with_low;
                fits = tried;
            } else {
                for (round, tried) in fits.iter_mut().zip(tried) {
                    // A round has the same readings either way, if both could be fitted.
                    if tried.t == round.t && tried.note_of == round.note_of {
                        round.low_end_not_there = tried.low_end;
                    }
                }
            }
        }
        let (repeating, excess) = noise(&fits);
        for round in &mut fits {
            for sd in &mut round.own_sd {
                *sd = sd.hypot(excess);
            }
        }
        let proven = proven(&fits, unit, &notes, limits, excess);
        let tally = unit.tally.get(&stage);
        let timed = !fits.is_empty() && fits.iter().all(|round| round.drift.is_some());
        Self {
            notes,
            played: tally.map_or(0, |tally| tally.played.len()),
            left_out: tally
                .map(|tally| tally.left_out.clone())
                .unwrap_or_default(),
            span,
            shape,
            named,
            hides_low_end,
            rounds: fits,
            proven,
            misfit: repeating,
            timed,
        }
    }

    /// That one note is all there is, where something takes several.
    pub(crate) fn one_note(&self, so: OneNote) -> NotDetermined {
        NotDetermined::OneNote {
            played: self.played,
            left_out: self.left_out.clone(),
            so,
        }
    }

    /// Why slope and high end are not named where a low end hides in them.
    pub(crate) const fn low_end_hidden(&self) -> NotDetermined {
        NotDetermined::HidesLowEnd {
            have_octaves: self.span,
            takes_octaves: SPAN_FOR_LOW_END,
        }
    }

    /// Where a note of the unit stands among those of the stage.
    pub(crate) fn place(&self, note: usize) -> Option<usize> {
        self.notes.binary_search(&note).ok()
    }

    /// The upper note's deviation less the lower one's in a round, drift between
    /// their readings taken out.
    pub(crate) fn difference(
        &self,
        round: &RoundFit,
        low: usize,
        high: usize,
    ) -> Option<Functional> {
        let (low_weights, low_time) = round.mean_of(low)?;
        let (high_weights, high_time) = round.mean_of(high)?;
        let mut weights = high_weights - low_weights;
        if let Some(drift) = &round.drift {
            weights -= &drift.weights * (high_time - low_time);
        }
        Some(Functional {
            value: weights.dot(&round.values),
            weights,
        })
    }
}

impl RoundFit {
    /// The readings of a note as weights of their mean, and their mean time.
    fn mean_of(&self, note: usize) -> Option<(DVector<f64>, f64)> {
        let visits = self.note_of.iter().filter(|other| **other == note).count();
        if visits == 0 {
            return None;
        }
        let share = 1.0 / visits as f64;
        let weights = DVector::from_iterator(
            self.note_of.len(),
            self.note_of
                .iter()
                .map(|other| if *other == note { share } else { 0.0 }),
        );
        let time = weights
            .iter()
            .zip(&self.middles)
            .map(|(weight, time)| weight * time)
            .sum();
        Some((weights, time))
    }
    /// Variance of a functional from what is each reading's own.
    pub(crate) fn own_variance(&self, weights: &DVector<f64>) -> f64 {
        weights
            .iter()
            .zip(&self.own_sd)
            .map(|(weight, sd)| (weight * sd).powi(2))
            .sum()
    }
    /// How a functional depends on a shift of each note of the stage.
    pub(crate) fn by_note(&self, weights: &DVector<f64>, stage: &StageFit) -> DVector<f64> {
        let mut sums = DVector::zeros(stage.notes.len());
        for (weight, note) in weights.iter().zip(&self.note_of) {
            if let Some(place) = stage.place(*note) {
                sums[place] += weight;
            }
        }
        sums
    }
}

/// What neighbouring rounds say of drift within a round.
#[derive(Debug, Clone, Copy, Default)]
struct Within {
    /// Of the offset, in cents per second.
    offset: f64,
    /// Of the slope, in cents per octave and second.
    slope: f64,
    /// How both bend, the same per second once more.
    offset_bend: f64,
    slope_bend: f64,
}

impl Within {
    /// How far a note `x` octaves above the reference is from where it is in the middle of
    /// the round, so many seconds later.
    fn moves(&self, x: f64, later: f64) -> f64 {
        (self.offset + self.slope * x) * later
            + (self.offset_bend + self.slope_bend * x) * later * later / 2.0
    }
}

struct Fitter<'a> {
    unit: &'a UnitReadings,
    notes: &'a [usize],
}

impl Fitter<'_> {
    /// Fits all rounds, then again with what neighbouring rounds say of drift
    /// within the round taken out.
    fn fit_all(&self, rounds: &[&Round], shape: Shape) -> Vec<RoundFit> {
        let samples: Vec<Vec<&Sample>> = rounds
            .iter()
            .map(|round| round.counting().collect())
            .collect();
        let first: Vec<Option<RoundFit>> = samples
            .iter()
            .map(|samples| self.fit_round(samples, shape, Within::default()))
            .collect();
        let fitted: Vec<&RoundFit> = first.iter().flatten().collect();
        if fitted.len() < 3 {
            return first.into_iter().flatten().collect();
        }
        let trend = |place: usize, value: &dyn Fn(&RoundFit) -> Option<f64>| -> f64 {
            let before = fitted[place.saturating_sub(1)];
            let after = fitted[(place + 1).min(fitted.len() - 1)];
            let time = after.t - before.t;
            match (value(before), value(after)) {
                (Some(from), Some(to)) if time > 0.0 => (to - from) / time,
                _ => 0.0,
            }
        };
        // Of a parabola through three rounds, in cents per second squared.
        let bend = |place: usize, value: &dyn Fn(&RoundFit) -> Option<f64>| -> f64 {
            let middle = place.clamp(1, fitted.len() - 2);
            let three = [middle - 1, middle, middle + 1].map(|place| fitted[place]);
            let [Some(a), Some(b), Some(c)] = three.map(value) else {
                return 0.0;
            };
            let (left, right) = (three[1].t - three[0].t, three[2].t - three[1].t);
            if left <= 0.0 || right <= 0.0 {
                return 0.0;
            }
            2.0 * ((c - b) / right - (b - a) / left) / (left + right)
        };
        let reference = self
            .unit
            .reference
            .and_then(|note| self.notes.binary_search(&note).ok());
        let offset_of = |fit: &RoundFit| Some(fit.y[reference.unwrap_or(0)]);
        let slope_of = |fit: &RoundFit| fit.mean_slope.as_ref().map(|slope| slope.value);
        let mut place = 0;
        let mut second = Vec::with_capacity(fitted.len());
        for (samples, before) in samples.iter().zip(&first) {
            let Some(before) = before else { continue };
            let within = Within {
                offset: if before.drift.is_some() {
                    0.0
                } else {
                    trend(place, &offset_of)
                },
                slope: trend(place, &slope_of),
                offset_bend: bend(place, &offset_of),
                slope_bend: bend(place, &slope_of),
            };
            place += 1;
            let again = self.fit_round(samples, shape, within);
            second.push(again.unwrap_or_else(|| before.clone()));
        }
        second
    }

    /// Fits one round.
    fn fit_round(&self, samples: &[&Sample], shape: Shape, within: Within) -> Option<RoundFit> {
        if samples.is_empty() {
            return None;
        }
        let count = samples.len();
        let t = samples.iter().map(|sample| sample.middle).sum::<f64>() / count as f64;
        let x: Vec<f64> = samples
            .iter()
            .map(|sample| self.unit.notes[sample.note].x)
            .collect();
        let at_reference: Vec<f64> = samples
            .iter()
            .filter(|sample| Some(sample.note) == self.unit.reference)
            .map(|sample| sample.hz)
            .collect();
        let reference_hz = if at_reference.is_empty() {
            self.unit.reference_hz
        } else {
            at_reference.iter().sum::<f64>() / at_reference.len() as f64
        };
        let u: Vec<f64> = samples
            .iter()
            .map(|sample| sample.hz / reference_hz)
            .collect();
        let values: Vec<f64> = samples
            .iter()
            .zip(&x)
            .map(|(sample, x)| sample.cents - within.moves(*x, sample.middle - t))
            .collect();
        let mut visits: BTreeMap<usize, (f64, f64, usize)> = BTreeMap::new();
        for (sample, u) in samples.iter().zip(&u) {
            let visit = visits.entry(sample.note).or_insert((sample.middle, 0.0, 0));
            visit.1 += u;
            visit.2 += 1;
        }
        // What is off the curve is a note's own, by steps of the control source above all, and
        // repeats do not average it: notes weigh alike. How uncertain a reading says it is
        // scatters many-fold by chance, and counts where it stands out.
        let usual = median(&samples.iter().map(|sample| sample.u).collect::<Vec<f64>>());
        let sd: Vec<f64> = samples
            .iter()
            .map(|sample| {
                let own = (sample.u / STANDS_OUT).max(usual).max(LEAST_SD);
                own * (visits[&sample.note].2 as f64).sqrt()
            })
            .collect();
        let returns = samples
            .iter()
            .any(|sample| sample.middle > visits[&sample.note].0);
        let times: Option<Vec<f64>> =
            returns.then(|| samples.iter().map(|sample| sample.middle - t).collect());
        let ones = vec![1.0; count];

        let octaves = matches!(self.unit.law, ControlLaw::VoltsPerOctave { .. });
        let mut columns: Vec<Vec<f64>> = Vec::new();
        // Ratios at which the curve is evaluated, and the low end's bend there.
        let mut low_end_at: Option<(Vec<f64>, LowEnd)> = None;
        let mut values = values;
        let as_heard = values.clone();
        let evaluate: DMatrix<f64> = match shape {
            Shape::Model { high, low } => {
                let slope = |x: f64, u: f64| if octaves { x } else { 1.0 / u - 1.0 };
                columns.push(ones.clone());
                columns.push(x.iter().zip(&u).map(|(x, u)| slope(*x, *u)).collect());
                if high {
                    columns.push(u.iter().map(|u| u - 1.0).collect());
                }
                let ratio = |note: usize| {
                    visits.get(&note).map_or_else(
                        || self.unit.notes[note].x.exp2(),
                        |visit| visit.1 / visit.2 as f64,
                    )
                };
                let ratios: Vec<f64> = self.notes.iter().map(|note| ratio(*note)).collect();
                let low_end = low.then(|| {
                    let mut low_end = LowEnd::LINEAR;
                    let bottom = ratios.first().copied().unwrap_or(1.0);
                    for _ in 0..LOW_END_PASSES {
                        let mut all = columns.clone();
                        all.push(u.iter().map(|u| low_end.column(*u)).collect());
                        let bent: Vec<f64> = values
                            .iter()
                            .zip(&u)
                            .map(|(value, u)| value - low_end.beyond(*u))
                            .collect();
                        let Some((curve, _)) = fit_timed(&all, times.as_deref(), &bent, &sd) else {
                            break;
                        };
                        let d = curve.coefficients[columns.len()];
                        if (d / bottom).abs() < LARGE_LOW_END {
                            break;
                        }
                        low_end = LowEnd::around(d, bottom);
                    }
                    low_end
                });
                if let Some(low_end) = low_end {
                    columns.push(u.iter().map(|u| low_end.column(*u)).collect());
                    for (value, u) in values.iter_mut().zip(&u) {
                        *value -= low_end.beyond(*u);
                    }
                    low_end_at = Some((ratios.clone(), low_end));
                }
                DMatrix::from_fn(self.notes.len(), columns.len(), |row, column| {
                    let note = self.notes[row];
                    match (column, low_end) {
                        (0, _) => 1.0,
                        (1, _) => slope(self.unit.notes[note].x, ratios[row]),
                        (2, _) if high => ratios[row] - 1.0,
                        (_, Some(low_end)) => low_end.column(ratios[row]),
                        (_, None) => 0.0,
                    }
                })
            }
            Shape::NoteByNote => {
                if self.notes.iter().any(|note| !visits.contains_key(note)) {
                    return None;
                }
                columns.extend(self.notes.iter().map(|note| {
                    samples
                        .iter()
                        .map(|s| f64::from(u8::from(s.note == *note)))
                        .collect()
                }));
                DMatrix::identity(self.notes.len(), self.notes.len())
            }
        };
        let (curve, timed) = fit_timed(&columns, times.as_deref(), &values, &sd)?;
        let terms = columns.len();
        let shape_map = curve.map.rows(0, terms).into_owned();
        let map = &evaluate * &shape_map;
        let mut y = &evaluate * curve.coefficients.rows(0, terms);
        if let Some((ratios, low_end)) = &low_end_at {
            for (y, ratio) in y.iter_mut().zip(ratios) {
                *y += low_end.beyond(*ratio);
            }
        }
        let row = |index: usize| Functional {
            value: curve.coefficients[index],
            weights: curve.map.row(index).transpose(),
        };
        let enough = visits.len() >= NOTES_FOR_HIGH_END;
        let (mut scale_error, mut high_end) = (None, None);
        let (mut at_bottom, mut voltage_offset) = (None, None);
        if let Shape::Model { .. } = shape
            && enough
            && !octaves
        {
            voltage_offset = Some(row(1));
        }
        if let Shape::Model { high: true, .. } = shape
            && enough
        {
            scale_error = octaves.then(|| row(1));
            let top = evaluate[(self.notes.len() - 1, 2)];
            let c = row(2);
            high_end = Some(Functional {
                value: c.value * top,
                weights: c.weights * top,
            });
            if let Some((ratios, bend)) = &low_end_at {
                let d = row(3);
                let column = evaluate[(0, 3)];
                at_bottom = Some(Functional {
                    value: d.value * column + bend.beyond(ratios[0]),
                    weights: d.weights * column,
                });
            }
        }
        let mean_slope =
            fit_timed(&[ones, x], times.as_deref(), &as_heard, &sd).map(|(line, _)| Functional {
                value: line.coefficients[1],
                weights: line.map.row(1).transpose(),
            });
        Some(RoundFit {
            t,
            from: samples
                .iter()
                .map(|sample| sample.start)
                .fold(f64::INFINITY, f64::min),
            until: samples
                .iter()
                .map(|sample| sample.middle)
                .fold(f64::NEG_INFINITY, f64::max),
            note_of: samples.iter().map(|sample| sample.note).collect(),
            own_sd: samples.iter().map(|sample| sample.u).collect(),
            y: DVector::from_column_slice(y.as_slice()),
            map,
            scale_error,
            high_end,
            low_end: at_bottom,
            low_end_not_there: None,
            voltage_offset,
            mean_slope,
            drift: timed.then(|| row(terms)),
            values: DVector::from_vec(as_heard),
            middles: samples.iter().map(|sample| sample.middle).collect(),
            residuals: curve.residuals.iter().copied().collect(),
            degrees_of_freedom: curve.degrees_of_freedom,
        })
    }
}

/// How often the exact form of a low end is laid anew around what was found.
pub(crate) const LOW_END_PASSES: usize = 6;

/// A low-end term around one size of it. Leakage k, as a share of the reference
/// note's current, makes `f = u F` of `(u - k) F`; so with the measured ratio u it
/// is `-1731 ln(1 - k/u)`, less the same at the reference note (with the ratio that
/// was asked for it would be `1731 ln(1 + k/u)`). While it is small that is
/// `1731 k (1/u - 1)`. The coefficient d is 1731 k.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LowEnd {
    k: f64,
}

impl LowEnd {
    pub(crate) const LINEAR: Self = Self { k: 0.0 };

    /// Around a coefficient d, in cents, the lowest note being at the ratio `bottom`.
    pub(crate) fn around(d: f64, bottom: f64) -> Self {
        // What is left of a reference current that leaks away: nothing below the lowest
        // note, so k is smaller than its ratio.
        Self {
            k: (d / CENTS_PER_E).clamp(-10.0 * bottom, 0.9 * bottom),
        }
    }
    /// How it changes with d.
    pub(crate) fn column(self, u: f64) -> f64 {
        1.0 / (u - self.k) - 1.0 / (1.0 - self.k)
    }
    /// What it is more than its size times that.
    pub(crate) fn beyond(self, u: f64) -> f64 {
        let whole = (1.0 - self.k).ln() - (1.0 - self.k / u).ln();
        CENTS_PER_E * (whole - self.k * self.column(u))
    }
}

/// Fits with a time term where there is one and the readings allow it, else without.
fn fit_timed(
    columns: &[Vec<f64>],
    times: Option<&[f64]>,
    values: &[f64],
    sd: &[f64],
) -> Option<(Fit, bool)> {
    let matrix = |columns: &[&[f64]]| {
        DMatrix::from_fn(values.len(), columns.len(), |row, column| {
            columns[column][row]
        })
    };
    let mut all: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    if let Some(times) = times {
        all.push(times);
        if let Some(fit) = fit(&matrix(&all), values, sd) {
            return Some((fit, true));
        }
        all.pop();
    }
    fit(&matrix(&all), values, sd).map(|fit| (fit, false))
}
