//! A run on a simulated bench, with devices in between that fail as a test wants it, and a
//! journal in memory.

use model::document::plan::Plan;
use model::document::rig::{Rig, Wiring};
use model::document::{read_plan, read_rig};
use model::pitch::Pitch;
use model::port::{
    Clock, Committed, Confirmed, Instrument, Journal, JournalError, NoteOut, Operator, Played,
    PortError, Remedy, Request, Sense, Sensed, Setting, Watcher,
};
use model::quantity::Seconds;
use model::record::{Entry, EventKind, PositionId, RunHeader, RunId, RunRecord, Unit};
use model::time::{HostTime, Stop, StopReason};
use orchestrator::{Asking, Job, Owing, Ports, RunError, SafeState, Why, conduct};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

pub const RIG: &str = r#"
nightbench: rig 1
name: small
wiring:
  simulated:
    seed: 1
    interfaces: {keys: {}}
    units: {left: {}, right: {}}
    instruments: {mains: supply, air: thermometer}
thermometer: air
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

pub const PLAN: &str = r#"
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
pub type Asks = Box<dyn FnMut(&[Entry], usize) -> Vec<Request> + Send>;

/// What a device in between does instead of playing.
pub type Refusal = Box<dyn FnMut(usize, &[(PositionId, Pitch)]) -> Option<PortError> + Send>;

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

/// What a supply does that a good one would not.
#[derive(Default)]
pub struct Tricks {
    /// Goes on as told, and reports an error.
    pub fails_when_switched_on: bool,
    /// Does not say at which current limit it is on.
    pub limit_not_read: bool,
    /// Does not confirm that it is off, and may not be.
    pub deaf_when_made_safe: bool,
    /// What the machine does when the supply first shows less than half its voltage.
    pub when_down: Option<(Stop, StopReason)>,
}

/// What was done to a supply.
#[derive(Default)]
struct Done {
    made_safe: usize,
    safe_at: Option<f64>,
    switched: (usize, usize),
}

/// A supply that counts what is done to it.
struct Watched {
    inner: Box<dyn Instrument>,
    clock: Arc<dyn Clock>,
    tricks: Tricks,
    done: Arc<Mutex<Done>>,
}

fn error(what: &str) -> PortError {
    PortError {
        device: "mains".to_owned(),
        what: what.to_owned(),
        check: "look at it".to_owned(),
        remedy: Remedy::Retry,
    }
}

impl Instrument for Watched {
    fn identify(&mut self, by: HostTime) -> Result<String, PortError> {
        self.inner.identify(by)
    }
    fn sense(&mut self, what: Sense, by: HostTime) -> Result<Sensed, PortError> {
        let sensed = self.inner.sense(what, by)?;
        if let Sensed::Voltage(volts) = sensed
            && volts.get() < 6.0
            && self.done.lock().unwrap().switched.0 > 0
            && let Some((stop, reason)) = self.tricks.when_down.take()
        {
            stop.raise(reason);
        }
        Ok(sensed)
    }
    fn set(&mut self, setting: Setting, by: HostTime) -> Result<Confirmed, PortError> {
        let confirmed = self.inner.set(setting, by)?;
        let mut done = self.done.lock().unwrap();
        match setting {
            Setting::On { .. } => {
                done.switched.0 += 1;
                if self.tricks.fails_when_switched_on {
                    return Err(error("reports an over-current"));
                }
                if self.tricks.limit_not_read {
                    return Ok(Confirmed::default());
                }
            }
            Setting::Off => done.switched.1 += 1,
        }
        Ok(confirmed)
    }
    fn make_safe(&mut self, by: HostTime) -> Result<(), PortError> {
        let mut done = self.done.lock().unwrap();
        done.made_safe += 1;
        let now = self.clock.now().nanoseconds() as f64 * 1e-9;
        done.safe_at.get_or_insert(now);
        if self.tricks.deaf_when_made_safe {
            return Err(error("did not answer OUTP? in time"));
        }
        self.inner.make_safe(by)
    }
}

/// Keeps entries in memory, and may run out of room.
struct Memory {
    kept: Vec<Entry>,
    commits: Vec<usize>,
    room: usize,
    full_from: f64,
    clock: Arc<dyn Clock>,
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
        let now = self.clock.now().nanoseconds() as f64 * 1e-9;
        if self.kept.len() + entries.len() > self.room || now >= self.full_from {
            return Err(JournalError::Full("memory".to_owned()));
        }
        self.kept.extend_from_slice(entries);
        self.commits.push(self.kept.len());
        Ok(())
    }
    fn requests(&mut self) -> Result<Vec<Request>, JournalError> {
        self.looks += 1;
        Ok((self.asks)(&self.kept, self.looks))
    }
}

fn faults(kept: &[Entry]) -> usize {
    count(kept, EventKind::Fault)
}

/// How many events of a kind there are.
pub fn count(kept: &[Entry], kind: EventKind) -> usize {
    kept.iter()
        .filter(|entry| matches!(entry, Entry::Event(event) if event.kind == kind))
        .count()
}

pub struct Nobody;

impl Watcher for Nobody {
    fn committed(&mut self, _: &Committed) {}
    fn progress(&mut self, _: &str, _: Seconds) {}
}

pub struct Outcome {
    pub result: Result<(), RunError>,
    pub kept: Vec<Entry>,
    /// How many entries were kept after each commit.
    pub commits: Vec<usize>,
    pub silenced: usize,
    pub made_safe: usize,
    /// When the supply was first made safe, in seconds of the run.
    pub safe_at: Option<f64>,
    /// How often the supply was told to go on, and off.
    pub switched: (usize, usize),
    /// Whether the supply has its output on in the end.
    pub on: bool,
}

impl Outcome {
    pub fn readings(&self) -> usize {
        self.kept
            .iter()
            .filter(|entry| matches!(entry, Entry::Reading(_)))
            .count()
    }
    pub fn gaps(&self) -> Vec<&str> {
        self.kept
            .iter()
            .filter_map(|entry| match entry {
                Entry::Gap(gap) => Some(gap.reason.as_str()),
                _ => None,
            })
            .collect()
    }
    pub fn faults(&self) -> usize {
        faults(&self.kept)
    }
    /// The events of a kind, with their times in seconds.
    pub fn events(&self, kind: EventKind) -> Vec<(f64, &str)> {
        self.kept
            .iter()
            .filter_map(|entry| match entry {
                Entry::Event(event) if event.kind == kind => {
                    Some((event.at.seconds(), event.text.as_str()))
                }
                _ => None,
            })
            .collect()
    }
    /// The time of the last event, seconds.
    pub fn ended_at(&self) -> f64 {
        match self.kept.last() {
            Some(Entry::Event(event)) => event.at.seconds(),
            other => panic!("{other:?}"),
        }
    }
}

/// What a run finds.
pub struct Given {
    pub plan: String,
    pub rig: String,
    pub room: usize,
    /// From when on, in seconds, nothing can be kept.
    pub full_from: f64,
    pub refuse: Refusal,
    pub asks: Asks,
    /// The simulated person unless there is another.
    pub operator: Option<Box<dyn Operator>>,
    pub tricks: Tricks,
    /// What is on disk already.
    pub before: Vec<Entry>,
    /// Whether what is left of a panic is caught, and the rig made safe from outside.
    pub panics: bool,
}

impl Default for Given {
    fn default() -> Self {
        Self {
            plan: PLAN.to_owned(),
            rig: RIG.to_owned(),
            room: usize::MAX,
            full_from: f64::INFINITY,
            refuse: Box::new(|_, _| None),
            asks: Box::new(|_, _| Vec::new()),
            operator: None,
            tricks: Tricks::default(),
            before: Vec::new(),
            panics: false,
        }
    }
}

impl Given {
    pub fn conduct(self, stop: &Stop) -> Outcome {
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
        let mut record = RunRecord {
            id: RunId::new("memory"),
            header: RunHeader {
                plan_text: self.plan.clone(),
                rig_text: self.rig.clone(),
                units: ["left", "right"]
                    .map(|name| (PositionId::new(name), Unit::default()))
                    .into(),
                program_version: "test".to_owned(),
                seed: Some(1),
                began: bench.clock().wall(),
            },
            readings: Vec::new(),
            traces: Vec::new(),
            gaps: Vec::new(),
            events: Vec::new(),
        };
        for entry in self.before {
            match entry {
                Entry::Reading(reading) => record.readings.push(reading),
                Entry::Trace(trace) => record.traces.push(trace),
                Entry::Gap(gap) => record.gaps.push(gap),
                Entry::Event(event) => record.events.push(event),
            }
        }
        if !record.events.is_empty() {
            bench.restore(&record);
        }
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
        let silenced = Arc::new(AtomicUsize::new(0));
        let done = Arc::new(Mutex::new(Done::default()));
        let notes = Unreliable {
            inner,
            calls: 0,
            refuse: self.refuse,
            silenced: Arc::clone(&silenced),
        };
        let mains = Watched {
            inner: bench.instrument("mains").unwrap(),
            clock: bench.clock(),
            tricks: self.tricks,
            done: Arc::clone(&done),
        };
        let shared = |instrument: Box<dyn Instrument>| Arc::new(Mutex::new(instrument));
        let ports = Ports {
            clock: bench.clock(),
            notes: Arc::new(Mutex::new(Box::new(notes))),
            capture: bench.capture(),
            instruments: BTreeMap::from([
                ("mains".to_owned(), shared(Box::new(mains))),
                ("air".to_owned(), shared(bench.instrument("air").unwrap())),
            ]),
            operator: self.operator.unwrap_or_else(|| bench.operator()),
            asking: Asking::AsTimePasses(Box::new({
                let bench = bench.clone();
                move |every, looks_back, call| bench.each(every, looks_back, call)
            })),
            owed: Owing::default(),
        };
        let mut journal = Memory {
            kept: Vec::new(),
            commits: Vec::new(),
            room: self.room,
            full_from: self.full_from,
            clock: bench.clock(),
            looks: 0,
            asks: self.asks,
        };
        let job = Job {
            plan: &plan,
            rig: &rig,
            record: &record,
            in_spite_of_preflight: false,
        };
        let safe = SafeState::of(&ports, &rig);
        let result = if self.panics {
            let work = || conduct(&job, ports, &mut journal, &mut Nobody, stop);
            let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(work));
            assert!(outcome.is_err(), "it was to panic");
            assert_eq!(safe.enter(Why::Measurement).complaints(), [""; 0]);
            Ok(())
        } else {
            conduct(&job, ports, &mut journal, &mut Nobody, stop)
        };
        let mut supply = bench.instrument("mains").unwrap();
        let on = supply.sense(Sense::Output, bench.clock().now()) != Ok(Sensed::Output(false));
        let done = done.lock().unwrap();
        Outcome {
            result,
            kept: journal.kept,
            commits: journal.commits,
            silenced: silenced.load(Ordering::SeqCst),
            made_safe: done.made_safe,
            safe_at: done.safe_at,
            switched: done.switched,
            on,
        }
    }
}
