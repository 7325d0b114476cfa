//! The traits of the outside world: all that a run needs of clocks, senders,
//! captures, instruments, journals and people.
//!
//! They are synchronous and object-safe. A run owns one thread; an adapter may
//! block on its own device, always with a deadline or a [`Stop`], and leaves all
//! policy (try again, skip, give up) to the orchestrator.

use crate::pitch::Pitch;
use crate::quantity::{Amperes, Bytes, Celsius, Seconds, VoltDifference, Volts};
use crate::record::{Entry, PositionId, ReadingKey, RunHeader, RunId, RunRecord};
use crate::time::{
    Cancelled, Epoch, HostTime, SampleRate, SampleTime, Span, Stop, Timeline, Timestamp,
};

/// The only source of time and of waiting.
pub trait Clock: Send + Sync {
    /// Now, in host time.
    fn now(&self) -> HostTime;
    /// Now by the wall clock: for the record and for the anchors of sessions only.
    fn wall(&self) -> Timestamp;
    /// Waits until `due`; returns at once when it is past.
    ///
    /// # Errors
    /// [`Cancelled`] when `stop` is raised.
    fn sleep_until(&self, due: HostTime, stop: &Stop) -> Result<(), Cancelled>;
}

/// What to do with a failure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Remedy {
    /// Trying again may help.
    Retry,
    /// This step cannot be done; the next may.
    Skip,
    /// The run cannot go on.
    Abort,
}

/// A device did not do what was asked.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{device}: {what}; {check}")]
pub struct PortError {
    /// Which device, port or position, as the rig file names it.
    pub device: String,
    /// What was attempted and what came of it.
    pub what: String,
    /// What the person at the bench should look at.
    pub check: String,
    /// What the run may do about it.
    pub remedy: Remedy,
}

/// A note that was sent.
#[derive(Debug, Clone, PartialEq)]
pub struct Played {
    /// To which position.
    pub position: PositionId,
    /// The pitch that was asked for.
    pub asked: Pitch,
    /// The control voltage wanted less the one reached, as far as the sender
    /// knows. Analysis subtracts this and nothing else.
    pub residue: VoltDifference,
    /// When it was sent.
    pub at: HostTime,
}

/// Something that plays notes to positions and holds them.
pub trait NoteOut: Send {
    /// Plays a pitch to each position, all together, and holds them until the
    /// next call.
    ///
    /// # Errors
    /// When a pitch lies outside a position's safe range (nothing is sent then)
    /// or a device fails.
    fn play(&mut self, targets: &[(PositionId, Pitch)]) -> Result<Vec<Played>, PortError>;
    /// Ends all notes and puts every control back. Safe to call at any time and
    /// more than once.
    ///
    /// # Errors
    /// When a device fails.
    fn silence(&mut self) -> Result<(), PortError>;
    /// Asks the devices whether they are still there, as far as can be known
    /// without playing.
    ///
    /// # Errors
    /// When one is gone.
    fn present(&mut self) -> Result<(), PortError>;
}

/// Something that makes captured samples doubtful.
#[derive(Debug, Clone, PartialEq)]
pub enum Doubt {
    /// Samples were lost about here.
    Xrun {
        /// The first frame after the loss.
        at: SampleTime,
    },
    /// An input was at full scale.
    Clipped(PositionId),
    /// An input delivered exact zeros.
    ExactZeros(PositionId),
}

/// The samples of a span: the same frames of every position.
#[derive(Debug)]
pub struct Window<'a> {
    /// Which frames.
    pub span: Span,
    /// The samples of each position, `span.frames` of them, full scale at one.
    pub channels: Vec<(PositionId, &'a [f32])>,
    /// What is doubtful about them.
    pub doubts: Vec<Doubt>,
}

/// Why no samples came.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CaptureError {
    /// The device stopped delivering.
    #[error(
        "{device} stopped delivering samples ({detail}); check its cable and power, and whether another program took it"
    )]
    Stalled {
        /// Which device.
        device: String,
        /// What was seen.
        detail: String,
    },
    /// The span belongs to a stretch that has ended.
    #[error(
        "the capture was interrupted; samples from before the interruption cannot be read any more"
    )]
    Interrupted,
    /// The span is older than what is kept.
    #[error("the samples asked for are older than the capture keeps")]
    Overwritten,
    /// The run is to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// The device cannot be opened.
    #[error(transparent)]
    Device(#[from] PortError),
}

/// The one capture stream of a rig.
pub trait Capture: Send {
    /// Where sample time stands against host time, as well as is known now.
    fn timeline(&self) -> Timeline;
    /// Waits until `span` has passed and returns its samples.
    ///
    /// # Errors
    /// [`CaptureError`]; after `Stalled` or `Interrupted` call [`Capture::reopen`].
    fn read(&mut self, span: Span, stop: &Stop) -> Result<Window<'_>, CaptureError>;
    /// Opens the device anew; sample time begins a new epoch.
    ///
    /// # Errors
    /// When it cannot be opened.
    fn reopen(&mut self) -> Result<Epoch, CaptureError>;
}

/// A quantity an instrument can be asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sense {
    /// Air temperature.
    Temperature,
    /// Voltage at the output.
    Voltage,
    /// Current through the output.
    Current,
    /// Whether the output is switched on.
    Output,
}

/// What an instrument answered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sensed {
    /// A temperature.
    Temperature(Celsius),
    /// A voltage.
    Voltage(Volts),
    /// A current.
    Current(Amperes),
    /// Whether the output is on.
    Output(bool),
}

/// What an instrument can be told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Setting {
    /// Switch the output on at this voltage, with this current limit.
    On {
        /// Voltage of the output.
        voltage: Volts,
        /// Current limit, always set before the output goes on.
        current_limit: Amperes,
    },
    /// Switch the output off.
    Off,
}

/// What an instrument has confirmed of a setting.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Confirmed {
    /// The current limit that was read back, where it was and the output is on. A supply
    /// whose limit is known protects its units by itself when it can no longer be asked.
    pub current_limit: Option<Amperes>,
}

/// An instrument that senses or switches.
pub trait Instrument: Send {
    /// Asks who it is.
    ///
    /// # Errors
    /// When it does not answer in time.
    fn identify(&mut self, by: HostTime) -> Result<String, PortError>;
    /// Asks for a quantity.
    ///
    /// # Errors
    /// When it does not answer in time or not with a number.
    fn sense(&mut self, what: Sense, by: HostTime) -> Result<Sensed, PortError>;
    /// Tells it something, and verifies that it did it where it can say so.
    ///
    /// # Errors
    /// When it does not do so in time. Whether an output is on is then not certain:
    /// whoever asked for that sends [`Instrument::make_safe`] next.
    fn set(&mut self, setting: Setting, by: HostTime) -> Result<Confirmed, PortError>;
    /// Sends it into its safe state and waits for nothing: where several supplies go off
    /// together, one that does not answer must not keep the next one on. What came of it
    /// [`Instrument::make_safe`] says, which follows.
    fn send_off(&mut self) {}
    /// Puts it into its safe state: outputs off.
    ///
    /// # Errors
    /// When that cannot be confirmed.
    fn make_safe(&mut self, by: HostTime) -> Result<(), PortError>;
}

/// Entries that are on disk. Only a journal's commit makes one, and only this
/// reaches a screen, so what was announced can be relied on.
#[derive(Debug, Clone, PartialEq)]
pub struct Committed {
    entries: Vec<Entry>,
}

impl Committed {
    /// What is on disk.
    #[must_use]
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }
}

/// The journal failed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum JournalError {
    /// No room; the reserve has been freed so that the end can be recorded.
    #[error("the disk with the store is full ({0}); free some space, then resume the run")]
    Full(String),
    /// An entry that is there already.
    #[error("this reading is in the store already: {0}")]
    Doubled(String),
    /// There is no such run, or several.
    #[error("{0}")]
    NoSuchRun(String),
    /// Another process is writing the run.
    #[error("{0}")]
    InUse(String),
    /// What is there now is not what the run was begun in.
    #[error("{0}")]
    Gone(String),
    /// Something was asked of the run that has not been handed out, so its session was not
    /// closed: take it up, then close again.
    #[error("something was asked of the run as it ended")]
    Unheard,
    /// What is kept of the run, or of the store, is not what was committed.
    #[error("{0}")]
    Damaged(String),
    /// Anything else.
    #[error(
        "the store could not be written: {0}; check the disk and the permissions of its folder"
    )]
    Failed(String),
}

/// What another process asks of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Request {
    /// End after the note in progress.
    Stop,
    /// Put a remark into the log.
    Remark(String),
}

/// Whether a recording was kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// It is on disk.
    OnDisk,
    /// It would have gone over the budget, and was not kept.
    OverBudget,
    /// This journal keeps no recordings.
    NotKept,
}

/// Where a run writes. One writer; a commit is on disk when it returns.
pub trait Journal: Send {
    /// Begins a run.
    ///
    /// # Errors
    /// When it cannot be written.
    fn begin(&mut self, header: &RunHeader) -> Result<RunId, JournalError>;
    /// Takes up a run again: all that is kept of it.
    ///
    /// # Errors
    /// When there is no such run or it cannot be read.
    fn reopen(&mut self, run: &RunId) -> Result<RunRecord, JournalError>;
    /// Puts entries on disk, all or none. Call [`commit`] instead. With
    /// [`EventKind::SessionClosed`](crate::record::EventKind::SessionClosed) among them
    /// nobody can ask anything of the run from then on, until it is taken up again.
    ///
    /// # Errors
    /// When they are not on disk; [`JournalError::Unheard`] when they would close the
    /// session over something that was asked. What [`Journal::requests`] handed out before
    /// is handed out again then.
    fn write(&mut self, entries: &[Entry]) -> Result<(), JournalError>;
    /// Puts the samples behind a committed reading on disk, full scale at one, unless
    /// the recordings of the run would come to more than `budget`.
    ///
    /// # Errors
    /// When they are not on disk. The reading itself is not touched by that.
    fn keep_recording(
        &mut self,
        key: &ReadingKey,
        samples: &[f32],
        rate: SampleRate,
        budget: Bytes,
    ) -> Result<Kept, JournalError> {
        let _ = (key, samples, rate, budget);
        Ok(Kept::NotKept)
    }
    /// Takes what other processes ask of the run, and shows them it is alive. The next
    /// entries that are put on disk stand for what came of it: put those of all that was
    /// handed out there together.
    ///
    /// # Errors
    /// When the store cannot be read.
    fn requests(&mut self) -> Result<Vec<Request>, JournalError>;
}

/// Puts entries on disk, all or none, and hands them back as what they now are.
///
/// # Errors
/// When they are not on disk.
pub fn commit(journal: &mut dyn Journal, entries: Vec<Entry>) -> Result<Committed, JournalError> {
    journal.write(&entries)?;
    Ok(Committed { entries })
}

/// The person at the bench.
pub trait Operator: Send {
    /// Says what is asked or to be done, and does not wait.
    fn ask(&mut self, question: &str);
    /// Waits a moment, a quarter of a second at most, for the answer to the last question:
    /// a line of text, empty for "done". `None` while there is none: whoever asked looks
    /// after everything else that concerns a run, and comes back.
    ///
    /// # Errors
    /// [`NoAnswer`] on stop, or when nobody can ever answer.
    fn answer(&mut self, stop: &Stop) -> Result<Option<String>, NoAnswer>;
    /// Shows how far a unit is from where it should be, while it is being tuned.
    fn show_deviation(&mut self, position: &PositionId, deviation: Option<crate::quantity::Cents>);
}

/// Why there will be no answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoAnswer {
    /// The run is to stop.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// Answers come from nowhere any more: the terminal is closed, the input has ended.
    #[error("nobody can answer any more")]
    NobodyThere,
}

/// Who watches a run: sees what is on disk, and where the run stands.
pub trait Watcher: Send {
    /// Entries have been committed.
    fn committed(&mut self, committed: &Committed);
    /// Where the run stands: the stage, and how long it will still take.
    fn progress(&mut self, stage: &str, left: Seconds);
}
