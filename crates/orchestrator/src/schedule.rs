//! The timetable of a plan on a rig: which note is due when. A pure function of
//! the two documents and, once a run is under way, of the anchors of its stages.

use model::document::notes::{NOTE_OVERHEAD, NamedPitch, playing_order};
use model::document::plan::{Listen, Notes, Order, Plan, Settle, Stage, WindowLength};
use model::document::rig::Rig;
use model::pitch::{AskedNote, Pitch};
use model::quantity::Seconds;
use model::record::PositionId;
use std::collections::BTreeMap;

/// The share of a sweep that is kept free for notes that must be tried again.
const SWEEP_RESERVE: f64 = 0.1;

/// A plan laid out on a rig.
#[derive(Debug, Clone, PartialEq)]
pub struct Schedule {
    /// The stages, in order.
    pub stages: Vec<ScheduledStage>,
    /// The plan's reference note, as a pitch of each position.
    pub reference: BTreeMap<PositionId, Pitch>,
}

/// A stage laid out.
#[derive(Debug, Clone, PartialEq)]
pub struct ScheduledStage {
    /// Its name.
    pub name: String,
    /// How long it lasts, where the plan decides that.
    pub lasts: Option<Seconds>,
    /// What there is to do.
    pub work: Work,
}

/// What a stage does.
#[derive(Debug, Clone, PartialEq)]
pub enum Work {
    /// Supplies off, then nothing.
    CoolDown,
    /// Supplies on.
    PowerOn,
    /// Nothing.
    Wait,
    /// Rounds of notes.
    Rounds(NoteRounds),
    /// One note without a gap.
    Hold(HeldNote),
    /// A question to the person at the bench.
    Ask {
        /// The question.
        question: String,
    },
    /// Tuning by the person at the bench.
    Tune(Tuning),
}

/// Rounds of notes; a sweep is one round with a pace.
#[derive(Debug, Clone, PartialEq)]
pub struct NoteRounds {
    /// How many rounds.
    pub rounds: u32,
    /// From the beginning of one to the next.
    pub every: Seconds,
    /// From one note of a round to the next, where that is fixed; else each note
    /// follows as soon as the one before is done.
    pub pace: Option<Seconds>,
    /// How to listen.
    pub listen: Listen,
    /// The notes, as names and as pitches of each position, equally long.
    pub notes: BTreeMap<PositionId, Vec<NamedPitch>>,
    /// The notes as written, which decide the order.
    written: Notes,
    order: Option<Order>,
    reference: Pitch,
}

/// A note to be held.
#[derive(Debug, Clone, PartialEq)]
pub struct HeldNote {
    /// The note as a pitch of each position.
    pub note: BTreeMap<PositionId, Pitch>,
    /// The length of each window.
    pub hop: Seconds,
    /// How many windows.
    pub windows: u64,
    /// When the first may begin.
    pub settle: Settle,
}

/// A note to be tuned.
#[derive(Debug, Clone, PartialEq)]
pub struct Tuning {
    /// The note as a pitch of each position.
    pub note: BTreeMap<PositionId, Pitch>,
    /// Its name.
    pub name: String,
    /// The band either side, in cents.
    pub within: model::quantity::Cents,
    /// How long to wait for it.
    pub at_most: Option<Seconds>,
}

impl NoteRounds {
    /// The notes of a round in the order of playing, as indices into
    /// [`NoteRounds::notes`]; its places are the slots of the readings.
    #[must_use]
    pub fn slots(&self, round: u32) -> Vec<usize> {
        let Some(notes) = self.notes.values().next() else {
            return Vec::new();
        };
        playing_order(
            self.order.as_ref(),
            &self.written,
            notes,
            self.reference,
            round,
        )
    }

    /// The longest a round can take when nothing has to be tried again.
    #[must_use]
    pub fn longest_round(&self) -> Seconds {
        let slots = self.slots(0).len() as f64;
        self.pace.map_or_else(
            || note_time(&self.listen) * (slots * f64::from(self.listen.repeats)),
            |pace| pace * slots,
        )
    }
}

/// The longest a note can take when nothing has to be tried again.
fn note_time(listen: &Listen) -> Seconds {
    listen.settle.longest() + listen.window.longest() + NOTE_OVERHEAD
}

impl Schedule {
    /// Lays a plan out on the positions that hold a unit. The documents are taken
    /// to have passed their checks.
    #[must_use]
    pub fn new(plan: &Plan, rig: &Rig, positions: &[PositionId]) -> Self {
        let layout = Layout {
            plan,
            rig,
            positions,
        };
        Self {
            stages: plan
                .stages
                .iter()
                .map(|stage| layout.stage(stage))
                .collect(),
            reference: layout.pitches(&plan.reference),
        }
    }

    /// How long the plan takes, as far as it decides that itself, and whether it
    /// also waits for people.
    #[must_use]
    pub fn duration(&self) -> (Seconds, bool) {
        let timed = self
            .stages
            .iter()
            .filter_map(|stage| stage.lasts)
            .fold(Seconds::ZERO, |sum, lasts| sum + lasts);
        (timed, self.stages.iter().any(|stage| stage.lasts.is_none()))
    }

    /// What is still to come after `stage`.
    #[must_use]
    pub fn duration_after(&self, stage: usize) -> Seconds {
        self.stages
            .iter()
            .skip(stage + 1)
            .filter_map(|stage| stage.lasts)
            .fold(Seconds::ZERO, |sum, lasts| sum + lasts)
    }
}

struct Layout<'a> {
    plan: &'a Plan,
    rig: &'a Rig,
    positions: &'a [PositionId],
}

impl Layout<'_> {
    /// A note as a pitch of each position.
    fn pitches(&self, note: &AskedNote) -> BTreeMap<PositionId, Pitch> {
        self.each_position(|law| note.pitch(self.plan.pitch, law))
    }

    fn each_position<T>(
        &self,
        make: impl Fn(model::pitch::ControlLaw) -> T,
    ) -> BTreeMap<PositionId, T> {
        self.positions
            .iter()
            .filter_map(|id| {
                let position = self.rig.positions.get(id.as_str())?;
                Some((id.clone(), make(position.cv.law.control_law())))
            })
            .collect()
    }

    fn stage(&self, stage: &Stage) -> ScheduledStage {
        let (work, lasts) = match stage {
            Stage::CoolDown { lasts } => (Work::CoolDown, Some(*lasts)),
            Stage::PowerOn => (Work::PowerOn, Some(Seconds::ZERO)),
            Stage::Wait { lasts } => (Work::Wait, Some(*lasts)),
            Stage::Rounds(rounds) => {
                let count = (rounds.lasts / rounds.every + 1e-9).floor() as u32;
                let work = self.rounds(
                    &rounds.notes,
                    rounds.order.as_ref(),
                    rounds.listen.as_ref(),
                    count,
                    rounds.every,
                );
                (Work::Rounds(work), Some(rounds.lasts))
            }
            Stage::Sweep(sweep) => {
                let listen = sweep.listen.as_ref().unwrap_or(&self.plan.listen);
                let pace = note_time(listen) * f64::from(listen.repeats);
                let mut work = self.rounds(
                    &sweep.notes,
                    sweep.order.as_ref(),
                    Some(listen),
                    1,
                    Seconds::ZERO,
                );
                work.pace = Some(pace);
                work.every = pace * (work.slots(0).len() as f64 * (1.0 + SWEEP_RESERVE));
                let lasts = work.every;
                (Work::Rounds(work), Some(lasts))
            }
            Stage::Alternate(alternate) => {
                let notes = Notes::List(alternate.between.to_vec());
                let work = self.rounds(
                    &notes,
                    None,
                    alternate.listen.as_ref(),
                    alternate.times,
                    alternate.every,
                );
                (
                    Work::Rounds(work),
                    Some(alternate.every * f64::from(alternate.times)),
                )
            }
            Stage::Hold(hold) => {
                let settle = hold
                    .settle
                    .clone()
                    .unwrap_or_else(|| self.plan.listen.settle.clone());
                let windows = (hold.lasts / hold.hop + 1e-9).floor() as u64;
                let lasts = settle.longest() + hold.lasts + NOTE_OVERHEAD;
                (
                    Work::Hold(HeldNote {
                        note: self.pitches(&hold.note),
                        hop: hold.hop,
                        windows,
                        settle,
                    }),
                    Some(lasts),
                )
            }
            Stage::Ask { question } => (
                Work::Ask {
                    question: question.clone(),
                },
                None,
            ),
            Stage::Tune(tune) => {
                let note = tune.note.as_ref().unwrap_or(&self.plan.reference);
                let work = Tuning {
                    note: self.pitches(note),
                    name: note.to_string(),
                    within: tune.within,
                    at_most: tune.at_most,
                };
                (Work::Tune(work), None)
            }
        };
        ScheduledStage {
            name: stage.name().to_owned(),
            lasts,
            work,
        }
    }

    fn rounds(
        &self,
        notes: &Notes,
        order: Option<&Order>,
        listen: Option<&Listen>,
        rounds: u32,
        every: Seconds,
    ) -> NoteRounds {
        let expanded = self.each_position(|law| notes.expand(self.plan.pitch, law));
        let reference = self
            .pitches(&self.plan.reference)
            .into_values()
            .next()
            .unwrap_or_else(|| {
                // Without a position nothing is played; any pitch will do.
                model::pitch::Note::from_number(60).pitch()
            });
        NoteRounds {
            rounds,
            every,
            pace: None,
            listen: listen.unwrap_or(&self.plan.listen).clone(),
            notes: expanded,
            written: notes.clone(),
            order: order.cloned(),
            reference,
        }
    }
}

/// How long a window is at first, and at most.
#[must_use]
pub fn window_lengths(window: &WindowLength) -> (Seconds, Seconds) {
    match window {
        WindowLength::Fixed(length) => (*length, *length),
        WindowLength::UntilUncertainty { at_most, .. } => {
            let first = Seconds::of(at_most.get().min(0.25));
            (first, *at_most)
        }
    }
}
