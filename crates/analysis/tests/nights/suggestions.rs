//! Suggestions: a short form of `cargo run --release -p analysis --example faults`,
//! and what must not be said too surely.

use crate::night::{EXACT, NIGHT, plan, play, rig};
use crate::shelf::{Fault, night};
use crate::truth::unit;
use analysis::{analyse, suggest};
use model::result::SuggestionKind;

#[test]
fn the_first_suggestion_is_right_and_a_healthy_shelf_gets_none() {
    for fault in Fault::ALL {
        for seed in [101, 102] {
            let shelf = night(fault, seed);
            let suggestions = suggest(&shelf.plan, &shelf.rig, &shelf.record);
            let first = suggestions
                .first()
                .unwrap_or_else(|| panic!("{fault:?} {seed}: nothing suggested"));
            assert_eq!(
                Some(first.kind),
                fault.expected(),
                "{seed}: {suggestions:?}"
            );
            if fault.is_one_units() {
                assert_eq!(
                    first.positions[..],
                    *std::slice::from_ref(&shelf.faulty),
                    "{fault:?} {seed}"
                );
            } else {
                assert_eq!(first.positions.len(), 4, "{fault:?} {seed}");
            }
            assert!(!first.evidence.is_empty(), "{fault:?}");
        }
    }
    for seed in 101..104 {
        let shelf = night(Fault::None, seed);
        let suggestions = suggest(&shelf.plan, &shelf.rig, &shelf.record);
        assert!(suggestions.is_empty(), "{seed}: {suggestions:?}");
    }
}

/// Without the lowest octaves a leak passes for octaves that are too wide.
#[test]
fn a_scale_error_from_c2_up_comes_with_a_word_of_doubt() {
    let plan = plan(NIGHT, "");
    let record = play(&plan, 0.02, 3, |slot, random| {
        unit(0.0, 4.0, -0.1, 0.0, slot.x) + 0.02 * random.normal()
    });
    let analysis = analyse(&plan, &rig(EXACT), &record);
    let first = &analysis.suggestions[0];
    assert_eq!(first.kind, SuggestionKind::ScaleTrimmer);
    assert!(first.doubt.as_ref().unwrap().contains("leak"), "{first:?}");
    assert!(
        first.caution.as_ref().unwrap().contains("mains"),
        "{first:?}"
    );
}

/// One unit on a rig that nobody calibrated: eight cents per octave may be the rig's.
#[test]
fn what_the_rig_may_have_done_is_not_blamed_on_the_unit() {
    let plan = plan(NIGHT, "");
    let record = play(&plan, 0.02, 3, |slot, random| {
        8.0 * slot.x + 0.02 * random.normal()
    });
    let analysis = analyse(&plan, &rig(""), &record);
    assert!(
        analysis.suggestions.is_empty(),
        "{:?}",
        analysis.suggestions
    );
}

#[test]
fn nothing_is_suggested_of_nothing() {
    let plan = plan(NIGHT, "");
    let mut record = play(&plan, 0.02, 3, |_, _| 0.0);
    assert!(suggest(&plan, &rig(EXACT), &record).is_empty());
    record.readings.truncate(5);
    assert!(suggest(&plan, &rig(EXACT), &record).is_empty());
    record.readings.clear();
    assert!(suggest(&plan, &rig(EXACT), &record).is_empty());
}
