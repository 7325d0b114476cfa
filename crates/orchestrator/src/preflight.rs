//! The checks before a plan: each input hears something, no input is overloaded,
//! each control voltage moves its own unit and no other, no two units are locked.

use crate::error::RunError;
use crate::judge::LOCKED_WITHIN;
use crate::session::{NoteFailure, NoteHeard, Session};
use model::document::plan::{Listen, Settle, WindowLength};
use model::document::rig::Rig;
use model::pitch::Pitch;
use model::quantity::{Cents, Hertz, Seconds};
use model::record::{Flag, PositionId, State};
use std::collections::BTreeMap;

/// By how much one control voltage is moved while the others stay: a fifth,
/// which no drift and no wrong scale can be taken for.
const STEP: Cents = Cents::of(700.0);
/// How far from [`STEP`] a unit may move and still count as moved by it.
const STEP_SLACK: Cents = Cents::of(250.0);
/// How far a unit may move that should not.
const STILL: Cents = Cents::of(50.0);

/// What the checks found.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Findings {
    /// What would waste the night.
    pub(crate) fatal: Vec<String>,
    /// What to know.
    pub(crate) remarks: Vec<String>,
}

/// Plays the reference note everywhere, then moves one control voltage after
/// the other.
pub(crate) fn check(
    session: &mut Session,
    rig: &Rig,
    reference: &BTreeMap<PositionId, Pitch>,
) -> Result<Findings, RunError> {
    let listen = Listen {
        settle: Settle::UntilSteady {
            within: Cents::of(5.0),
            at_most: Seconds::of(2.0),
        },
        window: WindowLength::Fixed(Seconds::of(0.3)),
        repeats: 1,
    };
    let home: Vec<(PositionId, Pitch)> = reference
        .iter()
        .map(|(id, pitch)| (id.clone(), *pitch))
        .collect();
    let mut findings = Findings::default();
    let at_home = play(session, &home, &listen)?;
    for heard in &at_home {
        let input = rig
            .positions
            .get(heard.position.as_str())
            .map_or(0, |position| position.input);
        let place = format!("position {} (input {input})", heard.position);
        match heard.measured.state {
            State::Ok => {}
            State::Silent => findings.fatal.push(format!(
                "{place} is silent; look at its supply, its audio cable and the input's gain"
            )),
            state => findings.fatal.push(format!(
                "{place} gives no pitch ({}); look at what is patched there",
                state.name().replace('_', " ")
            )),
        }
        if heard.measured.flags.contains(Flag::Clipped) {
            findings.remarks.push(format!(
                "{place} overloads its input; turn the gain down or use a pad"
            ));
        }
        if heard.measured.state != State::Silent
            && let Some(level) = heard.measured.level.filter(|level| level.get() < -50.0)
        {
            findings.remarks.push(format!(
                "{place} is quiet ({:.0} dBFS); turn the gain up",
                level.get()
            ));
        }
    }
    if !findings.fatal.is_empty() {
        return Ok(findings);
    }
    for feed in feeds(rig, &home) {
        check_feed(session, rig, &home, &at_home, &feed, &listen, &mut findings)?;
    }
    check_locked(session, rig, &home, &at_home, &listen, &mut findings)?;
    // Back to where it began, so that what follows starts from the same note.
    play(session, &home, &listen)?;
    Ok(findings)
}

/// The positions on each control voltage.
fn feeds(rig: &Rig, home: &[(PositionId, Pitch)]) -> Vec<Vec<PositionId>> {
    let mut feeds: BTreeMap<(&str, u8), Vec<PositionId>> = BTreeMap::new();
    for (id, _) in home {
        if let Some(position) = rig.positions.get(id.as_str()) {
            feeds
                .entry((position.cv.sender.as_str(), position.cv.channel))
                .or_default()
                .push(id.clone());
        }
    }
    feeds.into_values().collect()
}

fn check_feed(
    session: &mut Session,
    rig: &Rig,
    home: &[(PositionId, Pitch)],
    at_home: &[NoteHeard],
    feed: &[PositionId],
    listen: &Listen,
    findings: &mut Findings,
) -> Result<(), RunError> {
    let step = if fits(session, rig, home, feed, STEP) {
        STEP
    } else {
        -STEP
    };
    if !fits(session, rig, home, feed, step) {
        findings.remarks.push(format!(
            "the safe range of {} is too narrow for the check of its patching",
            feed.iter()
                .map(PositionId::as_str)
                .collect::<Vec<_>>()
                .join(", ")
        ));
        return Ok(());
    }
    let moved: Vec<(PositionId, Pitch)> = home
        .iter()
        .map(|(id, pitch)| {
            (
                id.clone(),
                if feed.contains(id) {
                    pitch.shifted(step)
                } else {
                    *pitch
                },
            )
        })
        .collect();
    let now = play(session, &moved, listen)?;
    let interval = |id: &PositionId| -> Option<Cents> {
        let old = frequency_of(at_home, id)?;
        Some(frequency_of(&now, id)?.cents_from(old))
    };
    let strays: Vec<&PositionId> = home
        .iter()
        .map(|(id, _)| id)
        .filter(|id| !feed.contains(id) && interval(id).is_some_and(|moved| moved.abs() > STILL))
        .collect();
    for id in feed {
        match interval(id) {
            Some(moved) if (moved - step).abs() <= STEP_SLACK => {}
            Some(moved) => {
                let hint = match strays.as_slice() {
                    [] => {
                        "look at its control voltage cable and the interface's channel".to_owned()
                    }
                    [stray, ..] => {
                        format!("position {stray} moved instead: are two cables swapped?")
                    }
                };
                findings.fatal.push(format!(
                    "position {id} was asked to move by {:.0} cents and moved by {:.0} cents; {hint}",
                    step.get(),
                    // Not "-0".
                    moved.get().round() + 0.0
                ));
            }
            None => findings.fatal.push(format!(
                "position {id} lost its pitch when its control voltage moved"
            )),
        }
    }
    for stray in strays {
        let feed: Vec<&str> = feed.iter().map(PositionId::as_str).collect();
        findings.fatal.push(format!(
            "position {stray} moves with the control voltage of {}; are they swapped, or locked to each other?",
            feed.join(", ")
        ));
    }
    Ok(())
}

/// Units that are locked follow their own control voltages, and run as one where
/// these agree: to be sure it takes a second note, played only where the first
/// gives reason to.
fn check_locked(
    session: &mut Session,
    rig: &Rig,
    home: &[(PositionId, Pitch)],
    at_home: &[NoteHeard],
    listen: &Listen,
    findings: &mut Findings,
) -> Result<(), RunError> {
    let suspects = agreeing(at_home);
    if suspects.is_empty() {
        return Ok(());
    }
    let all: Vec<PositionId> = home.iter().map(|(id, _)| id.clone()).collect();
    let Some(step) = [STEP, -STEP]
        .into_iter()
        .find(|step| fits(session, rig, home, &all, *step))
    else {
        return Ok(());
    };
    let moved: Vec<(PositionId, Pitch)> = home
        .iter()
        .map(|(id, pitch)| (id.clone(), pitch.shifted(step)))
        .collect();
    let again = agreeing(&play(session, &moved, listen)?);
    for (one, other) in suspects.iter().filter(|pair| again.contains(pair)) {
        findings.remarks.push(format!(
            "positions {one} and {other} sound at one and the same pitch on two notes; units that run free do not: look whether they are locked to each other through a sync cable, their supply or its ground"
        ));
    }
    Ok(())
}

/// The pairs of positions whose pitches agree better than units that run free.
fn agreeing(heard: &[NoteHeard]) -> Vec<(PositionId, PositionId)> {
    let mut pairs = Vec::new();
    for (index, first) in heard.iter().enumerate() {
        for second in &heard[index + 1..] {
            let (Some(one), Some(other)) = (first.measured.frequency, second.measured.frequency)
            else {
                continue;
            };
            if one.cents_from(other).abs() <= LOCKED_WITHIN {
                pairs.push((first.position.clone(), second.position.clone()));
            }
        }
    }
    pairs
}

/// Whether a move keeps every position of a feed within its safe range.
fn fits(
    session: &Session,
    rig: &Rig,
    home: &[(PositionId, Pitch)],
    feed: &[PositionId],
    by: Cents,
) -> bool {
    home.iter()
        .filter(|(id, _)| feed.contains(id))
        .all(|(id, pitch)| {
            rig.positions.get(id.as_str()).is_some_and(|position| {
                let law = position.cv.law.control_law();
                position
                    .cv
                    .safe
                    .contains(law.voltage(pitch.shifted(by), session.standard))
            })
        })
}

fn frequency_of(heard: &[NoteHeard], id: &PositionId) -> Option<Hertz> {
    heard
        .iter()
        .find(|heard| heard.position == *id)?
        .measured
        .frequency
}

fn play(
    session: &mut Session,
    targets: &[(PositionId, Pitch)],
    listen: &Listen,
) -> Result<Vec<NoteHeard>, RunError> {
    session
        .note(targets, listen)
        .map_err(|failure| match failure {
            NoteFailure::Sender(error) => RunError::Device(error),
            NoteFailure::Capture(error) => error.into(),
        })
}
