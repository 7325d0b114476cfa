//! Results that take a maximum, on the smoothed curve and its draws.

use crate::curves::history::{Draws, History};
use crate::statistics::{quantile, standard_deviation};
use crate::uncertainty::joint::stretched;

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

/// Evaluates `number` (not below zero, a maximum of some kind) on the smoothed
/// curve. Noise makes a maximum too large: by how much is seen in the draws, and
/// taken off. The interval is the reflected one below, which allows for the same
/// bias, and the wider of the two above, so that near zero an upper bound is left.
///
/// In each trial what all notes have from the rig alike is as the trial has it, and what
/// each has for itself is reflected about that.
pub(crate) fn extreme(history: &History, draws: &Draws, number: impl Fn(&[f64]) -> f64) -> Extreme {
    extreme_of(history, draws, draws.count, number)
}

/// The same from so many of the draws, for numbers that take long to compute.
pub(crate) fn extreme_of(
    history: &History,
    draws: &Draws,
    most: usize,
    number: impl Fn(&[f64]) -> f64,
) -> Extreme {
    let seen = number(&history.smoothed);
    let smoothed = &history.smoothed;
    let own = draws.evaluate_mirrored(smoothed, false, most, &number);
    let all = draws.evaluate_mirrored(smoothed, true, most, &number);
    let base = draws.of_gain_and_offset(smoothed, seen, most, &number);
    debiased(seen, &own, &all, &base)
}

/// The bias of a maximum taken out: `seen` is the maximum as it was found, `own` and
/// `all` are the same number of what was found with noise, or noise and the rig,
/// drawn around it the other way: as they would be seen if the truth were what was found.
///
/// By how much `all` is off `base` (the number of what the trial makes of the rig alone) is
/// what the maximum is off by in that trial, so its draws are reflected about it, and where
/// the interval is wider, as wide as that.
pub(crate) fn debiased(seen: f64, own: &[f64], all: &[f64], base: &[f64]) -> Extreme {
    let bias = own.iter().sum::<f64>() / own.len().max(1) as f64 - seen;
    let u = standard_deviation(all);
    let own_u = standard_deviation(own);
    let mut sorted = all.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (lower, upper) = (quantile(&sorted, 0.025), quantile(&sorted, 0.975));
    let value = (seen - bias).max(0.0);
    let low = (2.0 * seen - upper).clamp(0.0, value);
    let high = (2.0 * seen - lower).max(upper - bias).max(value);
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

/// Half of what lies between highest and lowest: the smallest possible largest
/// deviation after the best offset.
pub(crate) fn half_range(values: &[f64]) -> f64 {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for value in values {
        low = low.min(*value);
        high = high.max(*value);
    }
    if high >= low { (high - low) / 2.0 } else { 0.0 }
}

/// `min over b of max over rounds of min over a of max over notes |e - a - b x|`:
/// what one setting of the scale trimmer leaves, retuned as often as you like.
/// `rounds` are places of rounds in `values`, note after note.
///
/// Half the range of `e - b x` is convex and made of straight pieces in b, so
/// cutting planes from either side meet in the minimum after a few steps.
pub(crate) fn left_after_trimming(values: &[f64], x: &[f64], rounds: &[usize]) -> f64 {
    let notes = x.len();
    if notes < 2 || rounds.is_empty() {
        return 0.0;
    }
    // The largest half range at b, and the octaves between its two notes over two,
    // with the sign of how it changes with b.
    let at = |b: f64| -> (f64, f64) {
        let mut worst = (f64::NEG_INFINITY, 0.0);
        for round in rounds {
            let values = &values[round * notes..(round + 1) * notes];
            let first = (values[0] - b * x[0], 0);
            let (mut low, mut high) = (first, first);
            for (note, (value, x)) in values.iter().zip(x).enumerate().skip(1) {
                let off = value - b * x;
                if off < low.0 {
                    low = (off, note);
                }
                if off > high.0 {
                    high = (off, note);
                }
            }
            let half = (high.0 - low.0) / 2.0;
            if half > worst.0 {
                worst = (half, (x[low.1] - x[high.1]) / 2.0);
            }
        }
        worst
    };
    // Of each pair of neighbouring notes the largest step in any round, by their distance.
    let steepest = (1..notes)
        .map(|note| {
            let step = |round: &usize| {
                let at = round * notes + note;
                (values[at] - values[at - 1]).abs()
            };
            let largest = rounds.iter().map(step).fold(0.0, f64::max);
            largest / (x[note] - x[note - 1]).abs().max(1e-6)
        })
        .fold(0.0, f64::max)
        + 1.0;
    let (mut left, mut right) = (-steepest, steepest);
    let (mut left_at, mut right_at) = (at(left), at(right));
    let mut best = left_at.0.min(right_at.0);
    for _ in 0..100 {
        let slopes = left_at.1 - right_at.1;
        if slopes.abs() < 1e-12 || left_at.1 >= 0.0 || right_at.1 <= 0.0 {
            break;
        }
        let meet = (right_at.0 - left_at.0 + left_at.1 * left - right_at.1 * right) / slopes;
        let bound = left_at.0 + left_at.1 * (meet - left);
        let found = at(meet);
        best = best.min(found.0);
        if found.0 <= bound + 1e-9 {
            break;
        }
        if found.1 < 0.0 {
            (left, left_at) = (meet, found);
        } else {
            (right, right_at) = (meet, found);
        }
    }
    best
}

/// The same with a second trimmer that moves each note by `bend`: the high end.
/// What is left is convex in both settings, so the best of the one for each of the
/// other is convex too, and a golden section finds it.
pub(crate) fn left_after_both_trimmers(
    values: &[f64],
    x: &[f64],
    bend: &[f64],
    rounds: &[usize],
) -> f64 {
    let reach = bend
        .iter()
        .fold(0.0, |most: f64, bend| most.max(bend.abs()));
    let alone = left_after_trimming(values, x, rounds);
    if reach <= 0.0 || alone <= 0.0 {
        return alone;
    }
    let mut moved = values.to_vec();
    let mut at = |setting: f64| {
        for round in rounds {
            for (note, bend) in bend.iter().enumerate() {
                let place = round * x.len() + note;
                moved[place] = values[place] - setting * bend;
            }
        }
        left_after_trimming(&moved, x, rounds)
    };
    // What is left without it bounds what it may do: the setting that would bend
    // the far end by more than all there is only makes it worse.
    let spread = rounds
        .iter()
        .map(|round| half_range(&values[round * x.len()..(round + 1) * x.len()]))
        .fold(alone, f64::max);
    let (mut left, mut right) = (-8.0 * spread / reach, 8.0 * spread / reach);
    let golden = (5f64.sqrt() - 1.0) / 2.0;
    let (mut one, mut other) = (
        right - golden * (right - left),
        left + golden * (right - left),
    );
    let (mut at_one, mut at_other) = (at(one), at(other));
    for _ in 0..24 {
        if at_one < at_other {
            (right, other, at_other) = (other, one, at_one);
            one = right - golden * (right - left);
            at_one = at(one);
        } else {
            (left, one, at_one) = (one, other, at_other);
            other = left + golden * (right - left);
            at_other = at(other);
        }
    }
    at_one.min(at_other).min(alone)
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
    fn a_slope_is_cured_by_trimming_and_a_wandering_one_is_not() {
        let x = [-2.0, -1.0, 0.0, 1.0, 2.0, 3.0];
        let line = |b: f64| x.iter().map(move |x| 4.0 + b * x);
        let steady: Vec<f64> = line(7.0).chain(line(7.0)).collect();
        assert!(left_after_trimming(&steady, &x, &[0, 1]) < 1e-9);
        // Slopes of 6 and 8: the best setting is 7, which leaves 1 cent per octave
        // over 5 octaves, and half of that either way.
        let wandering: Vec<f64> = line(6.0).chain(line(8.0)).collect();
        assert!((left_after_trimming(&wandering, &x, &[0, 1]) - 2.5).abs() < 1e-9);
    }

    #[test]
    fn a_bend_at_the_top_is_cured_by_the_second_trimmer_only() {
        let x = [-2.0, -1.0, 0.0, 1.0, 2.0, 3.0];
        let bend: Vec<f64> = x.iter().map(|x: &f64| x.exp2() - 1.0).collect();
        let values: Vec<f64> = x
            .iter()
            .zip(&bend)
            .map(|(x, bend)| 4.0 + 2.0 * x - 1.5 * bend)
            .collect();
        assert!(left_after_trimming(&values, &x, &[0]) > 2.0);
        assert!(left_after_both_trimmers(&values, &x, &bend, &[0]) < 0.01);
        // A bend that comes and goes stays by half.
        let straight: Vec<f64> = x.iter().map(|x| 2.0 * x).collect();
        let both: Vec<f64> = values.iter().chain(&straight).copied().collect();
        let left = left_after_both_trimmers(&both, &x, &bend, &[0, 1]);
        let half: Vec<f64> = bend.iter().map(|bend| 0.75 * bend).collect();
        assert!((left - half_range(&half)).abs() < 0.01, "{left}");
    }

    #[test]
    fn the_widest_run_is_found() {
        let x = [-2.0, -1.0, 0.0, 1.0, 2.0];
        let run = widest_run(&[9.0, 0.0, 1.0, 5.0, 0.5], &x, 3.0);
        assert_eq!(run, (3.0, 1, 4));
        assert_eq!(widest_run(&[9.0, 0.0, 9.0, 0.0, 9.0], &x, 3.0).0, 0.0);
        assert_eq!(widest_run(&[], &[], 3.0).0, 0.0);
    }

    #[test]
    fn cutting_planes_find_what_a_fine_search_finds() {
        let mut trials = crate::statistics::trials::Trials::of([5, 5, 5]);
        let x = [-2.0, -1.0, 0.0, 1.0, 2.0, 3.0];
        for _ in 0..50 {
            let values: Vec<f64> = (0..18).map(|_| 3.0 * trials.normal()).collect();
            let rounds = [0, 1, 2];
            let found = left_after_trimming(&values, &x, &rounds);
            let searched = (-60_000..=60_000)
                .map(|step| {
                    let b = f64::from(step) * 1e-4;
                    rounds
                        .iter()
                        .map(|round| {
                            let off: Vec<f64> = (0..6)
                                .map(|note| values[round * 6 + note] - b * x[note])
                                .collect();
                            half_range(&off)
                        })
                        .fold(0.0, f64::max)
                })
                .fold(f64::INFINITY, f64::min);
            assert!((found - searched).abs() < 5e-4, "{found} {searched}");
        }
    }
}
