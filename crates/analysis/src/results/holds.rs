//! How long one tuning holds.

use crate::curves::history::{Draws, History, RigPart};
use crate::results::found::{Answer, Found, over, readings};
use crate::results::stage::StageResults;
use crate::results::stretches::tuning;
use crate::results::warm_up::{Steady, Watched};
use crate::statistics::{quantile, standard_deviation};
use model::result::{Basis, Choice, Known, NotDetermined, Tuned, Which};

/// So many standard deviations hold 95 % of a normal distribution, either way.
const Z: f64 = 1.96;

/// The first time at which a note has moved by more than a limit from where it stood when
/// the unit was tuned.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Moved {
    /// Since the tuning, in seconds: on a straight line between two rounds.
    after: f64,
    /// The round by which it has, among those after the tuning, and the note.
    round: usize,
    note: usize,
}

/// Looks for it: `off(round, note)` is how far a note is from where it stood, in cents, in
/// the rounds at these times since the tuning, the tuning itself first.
fn moved(
    times: &[f64],
    notes: usize,
    limit: f64,
    off: impl Fn(usize, usize) -> f64,
) -> Option<Moved> {
    (1..times.len()).find_map(|round| {
        let crossings = (0..notes).filter_map(|note| {
            let (before, now) = (off(round - 1, note), off(round, note));
            (now > limit).then(|| {
                let share = ((limit - before) / (now - before)).clamp(0.0, 1.0);
                Moved {
                    after: times[round - 1] + share * (times[round] - times[round - 1]),
                    round,
                    note,
                }
            })
        });
        crossings.min_by(|a, b| a.after.total_cmp(&b.after))
    })
}

/// What one tuning in a round of the history is judged by.
struct Tuning<'a> {
    history: &'a History,
    draws: &'a Draws,
    /// The round of the tuning, and those after it.
    rounds: Vec<usize>,
    /// Seconds since the tuning.
    times: Vec<f64>,
    limit: f64,
}

impl Tuning<'_> {
    /// How far each note is off in each round, by a curve of the history.
    fn off(&self, values: &[f64], round: usize, note: usize) -> f64 {
        let notes = self.history.x.len();
        (values[self.rounds[round] * notes + note] - values[self.rounds[0] * notes + note]).abs()
    }

    /// When a note may have crossed the limit between two rounds, as its course before and
    /// after them bends: earliest and latest.
    fn bent(&self, seen: Moved) -> (f64, f64) {
        let (times, round) = (&self.times, seen.round);
        let off = |round: usize| self.off(&self.history.smoothed, round, seen.note);
        let slope = |from: usize| {
            let to = from + 1;
            (to < times.len()).then(|| (off(to) - off(from)) / (times[to] - times[from]))
        };
        let rising = |slope: &f64| *slope > 0.0;
        let before = round.checked_sub(2).and_then(slope).filter(rising);
        let after = slope(round).filter(rising);
        let from = before.map(|slope| times[round - 1] + (self.limit - off(round - 1)) / slope);
        let back = after.map(|slope| times[round] - (off(round) - self.limit) / slope);
        let ends = [from, back].into_iter().flatten();
        ends.map(|t| t.clamp(times[round - 1], times[round]))
            .fold((seen.after, seen.after), |(least, most), t| {
                (least.min(t), most.max(t))
            })
    }

    /// The time in each joint draw, infinite where it holds to the end; and how uncertain it
    /// is how far each note is off in each round, as standard deviations.
    fn drawn(&self) -> (Vec<f64>, Vec<f64>) {
        let (notes, smoothed) = (self.history.x.len(), &self.history.smoothed);
        let mut squares = vec![0.0; self.rounds.len() * notes];
        let times = self
            .draws
            .evaluate(smoothed, RigPart::AsDrawn, self.draws.count, |values| {
                for round in 0..self.rounds.len() {
                    for note in 0..notes {
                        let at = |place: usize| {
                            let place = self.rounds[place] * notes + note;
                            values[place] - smoothed[place]
                        };
                        squares[round * notes + note] += (at(round) - at(0)).powi(2);
                    }
                }
                moved(&self.times, notes, self.limit, |round, note| {
                    self.off(values, round, note)
                })
                .map_or(f64::INFINITY, |moved| moved.after)
            });
        let count = self.draws.count as f64;
        for square in &mut squares {
            *square = (*square / count).sqrt();
        }
        (times, squares)
    }
}

/// The time from a tuning until any note has moved by more than the limit from where it
/// stood then. Readings of the unit's own incidents are left aside; a step for good ends it.
///
/// The lower end of the interval is that of the joint draws; the upper end is when a note
/// is beyond the limit by more than its uncertainty explains.
pub(super) fn tuning_holds(here: &StageResults<'_>, choice: &Choice) -> Answer {
    let (history, draws, left_aside) = here.sound()?;
    let (tuned_at, why_then) = tuned(here, history, choice)?;
    let all = history.stage_points();
    let rounds: Vec<usize> = all
        .into_iter()
        .filter(|place| history.points[*place].t >= tuned_at - 1e-6)
        .collect();
    if rounds.len() < 2 {
        return Err(NotDetermined::NothingAfterTuning {
            at_s: tuned_at,
            others_do: false,
        });
    }
    let began = history.points[rounds[0]].t;
    let times: Vec<f64> = rounds
        .iter()
        .map(|place| history.points[*place].t - began)
        .collect();
    let steps = here.curves.incidents.steps().iter();
    let step = steps.map(|t| t.seconds() - here.origin_s() - began);
    let step = step.filter(|after| *after > 0.0).reduce(f64::min);
    let notes = history.x.len();
    let tuning = Tuning {
        history,
        draws,
        times,
        rounds,
        limit: choice.limit,
    };
    let (mut drawn, sd) = tuning.drawn();
    let seen = moved(&tuning.times, notes, choice.limit, |round, note| {
        tuning.off(&history.smoothed, round, note)
    });
    let surely = moved(&tuning.times, notes, choice.limit, |round, note| {
        tuning.off(&history.smoothed, round, note) - Z * sd[round * notes + note]
    });
    let record = tuning.times[tuning.times.len() - 1];
    let end = step.map_or(record, |step| step.min(record));
    if let Some(step) = step {
        drawn.iter_mut().for_each(|t| *t = t.min(step));
    }
    let mut sorted = drawn.clone();
    sorted.sort_by(f64::total_cmp);
    let earliest = quantile(&sorted, 0.025).min(end);
    let basis = |note: Option<usize>| Basis::TuningHolds {
        tuned: why_then,
        notes,
        first: note.map(|note| here.name_of(note)),
        left_aside,
    };
    let scope = over(history, &tuning.rounds, Which::SinceTuning);
    let readings = readings(history, &tuning.rounds);
    let ended = step.filter(|step| seen.is_none_or(|seen| *step < seen.after));
    let (known, basis) = match (ended, seen) {
        (Some(step), _) => (
            Known::value_of(step, Some(0.0), Some(earliest), Some(step)),
            basis(None),
        ),
        (None, Some(seen)) => {
            let (from, to) = (tuning.times[seen.round - 1], tuning.times[seen.round]);
            let change = tuning.off(&history.smoothed, seen.round, seen.note)
                - tuning.off(&history.smoothed, seen.round - 1, seen.note);
            // A change so sudden says nothing of when between the two rounds it came.
            let sudden = change > choice.limit / 2.0;
            let (least, most) = if sudden {
                (from, to)
            } else {
                tuning.bent(seen)
            };
            // How its course bends between two rounds adds to how uncertain these are.
            let low = (earliest.min(seen.after) - (seen.after - least)).max(0.0);
            let high = surely.map(|moved| moved.after.max(seen.after) + (most - seen.after));
            let finite: Vec<f64> = drawn.iter().copied().filter(|t| t.is_finite()).collect();
            let u = high.map(|_| standard_deviation(&finite));
            (
                Known::value_of(seen.after, u, Some(low), high),
                basis(Some(seen.note)),
            )
        }
        (None, None) => (
            Known::AtLeast {
                low: earliest,
                why: NotDetermined::RecordEnds { after_s: record },
            },
            basis(None),
        ),
    };
    Ok(Found {
        t: Some(began),
        readings,
        draws: drawn,
        ..Found::new(known, scope, basis)
    })
}

/// When the unit is tuned, as for the error after one tuning; but one that never became
/// warm has no time at which it is to be tuned.
fn tuned(
    here: &StageResults<'_>,
    history: &History,
    choice: &Choice,
) -> Result<(f64, Tuned), NotDetermined> {
    let first = history.stage_points().first().copied();
    let first = first.map(|place| history.points[place].t);
    let first = first.ok_or_else(|| here.nothing())?;
    if choice.tuned_at.is_none() && !here.was_switched_on() {
        return Ok((first, Tuned::AssumedWarm));
    }
    let (at, why_then) = tuning(here, history, choice)?;
    if matches!(why_then, Tuned::Ready | Tuned::AtStart)
        && let Steady::NotReached { why, .. } | Steady::CannotSay { why } =
            here.steady(Watched::ReferenceNote, choice.limit, choice.stay)?
    {
        return Err(why);
    }
    Ok((at.max(first), why_then))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_note_to_move_ends_it() {
        let times = [0.0, 600.0, 1200.0, 1800.0];
        let off = [[0.0, 0.0], [1.0, 2.0], [2.0, 4.0], [8.0, 3.5]];
        let at = |round: usize, note: usize| off[round][note];
        let found = moved(&times, 2, 3.0, at).unwrap();
        assert_eq!((found.after, found.round, found.note), (900.0, 2, 1));
        assert_eq!(moved(&times, 2, 9.0, at), None);
        assert_eq!(moved(&times[..1], 2, 0.0, at), None);
    }
}
