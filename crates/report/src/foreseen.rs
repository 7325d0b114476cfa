//! What a rig will be able to decide, in words.

use crate::numbers::{duration, number_within, quantity};
use crate::outline::{has_sign, title};
use crate::words::reasons::why;
use analysis::{Assumption, Foreseen, Foresight};
use model::document::plan::{Allow, Plan, Tolerance};
use model::document::rig::{Bounds, Rig};
use model::quantity::Dimension;
use model::result::UncertaintySource;

/// What is foreseen of a tolerance of a plan on a rig, in a sentence.
#[must_use]
pub fn foreseen(plan: &Plan, rig: &Rig, foresight: &Foresight) -> String {
    let Some(tolerance) = plan.tolerances.get(foresight.tolerance) else {
        return String::new();
    };
    let of = format!(
        "{} of \"{}\"",
        title(tolerance.result).to_lowercase(),
        tolerance.of
    );
    let because = match &foresight.because {
        Foreseen::Uncertainty { assuming } => {
            let said = by_uncertainty(foresight, tolerance, plan, rig, *assuming);
            return format!("{of}: {said}");
        }
        Foreseen::NoThermometer => {
            "this rig cannot decide it, because it has no thermometer".to_owned()
        }
        Foreseen::SupplyNotRead => {
            "this rig cannot decide it, because nothing reads the voltage of the unit's supply"
                .to_owned()
        }
        Foreseen::SettlesUnheard => "cannot be foreseen: in this stage all that is known is how long each note had to be waited for, the short listens of a tenth of a second or more included; a hold with settle: {fixed: 0 s} shows it to the length of a window".to_owned(),
        Foreseen::ShownWhenHeard => "cannot be foreseen: it is known to twice what single windows of the hold scatter, and that shows when the note is heard".to_owned(),
        Foreseen::PlanEnds { record } => format!(
            "the rig does not stand in its way, but the plan ends after {}: a unit that takes longer than it can show is left undecided",
            duration(*record)
        ),
        Foreseen::MayNotBeSeen => "cannot be said even of a unit without error: by the rig's limits of error it may never be seen to come that near; calibrate the rig or widen the tolerance".to_owned(),
        Foreseen::NotDetermined { at_limit, why_not } => format!(
            "cannot be said even of a unit {}: {}",
            if *at_limit { "at the limit" } else { "without error" },
            why_not.as_ref().map_or_else(|| "its uncertainty cannot be foreseen".to_owned(), why)
        ),
        Foreseen::NotNearTheLimit { why_not } => format!(
            "a unit well within it {}; of one near the limit this plan cannot say it: {}",
            if foresight.decides == Some(true) { "passes" } else { "is left undecided" },
            why_not.as_ref().map_or_else(|| "how surely is not known".to_owned(), why)
        ),
    };
    format!("{of}, {}: {because}", tolerance.allow)
}

fn assuming_words(assuming: Option<Assumption>) -> String {
    match assuming {
        None => String::new(),
        Some(Assumption::AirMoves(kelvin)) => {
            format!(", if the air moves by {kelvin} K and back while the unit is warm")
        }
        Some(Assumption::SupplyMoves(volts)) => {
            format!(", if its supply moves by {volts} V and back")
        }
        Some(Assumption::ComesToRest(cents)) => {
            format!(", of a unit that comes to rest from {cents} cents off and does nothing else")
        }
    }
}

/// A source in words, with its bound, and whether that is the usual one.
fn source_words(source: UncertaintySource, dimension: Dimension, bounds: &Bounds) -> String {
    let usual = Bounds::default();
    let (what, bound, is_usual) = match source {
        UncertaintySource::CvGain => (
            "the gain of its control voltage",
            bounds.cv_gain.to_string(),
            bounds.cv_gain == usual.cv_gain,
        ),
        UncertaintySource::CvOffset => (
            "the offset of its control voltage",
            bounds.cv_offset.to_string(),
            bounds.cv_offset == usual.cv_offset,
        ),
        UncertaintySource::CvSteps => (
            "the steps of its control voltage",
            bounds.cv_step.to_string(),
            bounds.cv_step == usual.cv_step,
        ),
        UncertaintySource::CvDrift => (
            "the drift of its control voltage",
            format!("{}, {}", bounds.cv_gain_drift, bounds.cv_offset_drift),
            bounds.cv_gain_drift == usual.cv_gain_drift
                && bounds.cv_offset_drift == usual.cv_offset_drift,
        ),
        UncertaintySource::Loading => (
            "the loading of its control voltage",
            bounds.cv_output_resistance.to_string(),
            bounds.cv_output_resistance == usual.cv_output_resistance,
        ),
        UncertaintySource::Session => (
            "the gain of its control voltage from session to session",
            bounds.cv_session.to_string(),
            bounds.cv_session == usual.cv_session,
        ),
        UncertaintySource::Thermometer => (
            "its thermometer",
            bounds.thermometer.to_string(),
            bounds.thermometer == usual.thermometer,
        ),
        UncertaintySource::SampleClock => (
            "its sample clock",
            bounds.sample_clock.to_string(),
            bounds.sample_clock == usual.sample_clock,
        ),
        // A time lies between two rounds, or two windows.
        UncertaintySource::Readings | UncertaintySource::OffCurve
            if dimension == Dimension::Duration =>
        {
            return "the time from one listen to the next".to_owned();
        }
        UncertaintySource::Readings | UncertaintySource::OffCurve => {
            return "the noise of the readings".to_owned();
        }
    };
    let uncalibrated = if is_usual { ", uncalibrated" } else { "" };
    format!("{what} ({bound}{uncalibrated})")
}

/// A tolerance as a noun: "a tolerance of 1 cent/oct".
fn tolerance_words(allow: &Allow) -> String {
    match allow {
        Allow::Within(limit) => format!("a tolerance of {}", limit.text),
        Allow::AtMost(limit) => format!("a tolerance of at most {}", limit.text),
        Allow::AtLeast(limit) => format!("a tolerance of at least {}", limit.text),
        Allow::Between { from, to } => {
            format!("a tolerance of {} to {}", from.text, to.text)
        }
    }
}

/// The sentence of a tolerance whose result is known to so much, behind the name of the
/// result.
fn by_uncertainty(
    foresight: &Foresight,
    tolerance: &Tolerance,
    plan: &Plan,
    rig: &Rig,
    assuming: Option<Assumption>,
) -> String {
    let assuming = assuming_words(assuming);
    let dimension = tolerance.result.dimension();
    let said = |value: f64| quantity(value, Some(value / 2.0), dimension);
    let expanded = foresight.expanded.unwrap_or(0.0);
    let most = foresight.limited_by.map(|(source, reach)| {
        (
            source_words(source, dimension, &rig.bounds),
            said(reach),
            source,
        )
    });
    let wanted = tolerance_words(&tolerance.allow);
    if foresight.decides == Some(false) {
        let mut sentence = format!(
            "this rig cannot decide {wanted}, because it knows the result to \u{b1}{} at best{assuming}",
            said(expanded)
        );
        if let Some((source, reach, kind)) = most {
            let cure = match kind {
                UncertaintySource::Readings | UncertaintySource::OffCurve => {
                    "listen longer or more often, or widen the tolerance"
                }
                _ => "calibrate the rig or widen the tolerance",
            };
            let verb = match kind {
                UncertaintySource::CvSteps => "make",
                _ => "makes",
            };
            sentence += &format!("; {source} alone {verb} \u{b1}{reach}; {cure}");
        }
        return sentence;
    }
    let mut sentence = format!(
        "this rig can decide {wanted}{assuming}: it knows the result to \u{b1}{}",
        said(expanded)
    );
    if plan.decision.guard_band == 0.0 {
        sentence += "; the plan judges by the value alone, without a guard band";
    } else if let Some((from, to)) = foresight.undecided {
        let u = Some(expanded / 2.0);
        let from = match dimension {
            Dimension::Duration | Dimension::Fraction => quantity(from, u, dimension),
            _ => number_within(from, u),
        };
        let to = quantity(to, u, dimension);
        let either_way = match tolerance.allow {
            Allow::Within(_) if has_sign(tolerance.result) => ", either way,",
            _ => "",
        };
        if from != to {
            sentence +=
                &format!(", and leaves a unit between {from} and {to}{either_way} undecided");
        }
    }
    if let Some((source, _, _)) = most {
        sentence += &format!("; most of that is {source}");
    }
    sentence
}
