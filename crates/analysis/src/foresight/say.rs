//! What is foreseen, in words.

use super::{Foresight, Source, has_least};
use crate::words::{number, quantity};
use model::document::plan::{Allow, Decision, Tolerance};
use model::document::rig::Bounds;
use model::quantity::Dimension;

/// A source in words, with its bound, and whether that is the usual one.
fn source_words(source: Source, dimension: Dimension, bounds: &Bounds) -> String {
    let usual = Bounds::default();
    let (what, bound, is_usual) = match source {
        Source::CvGain => (
            "the gain of its control voltage",
            bounds.cv_gain.to_string(),
            bounds.cv_gain == usual.cv_gain,
        ),
        Source::CvOffset => (
            "the offset of its control voltage",
            bounds.cv_offset.to_string(),
            bounds.cv_offset == usual.cv_offset,
        ),
        Source::CvSteps => (
            "the steps of its control voltage",
            bounds.cv_step.to_string(),
            bounds.cv_step == usual.cv_step,
        ),
        Source::CvDrift => (
            "the drift of its control voltage",
            format!("{}, {}", bounds.cv_gain_drift, bounds.cv_offset_drift),
            bounds.cv_gain_drift == usual.cv_gain_drift
                && bounds.cv_offset_drift == usual.cv_offset_drift,
        ),
        Source::Loading => (
            "the loading of its control voltage",
            bounds.cv_output_resistance.to_string(),
            bounds.cv_output_resistance == usual.cv_output_resistance,
        ),
        Source::Session => (
            "the gain of its control voltage from session to session",
            bounds.cv_session.to_string(),
            bounds.cv_session == usual.cv_session,
        ),
        Source::Thermometer => (
            "its thermometer",
            bounds.thermometer.to_string(),
            bounds.thermometer == usual.thermometer,
        ),
        Source::SampleClock => (
            "its sample clock",
            bounds.sample_clock.to_string(),
            bounds.sample_clock == usual.sample_clock,
        ),
        // A time lies between two rounds, or two windows.
        Source::Readings | Source::OffCurve if dimension == Dimension::Duration => {
            return "the time from one listen to the next".to_owned();
        }
        Source::Readings | Source::OffCurve => return "the noise of the readings".to_owned(),
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

/// The sentence of a tolerance that can be decided, or not, behind the name of the
/// result. `assuming` is what must happen besides.
pub(super) fn sentence(
    foresight: &Foresight,
    tolerance: &Tolerance,
    decision: &Decision,
    bounds: &Bounds,
    assuming: Option<&str>,
) -> String {
    let dimension = tolerance.result.dimension();
    let said = |value: f64| quantity(value, Some(value / 2.0), dimension);
    let expanded = foresight.expanded.unwrap_or(0.0);
    let most = foresight
        .limited_by
        .map(|(source, reach)| (source_words(source, dimension, bounds), said(reach), source));
    let wanted = tolerance_words(&tolerance.allow);
    let assuming = assuming.map_or_else(String::new, |assuming| format!(", {assuming}"));
    if foresight.decides == Some(false) {
        let mut sentence = format!(
            "this rig cannot decide {wanted}, because it knows the result to \u{b1}{} at best{assuming}",
            said(expanded)
        );
        if let Some((source, reach, kind)) = most {
            let cure = match kind {
                Source::Readings | Source::OffCurve => {
                    "listen longer or more often, or widen the tolerance"
                }
                _ => "calibrate the rig or widen the tolerance",
            };
            let verb = match kind {
                Source::CvSteps => "make",
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
    if decision.guard_band == 0.0 {
        sentence += "; the plan judges by the value alone, without a guard band";
    } else if let Some((from, to)) = foresight.undecided {
        let u = Some(expanded / 2.0);
        let from = match dimension {
            Dimension::Duration | Dimension::Fraction => quantity(from, u, dimension),
            _ => number(from, u),
        };
        let to = quantity(to, u, dimension);
        let either_way = match tolerance.allow {
            Allow::Within(_) if !has_least(tolerance.result) => ", either way,",
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
