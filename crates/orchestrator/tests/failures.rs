//! Devices and journals that fail, people who do not answer and others who ask, between a
//! real run and a simulated bench.

use model::document::plan::Plan;
use model::document::rig::{Rig, Wiring};
use model::document::{read_plan, read_rig};
use model::pitch::Pitch;
use model::port::{
    Committed, Instrument, Journal, JournalError, NoAnswer, NoteOut, Operator, Played, PortError,
    Remedy, Request, Sense, Sensed, Setting, Watcher,
};
use model::quantity::{Cents, Seconds};
use model::record::{Entry, EventKind, PositionId, RunHeader, RunId, RunRecord, Unit};
use model::time::{Cancelled, HostTime, Stop, StopReason};
use orchestrator::{Job, Ports, RunError, conduct};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

const RIG: &str = r#"
nightbench: rig 1
name: small
wiring:
  simulated:
    seed: 1
    interfaces: {keys: {}}
    units: {left: {}, right: {}}
    instruments: {mains: supply}
supplies:
  rack: {by: {instrument: mains}, voltage: 12 V, current_limit: 500 mA}
positions:
  left:
    cv: {sender: keys, channel: 1, law: {volts_per_octave: {zero: C1 = 0 V}}, safe: {from: 0 V, to: 8 V}}
    input: 1
    supply: rack
  right:
    cv: {sender: keys, channel: 2, law: {volts_per_octave: {zero: C1 = 0 V}}, safe: {from: 0 V, to: 8 V}}
    input: 2
    supply: rack
"#;

const PLAN: &str = r#"
nightbench: plan 1
title: Short
reference: C4
preflight: false
listen: {settle: {fixed: 100 ms}, window: {fixed: 200 ms}}
stages:
  - power_on
  - rounds: {name: notes, notes: {list: [C4, C3, C5, C4]}, every: 10 s, for: 60 s}
"#;

/// What other processes ask, by what is kept and how often the journal was looked into.
type Asks = Box<dyn FnMut(&[Entry], usize) -> Vec<Request> + Send>;

/// What a device in between does instead of playing.
type Refusal = Box<dyn FnMut(usize, &[(PositionId, Pitch)]) -> Option<PortError> + Send>;

/// A sender that refuses now and then, and counts how often it was silenced.
struct Unreliable {
    inner: sender::Sender,
    calls: usize,
    refuse: Refusal,
    silenced: Arc<AtomicUsize>,
}

impl NoteOut for Unreliable {
    fn play(&mut self, targets: &[(PositionId, Pitch)]) -> Result<Vec<Played>, PortError> {
        self.calls += 1;
        match (self.refuse)(self.calls, targets) {
            Some(error) => Err(error),
            None => self.inner.play(targets),
        }
    }
    fn silence(&mut self) -> Result<(), PortError> {
        self.silenced.fetch_add(1, Ordering::SeqCst);
        self.inner.silence()
    }
    fn present(&mut self) -> Result<(), PortError> {
        self.inner.present()
    }
}

/// A supply that counts how often it was made safe.
struct Watched {
    inner: Box<dyn Instrument>,
    made_safe: Arc<AtomicUsize>,
}

impl Instrument for Watched {
    fn identify(&mut self, by: HostTime) -> Result<String, PortError> {
        self.inner.identify(by)
    }
    fn sense(&mut self, what: Sense, by: HostTime) -> Result<Sensed, PortError> {
        self.inner.sense(what, by)
    }
    fn set(&mut self, setting: Setting, by: HostTime) -> Result<(), PortError> {
        self.inner.set(setting, by)
    }
    fn make_safe(&mut self, by: HostTime) -> Result<(), PortError> {
        self.made_safe.fetch_add(1, Ordering::SeqCst);
        self.inner.make_safe(by)
    }
}

/// Keeps entries in memory, and may run out of room.
struct Memory {
    kept: Vec<Entry>,
    room: usize,
    looks: usize,
    asks: Asks,
}

impl Journal for Memory {
    fn begin(&mut self, _: &RunHeader) -> Result<RunId, JournalError> {
        Ok(RunId::new("memory"))
    }
    fn reopen(&mut self, run: &RunId) -> Result<RunRecord, JournalError> {
        Err(JournalError::NoSuchRun(run.to_string()))
    }
    fn write(&mut self, entries: &[Entry]) -> Result<(), JournalError> {
        if self.kept.len() + entries.len() > self.room {
            return Err(JournalError::Full("memory".to_owned()));
        }
        self.kept.extend_from_slice(entries);
        Ok(())
    }
    fn requests(&mut self) -> Result<Vec<Request>, JournalError> {
        self.looks += 1;
        Ok((self.asks)(&self.kept, self.looks))
    }
}

fn faults(kept: &[Entry]) -> usize {
    kept.iter()
        .filter(|entry| matches!(entry, Entry::Event(event) if event.kind == EventKind::Fault))
        .count()
}

struct Nobody;

impl Watcher for Nobody {
    fn committed(&mut self, _: &Committed) {}
    fn progress(&mut self, _: &str, _: Seconds) {}
}

struct Outcome {
    result: Result<(), RunError>,
    kept: Vec<Entry>,
    silenced: usize,
    made_safe: usize,
}

impl Outcome {
    fn readings(&self) -> usize {
        self.kept
            .iter()
            .filter(|entry| matches!(entry, Entry::Reading(_)))
            .count()
    }
    fn gaps(&self) -> Vec<&str> {
        self.kept
            .iter()
            .filter_map(|entry| match entry {
                Entry::Gap(gap) => Some(gap.reason.as_str()),
                _ => None,
            })
            .collect()
    }
    fn faults(&self) -> usize {
        faults(&self.kept)
    }
    /// The time of the last event, seconds.
    fn ended_at(&self) -> f64 {
        match self.kept.last() {
            Some(Entry::Event(event)) => event.at.seconds(),
            other => panic!("{other:?}"),
        }
    }
}

fn conduct_with(room: usize, stop: &Stop, refuse: Refusal) -> Outcome {
    Given {
        room,
        refuse,
        ..Given::default()
    }
    .conduct(stop)
}

/// What a run finds.
struct Given {
    plan: String,
    rig: String,
    room: usize,
    refuse: Refusal,
    asks: Asks,
    /// The simulated person unless there is another.
    operator: Option<Box<dyn Operator>>,
}

impl Default for Given {
    fn default() -> Self {
        Self {
            plan: PLAN.to_owned(),
            rig: RIG.to_owned(),
            room: usize::MAX,
            refuse: Box::new(|_, _| None),
            asks: Box::new(|_, _| Vec::new()),
            operator: None,
        }
    }
}

impl Given {
    fn conduct(self, stop: &Stop) -> Outcome {
        let plan: Plan = read_plan("plan", self.plan.as_bytes())
            .unwrap_or_else(|error| panic!("{error}"))
            .value;
        let rig: Rig = read_rig("rig", self.rig.as_bytes())
            .unwrap_or_else(|error| panic!("{error}"))
            .value;
        let Wiring::Simulated(wiring) = &rig.wiring else {
            panic!("the rig is simulated")
        };
        let bench = simulator::Bench::new(&rig).unwrap();
        let sinks = wiring.interfaces.keys().map(|name| {
            let wire = Box::new(bench.wire(name).unwrap());
            (
                name.clone(),
                sender::Sink::Wire {
                    wire,
                    bend_range: bench.bend_range(name),
                },
            )
        });
        let inner = sender::Sender::new(&rig.positions, sinks.collect(), plan.pitch, bench.clock())
            .unwrap();
        let (silenced, made_safe) = (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicUsize::new(0)));
        let notes = Unreliable {
            inner,
            calls: 0,
            refuse: self.refuse,
            silenced: Arc::clone(&silenced),
        };
        let mains = Watched {
            inner: bench.instrument("mains").unwrap(),
            made_safe: Arc::clone(&made_safe),
        };
        let ports = Ports {
            clock: bench.clock(),
            notes: Arc::new(Mutex::new(Box::new(notes))),
            capture: bench.capture(),
            instruments: BTreeMap::from([(
                "mains".to_owned(),
                Arc::new(Mutex::new(Box::new(mains) as Box<dyn Instrument>)),
            )]),
            operator: self.operator.unwrap_or_else(|| bench.operator()),
        };
        let header = RunHeader {
            plan_text: self.plan.clone(),
            rig_text: self.rig.clone(),
            units: ["left", "right"]
                .map(|name| (PositionId::new(name), Unit::default()))
                .into(),
            program_version: "test".to_owned(),
            seed: Some(1),
            began: bench.clock().wall(),
        };
        let record = RunRecord {
            id: RunId::new("memory"),
            header,
            readings: Vec::new(),
            traces: Vec::new(),
            gaps: Vec::new(),
            events: Vec::new(),
        };
        let mut journal = Memory {
            kept: Vec::new(),
            room: self.room,
            looks: 0,
            asks: self.asks,
        };
        let job = Job {
            plan: &plan,
            rig: &rig,
            record: &record,
            in_spite_of_preflight: false,
        };
        let result = conduct(&job, ports, &mut journal, &mut Nobody, stop);
        Outcome {
            result,
            kept: journal.kept,
            silenced: silenced.load(Ordering::SeqCst),
            made_safe: made_safe.load(Ordering::SeqCst),
        }
    }
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
    assert_eq!(outcome.made_safe, 1);
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
        asks: Box::new(|kept, _| match faults(kept) {
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
