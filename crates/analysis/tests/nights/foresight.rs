//! What a rig can decide is known before the night, and holds in it.

use crate::night::{NIGHT, outcome, plan, play, rig};
use analysis::{Foreseen, Foresight, Source, analyse, foresee};
use model::result::ResultName;

const SCALE: &str = "{result: scale_error, of: night, allow: {within: 1 cent/oct}}";
/// A rig nobody has calibrated: the defaults, written out.
const UNCALIBRATED: &str = "sample_clock: 100 ppm, cv_gain: 1 %, cv_offset: 20 mV, cv_step: 5 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K";
/// A rig with certificates.
const CALIBRATED: &str = "sample_clock: 30 ppm, cv_gain: 0.03 %, cv_offset: 2 mV, cv_step: 0.25 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K";

fn first(bounds: &str, tolerance: &str) -> Foresight {
    foresee(&plan(NIGHT, tolerance), &rig(bounds)).remove(0)
}

#[test]
fn an_uncalibrated_rig_cannot_decide_one_cent_per_octave() {
    let foresight = first(UNCALIBRATED, SCALE);
    assert_eq!(foresight.decides, Some(false));
    let (source, alone) = foresight.limited_by.unwrap();
    assert_eq!(source, Source::CvGain);
    // 1 % of 1200 cents per octave: an interval must hold at the edges of a limit.
    assert!((alone - 12.0).abs() < 0.3, "{foresight:?}");
    assert_eq!(foresight.because, Foreseen::Uncertainty { assuming: None });
}

#[test]
fn a_calibrated_rig_can_and_says_where_it_stays_undecided() {
    let foresight = first(CALIBRATED, SCALE);
    assert_eq!(foresight.decides, Some(true), "{foresight:?}");
    let (from, to) = foresight.undecided.unwrap();
    assert!(0.0 < from && from < 1.0 && 1.0 < to, "{foresight:?}");
    assert!((to - 1.0 - foresight.expanded.unwrap()).abs() < 0.1);
}

#[test]
fn a_wider_bound_never_makes_a_result_surer() {
    for tolerance in [
        SCALE,
        "{result: error_left_after_retuning, of: night, allow: {at_most: 5 cents}}",
        "{result: error_left_after_trimming, of: night, allow: {at_most: 5 cents}}",
        "{result: two_note_slope, of: night, allow: {within: 2 cents/oct}}",
    ] {
        let mut last = 0.0;
        for gain in ["0.01", "0.03", "0.1", "0.3", "1"] {
            let bounds = format!(
                "sample_clock: 0 ppm, cv_gain: {gain} %, cv_offset: 1 mV, cv_step: 0.1 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K"
            );
            let expanded = first(&bounds, tolerance).expanded.unwrap();
            // An end of the interval is known to some 4 % from so many draws, each time.
            assert!(
                expanded > last * 0.88,
                "{tolerance} {gain}: {expanded} {last}"
            );
            last = expanded;
        }
    }
}

#[test]
fn a_night_on_that_rig_is_as_uncertain_as_foreseen() {
    let plan = plan(NIGHT, SCALE);
    let rig = rig(CALIBRATED);
    let foreseen = foresee(&plan, &rig).remove(0).expanded.unwrap();
    let record = play(&plan, 0.03, 5, |slot, random| {
        0.4 * slot.x + 8.0 * (-slot.t / 900.0).exp() + 0.03 * random.normal()
    });
    let analysis = analyse(&plan, &rig, &record);
    let scale = outcome(&analysis, "night", ResultName::ScaleError);
    let half = (scale.high().unwrap() - scale.low().unwrap()) / 2.0;
    assert!((half / foreseen - 1.0).abs() < 0.3, "{half} {foreseen}");
}

#[test]
fn a_result_the_plan_does_not_give_is_said_beforehand() {
    let short = "
  - power_on
  - rounds: {name: night, notes: {list: [C4, C5]}, every: 1 min, for: 30 min}";
    let foresight = foresee(&plan(short, SCALE), &rig(CALIBRATED)).remove(0);
    assert_eq!(foresight.decides, None);
    assert_eq!(foresight.expanded, None);
    assert!(
        matches!(
            foresight.because,
            Foreseen::NotDetermined {
                at_limit: false,
                why_not: Some(_)
            }
        ),
        "{foresight:?}"
    );
}

/// With simple acceptance everything can be decided.
#[test]
fn simple_acceptance_decides() {
    let mut plan = plan(NIGHT, SCALE);
    plan.decision.guard_band = 0.0;
    let foresight = foresee(&plan, &rig(UNCALIBRATED)).remove(0);
    assert_eq!(foresight.decides, Some(true));
}
