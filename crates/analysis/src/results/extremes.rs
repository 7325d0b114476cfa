//! Results that take a maximum, on the smoothed curve and its draws.

use crate::curves::history::{Draws, History, RigPart};
use crate::statistics::minimax::{Minimax, half_range};
use crate::statistics::{mean, middle_95, quantile, standard_deviation};
use crate::uncertainty::joint::stretched;
use std::cell::RefCell;

/// A result that takes a maximum, with the bias of maxima taken out.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Extreme {
    pub(crate) value: f64,
    pub(crate) u: f64,
    pub(crate) low: f64,
    pub(crate) high: f64,
    /// The share of the variance that is the rig's.
    pub(crate) rig_share: f64,
    /// What it truly is in each joint trial.
    pub(crate) draws: Vec<f64>,
}

impl Extreme {
    /// Widens the interval to these ends, and the draws with it.
    pub(crate) fn reach(&mut self, (low, high): (f64, f64)) {
        self.low = self.low.min(low);
        self.high = self.high.max(high);
        self.draws = stretched(std::mem::take(&mut self.draws), self.low, self.high);
    }

    /// The same, where it is known to be no more than another one: in each trial, and so in
    /// what is said of it.
    pub(crate) fn no_more_than(mut self, other: &Self) -> Self {
        self.value = self.value.min(other.value);
        self.low = self.low.min(self.value);
        self.high = self.high.min(other.high);
        for (draw, other) in self.draws.iter_mut().zip(&other.draws) {
            *draw = draw.min(*other);
        }
        self
    }
}

/// Evaluates `number` (not below zero, a maximum of some kind) on the smoothed
/// curve. Noise makes a maximum too large: by how much is seen in the draws, and
/// taken off. The interval is the reflected one below, which allows for the same
/// bias, and the wider of the two above, so that near zero an upper bound is left.
///
/// In each trial what all notes have from the rig alike is as the trial has it, and what
/// each has for itself is reflected about that.
pub(crate) fn extreme(history: &History, draws: &Draws, number: impl Fn(&[f64]) -> f64) -> Extreme {
    let smoothed = &history.smoothed;
    let seen = number(smoothed);
    let drawn = |around: &[f64], rig, most| draws.evaluate_mirrored(around, rig, most, &number);
    let own = drawn(smoothed, RigPart::Nothing, draws.count);
    let all = drawn(smoothed, RigPart::AsDrawn, draws.count);
    let base = draws.of_gain_and_offset(smoothed, seen, draws.count, &number);
    if base.is_empty() {
        return debiased(seen, &own, &all, &base, &[]);
    }
    let nothing = vec![0.0; smoothed.len()];
    let errors = drawn(&nothing, RigPart::AsDrawn, draws.count);
    let mut found = debiased(seen, &own, &all, &base, &errors);
    if draws.have_rig() {
        let (bias, most) = (mean(&own) - seen, draws.count.div_ceil(2));
        let errors = drawn(&nothing, RigPart::WithGain(0.0), most);
        for gain in draws.gains_that_matter(smoothed, &number) {
            let there = number(&draws.with_gain(gain, smoothed));
            let all = drawn(smoothed, RigPart::WithGain(gain), most);
            found.reach(ends(there, bias, &all, &errors));
        }
    }
    found
}

/// The bias of a maximum taken out: `seen` is the maximum as it was found, `own` and
/// `all` are the same number of what was found with noise, or noise and the rig,
/// drawn around it the other way: as they would be seen if the truth were what was found.
///
/// By how much `all` is off `base` (the number of what the trial makes of the rig alone) is
/// what the maximum is off by in that trial, so its draws are reflected about it, and where
/// the interval is wider, as wide as that.
///
/// `errors` is the number of what is drawn alone: what would be seen if in truth there were
/// nothing.
pub(crate) fn debiased(
    seen: f64,
    own: &[f64],
    all: &[f64],
    base: &[f64],
    errors: &[f64],
) -> Extreme {
    let bias = mean(own) - seen;
    let u = standard_deviation(all);
    let own_u = standard_deviation(own);
    let value = (seen - bias).max(0.0);
    let (low, high) = ends(seen, bias, all, errors);
    let (low, high) = (low.min(value), high.max(value));
    let rig_share = if u > 0.0 {
        (1.0 - (own_u / u).powi(2)).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let reflected = base.iter().zip(all).map(|(base, all)| 2.0 * base - all);
    let mut draws = stretched(reflected.collect(), low, high);
    for draw in &mut draws {
        *draw = draw.max(0.0);
    }
    Extreme {
        value,
        u,
        low,
        high,
        rig_share,
        draws,
    }
}

/// The ends of the interval of a maximum that was `seen`.
pub(crate) fn ends(seen: f64, bias: f64, all: &[f64], errors: &[f64]) -> (f64, f64) {
    let (lower, upper) = middle_95(all);
    let low = (2.0 * seen - upper).min(least(seen, all, errors));
    (low.max(0.0), (2.0 * seen - lower).max(upper - bias))
}

/// The lower end of a size by the test that it inverts: the least size with which so much
/// as was `seen` is still seen in one of 40 trials.
///
/// A true curve that is a part of the one seen has that part of its size. With the errors
/// of a trial a size is convex in that part, so no more than in proportion between what is
/// seen of the errors alone and of them around the whole curve. Far above the errors that is
/// the reflected end; near them reflection takes for the unit's what is theirs.
fn least(seen: f64, all: &[f64], errors: &[f64]) -> f64 {
    let mut parts: Vec<f64> = all
        .iter()
        .zip(errors)
        .map(|(all, error)| {
            if *error >= seen {
                0.0
            } else {
                (seen - error) / (all - error).max(seen - error)
            }
        })
        .collect();
    parts.sort_by(f64::total_cmp);
    if parts.is_empty() {
        return seen;
    }
    seen * quantile(&parts, 0.025)
}

/// What the best settings of trimmers leave of the rounds at these places in the history;
/// each trimmer moves each note by so much.
///
/// It is the min over b (and c) of the max over rounds of the min over a of the max over
/// notes of |e - a - b x - c bend|: what one setting for all of them leaves, retuned as
/// often as you like.
pub(crate) fn left_after(
    history: &History,
    draws: &Draws,
    trimmers: &[&[f64]],
    rounds: &[usize],
) -> Extreme {
    // From draw to draw the same rounds decide, nearly.
    let minimax = RefCell::new(Minimax::new(trimmers, rounds));
    extreme(history, draws, |values| minimax.borrow_mut().left(values))
}

/// The widest run of adjacent notes that one offset puts within `limit` either way:
/// its octaves, and its first and last note.
pub(crate) fn widest_run(values: &[f64], x: &[f64], limit: f64) -> (f64, usize, usize) {
    let mut widest = (0.0, 0, 0);
    for first in 0..values.len() {
        let (mut low, mut high) = (values[first], values[first]);
        for last in first..values.len() {
            low = low.min(values[last]);
            high = high.max(values[last]);
            if (high - low) / 2.0 > limit {
                break;
            }
            if x[last] - x[first] > widest.0 {
                widest = (x[last] - x[first], first, last);
            }
        }
    }
    widest
}

/// The largest deviation over rounds and notes from where the reference note
/// stood in the round of the tuning.
pub(crate) fn after_one_tuning(
    values: &[f64],
    notes: usize,
    reference: usize,
    tuned: usize,
    rounds: &[usize],
) -> f64 {
    let tuned = values[tuned * notes + reference];
    rounds
        .iter()
        .flat_map(|round| &values[round * notes..(round + 1) * notes])
        .map(|value| (value - tuned).abs())
        .fold(0.0, f64::max)
}

/// Largest less smallest of one note over rounds.
pub(crate) fn range_of_note(values: &[f64], notes: usize, note: usize, rounds: &[usize]) -> f64 {
    let series: Vec<f64> = rounds
        .iter()
        .map(|round| values[round * notes + note])
        .collect();
    2.0 * half_range(&series)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_errors_alone_can_make_is_not_the_unit_s() {
        let errors: Vec<f64> = (0..=100).map(|place| 0.002 * f64::from(place)).collect();
        let low = |seen: f64| {
            let all: Vec<f64> = errors.iter().map(|error| seen + error - 0.1).collect();
            debiased(seen, &[seen], &all, &vec![seen; all.len()], &errors).low
        };
        // Seen of errors alone in one trial of twenty; and far above them, as reflected.
        assert_eq!(low(0.19), 0.0);
        assert!((low(50.0) - 49.905).abs() < 1e-3, "{}", low(50.0));
    }

    #[test]
    fn the_widest_run_is_found() {
        let x = [-2.0, -1.0, 0.0, 1.0, 2.0];
        let run = widest_run(&[9.0, 0.0, 1.0, 5.0, 0.5], &x, 3.0);
        assert_eq!(run, (3.0, 1, 4));
        assert_eq!(widest_run(&[9.0, 0.0, 9.0, 0.0, 9.0], &x, 3.0).0, 0.0);
        assert_eq!(widest_run(&[], &[], 3.0).0, 0.0);
    }
}
