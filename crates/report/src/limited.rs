//! What limits a result, and how likely a value lies outside its tolerance, in words.

use crate::numbers::{decimals_for, fixed, shown_unit};
use crate::outline::{stated, title};
use crate::words::results::choice;
use model::quantity::Dimension;
use model::result::{Contribution, JointRisk, Outcome, UncertaintySource, Verdict};

/// So many sources are named; the rest is small beside them.
const MOST: usize = 3;
/// Sources with a smaller share of the variance are not named.
const LEAST_SHARE: f64 = 0.03;

/// A source of uncertainty for people.
pub(crate) const fn source(source: UncertaintySource) -> &'static str {
    match source {
        UncertaintySource::Readings => "readings themselves",
        UncertaintySource::OffCurve => "what repeats off the curve",
        UncertaintySource::SampleClock => "sample clock",
        UncertaintySource::CvGain => "control voltage gain",
        UncertaintySource::CvOffset => "control voltage offset",
        UncertaintySource::CvSteps => "control voltage steps",
        UncertaintySource::CvDrift => "control voltage drift",
        UncertaintySource::Loading => "control voltage loading",
        UncertaintySource::Thermometer => "thermometer",
        UncertaintySource::Session => "rig from session to session",
    }
}

/// The largest contributions to the uncertainty of a result.
pub(crate) fn largest(outcome: &Outcome) -> impl Iterator<Item = &Contribution> {
    // Sorted by the analysis, largest first.
    outcome
        .budget
        .iter()
        .enumerate()
        .filter(|(place, part)| *place == 0 || part.share >= LEAST_SHARE)
        .map(|(_, part)| part)
        .take(MOST)
}

/// "limited by: control voltage gain 78 %, steps 20 %": what is the control voltage's
/// says so once.
pub(crate) fn limited_by(outcome: &Outcome) -> Option<String> {
    stated(outcome)?;
    let mut before = false;
    let parts: Vec<String> = largest(outcome)
        .map(|part| {
            let whole = source(part.source);
            let of_voltage = whole.strip_prefix("control voltage ");
            let words = of_voltage.filter(|_| before).unwrap_or(whole);
            before |= of_voltage.is_some();
            format!("{words} {}", share(part.share))
        })
        .collect();
    (!parts.is_empty()).then(|| format!("limited by: {}", parts.join(", ")))
}

/// A share of the variance in whole per cent.
pub(crate) fn share(share: f64) -> String {
    format!("{} %", fixed(share * 100.0, 0))
}

/// A standard uncertainty with its unit, to two digits; times in seconds.
fn standard(u: f64, dimension: Dimension) -> String {
    let (u, unit) = match dimension {
        Dimension::Fraction => (u * 100.0, "%"),
        Dimension::Duration => (u, "s"),
        _ => (u, shown_unit(dimension)),
    };
    format!("{} {unit}", fixed(u, decimals_for(u)))
}

/// A source of a result in the table of what limits it.
#[derive(Debug)]
pub(crate) struct LimitLine {
    /// The result's name, or nothing in its second and third row.
    pub(crate) name: &'static str,
    /// Which choice was made in it.
    pub(crate) meaning: String,
    pub(crate) source: &'static str,
    pub(crate) u: String,
    pub(crate) share: String,
}

/// The rows of a result in that table.
pub(crate) fn rows(outcome: &Outcome) -> Vec<LimitLine> {
    if stated(outcome).is_none() {
        return Vec::new();
    }
    largest(outcome)
        .enumerate()
        .map(|(place, part)| LimitLine {
            name: if place == 0 { title(outcome.name) } else { "" },
            meaning: choice(outcome).filter(|_| place == 0).unwrap_or_default(),
            source: source(part.source),
            u: standard(part.u, outcome.name.dimension()),
            share: share(part.share),
        })
        .collect()
}

/// A probability in per cent, never said to be nought or certain.
fn probability(share: f64) -> String {
    match share * 100.0 {
        p if p < 0.1 => "less than 0.1 %".to_owned(),
        p if p > 99.9 => "more than 99.9 %".to_owned(),
        p if !(10.0..=90.0).contains(&p) => format!("{} %", fixed(p, 1)),
        p => format!("{} %", fixed(p, 0)),
    }
}

/// The risk over several tolerances together, in a sentence: "All tolerances together:
/// 3.1 % likely that at least one is not met."
pub(crate) fn together(risk: &JointRisk) -> Option<String> {
    let outside = risk.outside.filter(|share| share.is_finite())?;
    if risk.counted < 2 {
        return None;
    }
    let which = if risk.counted == risk.tolerances {
        "All tolerances together".to_owned()
    } else {
        format!(
            "The {} of {} tolerances whose risk is known, together",
            risk.counted, risk.tolerances
        )
    };
    Some(format!(
        "{which}: {} likely that at least one is not met.",
        probability(outside)
    ))
}

/// How likely the value lies outside the tolerance, in a sentence.
pub(crate) fn chance(verdict: &Verdict) -> Option<String> {
    let outside = verdict.outside.filter(|share| share.is_finite())?;
    let words = probability(outside);
    Some(format!(
        "By the readings there are, the chance that it lies outside is {words}, all values being held equally likely beforehand (flat prior)."
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::record::PositionId;
    use model::result::{Because, Finding, Known, ResultName};

    fn limited(name: ResultName, budget: &[(UncertaintySource, f64, f64)]) -> Outcome {
        let known = Known::value_of(0.9, Some(0.1), Some(0.7), Some(1.1));
        Outcome {
            budget: budget
                .iter()
                .map(|(source, u, share)| Contribution {
                    source: *source,
                    u: *u,
                    share: *share,
                })
                .collect(),
            ..Outcome::new(name, PositionId::new("left"), "night".to_owned(), known)
        }
    }

    #[test]
    fn the_large_sources_are_named_and_the_small_ones_are_not() {
        use UncertaintySource as S;
        let many = [
            (S::CvGain, 0.088, 0.78),
            (S::CvSteps, 0.042, 0.18),
            (S::Loading, 0.018, 0.031),
            (S::Readings, 0.004, 0.004),
            (S::Session, 0.003, 0.003),
        ];
        assert_eq!(
            limited_by(&limited(ResultName::ScaleError, &many)).as_deref(),
            Some("limited by: control voltage gain 78 %, steps 18 %, loading 3 %")
        );
        assert_eq!(limited_by(&limited(ResultName::ScaleError, &[])), None);
        // Not beside a result that cannot be said.
        let mut unsaid = limited(ResultName::ScaleError, &many);
        unsaid.known = Known::NotDetermined(model::result::NotDetermined::NotFinite);
        assert_eq!((limited_by(&unsaid), rows(&unsaid).len()), (None, 0));
    }

    #[test]
    fn an_uncertainty_is_in_the_unit_of_its_result() {
        let u = |name, u| {
            rows(&limited(name, &[(UncertaintySource::Readings, u, 1.0)]))[0]
                .u
                .clone()
        };
        assert_eq!(u(ResultName::ScaleError, 0.0884), "0.088 cents/oct");
        assert_eq!(u(ResultName::ReadyAfter, 77.24), "77 s");
        assert_eq!(u(ResultName::FractionOfRounds, 0.0426), "4.3 %");
    }

    #[test]
    fn a_chance_is_never_said_to_be_nought_or_certain() {
        let words = |outside| {
            chance(&Verdict {
                tolerance: 0,
                position: PositionId::new("left"),
                finding: Finding::Undecided,
                result: None,
                because: Because::NotDetermined,
                outside,
            })
        };
        let says = |outside: f64, what: &str| words(Some(outside)).unwrap().contains(what);
        assert!(says(0.0, "is less than 0.1 %"));
        assert!(says(0.0214, "is 2.1 %"));
        assert!(says(0.378, "is 38 %"));
        assert!(says(1.0, "is more than 99.9 %"));
        assert_eq!(words(None), None);
        assert_eq!(words(Some(f64::NAN)), None);
    }

    #[test]
    fn the_risk_over_all_says_how_many_it_speaks_of() {
        let words = |outside, counted, tolerances| {
            together(&JointRisk {
                position: PositionId::new("left"),
                outside,
                counted,
                tolerances,
            })
        };
        assert_eq!(
            words(Some(0.031), 3, 3).as_deref(),
            Some("All tolerances together: 3.1 % likely that at least one is not met.")
        );
        assert_eq!(
            words(Some(0.0), 3, 4).as_deref(),
            Some(
                "The 3 of 4 tolerances whose risk is known, together: less than 0.1 % likely that at least one is not met."
            )
        );
        // One by itself has its own chance already.
        assert_eq!(words(Some(0.5), 1, 1), None);
        assert_eq!(words(None, 0, 2), None);
    }
}
