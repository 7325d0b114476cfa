//! Where a run stands, as a pure function of what is on disk. A fresh run and a
//! resumed one ask the same questions of it, so they cannot answer differently.

use crate::judge::is_bad;
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
    /// The stages that have switched their supplies.
    switched: BTreeSet<u16>,
    /// Which positions have their supply on, where that is known.
    pub(crate) powered: BTreeMap<PositionId, bool>,
    /// Whether supplies were switched off after an electrical fault.
    pub(crate) tripped: bool,
    /// Whether the checks before the plan have been done.
    pub(crate) preflight_done: bool,
    /// The last instant that anything kept speaks of.
    pub(crate) last_instant: RunTime,
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
                self.switched.extend(stage);
                if let Some(position) = &event.position {
                    self.powered
                        .insert(position.clone(), event.kind == EventKind::PowerOn);
                }
            }
            (EventKind::Tripped, _) => self.tripped = true,
            (EventKind::Preflight, _) => self.preflight_done = true,
            _ => {}
        }
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

    /// Whether a stage has switched its supplies.
    pub(crate) fn has_switched(&self, stage: u16) -> bool {
        self.switched.contains(&stage)
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
