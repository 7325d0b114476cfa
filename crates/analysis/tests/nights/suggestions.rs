//! Suggestions: a short form of `cargo run --release -p analysis --example faults`,
//! and what must not be said too surely.

use crate::night::{EXACT, NIGHT, plan, play, rig};
use crate::shelf::{Answer, Kind, night};
use crate::truth::unit;
use analysis::{analyse, suggest};
use model::result::{Doubt, Seen, SuggestionKind};

/// Those of which often nothing is said: no cause of these can be told from readings
/// alone, or the list of incidents has it already.
const OFTEN_SILENT: [Kind; 15] = [
    Kind::NoisyPot,
    Kind::HumBends,
    Kind::SlowWarmUp,
    Kind::InterfaceOffset,
    Kind::InterfaceWarms,
    Kind::LoadedPair,
    Kind::RangeSwitch,
    Kind::DeadUnit,
    Kind::RoomSwings,
    Kind::RoomWanders,
    Kind::SupplyDips,
    Kind::NotPlayed,
    Kind::Clipped,
    Kind::CaptureLost,
    Kind::CablesSwapped,
];

/// The middle strength of each kind, and pairs: right where something can be said, else
/// silent, and at most three in a hundred wrong.
#[test]
fn suggestions_are_right_or_none() {
    let (mut wrong, mut all) = (Vec::new(), 0);
    let mut judge = |kinds: &[(Kind, usize)], seed| {
        let (found, answer) = night(kinds, seed).judged();
        all += 1;
        if answer == Answer::Wrong {
            wrong.push(format!("{kinds:?} {seed}: {found:?}"));
        }
        answer
    };
    for (place, kind) in Kind::ALL.into_iter().enumerate() {
        let answers = [101, 104].map(|seed| judge(&[(kind, 1)], seed));
        let told = answers.contains(&Answer::Right) || OFTEN_SILENT.contains(&kind);
        assert!(told, "{kind:?}: {answers:?}");
        let other = Kind::ALL[(place + 19) % Kind::ALL.len()];
        judge(&[(kind, 1), (other, 1)], 200 + place as u64);
    }
    assert!(100 * wrong.len() <= 3 * all, "{all} {wrong:#?}");
}

#[test]
fn a_healthy_shelf_gets_none() {
    for seed in 101..109 {
        let (found, _) = night(&[], seed).judged();
        assert!(found.is_empty(), "{seed}: {found:?}");
    }
}

/// A contact that fails for forty minutes is told with its time, and nothing is made of the
/// readings meanwhile.
#[test]
fn a_contact_is_told_with_its_times() {
    let (found, _) = night(&[(Kind::ContactLong, 1)], 101).judged();
    let [one] = &found[..] else {
        panic!("{found:?}");
    };
    assert_eq!(one.kind, SuggestionKind::IntermittentContact);
    let Seen::OffCourse { times, seconds, .. } = one.seen else {
        panic!("{one:?}");
    };
    assert_eq!(times, 1);
    assert!((1500.0..3000.0).contains(&seconds), "{seconds}");
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
    assert!(matches!(first.doubt, Some(Doubt::Leak { .. })), "{first:?}");
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
