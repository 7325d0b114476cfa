//! A run that is killed after any of its commits and taken up again keeps what one keeps
//! that was not.

use crate::given::{Given, PLAN, RIG};
use model::record::Entry;
use model::time::Stop;

/// What of a run reaches its export.
fn told(entries: &[Entry]) -> Vec<String> {
    entries
        .iter()
        .filter(|entry| !matches!(entry, Entry::Event(event) if event.kind.is_bookkeeping()))
        .map(|entry| format!("{entry:?}"))
        .collect()
}

#[track_caller]
fn cuts_change_nothing(plan: &str, faults: &str) {
    let given = |before: Vec<Entry>| Given {
        plan: plan.to_owned(),
        rig: RIG.replace("seed: 1\n", &format!("seed: 1\n    faults: {faults}\n")),
        before,
        ..Given::default()
    };
    let whole = given(Vec::new()).conduct(&Stop::new());
    let wanted = told(&whole.kept);
    for cut in &whole.commits[..whole.commits.len() - 1] {
        let before = &whole.kept[..*cut];
        let ended = |entry: &Entry| matches!(entry, Entry::Event(event) if event.kind == model::record::EventKind::RunEnded || event.kind == model::record::EventKind::Tripped);
        if before.iter().any(ended) {
            continue;
        }
        let after = given(before.to_vec()).conduct(&Stop::new());
        let got = told(&[before, &after.kept[..]].concat());
        for (index, (wanted, got)) in wanted.iter().zip(&got).enumerate() {
            assert_eq!(
                wanted, got,
                "entry {index}, cut after {cut} entries: {faults}"
            );
        }
        assert_eq!(wanted.len(), got.len(), "cut after {cut} entries: {faults}");
    }
}

#[test]
fn in_a_dip() {
    cuts_change_nothing(
        PLAN,
        "[{supply_dips: {supply: rack, to: 9 V, from: 14.2 s, for: 20 s}}]",
    );
}

#[test]
fn in_a_dip_while_the_checks_switch_and_the_supply_is_overloaded() {
    cuts_change_nothing(
        &PLAN.replace("preflight: false\n", ""),
        "[{supply_dips: {supply: rack, to: 9 V, from: 0 s, for: 25 s}}]",
    );
}

#[test]
fn in_a_dip_that_becomes_a_short_circuit() {
    cuts_change_nothing(
        PLAN,
        "[{supply_dips: {supply: rack, to: 9 V, from: 14.2 s, for: 10 s}}, {supply_dips: {supply: rack, to: 1 V, from: 24.2 s, for: 1 h}}]",
    );
}

#[test]
fn while_instruments_are_silent() {
    cuts_change_nothing(
        PLAN,
        "[{instrument_silent: {instrument: air, from: 8.3 s, for: 20 s}}, {instrument_silent: {instrument: mains, from: 13.3 s, for: 30 s}}]",
    );
    cuts_change_nothing(
        PLAN,
        "[{instrument_stutters: {instrument: air, from: 0 s}}, {instrument_stutters: {instrument: mains, from: 0 s}}]",
    );
}

#[test]
fn while_the_audio_input_is_away() {
    cuts_change_nothing(PLAN, "[{capture_dies: {from: 22.1 s, for: 14 s}}]");
    let hold = PLAN.replace(
        "  - rounds:",
        "  - hold: {name: quiet, note: C4, for: 40 s, hop: 500 ms}\n  - rounds:",
    );
    cuts_change_nothing(
        &hold,
        "[{capture_dies: {from: 22.1 s, for: 5 s}}, {supply_dips: {supply: rack, to: 9 V, from: 30 s, for: 5 s}}]",
    );
}

#[test]
fn after_the_budget_for_recordings_is_used_up() {
    // A window of 200 ms at 48 kHz is 38 kB.
    let plan = PLAN.replace("stages:", "evidence: {all: {budget: 1 MB}}\nstages:");
    cuts_change_nothing(&plan, "[]");
}
