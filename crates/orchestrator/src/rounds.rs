//! Rounds of notes and sweeps: each note played, heard, judged and on disk
//! before the next; what cannot be played in time is a gap.

use crate::error::RunError;
use crate::progress::{Delay, Place};
use crate::run::Run;
use crate::schedule::NoteRounds;
use crate::session::{NoteFailure, NoteHeard, lock};
use model::document::plan::Then;
use model::pitch::Pitch;
use model::port::{CaptureError, PortError, Remedy};
use model::quantity::{Cents, Seconds};
use model::record::{
    Conditions, Entry, EventKind, Flag, Gap, PositionId, Reading, ReadingKey, State,
};
use model::time::RunTime;

/// A note later than this is said to be late.
const LATE: Seconds = Seconds::of(1.0);
/// How long a capture may stay away before the run gives up.
const CAPTURE_PATIENCE: Seconds = Seconds::of(900.0);
/// How often a sender may fail at one note.
const SENDER_TRIES: u32 = 3;
/// How often a capture may fail at one note.
const CAPTURE_TRIES: u32 = 5;
/// How far from the reference the note is that leads in, and how long it sounds.
const LEAD_IN: Cents = Cents::of(700.0);
const LEAD_IN_FOR: Seconds = Seconds::of(0.5);
/// How long a note is left before a repeat comes back to it.
const LEAVE_FOR: Seconds = Seconds::of(0.15);

/// One round of a stage, under way.
struct Round<'r> {
    stage: u16,
    round: u32,
    rounds: &'r NoteRounds,
    /// When it was to begin.
    due: RunTime,
}

/// What became of a place in the timetable.
enum Kept {
    /// It was measured, well or badly.
    Measured,
    /// It could not be played or heard; the reason.
    GivenUp(String),
}

impl Run<'_> {
    /// Carries out the rounds of a stage that are not on disk yet.
    pub(crate) fn rounds(
        &mut self,
        stage: u16,
        anchor: RunTime,
        rounds: &NoteRounds,
    ) -> Result<(), RunError> {
        self.regain_capture(stage)?;
        for round in 0..rounds.rounds {
            let slots = rounds.slots(round);
            let repeats = rounds.listen.repeats.max(1);
            let pending = |run: &Self, slot: usize| {
                let slot = slot as u16;
                !run.progress.is_gap(stage, round, slot)
                    && (0..repeats)
                        .any(|repeat| !run.outstanding((stage, round, slot, repeat)).is_empty())
            };
            if !(0..slots.len()).any(|slot| pending(self, slot)) {
                continue;
            }
            let due = anchor + rounds.every * f64::from(round);
            let begun = self.progress.first_played(stage, round);
            // A round under way is late by what it has lost since its last note; a
            // round not begun, by what has passed since it was due.
            let since = if begun.is_some() {
                self.progress.accounted_until
            } else {
                due
            };
            let late_by = Seconds::of(self.session.now().seconds_from(since).max(0.0));
            if late_by > rounds.every / 2.0 {
                self.skip_round(
                    stage,
                    round,
                    due,
                    if begun.is_some() { since } else { due },
                    begun.is_some(),
                    (0..slots.len())
                        .filter(|slot| pending(self, *slot))
                        .collect(),
                )?;
                continue;
            }
            self.wait_until(stage, due)?;
            self.look_for_sender(stage)?;
            self.lead_in()?;
            let state = Round {
                stage,
                round,
                rounds,
                due,
            };
            for (slot, note) in slots.iter().enumerate() {
                if !pending(self, slot) {
                    continue;
                }
                self.slot(&state, &slots, slot, *note)?;
            }
        }
        Ok(())
    }

    /// A sender whose port was unplugged takes notes without a word; only a look at
    /// the ports finds it gone, or back again.
    fn look_for_sender(&mut self, stage: u16) -> Result<(), RunError> {
        let present = lock(&self.session.notes).present();
        match present {
            Ok(()) => Ok(()),
            Err(error) if error.remedy == Remedy::Abort => Err(RunError::Device(error)),
            Err(error) => self.say(EventKind::Fault, Some(stage), error.to_string()),
        }
    }

    /// Before the first note of a run: plays another one for a moment, so that the
    /// first is arrived at by a move like all that follow, whatever sounded before.
    /// What that was is not on disk, and must not matter.
    pub(crate) fn lead_in(&mut self) -> Result<(), RunError> {
        if self.progress.has_notes() {
            return Ok(());
        }
        let elsewhere = |by: Cents| -> Vec<(PositionId, Pitch)> {
            let reference = self.schedule.reference.iter();
            reference
                .map(|(position, pitch)| (position.clone(), pitch.shifted(by)))
                .collect()
        };
        // A fifth up, or down where the safe range ends before that.
        let mut notes = lock(&self.session.notes);
        let led =
            notes.play(&elsewhere(LEAD_IN)).is_ok() || notes.play(&elsewhere(-LEAD_IN)).is_ok();
        drop(notes);
        if led {
            self.session.sleep_until(self.session.now() + LEAD_IN_FOR)?;
        }
        Ok(())
    }

    /// The positions that still lack a usable attempt at a place, with its number.
    fn outstanding(&self, place: Place) -> Vec<(PositionId, u16)> {
        let retries = self.plan.bad_reading.retries;
        self.positions
            .iter()
            .filter_map(|position| {
                Some((
                    position.clone(),
                    self.progress.next_attempt(place, position, retries)?,
                ))
            })
            .collect()
    }

    fn skip_round(
        &mut self,
        stage: u16,
        round: u32,
        due: RunTime,
        since: RunTime,
        begun: bool,
        slots: Vec<usize>,
    ) -> Result<(), RunError> {
        let reason = self.why_late(since);
        let gap = |slot| {
            Entry::Gap(Gap {
                stage,
                round,
                slot,
                position: None,
                at: due,
                reason: reason.clone(),
            })
        };
        let gaps = if begun {
            slots
                .into_iter()
                .map(|slot| gap(Some(slot as u16)))
                .collect()
        } else {
            vec![gap(None)]
        };
        self.keep(gaps)
    }

    fn slot(
        &mut self,
        state: &Round<'_>,
        slots: &[usize],
        slot: usize,
        note: usize,
    ) -> Result<(), RunError> {
        let place_due = state
            .rounds
            .pace
            .map_or(state.due, |pace| state.due + pace * slot as f64);
        self.wait_until(state.stage, place_due)?;
        for repeat in 0..state.rounds.listen.repeats.max(1) {
            let place = (state.stage, state.round, slot as u16, repeat);
            if self.outstanding(place).is_empty() {
                continue;
            }
            let kept = if self.has_lost_too_much(state) {
                Kept::GivenUp(self.why_late(state.due))
            } else {
                if repeat > 0 {
                    self.leave(state.rounds, slots, note)?;
                }
                self.place(state, place, note)?
            };
            if let Kept::GivenUp(reason) = kept {
                // A round that lost its time before its first note is given up whole, as
                // one is that nobody was there for.
                let unbegun = self
                    .progress
                    .first_played(state.stage, state.round)
                    .is_none();
                let whole = slot == 0 && unbegun && self.has_lost_too_much(state);
                let gap = Gap {
                    stage: state.stage,
                    round: state.round,
                    slot: (!whole).then_some(slot as u16),
                    position: None,
                    at: place_due,
                    reason,
                };
                return self.keep(vec![Entry::Gap(gap)]);
            }
            if self.plan.bad_reading.then == Then::Stop
                && let Some(position) = self.progress.stayed_bad(place)
            {
                let name = self.note_name(state.rounds, note);
                return Err(RunError::BadReading(format!(
                    "{name} on {position} could not be measured"
                )));
            }
        }
        Ok(())
    }

    fn note_name(&self, rounds: &NoteRounds, note: usize) -> String {
        let notes = rounds.notes.values().next();
        notes
            .and_then(|notes| notes.get(note))
            .map_or_else(String::new, |named| named.name.clone())
    }

    fn targets(rounds: &NoteRounds, note: usize) -> Vec<(PositionId, Pitch)> {
        rounds
            .notes
            .iter()
            .filter_map(|(position, notes)| Some((position.clone(), notes.get(note)?.pitch)))
            .collect()
    }

    /// Plays another note for a moment, so that a repeat comes back to its own.
    fn leave(&mut self, rounds: &NoteRounds, slots: &[usize], note: usize) -> Result<(), RunError> {
        let here = Self::targets(rounds, note);
        let elsewhere = slots
            .iter()
            .map(|other| Self::targets(rounds, *other))
            .find(|other| {
                other.iter().zip(&here).all(|((_, other), (_, here))| {
                    other.cents_from(*here).abs() >= Cents::of(100.0)
                })
            });
        // With a single note in the round there is no other that is known to be safe
        // but the reference.
        let elsewhere = elsewhere.unwrap_or_else(|| {
            self.schedule
                .reference
                .iter()
                .map(|(position, pitch)| (position.clone(), *pitch))
                .collect()
        });
        if lock(&self.session.notes).play(&elsewhere).is_ok() {
            self.session.sleep_until(self.session.now() + LEAVE_FOR)?;
        }
        Ok(())
    }

    /// Plays and hears one place until it is measured, or given up.
    fn place(&mut self, state: &Round<'_>, place: Place, note: usize) -> Result<Kept, RunError> {
        let targets = Self::targets(state.rounds, note);
        let (mut sender_failures, mut capture_failures) = (0, 0);
        loop {
            self.heed(state.stage)?;
            let outstanding = self.outstanding(place);
            if outstanding.is_empty() {
                return Ok(Kept::Measured);
            }
            let conditions = self.conditions()?;
            let before = self.session.now();
            match self.session.note(&targets, &state.rounds.listen) {
                Ok(heard) => {
                    let readings = self.readings(state, place, &outstanding, heard, &conditions);
                    if readings.is_empty() {
                        return Ok(Kept::GivenUp(
                            "the capture does not hear this position".to_owned(),
                        ));
                    }
                    let unheard = readings.iter().any(|reading| {
                        matches!(reading.measured.state, State::NotPlayed | State::Silent)
                    });
                    let doubtful = self.worth_recording(&readings);
                    self.keep(readings.into_iter().map(Entry::Reading).collect())?;
                    self.keep_recordings(state.stage, &doubtful)?;
                    if unheard {
                        self.look_for_sender(state.stage)?;
                    }
                }
                Err(NoteFailure::Sender(error)) => {
                    sender_failures += 1;
                    if let Some(kept) = self.sender_failed(state.stage, error, sender_failures)? {
                        return Ok(kept);
                    }
                    self.progress.delays.push(Delay {
                        from: before,
                        until: self.session.now(),
                        what: "the sender failed",
                        device: true,
                    });
                }
                Err(NoteFailure::Capture(error)) => {
                    capture_failures += 1;
                    self.capture_failed(state.stage, error, capture_failures)?;
                    if self.has_lost_too_much(state) {
                        return Ok(Kept::GivenUp(self.why_late(state.due)));
                    }
                }
            }
        }
    }

    fn readings(
        &mut self,
        state: &Round<'_>,
        place: Place,
        outstanding: &[(PositionId, u16)],
        heard: Vec<NoteHeard>,
        conditions: &[(PositionId, Conditions)],
    ) -> Vec<Reading> {
        let (stage, round, slot, repeat) = place;
        let first = heard.iter().map(|heard| heard.played).min();
        let began = self
            .progress
            .first_played(stage, round)
            .or_else(|| first.map(|played| self.session.run_time(played)));
        let late = began.is_some_and(|began| began.seconds_from(state.due) > LATE.get());
        let mut readings: Vec<Reading> = heard
            .into_iter()
            .filter_map(|heard| {
                let (_, attempt) = outstanding
                    .iter()
                    .find(|(position, _)| *position == heard.position)?;
                let mut measured = heard.measured;
                if late {
                    measured.flags.insert(Flag::Late);
                }
                let surroundings = conditions
                    .iter()
                    .find(|(position, _)| *position == heard.position);
                Some(Reading {
                    key: ReadingKey {
                        stage,
                        round,
                        slot,
                        repeat,
                        attempt: *attempt,
                        position: heard.position,
                    },
                    asked: heard.asked,
                    residue: heard.residue,
                    played: self.session.run_time(heard.played),
                    at: self.session.run_time(heard.at),
                    window: heard.window,
                    measured,
                    conditions: surroundings
                        .map_or_else(Conditions::default, |(_, conditions)| *conditions),
                })
            })
            .collect();
        self.session.heard.flag_locked(&mut readings);
        readings
    }

    /// Decides what a failure of the sender means: nothing (try again), a gap, or
    /// the end of the run.
    fn sender_failed(
        &mut self,
        stage: u16,
        error: PortError,
        failures: u32,
    ) -> Result<Option<Kept>, RunError> {
        match error.remedy {
            Remedy::Retry if failures < SENDER_TRIES => {
                self.say(
                    EventKind::Fault,
                    Some(stage),
                    format!("{error}; tried again"),
                )?;
                self.session
                    .sleep_until(self.session.now() + Seconds::of(1.0))?;
                Ok(None)
            }
            Remedy::Retry | Remedy::Skip => {
                self.say(EventKind::Fault, Some(stage), error.to_string())?;
                Ok(Some(Kept::GivenUp(error.to_string())))
            }
            Remedy::Abort => Err(RunError::Device(error)),
        }
    }

    /// Opens the capture again after a failure, and says both.
    pub(crate) fn capture_failed(
        &mut self,
        stage: u16,
        error: CaptureError,
        failures: u32,
    ) -> Result<(), RunError> {
        if let CaptureError::Cancelled(_) = error {
            return Err(self.stopped());
        }
        if failures >= CAPTURE_TRIES {
            return Err(error.into());
        }
        self.say(EventKind::CaptureLost, Some(stage), error.to_string())?;
        self.regain_capture(stage)
    }

    /// Whether failing devices have cost a round so much that the rest of it is given up.
    fn has_lost_too_much(&self, round: &Round<'_>) -> bool {
        self.progress.lost_since(round.due) > round.rounds.every / 2.0
    }

    /// Opens a capture again that was lost, if one was; a run that is taken up again goes
    /// on with that where it was laid down.
    pub(crate) fn regain_capture(&mut self, stage: u16) -> Result<(), RunError> {
        let Some(from) = self.progress.capture_lost else {
            return Ok(());
        };
        self.reopen_capture(stage, self.session.now() + CAPTURE_PATIENCE)?;
        let lost = Delay {
            from,
            until: self.session.now(),
            what: "the audio input was away",
            device: true,
        };
        self.say(
            EventKind::CaptureBack,
            Some(stage),
            format!("the audio input is back; {}", lost.words()),
        )
    }

    /// Opens the capture anew, with longer and longer waits in between. Whoever wants to
    /// end the run, or to remark on it, need not wait until the device is back.
    fn reopen_capture(&mut self, stage: u16, give_up: RunTime) -> Result<(), RunError> {
        let mut wait = Seconds::of(1.0);
        loop {
            match self.session.ear.reopen() {
                Ok(_) => return Ok(()),
                Err(CaptureError::Cancelled(_)) => return Err(self.stopped()),
                Err(error) if self.session.now() + wait > give_up => return Err(error.into()),
                Err(_) => {
                    self.wait_until(stage, self.session.now() + wait)?;
                    wait = Seconds::of((wait.get() * 2.0).min(30.0));
                }
            }
        }
    }

    pub(crate) fn stopped(&self) -> RunError {
        RunError::Stopped(
            self.session
                .stop
                .reason()
                .unwrap_or(model::time::StopReason::Asked),
        )
    }
}
