//! What a run leaves behind: its header, readings, traces, gaps and events.

use crate::pitch::Pitch;
use crate::quantity::{Celsius, Hertz, HertzDifference, Level, Seconds, VoltDifference, Volts};
use crate::time::{RunTime, Timestamp};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

/// The name of a position of a rig.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PositionId(Arc<str>);

impl PositionId {
    /// The position with this name.
    #[must_use]
    pub fn new(name: &str) -> Self {
        Self(name.into())
    }
    /// Its name.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for PositionId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

/// The identifier of a run: the beginning of the hash of plan, rig, units and
/// seed, and an ordinal where a store holds several of the same.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct RunId(String);

impl RunId {
    /// The run with this identifier.
    #[must_use]
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }
    /// As it is printed.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for RunId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

/// What is under test.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema, Default)]
#[serde(deny_unknown_fields)]
pub struct Unit {
    /// Serial number, or what the bench calls it.
    pub serial: String,
    /// Model label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    /// Revision.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub revision: Option<String>,
    /// Job number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub job: Option<String>,
    /// Switches, waveform, input used.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub settings: BTreeMap<String, String>,
    /// Free notes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
}

/// What a run was begun with. Kept as it was, so that the run can be repeated.
#[derive(Debug, Clone, PartialEq)]
pub struct RunHeader {
    /// The plan, word for word.
    pub plan_text: String,
    /// The rig, word for word.
    pub rig_text: String,
    /// Which unit is in which position.
    pub units: BTreeMap<PositionId, Unit>,
    /// The version of the program.
    pub program_version: String,
    /// The seed of a simulated rig; `None` on a real one.
    pub seed: Option<u64>,
    /// When the run began, by the wall clock (a fixed one on a simulated rig).
    pub began: Timestamp,
}

/// Which reading: the place of a note in the plan and the attempt at it. No two
/// readings of a run have the same key.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ReadingKey {
    /// The stage, counted from 0 in the plan.
    pub stage: u16,
    /// The round within the stage, from 0.
    pub round: u32,
    /// The place within the round, from 0. The same note may stand at several.
    pub slot: u16,
    /// The repeat (leave the note and come back), from 0.
    pub repeat: u16,
    /// The attempt, from 0; the last one counts.
    pub attempt: u16,
    /// The position.
    pub position: PositionId,
}

/// Whether a window could be measured, and if not, why.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Measured.
    Ok,
    /// Nothing above the noise.
    Silent,
    /// A signal without a pitch.
    NotPeriodic,
    /// Two pitches at once.
    TwoTones,
    /// A mains line too near to a harmonic for this window; a longer one may do.
    HumTooNear,
    /// Fewer periods in the window than a frequency can be taken from.
    TooShort,
    /// The note was asked for and the pitch stayed where it was.
    NotPlayed,
}

impl State {
    /// Every state, in order.
    pub const ALL: [Self; 7] = [
        Self::Ok,
        Self::Silent,
        Self::NotPeriodic,
        Self::TwoTones,
        Self::HumTooNear,
        Self::TooShort,
        Self::NotPlayed,
    ];
    /// The name used in stores and output.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::Silent => "silent",
            Self::NotPeriodic => "not_periodic",
            Self::TwoTones => "two_tones",
            Self::HumTooNear => "hum_too_near",
            Self::TooShort => "too_short",
            Self::NotPlayed => "not_played",
        }
    }
    /// The state of this name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.name() == name)
    }
}

/// Something to know about a reading that can be used all the same.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
#[repr(u8)]
pub enum Flag {
    /// The input was at full scale.
    Clipped,
    /// The capture lost samples in the window.
    Xrun,
    /// The input delivered exact zeros, as a dead or unconnected one does.
    ExactZeros,
    /// The pitch had not settled when the window began.
    Unsettled,
    /// The pitch drifted across the window faster than a settled note does.
    Moving,
    /// The pitch moved, but not by the interval that was asked.
    WrongInterval,
    /// Sub-octave energy is low but there: the octave could be the next one down.
    OctaveAmbiguous,
    /// Few periods in the window, so the uncertainty is wide.
    FewPeriods,
    /// A mains line stands close to a harmonic.
    HumNear,
    /// Two units sound exactly the same pitch, as units locked to each other do.
    MaybeLocked,
    /// Played later than the timetable said.
    Late,
    /// The uncertainty that was asked for was not reached within the longest window.
    UncertaintyNotReached,
    /// It was not because the oscillator's own phase wanders.
    LimitedByJitter,
    /// It was not because the pitch drifts by more than that while one listens.
    LimitedByDrift,
}

impl Flag {
    /// Every flag, in order.
    pub const ALL: [Self; 14] = [
        Self::Clipped,
        Self::Xrun,
        Self::ExactZeros,
        Self::Unsettled,
        Self::Moving,
        Self::WrongInterval,
        Self::OctaveAmbiguous,
        Self::FewPeriods,
        Self::HumNear,
        Self::MaybeLocked,
        Self::Late,
        Self::UncertaintyNotReached,
        Self::LimitedByJitter,
        Self::LimitedByDrift,
    ];
    /// The name used in stores and output.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Clipped => "clipped",
            Self::Xrun => "xrun",
            Self::ExactZeros => "exact_zeros",
            Self::Unsettled => "unsettled",
            Self::Moving => "moving",
            Self::WrongInterval => "wrong_interval",
            Self::OctaveAmbiguous => "octave_ambiguous",
            Self::FewPeriods => "few_periods",
            Self::HumNear => "hum_near",
            Self::MaybeLocked => "maybe_locked",
            Self::Late => "late",
            Self::UncertaintyNotReached => "uncertainty_not_reached",
            Self::LimitedByJitter => "limited_by_jitter",
            Self::LimitedByDrift => "limited_by_drift",
        }
    }
}

/// A set of flags, in the order of [`Flag::ALL`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Flags(u32);

impl Flags {
    /// No flag.
    pub const NONE: Self = Self(0);
    /// The set with one more flag in it.
    #[must_use]
    pub const fn with(self, flag: Flag) -> Self {
        Self(self.0 | 1 << flag as u32)
    }
    /// Adds a flag.
    pub const fn insert(&mut self, flag: Flag) {
        self.0 |= 1 << flag as u32;
    }
    /// The flags of both sets.
    #[must_use]
    pub const fn union(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
    /// Whether a flag is in the set.
    #[must_use]
    pub const fn contains(self, flag: Flag) -> bool {
        self.0 & 1 << flag as u32 != 0
    }
    /// Whether the set is empty.
    #[must_use]
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }
    /// The flags in the set.
    pub fn iter(self) -> impl Iterator<Item = Flag> {
        Flag::ALL
            .into_iter()
            .filter(move |flag| self.contains(*flag))
    }
    /// The names of the flags, for stores and output.
    #[must_use]
    pub fn names(self) -> Vec<&'static str> {
        self.iter().map(Flag::name).collect()
    }
    /// The set of these names; an unknown name is left out.
    #[must_use]
    pub fn from_names<'a>(names: impl IntoIterator<Item = &'a str>) -> Self {
        names.into_iter().fold(Self::NONE, |set, name| {
            Flag::ALL
                .into_iter()
                .find(|flag| flag.name() == name)
                .map_or(set, |flag| set.with(flag))
        })
    }
}

impl FromIterator<Flag> for Flags {
    fn from_iter<I: IntoIterator<Item = Flag>>(flags: I) -> Self {
        flags.into_iter().fold(Self::NONE, Self::with)
    }
}

/// What was measured of one window of one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Whether it could be measured.
    pub state: State,
    /// What to know about it.
    pub flags: Flags,
    /// The mean frequency over the window, where there is one.
    pub frequency: Option<Hertz>,
    /// Standard uncertainty (k = 1) of that mean.
    pub u: Option<HertzDifference>,
    /// The part of it that is due to noise added to the signal, without what the
    /// oscillator's own jitter does: at most `u`. `None` where that was not kept, as in
    /// stores before version 3.
    pub u_noise: Option<HertzDifference>,
    /// Level, rms.
    pub level: Option<Level>,
}

/// The surroundings of a reading, as far as they are known.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Conditions {
    /// Air temperature at the rig's thermometer.
    pub air: Option<Celsius>,
    /// Voltage of the supply behind the position.
    pub supply: Option<Volts>,
}

/// One note measured on one unit once.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Which reading it is.
    pub key: ReadingKey,
    /// The pitch that was asked for.
    pub asked: Pitch,
    /// The control voltage that was wanted less the one the sender could reach.
    pub residue: VoltDifference,
    /// When the note was played.
    pub played: RunTime,
    /// When its window began.
    pub at: RunTime,
    /// How long the window was.
    pub window: Seconds,
    /// What was measured.
    pub measured: Measured,
    /// In what surroundings.
    pub conditions: Conditions,
}

impl Reading {
    /// Whether it could not be measured, or carries a flag.
    #[must_use]
    pub fn is_doubtful(&self) -> bool {
        self.measured.state != State::Ok || !self.measured.flags.is_empty()
    }
}

/// A piece of a hold: frequencies at a fixed hop, windows adjoining.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// The stage, counted from 0 in the plan.
    pub stage: u16,
    /// The position.
    pub position: PositionId,
    /// The place of this piece in the hold, from 0.
    pub chunk: u32,
    /// The pitch that was asked for.
    pub asked: Pitch,
    /// The control voltage that was wanted less the one the sender could reach.
    pub residue: VoltDifference,
    /// When the note was played that is being held.
    pub played: RunTime,
    /// When the first window began.
    pub at: RunTime,
    /// From one window to the next.
    pub hop: Seconds,
    /// What was measured, a window each.
    pub points: Vec<Measured>,
}

/// Something planned that was not measured, and why. Never filled in.
#[derive(Debug, Clone, PartialEq)]
pub struct Gap {
    /// The stage, counted from 0 in the plan.
    pub stage: u16,
    /// The round within the stage.
    pub round: u32,
    /// The place within the round, or all of it.
    pub slot: Option<u16>,
    /// The position, or all of them.
    pub position: Option<PositionId>,
    /// When it was due.
    pub at: RunTime,
    /// Why.
    pub reason: String,
}

/// The kinds of event.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum EventKind {
    /// The program took up the run: its first session or a later one.
    SessionOpened,
    /// The program laid the run down.
    SessionClosed,
    /// A stage began; its time is the anchor of the stage's timetable.
    StageBegan,
    /// A stage ended.
    StageEnded,
    /// The supply of a position came on, or of all of them.
    PowerOn,
    /// The supply of a position went off, or of all of them.
    PowerOff,
    /// An electrical fault; the supply of a position was switched off for it.
    Tripped,
    /// A unit was heard for the first time since its supply came on.
    FirstSound,
    /// The supply of a position was switched on, and its current limit was not read back.
    LimitNotRead,
    /// Off was sent to the supply of a position, and that its output is off could not be
    /// confirmed.
    OutputUncertain,
    /// The supply of a position fell: its thermal history broke.
    SupplyLow,
    /// The supply of a position is back after it fell.
    SupplyBack,
    /// The thermometer does not answer any more; with a position, its supply.
    InstrumentLost,
    /// It answers again.
    InstrumentBack,
    /// The audio input stopped delivering.
    CaptureLost,
    /// The audio input delivers again.
    CaptureBack,
    /// No more recordings are kept.
    RecordingsStopped,
    /// The thermal or timetable history broke; the text says how.
    HistoryBroken,
    /// A finding of the checks before the plan began.
    Preflight,
    /// Something went wrong and what was done about it.
    Fault,
    /// The person at the bench answered a question, or tuned a unit.
    Answered,
    /// A note to the log by a person.
    Remark,
    /// All stages are done.
    RunEnded,
}

impl EventKind {
    /// Every kind.
    pub const ALL: [Self; 23] = [
        Self::SessionOpened,
        Self::SessionClosed,
        Self::StageBegan,
        Self::StageEnded,
        Self::PowerOn,
        Self::PowerOff,
        Self::Tripped,
        Self::FirstSound,
        Self::LimitNotRead,
        Self::OutputUncertain,
        Self::SupplyLow,
        Self::SupplyBack,
        Self::InstrumentLost,
        Self::InstrumentBack,
        Self::CaptureLost,
        Self::CaptureBack,
        Self::RecordingsStopped,
        Self::HistoryBroken,
        Self::Preflight,
        Self::Fault,
        Self::Answered,
        Self::Remark,
        Self::RunEnded,
    ];
    /// The name used in stores and output.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::SessionOpened => "session_opened",
            Self::SessionClosed => "session_closed",
            Self::StageBegan => "stage_began",
            Self::StageEnded => "stage_ended",
            Self::PowerOn => "power_on",
            Self::PowerOff => "power_off",
            Self::Tripped => "tripped",
            Self::FirstSound => "first_sound",
            Self::LimitNotRead => "limit_not_read",
            Self::OutputUncertain => "output_uncertain",
            Self::SupplyLow => "supply_low",
            Self::SupplyBack => "supply_back",
            Self::InstrumentLost => "instrument_lost",
            Self::InstrumentBack => "instrument_back",
            Self::CaptureLost => "capture_lost",
            Self::CaptureBack => "capture_back",
            Self::RecordingsStopped => "recordings_stopped",
            Self::HistoryBroken => "history_broken",
            Self::Preflight => "preflight",
            Self::Fault => "fault",
            Self::Answered => "answered",
            Self::Remark => "remark",
            Self::RunEnded => "run_ended",
        }
    }
    /// The kind of this name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }
    /// Whether it tells of the program rather than of the bench. Such events say
    /// how often a run was laid down, and stay out of the export: a run that was
    /// taken up again without a gap is the same run.
    #[must_use]
    pub const fn is_bookkeeping(self) -> bool {
        matches!(self, Self::SessionOpened | Self::SessionClosed)
    }
    /// Whether what was measured before and after it is of two histories: the unit's
    /// temperature or its place in the timetable is not what it would have been.
    #[must_use]
    pub const fn breaks_history(self) -> bool {
        matches!(self, Self::HistoryBroken | Self::SupplyLow)
    }
}

/// How everything begins that is shown of a supply that was sent off without confirming it.
pub const MAY_STILL_BE_ON: &str = "OUTPUT MAY STILL BE ON";

/// Something that happened.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// When, in the run's time.
    pub at: RunTime,
    /// When, by the wall clock.
    pub wall: Timestamp,
    /// What kind of thing.
    pub kind: EventKind,
    /// The stage it belongs to.
    pub stage: Option<u16>,
    /// The position it belongs to.
    pub position: Option<PositionId>,
    /// What happened, in a sentence.
    pub text: String,
}

/// One thing to be kept.
#[derive(Debug, Clone, PartialEq)]
pub enum Entry {
    /// A note measured.
    Reading(Reading),
    /// A piece of a hold.
    Trace(Trace),
    /// Something not measured.
    Gap(Gap),
    /// Something that happened.
    Event(Event),
}

/// A run as it was kept, in the order in which it was committed.
#[derive(Debug, Clone, PartialEq)]
pub struct RunRecord {
    /// Its identifier.
    pub id: RunId,
    /// What it was begun with.
    pub header: RunHeader,
    /// Its readings, every attempt.
    pub readings: Vec<Reading>,
    /// Its holds, in pieces.
    pub traces: Vec<Trace>,
    /// What it did not measure.
    pub gaps: Vec<Gap>,
    /// What happened.
    pub events: Vec<Event>,
}

impl RunRecord {
    /// Whether all stages are done.
    #[must_use]
    pub fn is_complete(&self) -> bool {
        self.events
            .iter()
            .any(|event| event.kind == EventKind::RunEnded)
    }
    /// The positions whose supplies were sent off without a confirmation, and have not
    /// been switched since: their outputs may still be on. With what was said of it.
    #[must_use]
    pub fn may_still_be_on(&self) -> BTreeMap<PositionId, &str> {
        let mut uncertain = BTreeMap::new();
        for event in &self.events {
            let Some(position) = &event.position else {
                continue;
            };
            match event.kind {
                EventKind::OutputUncertain => {
                    uncertain.insert(position.clone(), event.text.as_str());
                }
                EventKind::PowerOn | EventKind::PowerOff => {
                    uncertain.remove(position);
                }
                _ => {}
            }
        }
        uncertain
    }
    /// The last instant anything kept speaks of.
    #[must_use]
    pub fn last_instant(&self) -> RunTime {
        self.last_of(|_| true)
    }

    /// The last instant at which something was measured or done. That somebody opened or
    /// closed a session does nothing to a unit: a run that was stopped carries on from here
    /// as one that was killed does.
    #[must_use]
    pub fn last_deed(&self) -> RunTime {
        self.last_of(|kind| !matches!(kind, EventKind::SessionOpened | EventKind::SessionClosed))
    }

    fn last_of(&self, counts: impl Fn(EventKind) -> bool) -> RunTime {
        let readings = self
            .readings
            .iter()
            .map(|reading| reading.at + reading.window);
        let traces = self
            .traces
            .iter()
            .map(|trace| trace.at + trace.hop * trace.points.len() as f64);
        let events = self
            .events
            .iter()
            .filter(|event| counts(event.kind))
            .map(|event| event.at);
        readings
            .chain(traces)
            .chain(events)
            .max()
            .unwrap_or(RunTime::START)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_lead_back() {
        for state in State::ALL {
            assert_eq!(State::from_name(state.name()), Some(state));
        }
        for kind in EventKind::ALL {
            assert_eq!(EventKind::from_name(kind.name()), Some(kind));
        }
        for flag in Flag::ALL {
            assert_eq!(Flags::from_names([flag.name()]), Flags::NONE.with(flag));
        }
    }
}
