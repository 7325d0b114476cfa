//! The joint draws of a result: what it truly is in each trial, and what follows from
//! that for a limit and for all limits together.

use crate::statistics::quantile;
use crate::statistics::trials::Trials;
use crate::uncertainty::shared_sources::TRIALS;
use model::result::{Known, Outcome};
use statrs::distribution::{ContinuousCDF, Normal};

/// With fewer draws than this on one side of a limit their share is too uncertain (by a
/// third of itself) and a smooth distribution takes their place.
const FEW: usize = 10;
/// So many standard deviations cut off 2.5 % of a normal distribution.
const TWO_SIDED: f64 = 1.959_963_985;

/// Draws of a result of which nothing is known but its value and its 95 % interval: a
/// normal distribution on either side of the value, each as wide as that side of the
/// interval; about the middle where there is no value; where it is only known to be no more
/// than its value, evenly below it. Empty
/// where an end of the interval is open.
pub(crate) fn of_interval(outcome: &Outcome, trials: &mut Trials) -> Vec<f64> {
    if let Known::Between { low, high, .. } = outcome.known {
        return split_normal(f64::midpoint(low, high), low, high, trials);
    }
    let (Some(value), Some(low), Some(high)) = (outcome.value(), outcome.low(), outcome.high())
    else {
        return Vec::new();
    };
    let least = if outcome.name.has_sign() {
        f64::NEG_INFINITY
    } else {
        0.0
    };
    if outcome.is_upper_bound() {
        return (0..TRIALS)
            .map(|_| 0.5 * high * (1.0 + trials.within(1.0)))
            .collect();
    }
    let mut draws = split_normal(value, low, high, trials);
    for draw in &mut draws {
        *draw = draw.max(least);
    }
    draws
}

/// Draws from two halves of normal distributions that meet in a value, with these ends of
/// the middle 95 %.
pub(crate) fn split_normal(value: f64, low: f64, high: f64, trials: &mut Trials) -> Vec<f64> {
    (0..TRIALS)
        .map(|_| {
            let normal = trials.normal() / TWO_SIDED;
            let side = if normal > 0.0 {
                high - value
            } else {
                value - low
            };
            value + normal * side
        })
        .collect()
}

/// Draws whose outer 2.5 % lie further in than the stated ends, stretched from their
/// middle until they do not; those further out stay as they are, so that what two
/// results share stays the same in both.
pub(crate) fn stretched(mut draws: Vec<f64>, low: f64, high: f64) -> Vec<f64> {
    let mut sorted = draws.clone();
    sorted.sort_by(f64::total_cmp);
    let middle = quantile(&sorted, 0.5);
    let factor = |end: f64, stated: f64| {
        let (reach, wanted) = (end - middle, stated - middle);
        let stretches = reach.is_finite() && wanted.is_finite() && reach * wanted > 0.0;
        if stretches {
            (wanted / reach).max(1.0)
        } else {
            1.0
        }
    };
    let down = factor(quantile(&sorted, 0.025), low);
    let up = factor(quantile(&sorted, 0.975), high);
    if down > 1.0 || up > 1.0 {
        for draw in draws.iter_mut().filter(|draw| draw.is_finite()) {
            let factor = if *draw < middle { down } else { up };
            *draw = middle + (*draw - middle) * factor;
        }
    }
    draws
}

/// The share of trials that something happens in, where enough of them have it and
/// enough have not; otherwise what a smooth distribution says, as far as the trials allow
/// it, and without one the rule of succession, (k + 1) / (n + 2) (Laplace; from memory).
/// Never nought for want of trials.
pub(crate) fn share(happens: usize, trials: usize, smooth: Option<f64>) -> Option<f64> {
    if trials == 0 {
        return smooth;
    }
    let n = trials as f64;
    if happens >= FEW && happens + FEW <= trials {
        return Some(happens as f64 / n);
    }
    let edge = FEW as f64 / n;
    Some(match smooth {
        Some(smooth) if happens < FEW => smooth.min(edge),
        Some(smooth) => smooth.max(1.0 - edge),
        None => (happens as f64 + 1.0) / (n + 2.0),
    })
}

/// The share of a normal distribution above `z` standard deviations.
pub(crate) fn above(z: f64) -> f64 {
    Normal::standard().sf(z)
}

/// In which trials a limit is not kept.
pub(crate) fn beyond(draws: &[f64], lower: f64, upper: f64) -> Vec<bool> {
    draws
        .iter()
        .map(|draw| *draw < lower || *draw > upper)
        .collect()
}

/// The share of trials in which at least one of several limits is not kept, from the
/// trials of each and the risk of each alone. It is at least the largest of these and at
/// most their sum (Boole's and Bonferroni's bounds); where the trials are too few it is
/// as if they had nothing to do with each other.
pub(crate) fn at_least_one(limits: &[(Vec<bool>, f64)]) -> Option<f64> {
    let trials = limits.iter().map(|(beyond, _)| beyond.len()).min()?;
    let failing = (0..trials)
        .filter(|trial| limits.iter().any(|(beyond, _)| beyond[*trial]))
        .count();
    let alone = limits.iter().map(|(_, risk)| *risk);
    let largest = alone.clone().fold(0.0, f64::max);
    let sum: f64 = alone.clone().sum();
    let apart = 1.0 - alone.map(|risk| 1.0 - risk).product::<f64>();
    let share = share(failing, trials, Some(apart))?;
    Some(share.clamp(largest, sum.min(1.0).max(largest)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::{mean, standard_deviation};
    use model::record::PositionId;
    use model::result::ResultName;

    fn outcome(name: ResultName, value: f64, low: f64, high: f64) -> Outcome {
        let known = Known::value_of(value, None, Some(low), Some(high));
        Outcome::new(name, PositionId::new("left"), "night".to_owned(), known)
    }

    fn ends(draws: &[f64]) -> (f64, f64) {
        let mut sorted = draws.to_vec();
        sorted.sort_by(f64::total_cmp);
        (quantile(&sorted, 0.025), quantile(&sorted, 0.975))
    }

    #[test]
    fn an_interval_gives_draws_with_that_interval() {
        let mut trials = Trials::of([3, 1, 4]);
        let lopsided = outcome(ResultName::DriftRate, 1.0, 0.8, 2.0);
        let draws = of_interval(&lopsided, &mut trials);
        let (low, high) = ends(&draws);
        assert!(
            (low - 0.8).abs() < 0.03 && (high - 2.0).abs() < 0.12,
            "{low} {high}"
        );
        // No more than 3, and nothing else known: the mean is half of that.
        let bound = outcome(ResultName::SettlingTime, 3.0, 0.0, 3.0);
        let draws = of_interval(&bound, &mut trials);
        assert!((mean(&draws) - 1.5).abs() < 0.1);
        assert!((standard_deviation(&draws) - 3.0 / 12f64.sqrt()).abs() < 0.05);
        let known = Known::value_of(1.0, None, Some(0.8), None);
        let open = Outcome { known, ..lopsided };
        assert!(of_interval(&open, &mut trials).is_empty());
    }

    #[test]
    fn draws_are_stretched_to_what_is_stated_and_never_drawn_in() {
        let draws: Vec<f64> = (0..=1000).map(|i| f64::from(i) / 1000.0).collect();
        assert_eq!(stretched(draws.clone(), 0.1, 0.9), draws);
        let wider = stretched(draws.clone(), 0.1, 1.45);
        let (low, high) = ends(&wider);
        assert!((low - 0.025).abs() < 1e-9 && (high - 1.45).abs() < 1e-9);
        // A time that is never reached stays so.
        let mut late = draws;
        late[1000] = f64::INFINITY;
        assert_eq!(stretched(late, -1.0, 2.0)[1000], f64::INFINITY);
    }

    #[test]
    fn a_share_of_few_trials_is_smooth_and_never_nought() {
        assert_eq!(share(30, 1000, Some(0.5)), Some(0.03));
        assert_eq!(share(0, 1000, Some(1e-7)), Some(1e-7));
        assert_eq!(share(3, 1000, Some(0.2)), Some(0.01));
        assert_eq!(share(1000, 1000, Some(0.2)), Some(0.99));
        assert_eq!(share(0, 98, None), Some(0.01));
        assert_eq!(share(0, 0, Some(0.3)), Some(0.3));
    }

    /// Of two independent risks of 20 and 10 % at least one is there in 28 %; of two that
    /// come from the same error only the larger counts.
    #[test]
    fn risks_together_are_as_they_hang_together() {
        let mut trials = Trials::of([2, 7, 1]);
        let mut uniform = || -> Vec<f64> {
            (0..20_000)
                .map(|_| 0.5 * (1.0 + trials.within(1.0)))
                .collect()
        };
        let (one, other) = (uniform(), uniform());
        let risk = |draws: &[f64], limit: f64| (beyond(draws, limit, f64::INFINITY), limit);
        let apart = at_least_one(&[risk(&one, 0.2), risk(&other, 0.1)]).unwrap();
        assert!((apart - 0.28).abs() < 0.01, "{apart}");
        let same = at_least_one(&[risk(&one, 0.2), risk(&one, 0.1)]).unwrap();
        assert!((same - 0.2).abs() < 0.01, "{same}");
        // Too few trials: the product of what each says.
        let rare = at_least_one(&[(vec![false; 50], 1e-3), (vec![false; 50], 2e-3)]).unwrap();
        assert!((rare - 2.998e-3).abs() < 1e-9, "{rare}");
        assert_eq!(at_least_one(&[]), None);
    }
}
