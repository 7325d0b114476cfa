//! Supplies and other instruments that fail, on a bench in virtual time.

use crate::given::{Given, Outcome, PLAN, RIG, Tricks, count};
use model::record::{Entry, EventKind};
use model::time::{Stop, StopReason};
use orchestrator::RunError;

/// Six rounds of four notes on two units.
const ALL: usize = 6 * 4 * 2;

fn rig(faults: &str) -> String {
    RIG.replace("seed: 1\n", &format!("seed: 1\n    faults: {faults}\n"))
}

fn with(faults: &str) -> Given {
    Given {
        rig: rig(faults),
        ..Given::default()
    }
}

fn run(faults: &str) -> Outcome {
    with(faults).conduct(&Stop::new())
}

#[track_caller]
fn is_tripped(outcome: &Outcome, between: (f64, f64)) {
    assert!(
        matches!(outcome.result, Err(RunError::Electrical(_))),
        "{:?}",
        outcome.result
    );
    let at = outcome.safe_at.expect("off was sent");
    assert!((between.0..=between.1).contains(&at), "off at {at} s");
    assert!(!outcome.on);
    assert_eq!(outcome.events(EventKind::Tripped).len(), 1);
}

/// The readings that were taken are all there, and none came late.
#[track_caller]
fn all_in_time(outcome: &Outcome) {
    assert_eq!(outcome.result, Ok(()));
    assert_eq!(outcome.readings(), ALL);
    assert_eq!(outcome.gaps(), [""; 0]);
    for entry in &outcome.kept {
        if let Entry::Reading(reading) = entry {
            assert!(reading.measured.flags.is_empty(), "{reading:?}");
        }
    }
}

#[test]
fn a_short_circuit_trips_within_two_seconds() {
    let whole = "[{supply_dips: {supply: rack, to: 1 V, from: 20.1 s, for: 1 h}}]";
    is_tripped(&run(whole), (21.1, 22.1));
    // After a dip that had been said already.
    let after_a_dip = "[{supply_dips: {supply: rack, to: 9 V, from: 15 s, for: 5 s}},
        {supply_dips: {supply: rack, to: 1 V, from: 20 s, for: 1 h}}]";
    let outcome = run(after_a_dip);
    is_tripped(&outcome, (21.0, 22.0));
    assert_eq!(
        outcome.events(EventKind::SupplyLow).len(),
        2,
        "of two units"
    );
    // With every second answer missing, and with none after it began.
    let stutters = "[{supply_dips: {supply: rack, to: 0.3 V, from: 20.1 s, for: 1 h}},
        {instrument_stutters: {instrument: mains, from: 0 s}}]";
    is_tripped(&run(stutters), (21.1, 22.1));
    // The moment at which it is switched on.
    let at_once = "[{supply_dips: {supply: rack, to: 0.3 V, from: 0 s, for: 1 h}}]";
    is_tripped(&run(at_once), (1.0, 2.0));
}

#[test]
fn a_short_circuit_trips_whatever_the_run_waits_for() {
    let short = "[{supply_dips: {supply: rack, to: 1 V, from: 20 s, for: 1 h}}]";
    for plan in [
        PLAN.replace("fixed: 200 ms}", "fixed: 40 s}"),
        PLAN.replace("  - power_on\n", "  - power_on\n  - wait: {for: 1 h}\n"),
        PLAN.replace(
            "  - power_on\n",
            "  - power_on\n  - hold: {name: quiet, note: C4, for: 10 min, hop: 10 s}\n",
        ),
        PLAN.replace("every: 10 s, for: 60 s", "every: 1 h, for: 3 h"),
    ] {
        let given = Given {
            plan,
            ..with(short)
        };
        is_tripped(&given.conduct(&Stop::new()), (21.0, 22.0));
    }
}

#[test]
fn a_voltage_too_high_or_of_the_wrong_sign_trips_at_once() {
    for volts in ["30 V", "13.6 V", "-12 V", "-2 V"] {
        let faults = format!("[{{supply_stands: {{supply: rack, at: {volts}, from: 20.1 s}}}}]");
        is_tripped(&run(&faults), (20.1, 20.6));
    }
    all_in_time(&run(
        "[{supply_stands: {supply: rack, at: 12.5 V, from: 20.1 s}}]",
    ));
    // The negative rail of a rack.
    let negative = Given {
        rig: RIG.replace("voltage: 12 V", "voltage: -12 V"),
        ..Given::default()
    };
    all_in_time(&negative.conduct(&Stop::new()));
}

#[test]
fn a_dip_is_said_and_said_to_be_over_and_ends_nothing() {
    let outcome = run("[{supply_dips: {supply: rack, to: 9 V, from: 15 s, for: 5 s}}]");
    all_in_time(&outcome);
    let low = outcome.events(EventKind::SupplyLow);
    assert_eq!(low.len(), 2, "of two units");
    assert!(low[0].0 >= 15.0 && low[0].0 <= 15.5, "{low:?}");
    let back = outcome.events(EventKind::SupplyBack);
    assert!(
        back.len() == 2 && (20.0..=20.5).contains(&back[0].0),
        "{back:?}"
    );
    assert!(outcome.on);
}

#[test]
fn what_may_be_on_after_a_failed_switching_is_sent_off() {
    let given = Given {
        tricks: Tricks {
            fails_when_switched_on: true,
            ..Tricks::default()
        },
        ..Given::default()
    };
    let outcome = given.conduct(&Stop::new());
    assert!(
        matches!(outcome.result, Err(RunError::NotSwitched(_))),
        "{:?}",
        outcome.result
    );
    assert!(outcome.made_safe >= 1 && !outcome.on);
    assert_eq!(outcome.events(EventKind::PowerOn).len(), 0);
}

#[test]
fn a_disk_that_is_full_hides_no_short_circuit() {
    let given = Given {
        full_from: 20.0,
        ..with("[{supply_dips: {supply: rack, to: 1 V, from: 20 s, for: 1 h}}]")
    };
    let outcome = given.conduct(&Stop::new());
    // Whichever is met first: off is sent.
    assert!(
        outcome.result.is_err() && !outcome.on,
        "{:?}",
        outcome.result
    );
    let given = Given {
        full_from: 20.4,
        plan: PLAN.replace("fixed: 200 ms}", "fixed: 40 s}"),
        ..with("[{supply_dips: {supply: rack, to: 1 V, from: 20 s, for: 1 h}}]")
    };
    let outcome = given.conduct(&Stop::new());
    let Err(RunError::Electrical(text)) = &outcome.result else {
        panic!("{:?}", outcome.result);
    };
    assert!(
        text.contains("short circuit") && text.contains("full"),
        "{text}"
    );
    assert!(!outcome.on);
}

#[test]
fn a_disk_that_is_full_when_the_supply_comes_on_leaves_it_off() {
    let given = Given {
        // The session, what the checks say, the stage.
        room: 3,
        ..Given::default()
    };
    let outcome = given.conduct(&Stop::new());
    assert!(matches!(outcome.result, Err(RunError::Journal(_))));
    assert_eq!(outcome.switched.0, 1);
    assert!(!outcome.on);
}

#[test]
fn a_signal_between_two_looks_at_a_short_circuit_leaves_nothing_on() {
    for reason in [StopReason::Asked, StopReason::System] {
        let stop = Stop::new();
        let given = Given {
            tricks: Tricks {
                when_down: Some((stop.clone(), reason)),
                ..Tricks::default()
            },
            ..with("[{supply_dips: {supply: rack, to: 1 V, from: 20 s, for: 1 h}}]")
        };
        is_tripped(&given.conduct(&stop), (20.0, 21.0));
    }
}

#[test]
fn what_the_checks_switched_on_is_switched_off_on_every_way_out() {
    let plan = || PLAN.replace("preflight: false\n", "");
    // Stopped in the middle of them.
    let stop = Stop::new();
    let raised = stop.clone();
    let given = Given {
        plan: plan(),
        refuse: Box::new(move |call, _| {
            if call == 2 {
                raised.raise(StopReason::Asked);
            }
            None
        }),
        ..Given::default()
    };
    let outcome = given.conduct(&stop);
    assert_eq!(outcome.result, Err(RunError::Stopped(StopReason::Asked)));
    assert!(!outcome.on);
    assert_eq!(count(&outcome.kept, EventKind::PowerOn), 2, "of two units");
    assert_eq!(count(&outcome.kept, EventKind::PowerOff), 2, "of two units");
    // With an error in the program itself.
    let given = Given {
        plan: plan(),
        refuse: Box::new(move |call, _| {
            assert!(call < 2, "a panic that this test wants");
            None
        }),
        panics: true,
        ..Given::default()
    };
    let outcome = given.conduct(&Stop::new());
    assert!(outcome.switched.0 == 1 && !outcome.on);
    // Where the plan itself never switches, and the checks end the run.
    let given = Given {
        plan: plan().replace("  - power_on\n", ""),
        rig: rig("[{unit_silent: {positions: [left], from: 0 s}}]"),
        ..Given::default()
    };
    let outcome = given.conduct(&Stop::new());
    assert!(matches!(outcome.result, Err(RunError::Preflight(_))));
    assert!(outcome.switched.0 == 1 && !outcome.on);
    // They are none of the run's own once they are done.
    let given = Given {
        plan: plan(),
        ..Given::default()
    };
    let outcome = given.conduct(&Stop::new());
    all_in_time(&outcome);
    assert!(outcome.on);
}

#[test]
fn where_the_checks_are_left_out_they_switch_nothing() {
    let outcome = Given::default().conduct(&Stop::new());
    assert_eq!(outcome.switched, (1, 0), "the plan's own");
    let given = Given {
        plan: PLAN.replace("  - power_on\n", ""),
        ..Given::default()
    };
    let outcome = given.conduct(&Stop::new());
    assert_eq!(outcome.switched, (0, 0));
}

#[test]
fn a_thermometer_that_is_silent_costs_no_time_and_is_said_once() {
    for (faults, lost, back) in [
        (
            "[{instrument_silent: {instrument: air, from: 0 s}}]",
            5.5,
            None,
        ),
        (
            "[{instrument_silent: {instrument: air, from: 12.2 s, for: 20 s}}]",
            17.5,
            Some(32.5),
        ),
        (
            "[{thermometer_reads: {instrument: air, temperature: 9999999 degC, from: 12.2 s}}]",
            17.5,
            None,
        ),
    ] {
        let outcome = run(faults);
        all_in_time(&outcome);
        let said = outcome.events(EventKind::InstrumentLost);
        assert_eq!(said.iter().map(|(at, _)| *at).collect::<Vec<_>>(), [lost]);
        let returned = outcome.events(EventKind::InstrumentBack);
        assert_eq!(returned.first().map(|(at, _)| *at), back);
        for entry in &outcome.kept {
            if let Entry::Reading(reading) = entry
                && let Some(air) = reading.conditions.air
            {
                assert!((15.0..30.0).contains(&air.get()), "{air}");
            }
        }
    }
    let outcome = run("[{instrument_stutters: {instrument: air, from: 0 s}}]");
    all_in_time(&outcome);
    assert_eq!(count(&outcome.kept, EventKind::InstrumentLost), 0);
}

#[test]
fn a_supply_that_falls_silent_follows_the_rule_of_the_rig() {
    let silent = "[{instrument_silent: {instrument: mains, from: 20 s, for: 15 s}}]";
    let ruled = |rule: &str| {
        rig(silent).replace(
            "current_limit: 500 mA",
            &format!("current_limit: 500 mA{rule}"),
        )
    };
    let unread = || Tricks {
        limit_not_read: true,
        ..Tricks::default()
    };
    // It goes on where its limit was read back, or where the rig file says so.
    for (rule, tricks) in [("", Tricks::default()), (", when_lost: go_on", unread())] {
        let given = Given {
            rig: ruled(rule),
            tricks,
            ..Given::default()
        };
        let outcome = given.conduct(&Stop::new());
        all_in_time(&outcome);
        let lost = outcome.events(EventKind::InstrumentLost);
        assert!(lost.len() == 2 && lost[0].0 == 25.0, "{lost:?}");
        assert_eq!(outcome.events(EventKind::InstrumentBack).len(), 2);
        assert!(outcome.on);
    }
    // Else off is sent. It does not answer that either, and everybody is told.
    for (rule, tricks) in [("", unread()), (", when_lost: off", Tricks::default())] {
        let given = Given {
            rig: ruled(rule),
            tricks,
            ..Given::default()
        };
        let outcome = given.conduct(&Stop::new());
        let Err(error) = &outcome.result else {
            panic!("it went on");
        };
        assert!(error.is_electrical());
        let text = error.to_string();
        assert!(text.starts_with("OUTPUT MAY STILL BE ON: "), "{text}");
        assert!(outcome.made_safe >= 1);
        assert_eq!(count(&outcome.kept, EventKind::OutputUncertain), 2);
        assert_eq!(count(&outcome.kept, EventKind::Tripped), 1);
        let Some(Entry::Event(last)) = outcome.kept.last() else {
            panic!("the session was closed");
        };
        assert!(
            last.text.contains("OUTPUT MAY STILL BE ON"),
            "{}",
            last.text
        );
    }
}

#[test]
fn a_supply_that_does_not_confirm_its_off_is_said_first() {
    let given = Given {
        tricks: Tricks {
            deaf_when_made_safe: true,
            ..Tricks::default()
        },
        ..with("[{supply_dips: {supply: rack, to: 1 V, from: 20 s, for: 1 h}}]")
    };
    let outcome = given.conduct(&Stop::new());
    let text = outcome.result.unwrap_err().to_string();
    assert!(text.starts_with("OUTPUT MAY STILL BE ON: "), "{text}");
    assert!(
        text.contains("\"rack\" off by hand") && text.contains("short circuit"),
        "{text}"
    );
}

#[test]
fn a_gap_says_what_really_held_the_run_up() {
    let outcome = run("[{capture_dies: {from: 22 s, for: 25 s}}]");
    let gaps = outcome.gaps();
    assert!(!gaps.is_empty());
    for gap in gaps {
        assert!(
            gap.starts_with("the audio input was away between 0:00:30 and"),
            "{gap}"
        );
    }
    // Notes that take longer than the plan has time for.
    let given = Given {
        plan: PLAN.replace("fixed: 200 ms}", "fixed: 4 s}"),
        ..Given::default()
    };
    let outcome = given.conduct(&Stop::new());
    let gaps = outcome.gaps();
    assert!(!gaps.is_empty());
    for gap in gaps {
        assert!(
            gap.starts_with("what came before lasted until 0:00:"),
            "{gap}"
        );
    }
}
