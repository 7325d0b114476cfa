//! A recording as a run: the documents behind it, and what is written down of it.

use crate::documents::{plan_text, rig_text};
use crate::notes::Slot;
use crate::rounds::{Laid, lay_out};
use crate::{Recording, RecordingError};
use model::document::plan::Plan;
use model::document::rig::Law;
use model::document::{Document, read_plan, read_rig};
use model::pitch::AskedNote;
use model::quantity::Seconds;
use model::record::{Entry, Event, EventKind, Flag, PositionId, Reading, State};
use model::time::{RunTime, Timestamp};
use std::collections::BTreeMap;
use std::io::BufRead;

/// What is known of a recording beside its samples.
#[derive(Debug, Clone)]
pub struct Source {
    /// The file's name, without its folder.
    pub file: String,
    /// The SHA-256 of its bytes, in hexadecimal.
    pub sha256: String,
    /// The channels that hold units, counted from 1.
    pub channels: Vec<u16>,
    /// Which pitch of a unit belongs to which voltage.
    pub law: Law,
    /// Its notes, in the order of time.
    pub notes: Vec<Slot>,
    /// Where these come from, like "the table notes.csv".
    pub notes_from: String,
}

impl Source {
    /// When the last note ends.
    pub(crate) fn notes_end(&self) -> Seconds {
        Seconds::of(self.notes.last().map_or(0.0, Slot::end))
    }
}

/// The position of the unit on a channel, counted from 1.
#[must_use]
pub fn position(channel: u16) -> PositionId {
    PositionId::new(&format!("channel-{channel}"))
}

/// A recording that is about to become a run.
#[derive(Debug)]
pub struct Import {
    pub(crate) source: Source,
    pub(crate) plan: Plan,
    pub(crate) laid: Vec<Laid>,
    /// The plan of the run: as it was given, or written for the recording.
    pub plan_text: String,
    /// The rig of the run, written for the recording.
    pub rig_text: String,
}

/// A channel on which many notes did not move as asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Astray {
    /// The channel, counted from 1.
    pub channel: u16,
    /// After how many notes the pitch had not moved by what was asked.
    pub astray: usize,
    /// How many notes there are.
    pub of: usize,
}

impl Import {
    /// Lays the notes out on a plan. Without one they are rounds where the same notes come
    /// again and again, else one go through them, and `reference` is the note that a panel
    /// knob puts right, or else the one nearest to middle C.
    ///
    /// # Errors
    /// The notes do not fit the plan.
    pub fn new<R: BufRead>(
        recording: &Recording<R>,
        source: Source,
        plan: Option<Document<Plan>>,
        reference: Option<&AskedNote>,
    ) -> Result<Self, RecordingError> {
        let rig_text = rig_text(recording, &source);
        // Whoever opens the run must be able to read it.
        read_rig("the recording", rig_text.as_bytes())?;
        let (plan_text, plan) = match plan {
            Some(plan) => (plan.text, plan.value),
            None => {
                let text = plan_text(&source, reference)?;
                let plan = read_plan("the recording's plan", text.as_bytes())?;
                (text, plan.value)
            }
        };
        let laid = lay_out(&plan, &source.notes, source.law.control_law())?;
        Ok(Self {
            source,
            plan,
            laid,
            plan_text,
            rig_text,
        })
    }

    /// The channels on which the pitch did not move as asked in half of the notes or more,
    /// as with the table of another recording.
    #[must_use]
    pub fn astray(&self, readings: &[Reading]) -> Vec<Astray> {
        let mut found = Vec::new();
        for channel in &self.source.channels {
            let position = position(*channel);
            let of_it = readings.iter().filter(|of| of.key.position == position);
            let (mut of, mut astray) = (0, 0);
            for Reading { measured, .. } in of_it {
                of += 1;
                if measured.state == State::NotPlayed
                    || measured.flags.contains(Flag::WrongInterval)
                {
                    astray += 1;
                }
            }
            // The first note has none before it.
            if astray * 2 >= of && astray > 1 {
                found.push(Astray {
                    channel: *channel,
                    astray,
                    of,
                });
            }
        }
        found
    }

    /// All that a run of these readings has to have written down; `wall` is when it was
    /// imported.
    #[must_use]
    pub fn entries(&self, readings: Vec<Reading>, wall: Timestamp) -> Vec<Entry> {
        let event = |at: f64, kind: EventKind, stage: Option<u16>, text: String| {
            Entry::Event(Event {
                at: RunTime::START + Seconds::of(at),
                wall,
                kind,
                stage,
                position: None,
                text,
            })
        };
        let mut entries = vec![event(
            0.0,
            EventKind::Remark,
            None,
            format!("imported: recording {}", self.source.file),
        )];
        let mut stages: BTreeMap<u16, (f64, f64)> = BTreeMap::new();
        for (slot, laid) in self.source.notes.iter().zip(&self.laid) {
            let span = stages.entry(laid.stage).or_insert((slot.start, slot.end()));
            span.1 = slot.end();
        }
        for (stage, (from, to)) in stages {
            let name = self.plan.stages[usize::from(stage)].name();
            entries.extend([
                event(from, EventKind::StageBegan, Some(stage), name.to_owned()),
                event(to, EventKind::StageEnded, Some(stage), name.to_owned()),
            ]);
        }
        entries.extend(readings.into_iter().map(Entry::Reading));
        entries.push(event(
            self.source.notes_end().get(),
            EventKind::RunEnded,
            None,
            "the recording was imported".to_owned(),
        ));
        entries
    }
}
