//! Verdicts: the 95 % interval of a result held against a tolerance, with a
//! guard band (JCGM 106:2012; simple acceptance with none).

use crate::results::compute::Computed;
use crate::uncertainty::joint::{self, above};
use model::document::plan::Allow;
use model::quantity::AnyQuantity;
use model::result::{Because, Finding, Known, Missing, Outcome, ResultName};

/// Lower and upper limit, open where there is none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Limits {
    pub(crate) lower: f64,
    pub(crate) upper: f64,
}

impl Limits {
    /// The limits of a tolerance on a result; `None` when their dimension is not
    /// the result's.
    pub(crate) fn of(allow: &Allow, name: ResultName) -> Option<Self> {
        let of = |limit: &AnyQuantity| limit.value_as(name.dimension());
        let (lower, upper) = match allow {
            Allow::Within(limit) => (-of(limit)?.abs(), of(limit)?.abs()),
            Allow::AtMost(limit) => (f64::NEG_INFINITY, of(limit)?),
            Allow::AtLeast(limit) => (of(limit)?, f64::INFINITY),
            Allow::Between { from, to } => (of(from)?, of(to)?),
        };
        Some(Self { lower, upper })
    }
}

/// What a tolerance says of a result.
///
/// `guard` times the expanded uncertainty (the half of the interval that looks at
/// the limit) must fit between value and limit. With 1 the interval itself must
/// lie inside; with a one-sided tolerance that leaves a risk of 2.5 %. What is
/// missing (`gaps`) can only hide more: it takes a pass away, not a fail ([`could_turn`]
/// has the one result of which that is not so). What spoils the result takes both.
pub(crate) fn decide(
    computed: &Computed,
    allow: &Allow,
    guard: f64,
    gaps: &[Missing],
    spoilt: Option<&Because>,
) -> (Finding, Because) {
    let outcome = &computed.outcome;
    let Some(limits) = Limits::of(allow, outcome.name) else {
        return (Finding::Undecided, Because::OtherDimension);
    };
    if let Some(because) = spoilt {
        return (Finding::Undecided, because.clone());
    }
    let (low, high) = match &outcome.known {
        Known::Value { value, .. } | Known::AtMost { high: value } => {
            guarded(outcome, *value, guard)
        }
        Known::AtLeast { low, .. } => (*low, f64::INFINITY),
        Known::Between { low, high, .. } => {
            let (middle, half) = (f64::midpoint(*low, *high), guard * (high - low) / 2.0);
            (middle - half, middle + half)
        }
        Known::NotDetermined(_) => return (Finding::Undecided, Because::NotDetermined),
    };
    if low > limits.upper || high < limits.lower {
        (Finding::Fail, Because::Outside)
    } else if low < limits.lower || high > limits.upper {
        let mostly_rig = computed.rig_share.is_some_and(|share| share > 0.5);
        (Finding::Undecided, Because::Straddles { mostly_rig })
    } else if gaps.is_empty() {
        (Finding::Pass, Because::Inside)
    } else {
        (Finding::Undecided, Because::Missing(gaps.to_vec()))
    }
}

/// The value with the guard band on either side.
fn guarded(outcome: &Outcome, value: f64, guard: f64) -> (f64, f64) {
    let up = outcome
        .high()
        .map_or(f64::INFINITY, |high| (high - value).max(0.0));
    let down = outcome
        .low()
        .map_or(f64::INFINITY, |low| (value - low).max(0.0));
    // An open side times no guard band is no number: with simple acceptance the
    // value alone counts.
    let band = |side: f64| if guard > 0.0 { guard * side } else { 0.0 };
    (value - band(down), value + band(up))
}

/// Why a fail is none yet: of a share of rounds, that the missing ones could turn it.
///
/// `rounds` are those that count and those that were planned. Rounds of which nothing is
/// known may all have been good, or none of them.
pub(crate) fn could_turn(
    computed: &Computed,
    allow: &Allow,
    guard: f64,
    rounds: (usize, usize),
    gaps: Vec<Missing>,
) -> Option<Because> {
    let outcome = &computed.outcome;
    if outcome.name != ResultName::FractionOfRounds {
        return None;
    }
    let limits = Limits::of(allow, outcome.name)?;
    let (low, high) = guarded(outcome, outcome.value()?, guard);
    let (counted, planned) = (rounds.0 as f64, rounds.1 as f64);
    let with_missing =
        |share: f64, good: f64| (share * counted + good * (planned - counted)) / planned;
    let (best, worst) = (with_missing(high, 1.0), with_missing(low, 0.0));
    let (were_good, share) = if high < limits.lower && best >= limits.lower {
        (true, best)
    } else if low > limits.upper && worst <= limits.upper {
        (false, worst)
    } else {
        return None;
    };
    Some(Because::CouldTurn {
        missing: rounds.1 - rounds.0,
        planned: rounds.1,
        were_good,
        share,
        besides: gaps,
    })
}

/// The probability that a result lies outside a tolerance, with a flat prior, and in
/// which joint trials it does: the share of these trials. Where too few of them lie on one
/// side, a normal distribution on either side of the value, as wide as that side of its
/// 95 % interval, takes their place (JCGM 106, 7.2 and 7.4, for two sides of their own
/// width).
pub(crate) fn outside(computed: &Computed, allow: &Allow) -> Option<(f64, Vec<bool>)> {
    let outcome = &computed.outcome;
    let limits = Limits::of(allow, outcome.name)?;
    // Later than the record nobody knows.
    let beyond_record = limits.upper.is_finite()
        && computed
            .record()
            .is_some_and(|record| record < limits.upper)
        && outcome.draws.0.iter().any(|draw| draw.is_infinite());
    if beyond_record {
        return None;
    }
    let trials = joint::beyond(&outcome.draws.0, limits.lower, limits.upper);
    let happens = trials.iter().filter(|beyond| **beyond).count();
    let share = joint::share(happens, trials.len(), smooth(outcome, limits))?;
    Some((share, trials))
}

/// The same by the interval alone; `None` where the end of it that would tell is open.
fn smooth(outcome: &Outcome, limits: Limits) -> Option<f64> {
    // Of what does not stand out only its bounds are known.
    let middle = || Some(f64::midpoint(outcome.low()?, outcome.high()?));
    let value = outcome.value().or_else(middle)?;
    // The share beyond a limit, of the half of the distribution on the limit's side.
    let half = |end: Option<f64>, limit: f64| {
        let width = ((end? - value).abs() / 1.96).max(1e-12);
        Some(above((limit - value).abs() / width))
    };
    let over = match limits.upper {
        upper if upper == f64::INFINITY => 0.0,
        upper if upper >= value => half(outcome.high(), upper)?,
        upper => 1.0 - half(outcome.low(), upper)?,
    };
    let under = match limits.lower {
        lower if lower == f64::NEG_INFINITY => 0.0,
        lower if lower <= value => half(outcome.low(), lower)?,
        lower => 1.0 - half(outcome.high(), lower)?,
    };
    Some((over + under).clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::record::PositionId;

    fn computed(value: f64, low: f64, high: f64) -> Computed {
        Computed {
            outcome: Outcome::new(
                ResultName::ScaleError,
                PositionId::new("left"),
                "night".to_owned(),
                Known::value_of(value, Some((high - low) / 4.0), Some(low), Some(high)),
            ),
            rig_share: None,
        }
    }

    fn limit(text: &str) -> AnyQuantity {
        AnyQuantity::read(text).unwrap()
    }

    #[test]
    fn the_interval_decides_and_the_guard_band_counts_once() {
        let within = Allow::Within(limit("1 cent/oct"));
        let finding = |value: f64, guard: f64| {
            decide(
                &computed(value, value - 0.2, value + 0.2),
                &within,
                guard,
                &[],
                None,
            )
            .0
        };
        assert_eq!(finding(0.75, 1.0), Finding::Pass);
        assert_eq!(finding(0.85, 1.0), Finding::Undecided);
        assert_eq!(finding(1.15, 1.0), Finding::Undecided);
        assert_eq!(finding(-1.25, 1.0), Finding::Fail);
        // Simple acceptance.
        assert_eq!(finding(0.99, 0.0), Finding::Pass);
        assert_eq!(finding(1.01, 0.0), Finding::Fail);
        // Twice the guard band.
        assert_eq!(finding(0.65, 2.0), Finding::Undecided);
    }

    /// JCGM 106:2012, 7.3: one-sided z of 0.8416, 1.2816, 1.6449, 2.3263 and 3.0902 for
    /// a conformance probability of 0.80, 0.90, 0.95, 0.99 and 0.999.
    #[test]
    fn conformance_probabilities_as_published() {
        for (z, probability) in [
            (0.8416, 0.80),
            (1.2816, 0.90),
            (1.6449, 0.95),
            (2.3263, 0.99),
            (3.0902, 0.999),
        ] {
            assert!((1.0 - above(z) - probability).abs() < 2e-5, "{z}");
        }
        // The three-sigma and the six-sigma row of guard bands w = 1.5 U and 3 U with
        // U = 2 u: 0.135 % and 9.9e-10 (ILAC-G8:2009 prints 0.16 % and 1 ppm).
        assert!((above(3.0) - 0.001_35).abs() < 1e-6);
        assert!((above(6.0) / 9.87e-10 - 1.0).abs() < 0.01);
        // One-sided: y = -5.47, u = 0.05, limit -5.40: p_c = 0.919243. Two-sided: 12.5 to
        // 16.3, y = 13.6, u = 1.8: p_c = 0.662630 (JCGM 106; inputs from memory).
        let of = |value: f64, u: f64, allow: &Allow| {
            let computed = computed(value, value - 1.96 * u, value + 1.96 * u);
            outside(&computed, allow).unwrap().0
        };
        let at_most = Allow::AtMost(limit("-5.40 cents/oct"));
        assert!((1.0 - of(-5.47, 0.05, &at_most) - 0.919_243).abs() < 1e-6);
        let between = Allow::Between {
            from: limit("12.5 cents/oct"),
            to: limit("16.3 cents/oct"),
        };
        assert!((1.0 - of(13.6, 1.8, &between) - 0.662_630).abs() < 1e-6);
    }

    /// JCGM 106:2012, 9.5.4: bearings of at most 2, made with a gamma distribution of mean
    /// 1 and standard deviation 0.5, measured with u = 0.25. Of all 4.2 % are bad; by simple
    /// acceptance 0.8 % are bad and accepted; with a guard band of 0.328 it is 0.1 %.
    /// (The digits beyond that, and the share good and rejected, were recomputed with
    /// suncal, an open library.) Here with the limit at which `decide` stops accepting.
    #[test]
    fn accepted_by_mistake_as_published() {
        let allow = Allow::AtMost(limit("2 cents/oct"));
        let u = 0.25;
        // The largest reading that passes.
        let accepted_up_to = |guard: f64| {
            let passes = |value: f64| {
                let computed = computed(value, value - 1.96 * u, value + 1.96 * u);
                decide(&computed, &allow, guard, &[], None).0 == Finding::Pass
            };
            let (mut low, mut high) = (0.0, 3.0);
            assert!(passes(low) && !passes(high));
            for _ in 0..40 {
                let middle = f64::midpoint(low, high);
                if passes(middle) {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            low
        };
        // The sum over what is made: of bad ones accepted, of good ones rejected, of bad ones.
        let risks = |accepted: f64| {
            let step = 1e-3;
            let (mut consumer, mut producer, mut bad) = (0.0, 0.0, 0.0);
            for place in 0..8_000 {
                let x = (f64::from(place) + 0.5) * step;
                let made = 256.0 / 6.0 * x.powi(3) * (-4.0 * x).exp() * step;
                let rejected = above((accepted - x) / u);
                if x > 2.0 {
                    bad += made;
                    consumer += made * (1.0 - rejected);
                } else {
                    producer += made * rejected;
                }
            }
            (consumer, producer, bad)
        };
        let near = |found: f64, expected: f64| {
            assert!((found - expected).abs() < 2e-6, "{found} {expected}");
        };
        let (consumer, producer, bad) = risks(accepted_up_to(0.0));
        near(bad, 0.042_380);
        near(consumer, 0.008_019);
        near(producer, 0.017_445);
        let accepted = accepted_up_to(0.328_171 / (1.96 * u));
        near(accepted, 1.671_829);
        let (consumer, producer, _) = risks(accepted);
        near(consumer, 0.001);
        near(producer, 0.075_494);
    }

    #[test]
    fn a_gap_takes_a_pass_away_and_not_a_fail() {
        let within = Allow::Within(limit("1 cent/oct"));
        let gaps = &[Missing::AllReadings];
        assert_eq!(
            decide(&computed(0.1, 0.0, 0.2), &within, 1.0, gaps, None).0,
            Finding::Undecided
        );
        assert_eq!(
            decide(&computed(2.0, 1.9, 2.1), &within, 1.0, gaps, None).0,
            Finding::Fail
        );
    }

    #[test]
    fn a_limit_of_another_dimension_decides_nothing() {
        let wrong = Allow::Within(limit("3 cents"));
        assert_eq!(
            decide(&computed(0.1, 0.0, 0.2), &wrong, 1.0, &[], None).0,
            Finding::Undecided
        );
    }

    #[test]
    fn not_reached_fails_only_when_the_record_is_longer() {
        let mut late = computed(0.0, 0.0, 0.0);
        late.outcome.name = ResultName::WarmUpTime;
        late.outcome.known = Known::AtLeast {
            low: 7200.0,
            why: model::result::NotDetermined::NotFinite,
        };
        let decide = |text: &str| decide(&late, &Allow::AtMost(limit(text)), 1.0, &[], None).0;
        assert_eq!(decide("45 min"), Finding::Fail);
        assert_eq!(decide("3 h"), Finding::Undecided);
    }
}
