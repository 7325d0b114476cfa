//! What limits a result, by source.

use crate::night::{NIGHT, outcome, plan, play, rig};
use analysis::analyse;
use model::result::{Outcome, ResultName, UncertaintySource};

/// A rig with one bound of a size, all others nought.
fn alone(bound: &str) -> String {
    let none = [
        ("sample_clock", "0 ppm"),
        ("cv_gain", "0 %"),
        ("cv_offset", "0 mV"),
        ("cv_step", "0 mV"),
        ("cv_gain_drift", "0 %"),
        ("cv_offset_drift", "0 mV"),
        ("cv_output_resistance", "0 ohm"),
        ("cv_session", "0 %"),
        ("thermometer", "0 K"),
    ];
    let key = bound.split(':').next().unwrap_or_default();
    let rest = none
        .iter()
        .filter(|(other, _)| *other != key)
        .map(|(key, none)| format!("{key}: {none}"));
    rest.chain([bound.to_owned()])
        .collect::<Vec<_>>()
        .join(", ")
}

fn found(bounds: &str, name: ResultName) -> Outcome {
    let plan = plan(NIGHT, "");
    let record = play(&plan, 0.02, 3, |slot, random| {
        slot.x + 12.0 * (-slot.t / 600.0).exp() + 0.02 * random.normal()
    });
    let analysis = analyse(&plan, &rig(bounds), &record);
    outcome(&analysis, "night", name).clone()
}

fn part(outcome: &Outcome, source: UncertaintySource) -> f64 {
    outcome
        .budget
        .iter()
        .find(|part| part.source == source)
        .map_or(0.0, |part| part.u)
}

/// A gain, a load and a change from session to session all act as a slope: a limit
/// of g is 1200 g / sqrt(3) cents per octave (GUM 4.3.7).
#[test]
fn what_acts_as_a_gain_is_told_by_its_source() {
    for (bound, source, gain) in [
        ("cv_gain: 0.5 %", UncertaintySource::CvGain, 0.005),
        ("cv_session: 0.2 %", UncertaintySource::Session, 0.002),
        // 1 kilohm into one input of 100 kilohm.
        (
            "cv_output_resistance: 1 kohm",
            UncertaintySource::Loading,
            1.0 / 101.0,
        ),
        ("cv_gain_drift: 0.1 %", UncertaintySource::CvDrift, 0.001),
    ] {
        let scale = found(&alone(bound), ResultName::ScaleError);
        let expected = 1200.0 * gain / 3f64.sqrt();
        let u = part(&scale, source);
        assert!((u / expected - 1.0).abs() < 0.01, "{bound}: {u} {expected}");
        assert_eq!(scale.budget[0].source, source, "{scale:?}");
        let all: f64 = scale.budget.iter().map(|part| part.share).sum();
        assert!((all - 1.0).abs() < 0.01, "{scale:?}");
        let u: f64 = scale.budget.iter().map(|part| part.u * part.u).sum();
        assert!(
            (u.sqrt() / scale.u().unwrap() - 1.0).abs() < 0.01,
            "{scale:?}"
        );
    }
}

#[test]
fn an_offset_cancels_and_its_drift_does_not() {
    let left = found(&alone("cv_offset: 20 mV"), ResultName::Excursion);
    assert!(part(&left, UncertaintySource::CvOffset) < 1e-6, "{left:?}");
    let moved = found(&alone("cv_offset_drift: 2 mV"), ResultName::Excursion);
    assert!(part(&moved, UncertaintySource::CvDrift) > 0.2, "{moved:?}");
    let rate = found(&alone("cv_offset_drift: 2 mV"), ResultName::DriftRate);
    // 2.4 cents over less than eight hours and a half.
    let least = 2.4 / 3f64.sqrt() / 8.5;
    assert!(rate.u().unwrap() > least, "{rate:?}");
    assert_eq!(
        rate.budget[0].source,
        UncertaintySource::CvDrift,
        "{rate:?}"
    );
}

#[test]
fn a_rig_without_errors_leaves_the_readings() {
    for name in [
        ResultName::ScaleError,
        ResultName::WarmUpTime,
        ResultName::ErrorLeftAfterTrimming,
        ResultName::Repeatability,
    ] {
        let found = found(&alone("cv_gain: 0 %"), name);
        assert_eq!(found.budget.len(), 1, "{found:?}");
        assert_eq!(found.budget[0].source, UncertaintySource::Readings);
        assert!((found.budget[0].share - 1.0).abs() < 1e-9);
    }
}

#[test]
fn the_parts_add_up_to_what_is_stated() {
    // Of a unit whose octaves beat nearly alike, and of a maximum, too.
    let plan = plan(NIGHT, "");
    let record = play(&plan, 0.02, 3, |slot, random| {
        30.0 * (1.0 - (-slot.x).exp2()) / 16.0 + 0.02 * random.normal()
    });
    let bounds = "cv_gain: 0.03 %, cv_offset: 2 mV, cv_step: 0.25 mV, cv_gain_drift: 50 ppm, cv_offset_drift: 0.1 mV, cv_output_resistance: 10 ohm, cv_session: 20 ppm";
    let analysis = analyse(&plan, &rig(bounds), &record);
    let mut some = 0;
    for outcome in &analysis.outcomes {
        let sum: f64 = outcome.budget.iter().map(|part| part.u * part.u).sum();
        if let (Some(u), true) = (outcome.u(), sum > 0.0) {
            assert!((sum.sqrt() / u - 1.0).abs() < 0.005, "{outcome:?}");
            some += 1;
        }
    }
    assert!(some > 20, "{some}");
}
