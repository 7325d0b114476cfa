//! Both ends of a scale, single notes off it, and the other control law.

use crate::night::{EXACT, analysed, outcome, plan, play, rig};
use analysis::analyse;
use model::document::plan::Plan;
use model::document::read_rig;
use model::document::rig::Rig;
use model::pitch::ControlLaw;
use model::record::{Flag, Measured, RunRecord, State};
use model::result::{Basis, Finding, LeftOut, NotDetermined, ResultName, SuggestionKind, Trimmer};

const WIDE: &str = "
  - rounds: {name: wide, notes: {list: [C4, C1, C2, C3, C5, C6, C7, C4]}, every: 2 min, for: 40 min}";

#[test]
fn a_leak_of_any_size_is_found_as_it_is() {
    // A current that leaks is a frequency that all notes miss: at C1, three octaves
    // below the reference, k of the reference note's current is 8 k of its own.
    let plan = plan(WIDE, "");
    for k in [-0.0008f64, -0.004, -0.02, 0.01] {
        let truth = |x: f64| 1200.0 * (1.0 + k / x.exp2()).log2();
        let record = play(&plan, 0.02, 2, |slot, random| {
            3.0 + truth(slot.x) + 0.01 * random.normal()
        });
        let analysis = analysed(&plan, &record);
        let low = outcome(&analysis, "wide", ResultName::LowEnd);
        let expected = truth(-3.0) - truth(0.0);
        let value = low.value().unwrap_or_else(|| panic!("{low:?}"));
        let u = low.u().unwrap();
        assert!(
            u < 0.08 && (value - expected).abs() < 3.0 * u,
            "{k}: {expected} {low:?}"
        );
        // It is not taken for a slope, nor for notes off the curve.
        let scale = outcome(&analysis, "wide", ResultName::ScaleError);
        assert!(scale.value().unwrap().abs() < 0.03, "{k}: {scale:?}");
        let linearity = outcome(&analysis, "wide", ResultName::LinearityError);
        assert!(linearity.value().unwrap() < 0.03, "{k}: {linearity:?}");
    }
}

/// What is missing of several notes is not for want of playing them.
#[test]
fn one_note_that_counts_is_not_one_note_that_was_played() {
    let why_not = |name: ResultName, plan: &Plan, record: &RunRecord| {
        let analysis = analysed(plan, record);
        let found = outcome(&analysis, "wide", name);
        found
            .why_not()
            .cloned()
            .unwrap_or_else(|| panic!("{found:?}"))
    };
    let several = plan(WIDE, "");
    let heard = play(&several, 0.02, 1, |_, random| 0.02 * random.normal());
    let reference = heard.readings[0].asked;
    let others = |change: fn(&mut Measured)| {
        let mut record = heard.clone();
        let others = record.readings.iter_mut().filter(|r| r.asked != reference);
        others.for_each(|reading| change(&mut reading.measured));
        record
    };
    let silent = others(|measured| measured.state = State::Silent);
    let flagged = others(|measured| measured.flags = [Flag::Xrun].into_iter().collect());
    let one = plan(
        &WIDE.replace("[C4, C1, C2, C3, C5, C6, C7, C4]", "[C4]"),
        "",
    );
    let alone = play(&one, 0.02, 1, |_, random| 0.02 * random.normal());
    for name in [
        ResultName::ScaleError,
        ResultName::MeanSlope,
        ResultName::TwoNoteSlope,
        ResultName::LinearityError,
        ResultName::ErrorLeftAfterRetuning,
        ResultName::ReadyAfter,
        ResultName::ScaleTemperatureCoefficient,
    ] {
        for (record, left_out) in [
            (&silent, LeftOut::State(State::Silent)),
            (&flagged, LeftOut::LostSamples),
        ] {
            let NotDetermined::OneNote {
                played: 7,
                left_out: said,
                ..
            } = why_not(name, &several, record)
            else {
                panic!("{name}");
            };
            assert_eq!(said.get(&left_out), Some(&120), "{name}: {said:?}");
        }
        let said = why_not(name, &one, &alone);
        assert!(
            matches!(said, NotDetermined::OneNote { played: 1, .. }),
            "{name}: {said:?}"
        );
    }
}

#[test]
fn a_leak_over_too_short_a_span_is_not_taken_for_a_slope() {
    // From C2 a leak bends the lowest notes by ten cents, and a curve without a low end
    // makes a slope of 4 cents per octave and a droop of it.
    let plan = plan(
        "  - sweep: {name: fine, notes: {range: {from: C2, to: C7, step: 300 cents}}, order: up_then_down}",
        "{result: scale_error, of: fine, allow: {within: 1 cent/oct}},
         {result: high_end, of: fine, allow: {within: 5 cents}}",
    );
    let heard = |k: f64| {
        let record = play(&plan, 0.05, 6, |slot, random| {
            1200.0 * (1.0 + k / slot.x.exp2()).log2() + 0.3 * slot.x + 0.05 * random.normal()
        });
        analyse(&plan, &rig("cv_step: 0.25 mV, cv_gain: 0.03 %"), &record)
    };
    let leaking = heard(-0.002);
    for (name, verdict) in [ResultName::ScaleError, ResultName::HighEnd]
        .into_iter()
        .zip(&leaking.verdicts)
    {
        let found = outcome(&leaking, "fine", name);
        assert!(
            matches!(found.why_not(), Some(NotDetermined::HidesLowEnd { .. })),
            "{found:?}"
        );
        assert_eq!(verdict.finding, Finding::Undecided, "{:?}", verdict.because);
    }
    let causes: Vec<_> = leaking.suggestions.iter().map(|s| s.kind).collect();
    assert_eq!(causes, [SuggestionKind::LeakageAtTheBottom]);
    // Without one they are stated.
    let sound = heard(0.0);
    let scale = outcome(&sound, "fine", ResultName::ScaleError);
    assert!((scale.value().unwrap() - 0.3).abs() < 0.2, "{scale:?}");
}

#[test]
fn a_low_end_that_does_not_stand_out_is_not_claimed() {
    // What it may be all the same is a tenth of a cent or so: enough to decide by.
    let plan = plan(
        WIDE,
        "{result: low_end, of: wide, allow: {within: 1 cent}}, {result: low_end, of: wide, allow: {within: 0.01 cents}}, {result: low_end, of: wide, allow: {at_least: 2 cents}}",
    );
    let record = play(&plan, 0.05, 3, |_, random| 0.05 * random.normal());
    let analysis = analysed(&plan, &record);
    let low = outcome(&analysis, "wide", ResultName::LowEnd);
    assert_eq!(low.why_not(), Some(&NotDetermined::NoneStandsOut));
    let (least, most) = (low.low().unwrap(), low.high().unwrap());
    assert!(low.value().is_none() && least < 0.0 && most > 0.0 && most - least < 0.6);
    let found: Vec<Finding> = analysis.verdicts.iter().map(|v| v.finding).collect();
    let expected = [Finding::Pass, Finding::Undecided, Finding::Fail];
    assert_eq!(found, expected, "{:?}", analysis.verdicts);
    let outside: Vec<f64> = analysis.verdicts.iter().flat_map(|v| v.outside).collect();
    assert!(
        outside[0] < 0.01 && outside[1] > 0.5 && outside[2] > 0.99,
        "{outside:?}"
    );
}

#[test]
fn the_note_that_is_off_is_named_and_noise_is_not_taken_for_one() {
    let plan = plan(WIDE, "");
    let off = |amount: f64| {
        let record = play(&plan, 0.1, 4, |slot, random| {
            2.0 * slot.x + 0.1 * random.normal() + if slot.x == 1.0 { amount } else { 0.0 }
        });
        analysed(&plan, &record)
    };
    let with = off(2.0);
    let found = outcome(&with, "wide", ResultName::LinearityError);
    assert!(
        matches!(
            &found.basis,
            Some(Basis::LinearityError { note, cents, .. }) if note == "C5" && *cents > 0.0
        ),
        "{found:?}"
    );
    // The curve takes some of it: what is left is certain all the same.
    assert!(
        found.low().unwrap() > 0.5 && found.value().unwrap() < 2.0,
        "{found:?}"
    );
    let without = off(0.0);
    let found = outcome(&without, "wide", ResultName::LinearityError);
    assert!(
        found.low().unwrap() < 0.02 && found.value().unwrap() < 0.06,
        "{found:?}"
    );
}

/// A unit of hertz per volt: C4 at 2 V.
fn linear_rig() -> Rig {
    let text = format!(
        r#"
nightbench: rig 1
name: test
wiring:
  real:
    senders: {{keys: {{midi: {{port: keys}}}}}}
    capture: {{device: input, rate: 48 kHz, channels: 2}}
positions:
  left:
    cv: {{sender: keys, channel: 1, law: {{hertz_per_volt: {{gain: 130.8127826503 Hz/V}}}}, safe: {{from: 0 V, to: 17 V}}}}
    input: 1
bounds: {{{EXACT}}}
"#
    );
    read_rig("rig.yaml", text.as_bytes())
        .expect("the rig reads")
        .value
}

#[test]
fn under_hertz_per_volt_an_offset_is_told_from_the_gain() {
    let rig = linear_rig();
    assert!(matches!(
        rig.positions["left"].cv.law.control_law(),
        ControlLaw::HertzPerVolt { .. }
    ));
    let plan = plan(
        "  - rounds: {name: wide, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 2 min, for: 40 min}",
        "{result: voltage_offset, of: wide, allow: {within: 1 mV}}",
    );
    // 3 mV too much, the gain 20 cents high: at C4 (2 V) 2.6 cents, at C2 10.4.
    let volts = |x: f64| 2.0 * x.exp2();
    let truth = |x: f64| 20.0 + 1200.0 * ((volts(x) + 3e-3) / volts(x)).log2();
    let record = play(&plan, 0.02, 5, |slot, random| {
        truth(slot.x) + 0.01 * random.normal()
    });
    let analysis = analyse(&plan, &rig, &record);
    let offset = outcome(&analysis, "wide", ResultName::VoltageOffset);
    assert!((offset.value().unwrap() - 3e-3).abs() < 3e-5, "{offset:?}");
    // One night in twenty lies outside its 95 % interval, and this one may.
    let off = (offset.value().unwrap() - 3e-3).abs();
    assert!(off < 3.0 * offset.u().unwrap(), "{offset:?}");
    assert!(
        offset.low().unwrap() < offset.value().unwrap(),
        "{offset:?}"
    );
    // What no gain cures, the trimmer of the offset does.
    let retuned = outcome(&analysis, "wide", ResultName::ErrorLeftAfterRetuning);
    let expected = (truth(-2.0) - truth(3.0)) / 2.0;
    assert!(
        (retuned.value().unwrap() - expected).abs() < 0.05,
        "{retuned:?} {expected}"
    );
    let trimmed = outcome(&analysis, "wide", ResultName::ErrorLeftAfterTrimming);
    assert!(trimmed.value().unwrap() < 0.1, "{trimmed:?}");
    assert!(
        matches!(
            trimmed.basis,
            Some(Basis::ErrorLeftAfterTrimming {
                trimmer: Trimmer::VoltageOffset,
                ..
            })
        ),
        "{trimmed:?}"
    );
    // There is no scale in cents per octave, and none is listed.
    let named = |name| analysis.outcomes.iter().any(|outcome| outcome.name == name);
    assert!(!named(ResultName::ScaleError) && !named(ResultName::LowEnd));
    assert_eq!(analysis.verdicts[0].finding, Finding::Fail);
}
