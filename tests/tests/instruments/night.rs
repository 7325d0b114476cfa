//! Whole runs, in seconds: a simulated bench whose time passes as real time does, and on
//! pseudo-terminals the supply and the thermometer that misbehave.
//!
//! Times are those of the instruments' own logs, in the time of the bench, which stands
//! still while the machine does.

use super::rows::MAY_BE_ON;
use devices::serial::{open_lines, open_scpi};
use model::document::rig::Role;
use model::document::{read_plan, read_rig};
use model::port::{Clock, Committed, Instrument, Journal, JournalError, Request, Watcher};
use model::quantity::Seconds;
use model::record::{Entry, EventKind, PositionId, RunHeader, RunId, RunRecord, Unit};
use model::time::{Stop, StopReason};
use orchestrator::{Asking, Job, Owing, Ports, RunError, SharedInstrument, conduct};
use sender::{Sender, Sink};
use simulator::Bench;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tests::instruments::{Fake, Fault, Happened, Logged, Paced, PacedCapture, Pacemaker, Plugged};

const RIG: &str = r"
nightbench: rig 1
name: small
wiring:
  simulated:
    seed: 1
    interfaces: {keys: {}}
    units: {left: {}}
    on_before: {rack: 1 h, second: 1 h}
    instruments: {bench: supply, other: supply, air: thermometer}
supplies:
  rack: {by: {instrument: bench}, voltage: 12 V, current_limit: 800 mA, WHEN_LOST}
  second: {by: {instrument: other}, voltage: 12 V, current_limit: 800 mA}
positions:
  left:
    cv: {sender: keys, channel: 1, law: {volts_per_octave: {zero: C1 = 0 V}}, safe: {from: 0 V, to: 8 V}}
    input: 1
    supply: rack
  right:
    cv: {sender: keys, channel: 2, law: {volts_per_octave: {zero: C1 = 0 V}}, safe: {from: 0 V, to: 8 V}}
    input: 2
    supply: second
thermometer: air
";

/// Eighteen notes, one a second.
const PLAN: &str = r"
nightbench: plan 1
title: Short
reference: C4
preflight: false
listen: {settle: {fixed: 50 ms}, window: {fixed: 100 ms}}
stages:
  - power_on
  - rounds: {name: notes, notes: {list: [C4]}, every: 1 s, for: 18 s}
";
const NOTES: usize = 18;

/// Between what is wrong and "off". Two seconds, and something for what the pseudo-terminal,
/// the threads and the machine take.
const OFF_WITHIN: Duration = Duration::from_millis(2200);
pub const FOREVER: Duration = Duration::from_secs(100_000);

/// What becomes of a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Ends {
    /// It ends as planned.
    Well,
    /// By itself, with an error that says this.
    Badly(&'static str),
}

/// What becomes of the output of the first supply.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Left {
    On,
    /// Off within two seconds of what was wrong.
    Off,
    /// Off, though not for the first thing that was wrong.
    OffLater,
    /// Off was sent within two seconds, and it stayed on or nobody knows.
    MayBeOn,
    /// Off cannot reach it, and that is said.
    OutOfReach,
    /// It was never switched on.
    NeverOn,
}

/// What a log shows.
pub type Seen = fn(&[Logged]) -> bool;

pub struct Night {
    pub name: &'static str,
    pub supply: Fake,
    pub second: Option<Fake>,
    pub air: Fake,
    pub when_lost: &'static str,
    /// The disk is full from the moment an event of this kind is to be kept.
    pub full_at: Option<EventKind>,
    /// Raised as soon as the log of the supply is like this.
    pub signal: Option<(StopReason, Seen)>,
    pub ends: Ends,
    pub left: Left,
    /// Kinds of events that must be there, and how often.
    pub events: Vec<(EventKind, usize)>,
}

/// A night on which nothing goes wrong.
pub fn night(name: &'static str, supply: Fake) -> Night {
    Night {
        name,
        supply,
        second: None,
        air: Fake::thermometer(),
        when_lost: "",
        full_at: None,
        signal: None,
        ends: Ends::Well,
        left: Left::On,
        events: Vec::new(),
    }
}

impl Night {
    pub fn air(mut self, air: Fake) -> Self {
        self.air = air;
        self
    }
    pub fn ends(mut self, ends: Ends, left: Left) -> Self {
        (self.ends, self.left) = (ends, left);
        self
    }
    pub fn says(mut self, kind: EventKind, times: usize) -> Self {
        self.events.push((kind, times));
        self
    }
}

/// Keeps entries in memory until it is full.
struct Memory {
    kept: Vec<Entry>,
    full_at: Option<EventKind>,
    full: bool,
}

impl Journal for Memory {
    fn begin(&mut self, _: &RunHeader) -> Result<RunId, JournalError> {
        Ok(RunId::new("memory"))
    }
    fn reopen(&mut self, run: &RunId) -> Result<RunRecord, JournalError> {
        Err(JournalError::NoSuchRun(run.to_string()))
    }
    fn write(&mut self, entries: &[Entry]) -> Result<(), JournalError> {
        self.full |= entries
            .iter()
            .any(|entry| matches!(entry, Entry::Event(event) if Some(event.kind) == self.full_at));
        if self.full {
            return Err(JournalError::Full("memory".to_owned()));
        }
        self.kept.extend_from_slice(entries);
        Ok(())
    }
    fn requests(&mut self) -> Result<Vec<Request>, JournalError> {
        Ok(Vec::new())
    }
}

struct Nobody;

impl Watcher for Nobody {
    fn committed(&mut self, _: &Committed) {}
    fn progress(&mut self, _: &str, _: Seconds) {}
}

/// What came of a run.
struct Came {
    result: Result<(), RunError>,
    kept: Vec<Entry>,
    supply: Vec<Logged>,
    second: Vec<Logged>,
    stood_still: Duration,
}

fn conducted(night: &Night) -> Came {
    let mut text = RIG.replace(", WHEN_LOST", night.when_lost);
    if night.second.is_none() {
        let (before, rest) = text.split_once("  second:").unwrap();
        let (_, after) = rest.split_once('\n').unwrap();
        text = format!("{before}{after}");
        let (before, rest) = text.split_once("  right:").unwrap();
        let (_, after) = rest.split_once("thermometer").unwrap();
        text = format!("{before}thermometer{after}")
            .replace(", second: 1 h", "")
            .replace(" other: supply,", "");
    } else {
        text = text.replace("{left: {}}", "{left: {}, right: {}}");
    }
    let rig = read_rig("rig.yaml", text.as_bytes())
        .unwrap_or_else(|error| panic!("{error}"))
        .value;
    let plan = read_plan("plan.yaml", PLAN.as_bytes()).unwrap().value;
    let bench = Bench::new(&rig).unwrap();
    let simulated: Arc<dyn Clock> = bench.clock();
    let pacemaker = Pacemaker::new(Arc::clone(&simulated));
    let paced = Paced(simulated);
    let clock: Arc<dyn Clock> = Arc::new(paced.clone());

    let plugged = |fake: &Fake| Plugged::by(fake.clone(), Arc::clone(&clock));
    let supply = plugged(&night.supply);
    let second = night.second.as_ref().map(plugged);
    let air = plugged(&night.air);
    let shared =
        |instrument: Box<dyn Instrument>| -> SharedInstrument { Arc::new(Mutex::new(instrument)) };
    let scpi = |name: &str, plugged: &Plugged, role| {
        shared(open_scpi(name, plugged.port(), 9600, role, Arc::clone(&clock)).unwrap())
    };
    let mut instruments = BTreeMap::new();
    instruments.insert("bench".to_owned(), scpi("bench", &supply, Role::Supply));
    if let Some(second) = &second {
        instruments.insert("other".to_owned(), scpi("other", second, Role::Supply));
    }
    let thermometer = if night.air.prints() {
        let pattern = "T=(?<celsius>[-0-9.]+) ";
        shared(open_lines("air", air.port(), 9600, pattern, Arc::clone(&clock)).unwrap())
    } else {
        scpi("air", &air, Role::Thermometer)
    };
    instruments.insert("air".to_owned(), thermometer);

    let sink = Sink::Wire {
        wire: Box::new(bench.wire("keys").unwrap()),
        bend_range: bench.bend_range("keys"),
    };
    let sinks = [("keys".to_owned(), sink)].into();
    let sender = Sender::new(&rig.positions, sinks, plan.pitch, Arc::clone(&clock)).unwrap();
    let ports = Ports {
        clock: Arc::clone(&clock),
        notes: Arc::new(Mutex::new(Box::new(sender))),
        capture: Box::new(PacedCapture::new(bench.capture(), paced)),
        instruments,
        operator: bench.operator(),
        asking: Asking::Apart,
        owed: Owing::default(),
    };
    let record = RunRecord {
        id: RunId::new("memory"),
        header: RunHeader {
            plan_text: String::new(),
            rig_text: String::new(),
            units: rig
                .positions
                .keys()
                .map(|name| {
                    let unit = Unit {
                        serial: name.clone(),
                        ..Unit::default()
                    };
                    (PositionId::new(name), unit)
                })
                .collect(),
            program_version: String::new(),
            seed: None,
            began: clock.wall(),
        },
        readings: Vec::new(),
        traces: Vec::new(),
        gaps: Vec::new(),
        events: Vec::new(),
    };
    let job = Job {
        plan: &plan,
        rig: &rig,
        record: &record,
        in_spite_of_preflight: false,
    };
    let mut journal = Memory {
        kept: Vec::new(),
        full_at: night.full_at,
        full: false,
    };
    let stop = Stop::new();
    let result = std::thread::scope(|scope| {
        let over = Stop::new();
        if let Some((reason, seen)) = night.signal {
            let (supply, stop, over) = (&supply, stop.clone(), over.clone());
            scope.spawn(move || {
                while over.wait(Duration::from_millis(2)).is_ok() {
                    if seen(&supply.log()) {
                        stop.raise(reason);
                        return;
                    }
                }
            });
        }
        let result = conduct(&job, ports, &mut journal, &mut Nobody, &stop);
        over.raise(StopReason::Asked);
        result
    });
    drop(pacemaker);
    Came {
        result,
        kept: journal.kept,
        stood_still: supply.stood_still(),
        supply: supply.log(),
        second: second.as_ref().map(Plugged::log).unwrap_or_default(),
    }
}

fn first(log: &[Logged], what: impl Fn(&Happened) -> bool) -> Option<Duration> {
    let found = log.iter().find(|logged| what(&logged.what));
    found.map(|logged| logged.at)
}

fn heard(log: &[Logged], line: &str) -> Option<Duration> {
    first(log, |what| *what == Happened::Heard(line.to_owned()))
}

fn is_on(log: &[Logged]) -> bool {
    let last = log.iter().rev().find_map(|logged| match logged.what {
        Happened::Output(on) => Some(on),
        _ => None,
    });
    last.unwrap_or(false)
}

/// What is not as it must be.
fn wrong_with(night: &Night, came: &Came) -> Result<(), String> {
    let said = match &came.result {
        Ok(()) => "nothing".to_owned(),
        Err(error) => error.to_string(),
    };
    let as_it_must = match (night.ends, &came.result) {
        (Ends::Well, Ok(())) => true,
        (Ends::Badly(words), Err(_)) => said.contains(words),
        _ => false,
    };
    if !as_it_must {
        return Err(format!("must end {:?}", night.ends));
    }
    let (mut notes, mut gaps) = (0, Vec::new());
    let mut count: BTreeMap<&str, usize> = BTreeMap::new();
    for entry in &came.kept {
        match entry {
            Entry::Reading(_) => notes += 1,
            Entry::Gap(gap) => gaps.push(gap.reason.clone()),
            Entry::Event(event) => *count.entry(event.kind.name()).or_default() += 1,
            Entry::Trace(_) => {}
        }
    }
    // No instrument costs a note.
    let units = if night.second.is_some() { 2 } else { 1 };
    if night.ends == Ends::Well && (notes != NOTES * units || !gaps.is_empty()) {
        return Err(format!("{notes} readings, and gaps because {gaps:?}"));
    }
    for (kind, times) in &night.events {
        let seen = count.get(kind.name()).copied().unwrap_or(0);
        if seen != times * units {
            return Err(format!("{seen} events of kind {}", kind.name()));
        }
    }
    let log = &came.supply;
    let off = heard(log, "OUTP OFF");
    if night.second.is_some() {
        // Both go off, whichever of them is short-circuited.
        let logs = [log, &came.second];
        let short =
            |log: &Vec<Logged>| first(log, |what| matches!(what, Happened::Wrong(Fault::Load(_))));
        let short = logs.into_iter().find_map(short).unwrap_or_default();
        for log in logs {
            let off = heard(log, "OUTP OFF").ok_or("not both were switched off")?;
            let took = off.saturating_sub(short);
            println!("{}: off {took:.2?} after the short", night.name);
            if took > OFF_WITHIN {
                return Err(format!("one went off after {took:?}"));
            }
        }
        return Ok(());
    }
    let is_wrong = |what: &Happened| matches!(what, Happened::Wrong(_));
    let fault = match night.left {
        // The last of its faults.
        Left::OffLater => log
            .iter()
            .rfind(|logged| is_wrong(&logged.what))
            .map(|logged| logged.at),
        _ => first(log, is_wrong),
    };
    match night.left {
        Left::On if !is_on(log) || off.is_some() => Err("it was switched off".to_owned()),
        Left::NeverOn if heard(log, "OUTP ON").is_some() => Err("it was switched on".to_owned()),
        Left::OutOfReach if !said.starts_with(MAY_BE_ON) => Err(format!("it says: {said}")),
        Left::On | Left::NeverOn | Left::OutOfReach => Ok(()),
        Left::Off | Left::OffLater | Left::MayBeOn => {
            if night.left != Left::MayBeOn && is_on(log) {
                return Err("its output is on".to_owned());
            }
            if (night.left == Left::MayBeOn) != said.starts_with(MAY_BE_ON) {
                return Err(format!("it says: {said}"));
            }
            let (Some(off), Some(fault)) = (off, fault) else {
                return Err("off was not sent".to_owned());
            };
            let took = off.saturating_sub(fault);
            println!("{}: off {took:.2?} after it", night.name);
            if took > night.off_within() {
                return Err(format!("off came after {took:?}"));
            }
            Ok(())
        }
    }
}

impl Night {
    /// How long after what was wrong "off" must have come; a supply counts as silent after
    /// five seconds, and the questions it did not answer have their time.
    fn off_within(&self) -> Duration {
        let silent = self
            .events
            .iter()
            .any(|(kind, _)| *kind == EventKind::InstrumentLost);
        if silent {
            Duration::from_secs(9)
        } else {
            OFF_WITHIN
        }
    }
}

/// Runs all nights side by side. One on which the machine stood still for so long that this
/// may have been the cause is run again.
pub fn all(nights: Vec<Night>) {
    let trials: Vec<_> = nights
        .into_iter()
        .map(|night| {
            std::thread::spawn(move || {
                let mut outcome = Ok(());
                for _ in 0..5 {
                    let came = conducted(&night);
                    outcome = wrong_with(&night, &came).map_err(|why| {
                        let log: Vec<String> = came
                            .supply
                            .iter()
                            .chain(&came.second)
                            .map(|logged| format!("{:.3?} {:?}", logged.at, logged.what))
                            .collect();
                        let kept: Vec<String> = came
                            .kept
                            .iter()
                            .filter_map(|entry| match entry {
                                Entry::Event(event) => Some(format!(
                                    "{} {}: {}",
                                    event.at.seconds(),
                                    event.kind.name(),
                                    event.text
                                )),
                                _ => None,
                            })
                            .collect();
                        format!(
                            "{}: {why}; it said {:?}\n{}\n{}",
                            night.name,
                            came.result.as_ref().map_err(ToString::to_string),
                            kept.join("\n"),
                            log.join("\n")
                        )
                    });
                    if outcome.is_ok() || came.stood_still < Duration::from_millis(50) {
                        break;
                    }
                }
                outcome
            })
        })
        .collect();
    let wrong: Vec<String> = trials
        .into_iter()
        .filter_map(|trial| trial.join().expect("no panic").err())
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}
