//! Two results of the same name held against each other: the difference, with what is
//! really shared between them cancelled and nothing else.
//!
//! The difference is taken trial by trial of the joint draws of both (JCGM 101; GUM 5.2
//! and F.1.2.3 for why): an error that both share has the same size in both, and so goes
//! out of the difference as far as it moves both alike, of sizes and times as well as of
//! slopes. What is shared is decided where the draws are addressed ([`Common::has`]).

use crate::readings::identity::Common;
use crate::statistics::{mean, quantile, standard_deviation};
use model::result::{Outcome, ResultName, UncertaintySource};

/// The difference of two results: the later one less the earlier one.
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    /// Which result.
    pub name: ResultName,
    /// The later value less the earlier one.
    pub value: f64,
    /// Standard uncertainty of that.
    pub u: Option<f64>,
    /// Lower end of its 95 % interval; `None` where there is no telling, as for times of
    /// which the earlier one may never be reached.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// What cancelled, as it is the same in both.
    pub cancelled: Vec<UncertaintySource>,
    /// |difference| over the expanded uncertainties of both, root of the sum of squares:
    /// two laboratories agree where it is at most 1 (ISO/IEC 17043, from memory).
    pub normalised_error: Option<f64>,
}

impl Difference {
    /// Whether its interval leaves out zero.
    #[must_use]
    pub fn stands_out(&self) -> bool {
        self.low.is_some_and(|low| low > 0.0) || self.high.is_some_and(|high| high < 0.0)
    }

    /// The same between equal conditions: `per_unit` (with its standard uncertainty) is
    /// what the result changes by, where the later one was measured `more` further on.
    #[must_use]
    pub fn corrected(mut self, (per_unit, u): (f64, f64), more: f64) -> Self {
        self.value -= per_unit * more;
        let added = u * more;
        let widened = |half: f64| half.hypot(1.96 * added);
        self.low = self.low.map(|low| {
            let half = self.value + per_unit * more - low;
            self.value - widened(half)
        });
        self.high = self.high.map(|high| {
            let half = high - self.value - per_unit * more;
            self.value + widened(half)
        });
        self.u = self.u.map(|u| u.hypot(added));
        self
    }
}

/// Takes the difference of two results; `None` where either has no value, or is known to
/// be at most so much only: what is below a bound may have changed and may not.
///
/// E_n is of both as they are stated, with all their uncertainty.
#[must_use]
pub fn difference(earlier: &Outcome, later: &Outcome, common: Common) -> Option<Difference> {
    if earlier.is_upper_bound() || later.is_upper_bound() {
        return None;
    }
    let (a, b) = (earlier.value()?, later.value()?);
    let value = b - a;
    let mut found = Difference {
        name: earlier.name,
        value,
        u: None,
        low: None,
        high: None,
        cancelled: Vec::new(),
        normalised_error: normalised_error(earlier, later),
    };
    // Where both are infinite there is no telling.
    let pairs: Vec<(f64, f64)> = earlier
        .draws
        .0
        .iter()
        .copied()
        .zip(later.draws.0.iter().copied())
        .filter(|(one, other)| one.is_finite() || other.is_finite())
        .collect();
    if pairs.is_empty() {
        return Some(found);
    }
    let mut drawn: Vec<f64> = pairs.iter().map(|(one, other)| other - one).collect();
    drawn.sort_by(f64::total_cmp);
    let finite = |end: f64| end.is_finite().then_some(end);
    found.low = finite(quantile(&drawn, 0.025).min(value));
    found.high = finite(quantile(&drawn, 0.975).max(value));
    if found.low.is_some() && found.high.is_some() {
        drawn.retain(|difference| difference.is_finite());
        found.u = Some(standard_deviation(&drawn));
    }
    found.cancelled = cancelled(earlier, later, common, &pairs);
    Some(found)
}

fn normalised_error(earlier: &Outcome, later: &Outcome) -> Option<f64> {
    let expanded = |outcome: &Outcome| {
        let value = outcome.value()?;
        Some((value - outcome.low()?).max(outcome.high()? - value))
    };
    let both = expanded(earlier)?.hypot(expanded(later)?);
    let difference = later.value()? - earlier.value()?;
    (both > 0.0).then(|| difference.abs() / both)
}

/// So much of what the budgets of two results have in common must show in the draws for
/// it to be said to have cancelled.
const SHOWS: f64 = 0.5;

/// The sources that cancel: those which both results share, by their budgets, as far as
/// the draws of both really go together. Of sizes the same error may move one up and the
/// other down; then it adds up and nothing is said to cancel.
fn cancelled(
    earlier: &Outcome,
    later: &Outcome,
    common: Common,
    pairs: &[(f64, f64)],
) -> Vec<UncertaintySource> {
    let mut shared = Vec::new();
    let mut expected = 0.0;
    for part in earlier.budget.iter().filter(|part| common.has(part.source)) {
        let twin = later.budget.iter().find(|twin| twin.source == part.source);
        if let Some(twin) = twin.filter(|twin| part.u > 0.0 && twin.u > 0.0) {
            expected += part.u * twin.u;
            shared.push(part.source);
        }
    }
    let finite = |pair: &&(f64, f64)| pair.0.is_finite() && pair.1.is_finite();
    let (one, other): (Vec<f64>, Vec<f64>) = pairs.iter().filter(finite).copied().unzip();
    let (a, b) = (mean(&one), mean(&other));
    let products = one.iter().zip(&other).map(|(x, y)| (x - a) * (y - b));
    let covariance = products.sum::<f64>() / (one.len().max(2) - 1) as f64;
    if covariance < SHOWS * expected {
        shared.clear();
    }
    shared
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::trials::Trials;
    use model::record::PositionId;
    use model::result::{Contribution, JointDraws, Known};

    /// A result with an error of its own, drawn by `seed`, and one by the gain of an
    /// output, a rectangle as wide as `gain` says (GUM 4.3.7).
    fn outcome(value: f64, own: f64, gain: f64, seed: u64) -> Outcome {
        let u = own.hypot(gain);
        let part = |source, part: f64| Contribution {
            source,
            u: part,
            share: part * part / (u * u),
        };
        let (mut of_output, mut of_reading) = (Trials::of([1, 1, 0]), Trials::of([2, seed, 0]));
        let (low, high) = (value - 1.96 * u, value + 1.96 * u);
        let known = Known::value_of(value, Some(u), Some(low), Some(high));
        let (left, night) = (PositionId::new("left"), "night".to_owned());
        Outcome {
            budget: vec![
                part(UncertaintySource::CvGain, gain),
                part(UncertaintySource::Readings, own),
            ],
            draws: JointDraws(
                (0..20_000)
                    .map(|_| {
                        let shared = of_output.within(gain * 3f64.sqrt());
                        value + shared + own * of_reading.normal()
                    })
                    .collect(),
            ),
            ..Outcome::new(ResultName::ScaleError, left, night, known)
        }
    }

    const SAME_PLACE: Common = Common {
        run: false,
        rig: true,
        thermometer: true,
        load: true,
        output: true,
        unit: true,
        notes: true,
    };

    /// The law of propagation for a difference of correlated inputs (GUM 5.2.2): what is
    /// the same in both goes out, what is each one's own adds up in squares.
    #[test]
    fn the_gain_cancels_before_and_after_on_one_output_and_only_there() {
        let (before, after) = (outcome(22.4, 0.1, 7.0, 1), outcome(0.6, 0.1, 7.0, 2));
        let found = difference(&before, &after, SAME_PLACE).unwrap();
        assert!((found.value + 21.8).abs() < 1e-12);
        assert!((found.u.unwrap() / 0.02f64.sqrt() - 1.0).abs() < 0.03);
        assert!((found.high.unwrap() + 21.8 - 1.96 * 0.02f64.sqrt()).abs() < 0.02);
        assert_eq!(found.cancelled, [UncertaintySource::CvGain]);
        assert!(found.stands_out());
        // Twice the gain's part in one of them: half of it stays, by the rectangle.
        let twice = outcome(0.6, 0.1, 14.0, 2);
        let found = difference(&before, &twice, SAME_PLACE).unwrap();
        assert!((found.u.unwrap() / 7.0 - 1.0).abs() < 0.03, "{found:?}");
        let end = 0.95 * 7.0 * 3f64.sqrt();
        assert!(
            (found.high.unwrap() - found.value - end).abs() < 0.2,
            "{found:?}"
        );
        // Another output has a stream of its own.
        let mut elsewhere = after.clone();
        elsewhere.draws.0.rotate_left(1);
        let common = Common {
            output: false,
            ..SAME_PLACE
        };
        let found = difference(&before, &elsewhere, common).unwrap();
        assert!((found.u.unwrap() - 9.9).abs() < 0.2);
        assert!(found.cancelled.is_empty());
        // E_n of the same: both stated with all their uncertainty.
        assert!((found.normalised_error.unwrap() - 21.8 / (1.96 * 9.9)).abs() < 0.01);
    }

    /// A size is |slope|: the same gain makes a slope of 5 and one of 8 larger alike, and
    /// of 5 and -8 one larger and the other smaller.
    #[test]
    fn of_sizes_cancels_what_moves_both_alike_and_nothing_else() {
        let size = |slope: f64, seed: u64| {
            let mut size = outcome(slope, 0.1, 1.0, seed);
            size.name = ResultName::ErrorLeftAfterRetuning;
            size.known = Known::value_of(slope.abs(), size.u(), size.low(), size.high());
            size.draws.0.iter_mut().for_each(|draw| *draw = draw.abs());
            size
        };
        let alike = difference(&size(5.0, 1), &size(8.0, 2), SAME_PLACE).unwrap();
        assert!((alike.u.unwrap() / 0.02f64.sqrt() - 1.0).abs() < 0.03);
        assert_eq!(alike.cancelled, [UncertaintySource::CvGain]);
        let against = difference(&size(5.0, 1), &size(-8.0, 2), SAME_PLACE).unwrap();
        assert!((against.u.unwrap() / (4.0f64 + 0.02).sqrt() - 1.0).abs() < 0.03);
        assert!(against.cancelled.is_empty());
        let nothing = Outcome {
            known: Known::NotDetermined(model::result::NotDetermined::NotFinite),
            ..size(1.0, 1)
        };
        assert_eq!(difference(&nothing, &nothing, SAME_PLACE), None);
        let at_most = Outcome {
            known: Known::AtMost { high: 8.0 },
            ..size(8.0, 2)
        };
        assert!(at_most.is_upper_bound());
        assert_eq!(difference(&size(5.0, 1), &at_most, SAME_PLACE), None);
        assert_eq!(difference(&at_most, &size(5.0, 1), SAME_PLACE), None);
    }

    #[test]
    fn a_time_that_may_not_be_reached_leaves_the_difference_open_on_that_side() {
        let time = |t: f64, seed| Outcome {
            name: ResultName::WarmUpTime,
            ..outcome(t, 60.0, 1e-9, seed)
        };
        let (sure, mut late) = (time(1800.0, 1), time(2400.0, 2));
        for draw in late.draws.0.iter_mut().step_by(10) {
            *draw = f64::INFINITY;
        }
        let later = difference(&sure, &late, SAME_PLACE).unwrap();
        assert!(
            later.low.unwrap() > 400.0 && later.high.is_none(),
            "{later:?}"
        );
        let earlier = difference(&late, &sure, SAME_PLACE).unwrap();
        assert!(earlier.high.unwrap() < -400.0 && earlier.low.is_none());
        assert_eq!((later.u, earlier.u), (None, None));
    }

    #[test]
    fn to_the_same_temperature() {
        let (before, after) = (outcome(1.0, 0.1, 0.5, 1), outcome(2.0, 0.1, 0.5, 2));
        let found = difference(&before, &after, SAME_PLACE).unwrap();
        let corrected = found.clone().corrected((0.25, 0.1), 4.0);
        assert!(corrected.value.abs() < 1e-12);
        assert!((corrected.u.unwrap() - found.u.unwrap().hypot(0.4)).abs() < 1e-12);
        assert!(!corrected.stands_out() && found.stands_out());
    }
}
