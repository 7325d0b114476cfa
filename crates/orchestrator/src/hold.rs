//! Holding a note and listening without a gap, and tuning with a person.

use crate::error::RunError;
use crate::run::Run;
use crate::schedule::{HeldNote, Tuning};
use crate::session::{NoteFailure, lock};
use model::pitch::Pitch;
use model::port::CaptureError;
use model::quantity::{Cents, Seconds};
use model::record::{Entry, EventKind, Gap, Measured, PositionId, Trace};
use model::time::{RunTime, Span};
use std::collections::BTreeMap;

/// The most that is lost of a hold when the plug is pulled.
const CHUNK: Seconds = Seconds::of(10.0);
/// How long a unit must stay within its band to count as tuned.
const TUNED_FOR: Seconds = Seconds::of(2.0);

impl Run<'_> {
    /// Holds a note and commits its trace piece by piece.
    pub(crate) fn hold(
        &mut self,
        stage: u16,
        anchor: RunTime,
        held: &HeldNote,
    ) -> Result<(), RunError> {
        let end = anchor + held.settle.longest() + held.hop * held.windows as f64;
        let mut failures = 0;
        self.regain_capture(stage)?;
        loop {
            match self.hold_once(stage, end, held) {
                Ok(()) => return Ok(()),
                Err(NoteFailureOr::Run(error)) => return Err(error),
                Err(NoteFailureOr::Note(NoteFailure::Sender(error))) => {
                    return Err(RunError::Device(error));
                }
                Err(NoteFailureOr::Note(NoteFailure::Capture(error))) => {
                    failures += 1;
                    self.capture_failed(stage, error, failures)?;
                }
            }
        }
    }

    fn hold_once(
        &mut self,
        stage: u16,
        end: RunTime,
        held: &HeldNote,
    ) -> Result<(), NoteFailureOr> {
        let targets: Vec<(PositionId, Pitch)> = held
            .note
            .iter()
            .map(|(position, pitch)| (position.clone(), *pitch))
            .collect();
        self.lead_in()?;
        let played = lock(&self.session.notes)
            .play(&targets)
            .map_err(NoteFailure::Sender)?;
        let timeline = self.session.ear.timeline();
        let frames = timeline.rate.frames(held.hop);
        let before = self.progress.held(stage);
        let now = self.session.clock.now();
        // Where no time has passed since the last piece, the note is the same one still.
        let adjoining = before.filter(|before| self.session.host_time(before.until) >= now);
        let since = adjoining.map(|before| before.played);
        let mut span = if let Some(before) = adjoining {
            let start = timeline.sample_time(self.session.host_time(before.until));
            Span { start, frames: 0 }
        } else {
            let sent = played.iter().map(|played| played.at).max().unwrap_or(now);
            let (span, _) = self.session.settle(&targets, sent, &held.settle)?;
            span
        };
        // Kept together with the next piece: a run that is killed in between says it once.
        let mut missed = None;
        if let Some(before) = before {
            let begins = self.session.run_time(timeline.host_time(span.start));
            if begins > before.until {
                let gap = Gap {
                    stage,
                    round: 0,
                    slot: None,
                    position: None,
                    at: before.until,
                    reason: format!(
                        "nothing was heard for {:.0} s: {}",
                        begins.seconds_from(before.until),
                        self.why_late(before.until)
                    ),
                };
                missed = Some(Entry::Gap(gap));
            }
        }
        let mut windows = before.map_or(0, |held| held.windows);
        let mut chunk = before.map_or(0, |held| held.chunks);
        let per_chunk = ((CHUNK / held.hop).floor() as u64).max(1);
        while windows < held.windows {
            self.heed(stage)?;
            // A hold that lost time ends when it was to end; it does not stretch.
            let begins = self.session.run_time(timeline.host_time(span.end()));
            if before.is_some() && begins >= end {
                self.keep(missed.into_iter().collect())?;
                return Ok(());
            }
            let pieces = per_chunk.min(held.windows - windows);
            let mut points: BTreeMap<PositionId, Vec<Measured>> = BTreeMap::new();
            for _ in 0..pieces {
                span = span.then(frames);
                for (position, measured) in self.session.ear.measure(span, &self.session.stop)? {
                    points.entry(position).or_default().push(measured);
                }
            }
            let traces = missed
                .take()
                .into_iter()
                .chain(points.into_iter().filter_map(|(position, points)| {
                    let played = played.iter().find(|played| played.position == position)?;
                    Some(Entry::Trace(Trace {
                        stage,
                        position,
                        chunk,
                        asked: played.asked,
                        residue: played.residue,
                        played: since.unwrap_or_else(|| self.session.run_time(played.at)),
                        at: begins,
                        hop: held.hop,
                        points,
                    }))
                }))
                .collect();
            self.keep(traces)?;
            windows += pieces;
            chunk += 1;
        }
        Ok(())
    }

    /// Plays a note and shows every unit's deviation until all are within a band.
    pub(crate) fn tune(&mut self, stage: u16, tuning: &Tuning) -> Result<(), RunError> {
        let targets: Vec<(PositionId, Pitch)> = tuning
            .note
            .iter()
            .map(|(position, pitch)| (position.clone(), *pitch))
            .collect();
        lock(&self.session.notes).play(&targets)?;
        let timeline = self.session.ear.timeline();
        let frames = timeline.rate.frames(Seconds::of(0.25));
        let begun = self.session.now();
        let mut span = Span {
            start: timeline.sample_time(self.session.clock.now()),
            frames,
        };
        let mut steady_since: Option<RunTime> = None;
        loop {
            self.heed(stage)?;
            let measured =
                self.session.ear.measure(span, &self.session.stop).map_err(
                    |error| match error {
                        CaptureError::Cancelled(_) => self.stopped(),
                        error => error.into(),
                    },
                )?;
            let now = self.session.now();
            let mut all_within = true;
            for (position, pitch) in &targets {
                let frequency = measured
                    .iter()
                    .find(|(id, _)| id == position)
                    .and_then(|(_, m)| m.frequency);
                let deviation = frequency.map(|frequency| {
                    let cents = frequency.cents_from(self.session.standard.frequency(*pitch));
                    // The range switch may stand at any octave; the knob tunes within one.
                    Cents::of(cents.get() - (cents.get() / 1200.0).round() * 1200.0)
                });
                all_within &= deviation.is_some_and(|deviation| deviation.abs() <= tuning.within);
                self.session.operator.show_deviation(position, deviation);
            }
            steady_since = if all_within {
                steady_since.or(Some(now))
            } else {
                None
            };
            if steady_since.is_some_and(|since| now.seconds_from(since) >= TUNED_FOR.get()) {
                return self.say(
                    EventKind::Answered,
                    Some(stage),
                    format!(
                        "every unit tuned at {} to within {}",
                        tuning.name, tuning.within
                    ),
                );
            }
            if tuning
                .at_most
                .is_some_and(|at_most| now.seconds_from(begun) >= at_most.get())
            {
                return self.say(
                    EventKind::Answered,
                    Some(stage),
                    format!(
                        "not every unit came to within {} at {} in time",
                        tuning.within, tuning.name
                    ),
                );
            }
            span = span.then(frames);
        }
    }
}

/// A failure of a note, which may pass, or of the run, which does not.
enum NoteFailureOr {
    Note(NoteFailure),
    Run(RunError),
}

impl From<NoteFailure> for NoteFailureOr {
    fn from(failure: NoteFailure) -> Self {
        Self::Note(failure)
    }
}

impl From<CaptureError> for NoteFailureOr {
    fn from(error: CaptureError) -> Self {
        Self::Note(NoteFailure::Capture(error))
    }
}

impl From<RunError> for NoteFailureOr {
    fn from(error: RunError) -> Self {
        Self::Run(error)
    }
}
