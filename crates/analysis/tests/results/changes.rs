//! What happens when the note changes.

use crate::night::{EXACT, Random, outcome, plan, play, rig};
use crate::wandering::hold;
use analysis::{Analysis, analyse};
use model::pitch::Pitch;
use model::record::RunRecord;
use model::result::{NotDetermined, NotReached, ResultName};

const HOLD: &str =
    "  - hold: {name: arrival, note: C4, for: 30 s, hop: 20 ms, settle: {fixed: 0 s}}";

fn arrival(cents: impl Fn(f64) -> f64, before: f64) -> Analysis {
    let plan = plan(HOLD, "");
    let mut record = play(&plan, 0.1, 1, |_, _| 0.0);
    let mut random = Random::new(3);
    hold(&mut record, 0.02, 1500, 0.02, |t| {
        cents(t) + 0.02 * random.normal()
    });
    if before != 0.0 {
        // The note that was played before it.
        let mut earlier = record.traces[0].clone();
        earlier.asked = Pitch::new(before).unwrap();
        earlier.played = model::time::RunTime::START;
        earlier.at = model::time::RunTime::START;
        earlier.stage = 7;
        earlier.points.truncate(1);
        record.traces.push(earlier);
    }
    analyse(&plan, &rig(EXACT), &record)
}

#[test]
fn a_slide_settles_when_it_is_within_a_cent() {
    // From 1200 cents below with 40 ms: within a cent after 40 ms * ln 1200 = 0.284 s.
    let analysis = arrival(|t| -1200.0 * (-t / 0.04).exp(), 48.0);
    let found = outcome(&analysis, "arrival", ResultName::SettlingTime);
    assert!(
        found.low().unwrap() < 0.284 && 0.284 < found.high().unwrap(),
        "{found:?}"
    );
    assert!(
        found.high().unwrap() - found.low().unwrap() < 0.05,
        "{found:?}"
    );
    let overshoot = outcome(&analysis, "arrival", ResultName::Overshoot);
    assert!(overshoot.value().unwrap() < 0.03, "{overshoot:?}");
}

#[test]
fn a_note_that_comes_into_place_late_is_not_reached() {
    // Two cents flat for longer than a note is listened to for this.
    let analysis = arrival(|t| if t < 5.4 { -2.0 } else { 0.0 }, 48.0);
    let found = outcome(&analysis, "arrival", ResultName::SettlingTime);
    assert_eq!((found.value(), found.high()), (None, None), "{found:?}");
    assert!((found.low().unwrap() - 5.0).abs() < 0.05, "{found:?}");
    assert!(
        matches!(
            found.why_not(),
            Some(NotDetermined::NotReached(NotReached::Settled {
                band: 1.0,
                ..
            }))
        ),
        "{found:?}"
    );
}

#[test]
fn what_goes_beyond_is_an_overshoot_whichever_way_it_came() {
    let ring = |t: f64| 300.0 * (-t / 0.1).exp() * (-(t * 25.0).cos());
    for (before, sign) in [(48.0, 1.0), (72.0, -1.0)] {
        let analysis = arrival(|t| sign * ring(t), before);
        let found = outcome(&analysis, "arrival", ResultName::Overshoot);
        // The windows of 20 ms are near enough to points: the first crest.
        let crest = (0..100)
            .map(|i| ring(f64::from(i) * 0.02 + 0.01))
            .fold(0.0, f64::max);
        assert!(
            (found.value().unwrap() - crest).abs() < 0.5,
            "{crest} {found:?}"
        );
    }
    let analysis = arrival(ring, 0.0);
    let found = outcome(&analysis, "arrival", ResultName::Overshoot);
    assert_eq!(found.why_not(), Some(&NotDetermined::NoteBeforeUnknown));
}

#[test]
fn waiting_until_steady_bounds_the_settling_time() {
    let plan = plan("  - sweep: {name: fine, notes: {list: [C3, C4, C5]}}", "");
    let record = play(&plan, 0.1, 1, |_, _| 0.0);
    let analysis = analyse(&plan, &rig(EXACT), &record);
    let found = outcome(&analysis, "fine", ResultName::SettlingTime);
    // Every reading of this record begins a second after its note.
    assert_eq!(
        (found.low(), found.high()),
        (Some(0.0), Some(1.0)),
        "{found:?}"
    );
}

fn up_and_down(cents: impl Fn(f64, f64, bool) -> f64) -> (Analysis, RunRecord) {
    let plan = plan(
        "  - sweep: {name: fine, notes: {range: {from: C2, to: C7, step: 300 cents}}, order: up_then_down}",
        "",
    );
    let mut last = f64::NEG_INFINITY;
    let record = play(&plan, 0.05, 1, |slot, random| {
        let down = slot.x < last;
        last = slot.x;
        cents(slot.t, slot.x, down) + 0.05 * random.normal()
    });
    (analyse(&plan, &rig(EXACT), &record), record)
}

#[test]
fn hysteresis_is_told_from_drift() {
    for (truth, drift) in [(0.0, 0.0), (0.0, 0.03), (0.8, 0.0), (0.8, -0.03)] {
        let (analysis, _) =
            up_and_down(|t, x, down| 2.0 * x + drift * t + if down { truth } else { 0.0 });
        let found = outcome(&analysis, "fine", ResultName::Hysteresis);
        assert!(
            (found.value().unwrap() - truth).abs() < 0.1,
            "{truth} {drift} {found:?}"
        );
        assert!(
            found.low().unwrap() <= truth && truth <= found.high().unwrap(),
            "{found:?}"
        );
    }
    // Warming is no straight line, and no hysteresis.
    let (analysis, _) = up_and_down(|t, x, _| 2.0 * x - 20.0 * (-t / 120.0).exp());
    let found = outcome(&analysis, "fine", ResultName::Hysteresis);
    assert!(found.value().unwrap().abs() < 0.3, "{found:?}");
}
