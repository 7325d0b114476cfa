//! Listening to one note: when its window may begin, and how long it is. The same for a
//! note that is being played and for one in a recording.

use crate::ear::{Ear, Measurements, glimpse_length};
use crate::judge::Heard;
use crate::schedule::window_lengths;
use meter::{SettlingCurve, Steadiness};
use model::document::plan::{Settle, WindowLength};
use model::pitch::{Pitch, PitchStandard};
use model::port::{Capture, CaptureError};
use model::quantity::{Cents, Seconds};
use model::record::{Flag, PositionId};
use model::time::{HostTime, Span, Stop};
use std::collections::BTreeMap;

/// A note is on its way for so long: from the sender through the interface to the input,
/// and through the interface's own slew.
const UNDER_WAY: Seconds = Seconds::of(0.03);

fn shorter(one: Seconds, other: Seconds) -> Seconds {
    if one < other { one } else { other }
}

/// A note that was sent to some positions, and what was last heard of them.
pub(crate) struct Sent<'a> {
    /// What was asked of each position.
    pub(crate) targets: &'a [(PositionId, Pitch)],
    /// When the last of them was sent.
    pub(crate) at: HostTime,
    /// The plan's pitch standard.
    pub(crate) standard: PitchStandard,
    /// What each position was last heard to play.
    pub(crate) heard: &'a Heard,
}

impl Sent<'_> {
    /// How long a short listen to it must be.
    pub(crate) fn glimpse(&self) -> Seconds {
        let notes = self.targets.iter();
        glimpse_length(notes.map(|(_, asked)| self.standard.frequency(*asked)))
    }

    /// Marks measurements of it with what is known of how it came about.
    pub(crate) fn judge(&self, measured: &mut Measurements, unsettled: &[PositionId]) {
        for (position, measured) in measured {
            if unsettled.contains(position) {
                measured.flags.insert(Flag::Unsettled);
            }
            if let Some((_, asked)) = self.targets.iter().find(|(other, _)| other == position) {
                self.heard.judge(position, *asked, measured);
            }
        }
    }

    /// The positions whose pitch has not arrived or still moves.
    fn unsteady(
        &self,
        curves: &BTreeMap<PositionId, SettlingCurve>,
        now: &Measurements,
        within: Cents,
    ) -> Vec<PositionId> {
        self.targets
            .iter()
            .filter(|(position, asked)| {
                let steady = curves
                    .get(position)
                    .is_some_and(|curve| curve.steadiness(within) == Steadiness::Steady);
                let heard = now
                    .iter()
                    .find(|(other, _)| other == position)
                    .and_then(|(_, measured)| measured.frequency);
                !(steady && self.heard.has_arrived(position, *asked, heard))
            })
            .map(|(position, _)| position.clone())
            .collect()
    }
}

impl<C: Capture + ?Sized> Ear<C> {
    /// Waits until a note has settled. Returns an empty span where the window may
    /// begin, and the positions that did not settle.
    pub(crate) fn settle(
        &mut self,
        sent: &Sent<'_>,
        settle: &Settle,
        stop: &Stop,
    ) -> Result<(Span, Vec<PositionId>), CaptureError> {
        let timeline = self.timeline();
        match settle {
            Settle::Fixed(time) => Ok((
                Span {
                    start: timeline.sample_time(sent.at + *time),
                    frames: 0,
                },
                Vec::new(),
            )),
            Settle::UntilSteady { within, at_most } => {
                let frames = timeline.rate.frames(sent.glimpse());
                let latest = timeline.sample_time(sent.at + *at_most);
                // What is heard before says nothing about the new note.
                let begins = sent.at + shorter(UNDER_WAY, *at_most);
                let mut span = Span {
                    start: timeline.sample_time(begins),
                    frames: 0,
                };
                let mut before: Option<Measurements> = None;
                let mut curves: BTreeMap<PositionId, SettlingCurve> = BTreeMap::new();
                loop {
                    span = span.then(frames);
                    let now = self.glimpse(span, before.as_ref(), stop)?;
                    for (position, measured) in &now {
                        curves.entry(position.clone()).or_default().push(measured);
                    }
                    let unsteady = sent.unsteady(&curves, &now, *within);
                    if unsteady.is_empty() || span.end() >= latest {
                        return Ok((span.then(0), unsteady));
                    }
                    before = Some(now);
                }
            }
        }
    }

    /// Listens to a window that begins where `before` ends.
    pub(crate) fn listen(
        &mut self,
        before: Span,
        window: &WindowLength,
        stop: &Stop,
    ) -> Result<(Span, Measurements), CaptureError> {
        let rate = self.timeline().rate;
        let (first, longest) = window_lengths(window);
        let span = before.then(rate.frames(first));
        match window {
            WindowLength::Fixed(_) => Ok((span, self.measure(span, stop)?)),
            WindowLength::UntilUncertainty { reaches, .. } => {
                self.measure_until(span, rate.frames(longest), *reaches, stop)
            }
        }
    }
}
