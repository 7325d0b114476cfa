//! A session: devices taken up once and used until they are laid down again.
//! Playing a note, letting it settle, listening to it. Runs, tuning and the
//! checks before a plan all stand on this.

use crate::ear::Ear;
use crate::judge::Heard;
use crate::listening::Sent;
use crate::safety::Owed;
use crate::watch::Asking;
use model::document::plan::{Listen, Settle};
use model::pitch::{Pitch, PitchStandard};
use model::port::{Capture, CaptureError, Clock, Instrument, NoteOut, Operator, PortError};
use model::quantity::Seconds;
use model::record::PositionId;
use model::time::{HostTime, RunTime, Span, Stop};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// A note sender that a second thread can reach to end all notes.
pub type SharedNotes = Arc<Mutex<Box<dyn NoteOut>>>;
/// An instrument that a second thread can reach to make it safe.
pub type SharedInstrument = Arc<Mutex<Box<dyn Instrument>>>;

/// The outside world of a run.
pub struct Ports {
    /// Time.
    pub clock: Arc<dyn Clock>,
    /// What plays.
    pub notes: SharedNotes,
    /// What listens.
    pub capture: Box<dyn Capture>,
    /// Supplies, thermometers, meters, by name.
    pub instruments: BTreeMap<String, SharedInstrument>,
    /// The person at the bench.
    pub operator: Box<dyn Operator>,
    /// Who asks the instruments while a run goes on.
    pub asking: Asking,
    /// What of the rig must be switched off whatever ends the run.
    pub owed: Owing,
}

/// What of a rig must be switched off whatever ends a run; nothing to begin with. Whoever
/// makes the rig safe has it from the ports.
#[derive(Clone, Default)]
pub struct Owing(pub(crate) Arc<Owed>);

/// Takes a lock whoever held it before may have panicked with: ending notes and
/// switching off must work all the same.
pub(crate) fn lock<T: ?Sized>(shared: &Mutex<T>) -> MutexGuard<'_, T> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What was heard of one position after a note was played.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct NoteHeard {
    pub(crate) position: PositionId,
    pub(crate) asked: Pitch,
    pub(crate) residue: model::quantity::VoltDifference,
    pub(crate) played: HostTime,
    pub(crate) at: HostTime,
    pub(crate) window: Seconds,
    pub(crate) measured: model::record::Measured,
}

/// Why a note was not heard.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum NoteFailure {
    /// The sender could not play it.
    Sender(PortError),
    /// The capture gave no samples.
    Capture(CaptureError),
}

impl From<CaptureError> for NoteFailure {
    fn from(error: CaptureError) -> Self {
        Self::Capture(error)
    }
}

/// Devices in use, and what was last heard through them.
pub(crate) struct Session {
    pub(crate) clock: Arc<dyn Clock>,
    pub(crate) notes: SharedNotes,
    pub(crate) ear: Ear,
    pub(crate) instruments: BTreeMap<String, SharedInstrument>,
    pub(crate) operator: Box<dyn Operator>,
    pub(crate) stop: Stop,
    pub(crate) standard: PitchStandard,
    pub(crate) heard: Heard,
    /// The host time at which the run began, or would have by this clock.
    zero: HostTime,
}

impl Session {
    /// Takes up the devices; `zero` is when the run began, or would have by their clock.
    pub(crate) fn new(ports: Ports, stop: Stop, standard: PitchStandard, zero: HostTime) -> Self {
        Self {
            clock: ports.clock,
            notes: ports.notes,
            ear: Ear::new(ports.capture),
            instruments: ports.instruments,
            operator: ports.operator,
            stop,
            standard,
            heard: Heard::default(),
            zero,
        }
    }

    pub(crate) fn run_time(&self, at: HostTime) -> RunTime {
        RunTime::from_nanoseconds(at.nanoseconds() - self.zero.nanoseconds())
    }

    pub(crate) fn host_time(&self, at: RunTime) -> HostTime {
        HostTime::from_nanoseconds(at.nanoseconds() + self.zero.nanoseconds())
    }

    pub(crate) fn now(&self) -> RunTime {
        self.run_time(self.clock.now())
    }

    pub(crate) fn sleep_until(&self, due: RunTime) -> Result<(), model::time::Cancelled> {
        self.clock.sleep_until(self.host_time(due), &self.stop)
    }

    /// Plays a note to each position, lets it settle and listens to it.
    pub(crate) fn note(
        &mut self,
        targets: &[(PositionId, Pitch)],
        listen: &Listen,
    ) -> Result<Vec<NoteHeard>, NoteFailure> {
        let played = lock(&self.notes)
            .play(targets)
            .map_err(NoteFailure::Sender)?;
        let at = played.iter().map(|played| played.at).max();
        let sent = Sent {
            targets,
            at: at.unwrap_or_else(|| self.clock.now()),
            standard: self.standard,
            heard: &self.heard,
        };
        let (before_window, unsettled) = self.ear.settle(&sent, &listen.settle, &self.stop)?;
        let (window, mut measured) = self.ear.listen(before_window, &listen.window, &self.stop)?;
        sent.judge(&mut measured, &unsettled);
        let timeline = self.ear.timeline();
        let heard = measured
            .into_iter()
            .filter_map(|(position, measured)| {
                let played = played.iter().find(|played| played.position == position)?;
                Some(NoteHeard {
                    position,
                    asked: played.asked,
                    residue: played.residue,
                    played: played.at,
                    at: timeline.host_time(window.start),
                    window: timeline.rate.duration(window.frames),
                    measured,
                })
            })
            .collect();
        Ok(heard)
    }

    /// Waits until a note has settled. Returns an empty span where the window may
    /// begin, and the positions that did not settle.
    pub(crate) fn settle(
        &mut self,
        targets: &[(PositionId, Pitch)],
        at: HostTime,
        settle: &Settle,
    ) -> Result<(Span, Vec<PositionId>), CaptureError> {
        let sent = Sent {
            targets,
            at,
            standard: self.standard,
            heard: &self.heard,
        };
        self.ear.settle(&sent, settle, &self.stop)
    }
}
