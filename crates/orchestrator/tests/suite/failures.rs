//! Devices and journals that fail, people who do not answer and others who ask, between a
//! real run and a simulated bench.

use crate::given::{Given, Outcome, PLAN, RIG, Refusal, count};
use model::pitch::Pitch;
use model::port::{JournalError, NoAnswer, Operator, PortError, Remedy, Request};
use model::quantity::Cents;
use model::record::{Entry, EventKind, PositionId};
use model::time::{Cancelled, Stop, StopReason};
use orchestrator::RunError;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

fn conduct_with(room: usize, stop: &Stop, refuse: Refusal) -> Outcome {
    Given {
        room,
        refuse,
        ..Given::default()
    }
    .conduct(stop)
}

fn refusal(remedy: Remedy) -> PortError {
    PortError {
        device: "keys".to_owned(),
        what: "the note was not taken".to_owned(),
        check: "look at the cable".to_owned(),
        remedy,
    }
}

/// Six rounds of four notes on two units.
const ALL: usize = 6 * 4 * 2;

#[test]
fn without_failures_all_is_measured_and_notes_are_ended() {
    let outcome = conduct_with(usize::MAX, &Stop::new(), Box::new(|_, _| None));
    assert_eq!(outcome.result, Ok(()));
    assert_eq!(outcome.readings(), ALL);
    assert!(outcome.gaps().is_empty());
    assert!(outcome.silenced >= 1);
    assert_eq!(outcome.made_safe, 0, "the supply stays on after a plan");
}

#[test]
fn a_sender_that_comes_back_costs_nothing_but_a_remark() {
    let refuse =
        |call, _: &[(PositionId, Pitch)]| (call == 5 || call == 6).then(|| refusal(Remedy::Retry));
    let outcome = conduct_with(usize::MAX, &Stop::new(), Box::new(refuse));
    assert_eq!(outcome.result, Ok(()));
    assert_eq!(outcome.readings(), ALL);
    assert_eq!(outcome.faults(), 2);
}

#[test]
fn a_note_that_is_always_refused_is_a_gap_and_the_others_are_measured() {
    let refuse = |_, targets: &[(PositionId, Pitch)]| {
        targets
            .iter()
            .any(|(_, pitch)| pitch.note_number() > 70.0)
            .then(|| refusal(Remedy::Skip))
    };
    let outcome = conduct_with(usize::MAX, &Stop::new(), Box::new(refuse));
    assert_eq!(outcome.result, Ok(()));
    assert_eq!(outcome.readings(), ALL * 3 / 4);
    assert_eq!(outcome.gaps().len(), 6);
    assert!(
        outcome
            .gaps()
            .iter()
            .all(|reason| reason.contains("look at the cable"))
    );
}

#[test]
fn a_device_that_is_lost_ends_the_run_and_leaves_the_supply() {
    let refuse = |call, _: &[(PositionId, Pitch)]| (call > 9).then(|| refusal(Remedy::Abort));
    let outcome = conduct_with(usize::MAX, &Stop::new(), Box::new(refuse));
    assert!(
        matches!(outcome.result, Err(RunError::Device(_))),
        "{:?}",
        outcome.result
    );
    assert!(outcome.readings() > 0 && outcome.readings() < ALL);
    assert!(outcome.silenced >= 1);
    assert_eq!(outcome.made_safe, 0, "switching off would spoil the night");
}

#[test]
fn an_electrical_reason_switches_the_supply_off() {
    let stop = Stop::new();
    let raised = stop.clone();
    let refuse = move |call, _: &[(PositionId, Pitch)]| {
        if call == 9 {
            raised.raise(StopReason::Electrical);
        }
        None
    };
    let outcome = conduct_with(usize::MAX, &stop, Box::new(refuse));
    assert_eq!(
        outcome.result,
        Err(RunError::Stopped(StopReason::Electrical))
    );
    assert!(outcome.made_safe >= 1 && !outcome.on);
    assert!(outcome.silenced >= 1);
}

#[test]
fn a_full_disk_ends_the_run_with_what_is_on_it() {
    let outcome = conduct_with(30, &Stop::new(), Box::new(|_, _| None));
    assert!(
        matches!(
            outcome.result,
            Err(RunError::Journal(JournalError::Full(_)))
        ),
        "{:?}",
        outcome.result
    );
    assert!(outcome.kept.len() <= 30 && outcome.readings() > 0);
    assert!(outcome.silenced >= 1);
}

/// While the run waits for an audio input that does not come back, another process can
/// still end it.
#[test]
fn a_request_to_stop_is_heeded_while_the_capture_is_away() {
    let rig = RIG.replace(
        "seed: 1\n",
        "seed: 1\n    faults: [{capture_dies: {from: 20 s, for: 800 s}}]\n",
    );
    let given = Given {
        rig,
        asks: Box::new(|kept, _| match count(kept, EventKind::CaptureLost) {
            0 => Vec::new(),
            _ => vec![Request::Stop],
        }),
        ..Given::default()
    };
    let outcome = given.conduct(&Stop::new());
    assert_eq!(outcome.result, Err(RunError::Stopped(StopReason::Asked)));
    let last = outcome.ended_at();
    assert!(last < 30.0, "heeded only after {last} s");
}

/// Nothing is due for an hour; whoever asks meanwhile is heard within a second.
#[test]
fn a_request_to_stop_is_heeded_while_nothing_is_due() {
    for plan in [
        PLAN.replace("every: 10 s, for: 60 s", "every: 1 h, for: 3 h"),
        PLAN.replace("  - power_on\n", "  - power_on\n  - wait: {for: 1 h}\n"),
    ] {
        let given = Given {
            plan,
            // Looked into before each of the four notes and then while waiting.
            asks: Box::new(|_, looks| match looks {
                ..10 => Vec::new(),
                _ => vec![Request::Stop],
            }),
            ..Given::default()
        };
        let outcome = given.conduct(&Stop::new());
        assert_eq!(outcome.result, Err(RunError::Stopped(StopReason::Asked)));
        assert!(outcome.ended_at() < 15.0, "{}", outcome.ended_at());
    }
}

/// A person who is asked and says nothing, or confirms what was not done; `raises` is what
/// the machine does meanwhile.
struct Absent {
    confirms: bool,
    raises: Option<StopReason>,
    waited: Arc<AtomicUsize>,
}

impl Operator for Absent {
    fn ask(&mut self, _: &str) {}
    fn answer(&mut self, stop: &Stop) -> Result<Option<String>, NoAnswer> {
        stop.check()?;
        let waited = self.waited.fetch_add(1, Ordering::SeqCst);
        assert!(waited < 1000, "nobody hears anything");
        if let Some(reason) = self.raises {
            stop.raise(reason);
            return Err(Cancelled.into());
        }
        Ok(self.confirms.then(String::new))
    }
    fn show_deviation(&mut self, _: &PositionId, _: Option<Cents>) {}
}

/// The left unit's supply is switched by an instrument, the right one's by a person.
fn switched_by_hand() -> String {
    RIG.replace("positions:", "  shelf: {by: operator}\npositions:")
        .replace("input: 2\n    supply: rack", "input: 2\n    supply: shelf")
}

fn asking() -> String {
    PLAN.replace("  - power_on", "  - ask: {question: Is the door shut?}")
}

#[test]
fn who_asks_is_heard_while_a_question_waits() {
    // A question of the plan; a supply that a person switches; one of which a person says
    // that it is on, and nothing is heard.
    for (plan, rig, confirms) in [
        (asking(), RIG.to_owned(), false),
        (PLAN.to_owned(), switched_by_hand(), false),
        (PLAN.to_owned(), switched_by_hand(), true),
    ] {
        let waited = Arc::new(AtomicUsize::new(0));
        let (mut before, seen) = (None, Arc::clone(&waited));
        let given = Given {
            plan,
            rig,
            operator: Some(Box::new(Absent {
                confirms,
                raises: None,
                waited: Arc::clone(&waited),
            })),
            asks: Box::new(move |_, looks| {
                if seen.load(Ordering::SeqCst) == 0 {
                    return Vec::new();
                }
                match looks - *before.get_or_insert(looks) {
                    1 => vec![Request::Remark("opened the window".to_owned())],
                    3 => vec![Request::Stop],
                    _ => Vec::new(),
                }
            }),
            ..Given::default()
        };
        let outcome = given.conduct(&Stop::new());
        assert_eq!(outcome.result, Err(RunError::Stopped(StopReason::Asked)));
        let events = |wanted| {
            let is = |entry: &&Entry| matches!(entry, Entry::Event(event) if event.kind == wanted);
            outcome.kept.iter().filter(is).count()
        };
        assert_eq!(events(EventKind::Remark), 1);
        assert_eq!(events(EventKind::Answered), 0);
        assert!(waited.load(Ordering::SeqCst) < 10);
        assert!(outcome.ended_at() < 5.0, "{}", outcome.ended_at());
        assert!(outcome.silenced >= 1);
        assert_eq!(outcome.made_safe, 0, "nothing electrical happened");
    }
}

#[test]
fn a_signal_while_a_question_waits_has_the_safe_state_of_its_reason() {
    for (reason, made_safe) in [(StopReason::System, 0), (StopReason::Electrical, 1)] {
        for (plan, rig) in [
            (asking(), RIG.to_owned()),
            (PLAN.to_owned(), switched_by_hand()),
        ] {
            let given = Given {
                plan,
                rig,
                operator: Some(Box::new(Absent {
                    confirms: false,
                    raises: Some(reason),
                    waited: Arc::default(),
                })),
                ..Given::default()
            };
            let outcome = given.conduct(&Stop::new());
            assert_eq!(outcome.result, Err(RunError::Stopped(reason)));
            assert_eq!(outcome.made_safe, made_safe, "{reason:?}");
            assert!(outcome.silenced >= 1);
        }
    }
}
