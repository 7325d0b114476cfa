//! The watch with threads of its own, as on a real rig: in real time, and waiting for what
//! happens rather than for how long it takes.
#![allow(clippy::disallowed_methods)] // Real time is what this is about.

use crate::given::{Nobody, PLAN, RIG};
use model::document::{read_plan, read_rig};
use model::pitch::Pitch;
use model::port::{
    Capture, CaptureError, Clock, Confirmed, Instrument, Journal, JournalError, NoAnswer, NoteOut,
    Operator, Played, PortError, Remedy, Request, Sense, Sensed, Setting, Window,
};
use model::quantity::{Amperes, Cents, Fraction, Hertz, Seconds, VoltDifference, Volts};
use model::record::{Entry, EventKind, PositionId, RunHeader, RunId, RunRecord, Unit};
use model::time::{
    Cancelled, Epoch, HostTime, SampleRate, SampleTime, Span, Stop, Timeline, Timestamp,
};
use orchestrator::{Asking, Job, Owing, Ports, RunError, conduct};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// As long as a test may take that waits for something; on the slowest machine, too.
const PATIENCE: Duration = Duration::from_secs(120);

struct Real(Instant);

impl Clock for Real {
    fn now(&self) -> HostTime {
        HostTime::from_nanoseconds(self.0.elapsed().as_nanos() as i64)
    }
    fn wall(&self) -> Timestamp {
        Timestamp::UNIX_EPOCH
    }
    fn sleep_until(&self, due: HostTime, stop: &Stop) -> Result<(), Cancelled> {
        let left = due.since(self.now()).get();
        if left > 0.0 {
            stop.wait(Duration::from_secs_f64(left))
        } else {
            stop.check()
        }
    }
}

/// An audio input in which the run hangs until it is to stop.
struct Hangs {
    reached: Arc<AtomicBool>,
}

impl Capture for Hangs {
    fn timeline(&self) -> Timeline {
        let first = SampleTime {
            epoch: Epoch(0),
            index: 0,
        };
        Timeline {
            anchor: (first, HostTime::from_nanoseconds(0)),
            rate: SampleRate::new(Hertz::of(48e3)).unwrap(),
            rate_error: Fraction::ZERO,
            jitter: Seconds::ZERO,
        }
    }
    fn read(&mut self, _: Span, stop: &Stop) -> Result<Window<'_>, CaptureError> {
        self.reached.store(true, Ordering::SeqCst);
        stop.wait(PATIENCE)?;
        Err(CaptureError::Overwritten)
    }
    fn reopen(&mut self) -> Result<Epoch, CaptureError> {
        Err(CaptureError::Overwritten)
    }
}

struct Plays;

impl NoteOut for Plays {
    fn play(&mut self, targets: &[(PositionId, Pitch)]) -> Result<Vec<Played>, PortError> {
        let played = targets.iter().map(|(position, asked)| Played {
            position: position.clone(),
            asked: *asked,
            residue: VoltDifference::of(0.0),
            at: HostTime::from_nanoseconds(0),
        });
        Ok(played.collect())
    }
    fn silence(&mut self) -> Result<(), PortError> {
        Ok(())
    }
    fn present(&mut self) -> Result<(), PortError> {
        Ok(())
    }
}

/// What the supply shows once the run hangs in its audio input.
#[derive(Clone, Copy)]
enum Then {
    Shorted,
    Silent,
}

struct Supply {
    hangs: Arc<AtomicBool>,
    then: Then,
    safe: Arc<AtomicBool>,
}

impl Instrument for Supply {
    fn identify(&mut self, _: HostTime) -> Result<String, PortError> {
        Ok(String::new())
    }
    fn sense(&mut self, what: Sense, _: HostTime) -> Result<Sensed, PortError> {
        match (what, self.then, self.hangs.load(Ordering::SeqCst)) {
            (Sense::Voltage, _, false) => Ok(Sensed::Voltage(Volts::of(12.0))),
            (Sense::Voltage, Then::Shorted, true) => Ok(Sensed::Voltage(Volts::of(0.3))),
            _ => Err(PortError {
                device: "mains".to_owned(),
                what: "did not answer".to_owned(),
                check: "look".to_owned(),
                remedy: Remedy::Retry,
            }),
        }
    }
    fn set(&mut self, setting: Setting, _: HostTime) -> Result<Confirmed, PortError> {
        let _: Option<Amperes> = match setting {
            Setting::On { current_limit, .. } => Some(current_limit),
            Setting::Off => None,
        };
        Ok(Confirmed::default())
    }
    fn make_safe(&mut self, _: HostTime) -> Result<(), PortError> {
        self.safe.store(true, Ordering::SeqCst);
        Ok(())
    }
}

struct Absent;

impl Operator for Absent {
    fn ask(&mut self, _: &str) {}
    fn answer(&mut self, stop: &Stop) -> Result<Option<String>, NoAnswer> {
        stop.check()?;
        Ok(None)
    }
    fn show_deviation(&mut self, _: &PositionId, _: Option<Cents>) {}
}

struct Memory(Vec<Entry>);

impl Journal for Memory {
    fn begin(&mut self, _: &RunHeader) -> Result<RunId, JournalError> {
        Ok(RunId::new("memory"))
    }
    fn reopen(&mut self, run: &RunId) -> Result<RunRecord, JournalError> {
        Err(JournalError::NoSuchRun(run.to_string()))
    }
    fn write(&mut self, entries: &[Entry]) -> Result<(), JournalError> {
        self.0.extend_from_slice(entries);
        Ok(())
    }
    fn requests(&mut self) -> Result<Vec<Request>, JournalError> {
        Ok(Vec::new())
    }
}

#[test]
fn a_supply_is_switched_off_while_the_run_hangs_in_another_device() {
    for then in [Then::Shorted, Then::Silent] {
        let plan = read_plan("plan", PLAN.as_bytes()).unwrap().value;
        let rig = read_rig("rig", RIG.as_bytes()).unwrap().value;
        let (reached, safe) = (Arc::new(AtomicBool::new(false)), Arc::default());
        let supply: Box<dyn Instrument> = Box::new(Supply {
            hangs: Arc::clone(&reached),
            then,
            safe: Arc::clone(&safe),
        });
        let ports = Ports {
            clock: Arc::new(Real(Instant::now())),
            notes: Arc::new(Mutex::new(Box::new(Plays))),
            capture: Box::new(Hangs { reached }),
            instruments: [("mains".to_owned(), Arc::new(Mutex::new(supply)))].into(),
            operator: Box::new(Absent),
            asking: Asking::Apart,
            owed: Owing::default(),
        };
        let record = RunRecord {
            id: RunId::new("memory"),
            header: RunHeader {
                plan_text: PLAN.to_owned(),
                rig_text: RIG.to_owned(),
                units: ["left", "right"]
                    .map(|name| (PositionId::new(name), Unit::default()))
                    .into(),
                program_version: "test".to_owned(),
                seed: None,
                began: Timestamp::UNIX_EPOCH,
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
        let mut journal = Memory(Vec::new());
        let result = conduct(&job, ports, &mut journal, &mut Nobody, &Stop::new());
        assert!(matches!(result, Err(RunError::Electrical(_))), "{result:?}");
        assert!(safe.load(Ordering::SeqCst));
        let tripped = |entry: &Entry| matches!(entry, Entry::Event(event) if event.kind == EventKind::Tripped);
        assert!(journal.0.iter().any(tripped));
    }
}
