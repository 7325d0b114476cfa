//! Where a run stands, as a pure function of what is on disk. A fresh run and a
//! resumed one ask the same questions of it, so they cannot answer differently.

use crate::judge::is_bad;
use crate::run::words;
use model::quantity::Seconds;
use model::record::{Event, EventKind, Gap, PositionId, Reading, RunRecord, Trace};
use model::time::RunTime;
use std::collections::{BTreeMap, BTreeSet};

/// One note at one place of the timetable: stage, round, slot, repeat.
pub(crate) type Place = (u16, u32, u16, u16);

/// What is on disk of a run, in the form in which the run asks for it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Progress {
    /// Anchors of the stages that have begun.
    anchors: BTreeMap<u16, RunTime>,
    /// Ends of the stages that have ended.
    ends: BTreeMap<u16, RunTime>,
    /// The last attempt at each note, and whether it was bad.
    attempts: BTreeMap<Place, BTreeMap<PositionId, (u16, bool)>>,
    /// What was given up: stage, round, slot (or the whole round).
    gaps: BTreeSet<(u16, u32, Option<u16>)>,
    /// When the first note of a round was played.
    first_played: BTreeMap<(u16, u32), RunTime>,
    /// The end of each hold so far, and how many pieces it has.
    holds: BTreeMap<u16, Held>,
    /// The stages that have switched the supplies of positions.
    switched: BTreeSet<(u16, Option<PositionId>)>,
    /// What is known of the supply of each position.
    pub(crate) supplies: BTreeMap<PositionId, KnownSupply>,
    /// Whether the thermometer has been lost, and when anything was last said of it.
    pub(crate) thermometer_lost: bool,
    pub(crate) thermometer_told: Option<RunTime>,
    /// Since when the audio input has not delivered, if it does not.
    pub(crate) capture_lost: Option<RunTime>,
    /// What the timetable lost, in order.
    pub(crate) delays: Vec<Delay>,
    /// Whether no more recordings are kept.
    pub(crate) recordings_stopped: bool,
    /// All readings, and those that are bad or flagged: how many, and how long together.
    pub(crate) heard_all: Heard,
    pub(crate) heard_flagged: Heard,
    /// The last instant that a note was heard, or would have been had the audio input
    /// delivered.
    pub(crate) accounted_until: RunTime,
    /// Whether supplies were switched off after an electrical fault.
    pub(crate) tripped: bool,
    /// Whether the checks before the plan have been done.
    pub(crate) preflight_done: bool,
    /// The last instant that anything kept speaks of.
    pub(crate) last_instant: RunTime,
}

/// What is on disk of the supply of a position.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct KnownSupply {
    /// Whether the run switched it on or off, and when.
    pub(crate) on: Option<(bool, RunTime)>,
    /// Whether its current limit was read back when it was switched on.
    pub(crate) limit_read: bool,
    /// Whether it fell and is not back.
    pub(crate) low: bool,
    /// Whether its instrument does not answer any more.
    pub(crate) lost: bool,
    /// When anything was last said of what its instrument shows.
    pub(crate) told: Option<RunTime>,
}

/// Something that held the timetable up.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Delay {
    pub(crate) from: RunTime,
    pub(crate) until: RunTime,
    /// What it was, for "between ... and ...".
    pub(crate) what: &'static str,
    /// Whether a device failed that notes need.
    pub(crate) device: bool,
}

impl Delay {
    /// The run was not going on.
    pub(crate) const fn absence(from: RunTime, until: RunTime) -> Self {
        Self {
            from,
            until,
            what: "the run was not going on",
            device: false,
        }
    }

    /// How much of a stretch of time it took.
    fn overlap(&self, from: RunTime, until: RunTime) -> f64 {
        self.until
            .min(until)
            .seconds_from(self.from.max(from))
            .max(0.0)
    }

    pub(crate) fn words(&self) -> String {
        format!(
            "{} between {} and {}",
            self.what,
            words(self.from),
            words(self.until)
        )
    }
}

/// Readings, counted.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Heard {
    pub(crate) count: u64,
    pub(crate) seconds: f64,
}

impl Heard {
    fn add(&mut self, window: Seconds) {
        self.count += 1;
        self.seconds += window.get();
    }
}

/// How far a hold has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Held {
    /// When the note was played that the last piece heard.
    pub(crate) played: RunTime,
    /// Where the last window ended.
    pub(crate) until: RunTime,
    /// How many windows are on disk.
    pub(crate) windows: u64,
    /// How many pieces.
    pub(crate) chunks: u32,
}

impl Progress {
    pub(crate) fn of(record: &RunRecord) -> Self {
        let mut progress = Self::default();
        for event in &record.events {
            progress.event(event);
        }
        for gap in &record.gaps {
            progress.gap(gap);
        }
        for reading in &record.readings {
            progress.reading(reading);
        }
        for trace in &record.traces {
            progress.trace(trace);
        }
        progress.last_instant = record.last_instant();
        progress.delays.extend(Self::absences(record));
        progress
    }

    pub(crate) fn event(&mut self, event: &Event) {
        match (event.kind, event.stage) {
            (EventKind::StageBegan, Some(stage)) => {
                self.anchors.insert(stage, event.at);
                self.preflight_done = true;
            }
            (EventKind::StageEnded, Some(stage)) => {
                self.ends.insert(stage, event.at);
            }
            (EventKind::PowerOn | EventKind::PowerOff, stage) => {
                let place = stage.map(|stage| (stage, event.position.clone()));
                self.switched.extend(place);
                let on = event.kind == EventKind::PowerOn;
                self.of_supply(event, |supply| {
                    supply.on = Some((on, event.at));
                    supply.limit_read = on;
                    supply.low = false;
                });
            }
            (EventKind::LimitNotRead, _) => self.of_supply(event, |supply| {
                supply.limit_read = false;
            }),
            (EventKind::SupplyLow | EventKind::SupplyBack, _) => self.of_supply(event, |supply| {
                supply.low = event.kind == EventKind::SupplyLow;
                supply.told = supply.told.max(Some(event.at));
            }),
            (EventKind::InstrumentLost | EventKind::InstrumentBack, _) => {
                let lost = event.kind == EventKind::InstrumentLost;
                if event.position.is_none() {
                    self.thermometer_lost = lost;
                    self.thermometer_told = Some(event.at);
                }
                self.of_supply(event, |supply| {
                    supply.lost = lost;
                    supply.told = supply.told.max(Some(event.at));
                });
            }
            (EventKind::CaptureLost, _) => self.capture_lost = Some(event.at),
            (EventKind::CaptureBack, _) => {
                if let Some(from) = self.capture_lost.take() {
                    self.delays.push(Delay {
                        from,
                        until: event.at,
                        what: "the audio input was away",
                        device: true,
                    });
                }
                self.accounted_until = self.accounted_until.max(event.at);
            }
            (EventKind::RecordingsStopped, _) => self.recordings_stopped = true,
            (EventKind::Tripped, _) => self.tripped = true,
            (EventKind::Preflight, _) => self.preflight_done = true,
            _ => {}
        }
    }

    fn of_supply(&mut self, event: &Event, change: impl FnOnce(&mut KnownSupply)) {
        if let Some(position) = &event.position {
            change(self.supplies.entry(position.clone()).or_default());
        }
    }

    /// Whether the run has switched the supply of a position on, where it has switched it.
    pub(crate) fn powered(&self, position: &PositionId) -> Option<bool> {
        let (on, _) = self.supplies.get(position)?.on?;
        Some(on)
    }

    /// What held the timetable up most in a stretch of time, if anything is known to have.
    pub(crate) fn held_up(&self, from: RunTime, until: RunTime) -> Option<&Delay> {
        let overlapping = self
            .delays
            .iter()
            .filter(|delay| delay.overlap(from, until) > 0.0);
        overlapping.max_by(|one, other| {
            one.overlap(from, until)
                .total_cmp(&other.overlap(from, until))
        })
    }

    /// How much time devices that notes need have cost since an instant.
    pub(crate) fn lost_since(&self, from: RunTime) -> Seconds {
        let lost: f64 = self
            .delays
            .iter()
            .filter(|delay| delay.device && delay.from >= from)
            .map(|delay| delay.until.seconds_from(delay.from))
            .sum();
        Seconds::of(lost.max(0.0))
    }

    /// The stretches over which the run was not going on, up to the last session that is on
    /// disk: of each session that followed on something, from that on.
    fn absences(record: &RunRecord) -> Vec<Delay> {
        let opened = |event: &&Event| event.kind == EventKind::SessionOpened;
        let ends = |until: RunTime| {
            let readings = record
                .readings
                .iter()
                .map(|reading| reading.at + reading.window);
            let traces = record
                .traces
                .iter()
                .map(|trace| trace.at + trace.hop * trace.points.len() as f64);
            let events = record.events.iter().filter(|event| !opened(event));
            readings
                .chain(traces)
                .chain(events.map(|event| event.at))
                .filter(|at| *at <= until)
                .max()
        };
        let sessions = record.events.iter().filter(opened).skip(1);
        sessions
            .filter_map(|event| Some(Delay::absence(ends(event.at)?, event.at)))
            .collect()
    }

    pub(crate) fn gap(&mut self, gap: &Gap) {
        self.gaps.insert((gap.stage, gap.round, gap.slot));
    }

    pub(crate) fn reading(&mut self, reading: &Reading) {
        let bad = is_bad(&reading.measured, reading.key.round == 0);
        let attempts = self.attempts.entry(place(reading)).or_default();
        attempts.insert(reading.key.position.clone(), (reading.key.attempt, bad));
        self.first_played
            .entry((reading.key.stage, reading.key.round))
            .or_insert(reading.played);
        self.accounted_until = self.accounted_until.max(reading.at + reading.window);
        self.heard_all.add(reading.window);
        if reading.is_doubtful() {
            self.heard_flagged.add(reading.window);
        }
    }

    pub(crate) fn trace(&mut self, trace: &Trace) {
        let held = self.holds.entry(trace.stage).or_insert(Held {
            played: trace.played,
            until: trace.at,
            windows: 0,
            chunks: 0,
        });
        // Every position has a piece of the same length; count each piece once.
        if trace.chunk >= held.chunks {
            held.chunks = trace.chunk + 1;
            held.windows += trace.points.len() as u64;
            held.played = trace.played;
            held.until = trace.at + trace.hop * trace.points.len() as f64;
        }
    }

    pub(crate) fn anchor(&self, stage: u16) -> Option<RunTime> {
        self.anchors.get(&stage).copied()
    }

    pub(crate) fn end(&self, stage: u16) -> Option<RunTime> {
        self.ends.get(&stage).copied()
    }

    pub(crate) fn held(&self, stage: u16) -> Option<Held> {
        self.holds.get(&stage).copied()
    }

    /// When the first note of a round was played, if any was.
    pub(crate) fn first_played(&self, stage: u16, round: u32) -> Option<RunTime> {
        self.first_played.get(&(stage, round)).copied()
    }

    /// Whether a stage has switched the supply of a position.
    pub(crate) fn has_switched(&self, stage: u16, position: &PositionId) -> bool {
        self.switched.contains(&(stage, None))
            || self.switched.contains(&(stage, Some(position.clone())))
    }

    /// Whether any note of the run is on disk.
    pub(crate) fn has_notes(&self) -> bool {
        !self.first_played.is_empty() || !self.holds.is_empty()
    }

    /// Whether a note has been given up.
    pub(crate) fn is_gap(&self, stage: u16, round: u32, slot: u16) -> bool {
        self.gaps.contains(&(stage, round, None)) || self.gaps.contains(&(stage, round, Some(slot)))
    }

    /// The number of the next attempt at a note on a position; `None` when there
    /// is none to be made.
    pub(crate) fn next_attempt(
        &self,
        place: Place,
        position: &PositionId,
        retries: u16,
    ) -> Option<u16> {
        match self
            .attempts
            .get(&place)
            .and_then(|attempts| attempts.get(position))
        {
            None => Some(0),
            Some((attempt, true)) if *attempt < retries => Some(attempt + 1),
            Some(_) => None,
        }
    }

    /// Whether the last attempt at a note was bad on any position.
    pub(crate) fn stayed_bad(&self, place: Place) -> Option<PositionId> {
        let attempts = self.attempts.get(&place)?;
        attempts
            .iter()
            .find(|(_, (_, bad))| *bad)
            .map(|(position, _)| position.clone())
    }
}

fn place(reading: &Reading) -> Place {
    (
        reading.key.stage,
        reading.key.round,
        reading.key.slot,
        reading.key.repeat,
    )
}
