//! Known units are found as they are.

use crate::night::{NIGHT, Random, Slot, analysed, outcome, plan, play, rig};
use analysis::analyse;
use model::document::plan::Plan;
use model::result::{NotDetermined, ResultName, Term};

/// A unit of the tracking model itself, u being the frequency ratio that is heard.
pub fn unit(a: f64, b: f64, c: f64, d: f64, x: f64) -> f64 {
    let mut e = a + b * x;
    for _ in 0..50 {
        let u = (x + (e - a) / 1200.0).exp2();
        e = a + b * x + c * (u - 1.0) + d * (1.0 / u - 1.0);
    }
    e
}

fn sweep(order: &str) -> Plan {
    plan(
        &format!(
            "  - sweep: {{name: fine, notes: {{range: {{from: C2, to: C7, step: 100 cents}}}}, order: {order}}}"
        ),
        "",
    )
}

#[test]
fn exact_coefficients_come_back() {
    let plan = plan(NIGHT, "");
    // 8.4 cents of droop at C7, three octaves above the reference: c = -1.2.
    let record = play(&plan, 0.01, 1, |slot, _| unit(12.0, 3.5, -1.2, 0.0, slot.x));
    let analysis = analysed(&plan, &record);
    let scale = outcome(&analysis, "night", ResultName::ScaleError);
    assert!((scale.value().unwrap() - 3.5).abs() < 1e-6, "{scale:?}");
    let high = outcome(&analysis, "night", ResultName::HighEnd);
    assert!((high.value().unwrap() + 1.2 * 7.0).abs() < 0.1, "{high:?}");
    let top = unit(12.0, 3.5, -1.2, 0.0, 3.0) - (12.0 + 3.5 * 3.0);
    assert!((high.value().unwrap() - top).abs() < 1e-6, "{high:?}");
    // C2 to C4 is two octaves.
    let slope = (unit(12.0, 3.5, -1.2, 0.0, 0.0) - unit(12.0, 3.5, -1.2, 0.0, -2.0)) / 2.0;
    let two = outcome(&analysis, "night", ResultName::TwoNoteSlope);
    assert!((two.value().unwrap() - slope).abs() < 1e-6, "{two:?}");
    // Nothing moves.
    assert!(
        outcome(&analysis, "night", ResultName::Excursion)
            .value()
            .unwrap()
            < 1e-6
    );
    assert!(
        outcome(&analysis, "night", ResultName::DriftRate)
            .value()
            .unwrap()
            .abs()
            < 1e-6
    );
    // Trimming cures the slope and leaves the droop, retuning leaves both.
    let e: Vec<f64> = (-2..=3)
        .map(|x| unit(12.0, 3.5, -1.2, 0.0, f64::from(x)))
        .collect();
    let spread = |b: f64| {
        let off = e.iter().zip(-2..).map(|(e, x)| e - b * f64::from(x));
        let (low, high) = off.fold((f64::MAX, f64::MIN), |(low, high), v| {
            (low.min(v), high.max(v))
        });
        (high - low) / 2.0
    };
    let retuned = outcome(&analysis, "night", ResultName::ErrorLeftAfterRetuning);
    assert!(
        (retuned.value().unwrap() - spread(0.0)).abs() < 0.01,
        "{retuned:?}"
    );
    let best = (0..10_000)
        .map(|step| spread(f64::from(step) * 1e-3))
        .fold(f64::MAX, f64::min);
    let trimmed = outcome(&analysis, "night", ResultName::ErrorLeftAfterTrimming);
    assert!(
        (trimmed.value().unwrap() - best).abs() < 0.01,
        "{trimmed:?}"
    );
}

#[test]
fn leakage_at_the_bottom_is_told_from_slope_over_six_octaves() {
    let plan = plan(
        "  - rounds: {name: wide, notes: {list: [C4, C1, C2, C3, C5, C6, C7, C4]}, every: 2 min, for: 40 min}",
        "",
    );
    let record = play(&plan, 0.02, 2, |slot, random| {
        unit(0.0, 1.0, -0.5, 1.5, slot.x) + 0.02 * random.normal()
    });
    let scale = analysed(&plan, &record);
    let scale = outcome(&scale, "wide", ResultName::ScaleError);
    assert!((scale.value().unwrap() - 1.0).abs() < 0.06, "{scale:?}");
}

#[test]
fn a_short_span_has_a_mean_slope_only_and_says_so() {
    let plan = plan(
        "  - sweep: {name: fine, notes: {range: {from: C3, to: C6, step: 400 cents}}}",
        "",
    );
    let record = play(&plan, 0.01, 1, |slot, _| 2.0 * slot.x);
    let analysis = analysed(&plan, &record);
    let scale = outcome(&analysis, "fine", ResultName::ScaleError);
    assert_eq!(scale.value(), None);
    assert!(
        matches!(
            scale.why_not(),
            Some(NotDetermined::TooFewNotes {
                to_tell: Term::HighEnd,
                ..
            })
        ),
        "{scale:?}"
    );
    let mean = outcome(&analysis, "fine", ResultName::MeanSlope);
    assert!((mean.value().unwrap() - 2.0).abs() < 1e-6);
}

/// Drift of 20 cents an hour-constant in the first minutes: in time order
/// C4 C2 C3 C5 C6 C7 it looks like a slope of several cents per octave.
#[test]
fn drift_within_the_round_is_no_scale_error() {
    let plan = plan(NIGHT, "");
    let cents = |slot: &Slot, _: &mut Random| 20.0 * (1.0 - (-slot.t / 600.0).exp());
    let record = play(&plan, 0.01, 1, cents);
    let analysis = analysed(&plan, &record);
    let curve = analysis.stages[0].units[0]
        .curves
        .iter()
        .find(|curve| curve.name == ResultName::ScaleError)
        .unwrap();
    // Left alone it would be 0.9 cents over half a minute and more than two octaves.
    for (t, b, _) in &curve.points {
        assert!(b.abs() < 0.03, "{b} at {t}");
    }
}

#[test]
fn a_slope_that_moves_while_the_round_is_played_is_no_high_end() {
    let plan = plan(NIGHT, "");
    let record = play(&plan, 0.01, 1, |slot, _| {
        5.0 * (-slot.t / 600.0).exp() * slot.x
    });
    let analysis = analysed(&plan, &record);
    let curve = analysis.stages[0].units[0]
        .curves
        .iter()
        .find(|curve| curve.name == ResultName::HighEnd)
        .unwrap();
    for (t, high, _) in &curve.points[1..29] {
        assert!(high.abs() < 0.02, "{high} at {t}");
    }
}

/// A perfect unit with noise of 0.5 cents on 61 notes: the raw largest deviation
/// would be 1.17 cents after the best offset (by simulation).
#[test]
fn noise_on_many_notes_is_no_error() {
    let plan = sweep("as_written");
    let (mut sum, mut held) = (0.0, 0);
    let nights = 60;
    for seed in 0..nights {
        let record = play(&plan, 0.5, seed, |_, random| 0.5 * random.normal());
        let analysis = analysed(&plan, &record);
        let left = outcome(&analysis, "fine", ResultName::ErrorLeftAfterRetuning);
        sum += left.value().unwrap();
        held += u64::from(left.low().unwrap() <= 0.01);
    }
    let mean = sum / nights as f64;
    assert!(mean < 0.2, "{mean}");
    assert!(held >= nights * 93 / 100, "{held}");
}

#[test]
fn the_gain_of_the_rig_goes_into_the_slope_and_its_offset_does_not() {
    let plan = plan(NIGHT, "");
    let record = play(&plan, 0.01, 1, |slot, random| {
        slot.x + 0.01 * random.normal()
    });
    let gain = analyse(
        &plan,
        &rig(
            "sample_clock: 100 ppm, cv_gain: 0.5 %, cv_offset: 0 mV, cv_step: 0 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K",
        ),
        &record,
    );
    let scale = outcome(&gain, "night", ResultName::ScaleError);
    // 0.5 % of 1200 cents per octave, rectangular: 6 / sqrt(3) (GUM 4.3.7); the interval
    // must hold at the edges of the limit.
    assert!(
        (scale.u().unwrap() - 6.0 / 3f64.sqrt()).abs() < 0.01,
        "{scale:?}"
    );
    assert!(
        (scale.high().unwrap() - scale.value().unwrap() - 6.0).abs() < 0.1,
        "{scale:?}"
    );
    let trimmed = outcome(&gain, "night", ResultName::ErrorLeftAfterTrimming);
    assert!(
        trimmed.high().unwrap() < 0.1,
        "trimming cures the rig's gain too: {trimmed:?}"
    );

    let offset = analyse(
        &plan,
        &rig(
            "sample_clock: 100 ppm, cv_gain: 0 %, cv_offset: 50 mV, cv_step: 0 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K",
        ),
        &record,
    );
    for name in [
        ResultName::ScaleError,
        ResultName::ErrorLeftAfterRetuning,
        ResultName::ErrorAfterOneTuning,
    ] {
        let result = outcome(&offset, "night", name);
        assert!(result.u().unwrap() < 0.02, "{result:?}");
    }

    // Steps act on the slope like noise that does not average: 0.56 s over five
    // octaves in octave steps (measured on this model by simulation).
    let steps = analyse(
        &plan,
        &rig(
            "sample_clock: 0 ppm, cv_gain: 0 %, cv_offset: 0 mV, cv_step: 1 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K",
        ),
        &record,
    );
    let scale = outcome(&steps, "night", ResultName::ScaleError);
    let ratio = scale.u().unwrap() / (1.2 / 3f64.sqrt());
    assert!((0.45..0.7).contains(&ratio), "{ratio}");
}

#[test]
fn the_range_switch_is_taken_out_and_the_residue_given_back() {
    use model::quantity::VoltDifference;
    let plan = plan(NIGHT, "");
    let mut record = play(&plan, 0.01, 1, |slot, _| -2400.0 + 7.0 + 0.5 * slot.x);
    // The sender fell short by 1 mV at every reading: 1.2 cents of the deviation are its own.
    for reading in &mut record.readings {
        reading.residue = VoltDifference::of(1e-3);
    }
    let analysis = analysed(&plan, &record);
    let unit = &analysis.stages[1].units[0];
    assert_eq!(unit.octaves, -2);
    let c4 = unit.notes.iter().find(|note| note.name == "C4").unwrap();
    assert!(
        (c4.points[0].as_played - 8.2).abs() < 1e-9,
        "{:?}",
        c4.points[0]
    );
    assert!(
        c4.points
            .iter()
            .all(|point| point.retuned.unwrap().abs() < 1e-9)
    );
    let profile: Vec<f64> = unit.profile.iter().map(|point| point.cents).collect();
    assert_eq!(profile.len(), 6);
    assert!(
        (profile[5] - 1.5).abs() < 1e-9 && (profile[0] + 1.0).abs() < 1e-9,
        "{profile:?}"
    );
}

#[test]
fn an_analysis_is_the_same_every_time() {
    let plan = plan(NIGHT, "");
    let record = play(&plan, 0.05, 3, |slot, random| {
        0.3 * slot.x + 0.05 * random.normal()
    });
    let default = rig("");
    assert_eq!(
        analyse(&plan, &default, &record),
        analyse(&plan, &default, &record)
    );
}
