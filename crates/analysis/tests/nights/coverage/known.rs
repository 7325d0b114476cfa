//! What each result truly is: what it is defined to be, computed of the curve of the unit
//! without noise, naively and exactly. Nothing here is taken from the analysis.
//!
//! Curves are taken at the middle of rounds, times (when it is warm, when it is ready) on
//! the curve at any time, what noise does as its true mean square.

use super::case::{Case, Hold, POWER, WINDOW};
use super::jitter::{half_of_changes, of_noise, returns};
use super::minimax::{pairs, smallest};
use super::trial::{Curve, Trial, goes_beyond, settles};
use model::pitch::{Note, Pitch, PitchStandard};
use model::result::ResultName;
use nalgebra::{DMatrix, DVector};
use std::collections::BTreeMap;

/// A result of a stage of the plan, by its name.
pub type Key = (&'static str, ResultName);

/// What is meant where a plan says nothing: near is 3 cents, for 2 hours.
const NEAR: f64 = 3.0;
const STAY: f64 = 7200.0;
/// What leaves a limit for less than so many seconds is not seen.
const MESH: f64 = 20.0;

/// When the one tuning is done, in seconds since t = 0.
pub fn tuned_at(case: &Case) -> f64 {
    if case.switches() { 2400.0 } else { 600.0 }
}

/// The rounds of a stage, or what stands for them in a hold: its minutes.
struct Rounds<'a> {
    curve: &'a Curve,
    /// t = 0, in seconds of the run.
    origin: f64,
    /// Since then.
    times: Vec<f64>,
    /// Its notes, lowest first, and their octaves above the reference note.
    notes: Vec<Pitch>,
    x: Vec<f64>,
    /// Deviations by round and note.
    e: Vec<Vec<f64>>,
    /// Windows of the reference note in a round, since its middle.
    visits: Vec<f64>,
}

fn reference() -> Pitch {
    Note::from_number(60).pitch()
}

fn octaves(pitch: Pitch) -> f64 {
    pitch.cents_from(reference()).get() / 1200.0
}

impl<'a> Rounds<'a> {
    fn of(trial: &'a Trial, stage: u16) -> Self {
        let origin = trial.case.origin();
        let slots = trial
            .timetable
            .slots
            .iter()
            .filter(|slot| slot.stage == stage);
        let mut rounds: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
        let mut notes: Vec<Pitch> = Vec::new();
        let mut of_reference = Vec::new();
        for slot in slots {
            rounds
                .entry(slot.round)
                .or_default()
                .push(slot.t + WINDOW / 2.0);
            notes.push(slot.pitch);
            if slot.round == 0 && octaves(slot.pitch).abs() < 1e-9 {
                of_reference.push(slot.t + WINDOW / 2.0);
            }
        }
        let mut middles: Vec<f64> = rounds
            .into_values()
            .map(|times| times.iter().sum::<f64>() / times.len() as f64)
            .collect();
        for hold in trial
            .timetable
            .holds
            .iter()
            .filter(|hold| hold.stage == stage)
        {
            notes.push(hold.pitch);
            let minutes = (f64::from(hold.windows) * hold.hop / 60.0) as u32;
            middles.extend((0..minutes).map(|minute| hold.from + 60.0 * f64::from(minute) + 30.0));
        }
        notes.sort_by(|a, b| a.note_number().total_cmp(&b.note_number()));
        notes.dedup();
        let all = |t: &f64| {
            notes
                .iter()
                .map(|note| trial.curve.cents(*t, *note))
                .collect()
        };
        let first = middles.first().copied().unwrap_or(0.0);
        Self {
            curve: &trial.curve,
            origin,
            e: middles.iter().map(all).collect(),
            times: middles.iter().map(|t| t - origin).collect(),
            x: notes.iter().map(|note| octaves(*note)).collect(),
            visits: of_reference.iter().map(|t| t - first).collect(),
            notes,
        }
    }

    /// Where the reference note stands among the notes.
    fn at_reference(&self) -> usize {
        let place = self.x.iter().position(|x| x.abs() < 1e-9);
        place.expect("it is played")
    }

    fn series(&self, rounds: &[usize]) -> Vec<f64> {
        let note = self.at_reference();
        rounds.iter().map(|round| self.e[*round][note]).collect()
    }

    fn last(&self) -> &[f64] {
        self.e.last().expect("there are rounds")
    }

    fn span(&self) -> f64 {
        self.x[self.x.len() - 1] - self.x[0]
    }

    /// `e = a + b x + c (u - 1) + d (1/u - 1)` by least squares, the last term over six
    /// octaves and more; and what is left at each note.
    fn law(&self, e: &[f64], hertz: bool) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
        let at_reference = e[self.at_reference()];
        let ratio: Vec<f64> = self
            .x
            .iter()
            .zip(e)
            .map(|(x, e)| (x + (e - at_reference) / 1200.0).exp2())
            .collect();
        let low_end = hertz || self.span() > 5.99;
        let mut columns = vec![vec![1.0; e.len()]];
        if !hertz {
            columns.push(self.x.clone());
        }
        columns.push(ratio.iter().map(|u| u - 1.0).collect());
        if low_end {
            columns.push(ratio.iter().map(|u| 1.0 / u - 1.0).collect());
        }
        let model = DMatrix::from_fn(e.len(), columns.len(), |row, term| columns[term][row]);
        let values = DVector::from_column_slice(e);
        let solved = model.clone().svd(true, true).solve(&values, 1e-13);
        let solved = solved.expect("it can be solved");
        let left = &values - &model * &solved;
        let mut terms: Vec<f64> = solved.iter().copied().collect();
        if hertz {
            terms.insert(1, 0.0);
        }
        terms.resize(4, 0.0);
        (terms, left.iter().copied().collect(), ratio)
    }

    /// From when on something stays within so much, for a while that the record holds; to a
    /// hundredth of a second, infinite where it never does.
    fn stays(&self, off: impl Fn(f64) -> f64) -> f64 {
        let record = *self.times.last().expect("there are rounds");
        let stay = STAY.min(record / 2.0);
        let mut since: Option<f64> = None;
        let mesh = (0..).map(|step| MESH * f64::from(step));
        for t in mesh.take_while(|t| *t <= record) {
            since = if off(t) <= NEAR {
                since.or(Some(t))
            } else {
                None
            };
            let Some(mut within) = since.filter(|from| t - from >= stay) else {
                continue;
            };
            let mut out = within - MESH;
            if out < 0.0 {
                return 0.0;
            }
            while within - out > 0.01 {
                let middle = f64::midpoint(out, within);
                if off(middle) > NEAR {
                    out = middle;
                } else {
                    within = middle;
                }
            }
            return within;
        }
        f64::INFINITY
    }

    fn cents(&self, t: f64, note: usize) -> f64 {
        self.curve.cents(t + self.origin, self.notes[note])
    }

    /// When the reference note comes to stay near its later value: its mean over the last
    /// quarter of that stay, and the last five rounds. Never, where meanwhile it still moves
    /// by more than a quarter of what is near.
    fn warm_up(&self) -> f64 {
        let note = self.at_reference();
        let record = self.times[self.times.len() - 1];
        let since = record - STAY.min(record / 2.0) / 4.0;
        let closing = self.times.partition_point(|t| *t < since);
        let closing = closing.min(self.times.len().saturating_sub(5));
        let later: Vec<f64> = self.e[closing..].iter().map(|e| e[note]).collect();
        if (later[later.len() - 1] - later[0]).abs() > NEAR / 4.0 {
            return f64::INFINITY;
        }
        let later = later.iter().sum::<f64>() / later.len() as f64;
        self.stays(|t| (self.cents(t, note) - later).abs())
    }

    /// Since a tuning, how long until a note has moved away from where it stood; infinite
    /// where the record ends before.
    fn holds_from(&self, tuned: f64) -> f64 {
        let notes = 0..self.x.len();
        let stood: Vec<f64> = notes.map(|note| self.cents(tuned, note)).collect();
        let off = |t: f64| {
            let off = stood.iter().enumerate();
            let off = off.map(|(note, stood)| (self.cents(t, note) - stood).abs());
            off.fold(0.0, f64::max)
        };
        let record = self.times[self.times.len() - 1];
        let mesh = (0..).map(|step| tuned + MESH * f64::from(step));
        let moved = mesh.take_while(|t| *t <= record).find(|t| off(*t) > NEAR);
        moved.map_or(f64::INFINITY, |t| t - tuned)
    }

    fn ready(&self) -> f64 {
        self.stays(|t| {
            let e: Vec<f64> = (0..self.x.len()).map(|note| self.cents(t, note)).collect();
            half_range(&e)
        })
    }
}

fn half_range(e: &[f64]) -> f64 {
    let high = e.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let low = e.iter().copied().fold(f64::INFINITY, f64::min);
    (high - low) / 2.0
}

/// The median of the slopes between all pairs (Sen 1968).
fn median_slope(times: &[f64], values: &[f64]) -> f64 {
    let mut slopes: Vec<f64> = (0..times.len())
        .flat_map(|one| (one + 1..times.len()).map(move |other| (one, other)))
        .map(|(one, other)| (values[other] - values[one]) / (times[other] - times[one]))
        .collect();
    slopes.sort_by(f64::total_cmp);
    let middle = slopes.len() / 2;
    if slopes.len() % 2 == 1 {
        slopes[middle]
    } else {
        f64::midpoint(slopes[middle - 1], slopes[middle])
    }
}

/// The slope of a straight line by least squares.
fn slope(x: &[f64], y: &[f64]) -> f64 {
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    let spread: f64 = x.iter().map(|x| (x - mean).powi(2)).sum();
    x.iter().zip(y).map(|(x, y)| (x - mean) * y).sum::<f64>() / spread
}

/// The widest run of neighbouring notes that lie within so much either way, in octaves.
fn widest(x: &[f64], e: &[f64]) -> f64 {
    let runs = (0..x.len()).flat_map(|first| (first..x.len()).map(move |last| (first, last)));
    runs.filter(|(first, last)| half_range(&e[*first..=*last]) <= NEAR)
        .map(|(first, last)| x[last] - x[first])
        .fold(0.0, f64::max)
}

fn hold_of(trial: &Trial, stage: u16) -> &Hold {
    let mut holds = trial.timetable.holds.iter();
    holds.find(|hold| hold.stage == stage).expect("it is held")
}

/// What all results of the judged stages truly are; infinite where a time is never reached.
/// Without an entry a result is not judged there.
pub fn known(trial: &Trial) -> BTreeMap<Key, f64> {
    let plan = trial.case.plan();
    let mut known = BTreeMap::new();
    for (index, stage) in (0u16..).zip(&plan.stages) {
        let Some(name) = trial
            .case
            .judged()
            .iter()
            .find(|name| **name == stage.name())
        else {
            continue;
        };
        let rounds = Rounds::of(trial, index);
        let mut of_stage: Vec<(ResultName, f64)> = Vec::new();
        match *name {
            "prompt" => {
                let hold = hold_of(trial, index);
                of_stage.push((ResultName::SettlingTime, settles(&trial.unit, 1200.0)));
                let beyond = goes_beyond(&trial.unit, 1200.0, hold.hop);
                of_stage.push((ResultName::Overshoot, beyond));
            }
            "quiet" => {
                let hop = hold_of(trial, index).hop;
                let second = [(0.0, 1.0), (hop, -2.0), (2.0 * hop, 1.0)];
                let second = second.map(|(t, weight)| (t, weight / hop));
                let square = of_noise(&second, trial.unit.white, trial.unit.flicker);
                of_stage.push((ResultName::ShortTermStability, (square / 2.0).sqrt()));
                of_stage.extend(over_time(trial, &rounds, f64::INFINITY));
            }
            _ => {
                of_stage.extend(at_the_end(trial, &rounds));
                let settling = settles(&trial.unit, 3600.0);
                of_stage.push((ResultName::SettlingTime, settling));
                let scatter = returns(trial, index).map(|sd| (ResultName::Repeatability, sd));
                of_stage.extend(scatter);
                if rounds.times.len() > 1 && *name != "alternate" {
                    of_stage.extend(of_a_night(trial, &rounds));
                } else if rounds.times.len() > 1 {
                    of_stage.extend(over_time(trial, &rounds, f64::INFINITY));
                } else {
                    of_stage.push((ResultName::Hysteresis, trial.unit.hysteresis));
                    of_stage.push((
                        ResultName::ErrorLeftAfterTrimming,
                        trimmed(&rounds, &[0], 1),
                    ));
                }
            }
        }
        known.extend(
            of_stage
                .into_iter()
                .map(|(result, value)| ((*name, result), value)),
        );
    }
    known
}

/// Results of one moment: the last round.
fn at_the_end(trial: &Trial, rounds: &Rounds<'_>) -> Vec<(ResultName, f64)> {
    use ResultName as R;
    let e = rounds.last();
    let notes = e.len();
    let upper = rounds
        .x
        .iter()
        .position(|x| (x - rounds.x[0] - 2.0).abs() < 1e-9);
    let upper = upper.expect("there is a note two octaves up");
    let mut found = vec![
        (R::TwoNoteSlope, (e[upper] - e[0]) / 2.0),
        (R::ErrorLeftAfterRetuning, half_range(e)),
    ];
    if notes < 5 {
        return found;
    }
    let hertz = trial.case.is("hertz");
    let (terms, _, ratio) = rounds.law(e, hertz);
    let standard = PitchStandard::default();
    let hz = |note: usize| standard.frequency(rounds.notes[note]).get() * (e[note] / 1200.0).exp2();
    let octave = |low: &usize| {
        let high = rounds
            .x
            .iter()
            .position(|x| (x - rounds.x[*low] - 1.0).abs() < 1e-9)?;
        Some((2.0 * hz(*low) - hz(high)).abs())
    };
    found.extend([
        (R::MeanSlope, slope(&rounds.x, e)),
        (R::HighEnd, terms[2] * (ratio[notes - 1] - 1.0)),
        (R::InTuneRange, widest(&rounds.x, e)),
        (
            R::WorstBeats,
            (0..notes)
                .filter_map(|low| octave(&low))
                .fold(0.0, f64::max),
        ),
    ]);
    if hertz {
        found.push((R::VoltageOffset, trial.unit.offset));
    } else {
        found.push((R::ScaleError, terms[1]));
        found.push((R::LowEnd, terms[3] * (1.0 / ratio[0] - 1.0)));
    }
    let mut off = vec![0.0; notes];
    for e in &rounds.e {
        let (_, left, _) = rounds.law(e, hertz);
        off.iter_mut()
            .zip(left)
            .for_each(|(sum, left)| *sum += left / rounds.e.len() as f64);
    }
    found.push((
        R::LinearityError,
        off.iter().fold(0.0, |most: f64, off| most.max(off.abs())),
    ));
    found
}

/// What one setting of the scale trimmer leaves over rounds, or one of it and one of the
/// high end's, which goes with the frequency.
fn trimmed(rounds: &Rounds<'_>, which: &[usize], trimmers: usize) -> f64 {
    let hertz = rounds.curve.is_of_hertz();
    let scale: Vec<f64> = rounds
        .x
        .iter()
        .map(|x| if hertz { 1.0 - (-x).exp2() } else { *x })
        .collect();
    let by = [scale, rounds.x.iter().map(|x| x.exp2() - 1.0).collect()];
    let constraints: Vec<_> = which
        .iter()
        .flat_map(|round| pairs(&rounds.e[*round], &by[..trimmers]))
        .collect();
    smallest(&constraints, trimmers)
}

/// Results of the reference note over the rounds from a time on.
fn over_time(trial: &Trial, rounds: &Rounds<'_>, warm: f64) -> Vec<(ResultName, f64)> {
    let all: Vec<usize> = (0..rounds.times.len()).collect();
    let after: Vec<usize> = all
        .iter()
        .copied()
        .filter(|round| rounds.times[*round] >= warm)
        .collect();
    let after = if after.len() < 3 { all.clone() } else { after };
    let series = rounds.series(&all);
    let change = |pair: &[f64]| (pair[1] - pair[0]).abs();
    let times: Vec<f64> = after.iter().map(|round| rounds.times[*round]).collect();
    let values = rounds.series(&after);
    let mut found = vec![
        (ResultName::Excursion, 2.0 * half_range(&series)),
        (
            ResultName::LargestChangeBetweenRounds,
            series.windows(2).map(change).fold(0.0, f64::max),
        ),
        (
            ResultName::DriftRate,
            3600.0 * median_slope(&times, &values),
        ),
    ];
    if !rounds.visits.is_empty() {
        let apart = times[1] - times[0];
        let moves = values
            .windows(2)
            .map(|pair| change(pair).powi(2))
            .sum::<f64>();
        let square =
            half_of_changes(trial, &rounds.visits, apart) + moves / 2.0 / (values.len() - 1) as f64;
        found.push((ResultName::ChangeBetweenReadings, square.sqrt()));
    }
    found
}

/// Results of a night, or of what is heard of one.
fn of_a_night(trial: &Trial, rounds: &Rounds<'_>) -> Vec<(ResultName, f64)> {
    use ResultName as R;
    let warm = rounds.warm_up();
    let all = 0..rounds.times.len();
    let mut which: Vec<usize> = all
        .clone()
        .filter(|round| rounds.times[*round] >= warm)
        .collect();
    if which.is_empty() {
        which = all.clone().collect();
    }
    let ready = all
        .clone()
        .filter(|round| half_range(&rounds.e[*round]) <= NEAR)
        .count();
    let tuned = all
        .clone()
        .find(|round| rounds.times[*round] >= tuned_at(&trial.case));
    let mut found = over_time(trial, rounds, warm);
    found.extend([
        (R::WarmUpTime, warm),
        (R::ReadyAfter, rounds.ready()),
        (R::ErrorLeftAfterTrimming, trimmed(rounds, &which, 1)),
        (R::ErrorLeftAfterBothTrimmers, trimmed(rounds, &which, 2)),
        (
            R::FractionOfRounds,
            ready as f64 / rounds.times.len() as f64,
        ),
    ]);
    if let Some(tuned) = tuned {
        let from = rounds.e[tuned][rounds.at_reference()];
        let off = rounds.e[tuned..].iter().flatten().map(|e| (e - from).abs());
        found.push((R::ErrorAfterOneTuning, off.fold(0.0, f64::max)));
        found.push((R::TuningHolds, rounds.holds_from(rounds.times[tuned])));
    }
    if trial.case.switches() {
        // The reference current follows the case, and it alone moves the reference note.
        found.push((R::Convergence, trial.unit.masses[0].0));
    }
    if trial.case.is("weather") {
        found.push((R::SupplySensitivity, trial.unit.per_supply_volt));
        let slots = &trial.timetable.slots;
        let air = slots[slots.len() / 7..]
            .iter()
            .map(|slot| trial.curve.air(slot.t));
        let mean = air.sum::<f64>() / (slots.len() - slots.len() / 7) as f64;
        let steady = |temperature: f64| {
            let curve = trial.curve.in_steady_room(temperature);
            let e: Vec<f64> = rounds
                .notes
                .iter()
                .map(|note| curve.cents(POWER + 36_000.0, *note))
                .collect();
            (e[rounds.at_reference()], rounds.law(&e, false).0[1])
        };
        let (cooler, warmer) = (steady(mean - 0.5), steady(mean + 0.5));
        found.push((R::OffsetTemperatureCoefficient, warmer.0 - cooler.0));
        found.push((R::ScaleTemperatureCoefficient, warmer.1 - cooler.1));
    }
    found
}
