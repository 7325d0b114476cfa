//! Two results of the same name held against each other: the difference, with what is
//! really shared between them cancelled and nothing else.
//!
//! The interval of the difference comes from the intervals of both results, by the
//! method of variance estimates recovery (Zou and Donner, "Construction of confidence
//! limits about effect measures", Statistics in Medicine 27, 2008; with a correlation:
//! Zou, Psychological Methods 12, 2007; from memory). It keeps lopsided intervals
//! lopsided. The correlation is the part of both variances that comes from sources that
//! both have in common (GUM 5.2 and F.1.2.3), by the budgets of the results.

use model::result::{Contribution, Outcome, ResultName, UncertaintySource};

/// What two results have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Common {
    /// They are of one run.
    pub run: bool,
    /// They were measured on the same rig, to the letter of its file.
    pub rig: bool,
    /// The control voltage came from the same output.
    pub output: bool,
    /// They are of the same unit.
    pub unit: bool,
    /// The same notes were played.
    pub notes: bool,
}

impl Common {
    /// Whether an error from this source is the same in both.
    ///
    /// Steps belong to a note on an output; the loading to an output and the unit on it;
    /// what changes from session to session, and what drifts within one, always counts.
    #[must_use]
    pub const fn has(self, source: UncertaintySource) -> bool {
        let output = self.rig && self.output;
        match source {
            UncertaintySource::Readings
            | UncertaintySource::OffCurve
            | UncertaintySource::CvDrift => false,
            UncertaintySource::Session => self.run,
            UncertaintySource::SampleClock | UncertaintySource::Thermometer => self.rig,
            UncertaintySource::CvGain | UncertaintySource::CvOffset => output,
            UncertaintySource::CvSteps => output && self.notes,
            UncertaintySource::Loading => output && self.unit,
        }
    }
}

/// The difference of two results: the later one less the earlier one.
#[derive(Debug, Clone, PartialEq)]
pub struct Difference {
    /// Which result.
    pub name: ResultName,
    /// The later value less the earlier one.
    pub value: f64,
    /// Standard uncertainty of that.
    pub u: Option<f64>,
    /// Lower end of its 95 % interval.
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

/// Takes the difference of two results; `None` where either has no value.
///
/// Of results that can be negative, an error of the rig moves both the same way, and so
/// cancels where it is the same. Of sizes (largest deviations, times) it may move one up
/// and the other down: there nothing is taken as cancelling.
#[must_use]
pub fn difference(earlier: &Outcome, later: &Outcome, common: Common) -> Option<Difference> {
    let (a, b) = (earlier.value?, later.value?);
    let (ua, ub) = (earlier.u, later.u);
    let (covariance, cancelled) = if earlier.name.has_sign() {
        covariance(&earlier.budget, &later.budget, common)
    } else {
        (0.0, Vec::new())
    };
    let correlation = match (ua, ub) {
        (Some(ua), Some(ub)) if ua > 0.0 && ub > 0.0 => (covariance / (ua * ub)).clamp(0.0, 1.0),
        _ => 0.0,
    };
    let together = |one: Option<f64>, other: Option<f64>| {
        let (one, other) = (one?.max(0.0), other?.max(0.0));
        let squares = one * one + other * other - 2.0 * correlation * one * other;
        Some(squares.max(0.0).sqrt())
    };
    let below = |outcome: &Outcome, value: f64| outcome.low.map(|low| value - low);
    let above = |outcome: &Outcome, value: f64| outcome.high.map(|high| high - value);
    let value = b - a;
    let down = together(below(later, b), above(earlier, a));
    let up = together(above(later, b), below(earlier, a));
    let expanded = |outcome: &Outcome, value: f64| {
        let (down, up) = (below(outcome, value)?, above(outcome, value)?);
        Some(down.max(up))
    };
    let normalised_error = expanded(earlier, a)
        .zip(expanded(later, b))
        .map(|(one, other)| one.hypot(other))
        .filter(|both| *both > 0.0)
        .map(|both| value.abs() / both);
    Some(Difference {
        name: earlier.name,
        value,
        u: together(ua, ub),
        low: down.map(|down| value - down),
        high: up.map(|up| value + up),
        cancelled,
        normalised_error,
    })
}

/// The covariance of two results by the sources they have in common, and which those are.
fn covariance(
    one: &[Contribution],
    other: &[Contribution],
    common: Common,
) -> (f64, Vec<UncertaintySource>) {
    let mut sum = 0.0;
    let mut cancelled = Vec::new();
    for part in one.iter().filter(|part| common.has(part.source)) {
        if let Some(twin) = other.iter().find(|twin| twin.source == part.source)
            && part.u > 0.0
            && twin.u > 0.0
        {
            sum += part.u * twin.u;
            cancelled.push(part.source);
        }
    }
    (sum, cancelled)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::quantile;
    use crate::trials::Trials;
    use model::record::PositionId;

    fn outcome(value: f64, own: f64, gain: f64) -> Outcome {
        let u = own.hypot(gain);
        let part = |source, part: f64| Contribution {
            source,
            u: part,
            share: part * part / (u * u),
        };
        Outcome {
            name: ResultName::ScaleError,
            position: PositionId::new("left"),
            stage: "night".to_owned(),
            value: Some(value),
            u: Some(u),
            low: Some(value - 1.96 * u),
            high: Some(value + 1.96 * u),
            t_s: None,
            readings: 7,
            meaning: None,
            why_not: None,
            budget: vec![
                part(UncertaintySource::CvGain, gain),
                part(UncertaintySource::Readings, own),
            ],
        }
    }

    const SAME_PLACE: Common = Common {
        run: false,
        rig: true,
        output: true,
        unit: true,
        notes: true,
    };

    #[test]
    fn the_gain_cancels_before_and_after_on_one_output_and_only_there() {
        let (before, after) = (outcome(22.4, 0.1, 7.0), outcome(0.6, 0.1, 7.0));
        let found = difference(&before, &after, SAME_PLACE).unwrap();
        assert!((found.value + 21.8).abs() < 1e-12);
        assert!((found.u.unwrap() - 0.1f64.hypot(0.1)).abs() < 1e-6);
        assert_eq!(found.cancelled, [UncertaintySource::CvGain]);
        assert!(found.stands_out());
        let elsewhere = Common {
            output: false,
            ..SAME_PLACE
        };
        let found = difference(&before, &after, elsewhere).unwrap();
        assert!((found.u.unwrap() - 9.9).abs() < 0.01);
        assert!(found.cancelled.is_empty());
        // E_n of the same: both stated with all their uncertainty.
        assert!((found.normalised_error.unwrap() - 21.8 / (1.96 * 9.9)).abs() < 0.01);
    }

    /// The interval against trials in which the gain really is the same in both.
    #[test]
    fn the_interval_is_that_of_joint_trials() {
        let mut trials = Trials::of([77, 1, 0]);
        let (before, after) = (outcome(5.0, 0.4, 2.0), outcome(3.0, 0.7, 1.9));
        let mut draws: Vec<f64> = (0..60_000)
            .map(|_| {
                let gain = trials.normal();
                let later = 3.0 + 1.9 * gain + 0.7 * trials.normal();
                later - (5.0 + 2.0 * gain + 0.4 * trials.normal())
            })
            .collect();
        draws.sort_by(f64::total_cmp);
        let found = difference(&before, &after, SAME_PLACE).unwrap();
        for (end, share) in [(found.low, 0.025), (found.high, 0.975)] {
            let drawn = quantile(&draws, share);
            assert!((end.unwrap() - drawn).abs() < 0.04, "{end:?} {drawn}");
        }
    }

    #[test]
    fn of_sizes_nothing_cancels_and_lopsided_stays_lopsided() {
        let size = |value: f64, low: f64, high: f64| Outcome {
            name: ResultName::ErrorLeftAfterRetuning,
            low: Some(low),
            high: Some(high),
            ..outcome(value, 0.5, 0.5)
        };
        let found = difference(&size(4.0, 3.5, 6.0), &size(1.0, 0.0, 2.0), SAME_PLACE).unwrap();
        assert!(found.cancelled.is_empty());
        assert!((found.low.unwrap() - (-3.0 - 1f64.hypot(2.0))).abs() < 1e-12);
        assert!((found.high.unwrap() - (-3.0 + 1f64.hypot(0.5))).abs() < 1e-12);
        let nothing = Outcome {
            value: None,
            ..size(1.0, 0.0, 2.0)
        };
        assert_eq!(difference(&nothing, &nothing, SAME_PLACE), None);
    }

    #[test]
    fn to_the_same_temperature() {
        let (before, after) = (outcome(1.0, 0.1, 0.5), outcome(2.0, 0.1, 0.5));
        let found = difference(&before, &after, SAME_PLACE).unwrap();
        let corrected = found.clone().corrected((0.25, 0.1), 4.0);
        assert!(corrected.value.abs() < 1e-12);
        assert!((corrected.u.unwrap() - found.u.unwrap().hypot(0.4)).abs() < 1e-12);
        assert!(!corrected.stands_out() && found.stands_out());
    }
}
