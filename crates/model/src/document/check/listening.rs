//! How long things take, and whether a way of listening makes sense.

use super::super::error::DocumentError;
use super::super::notes::{self, NOTE_OVERHEAD};
use super::super::path::Path;
use super::super::plan::{Listen, Notes, Order, Plan, Settle, Stage, WindowLength};
use super::Checker;
use crate::pitch::{ControlLaw, Note, PitchStandard};
use crate::quantity::shown;
use crate::quantity::{Cents, Seconds, Volts, VoltsPerOctave};

/// No window may be shorter: too few cycles of a low note fit.
const SHORTEST_WINDOW: Seconds = Seconds::of(0.02);
/// No window, and no settling, may be longer.
const LONGEST_WINDOW: Seconds = Seconds::of(600.0);
/// A law to compare notes by while no rig is known. Notes that are voltages have
/// no pitch of their own, but any law tells two of them apart.
pub(super) fn any_law() -> ControlLaw {
    ControlLaw::VoltsPerOctave {
        slope: VoltsPerOctave::of(1.0),
        zero_pitch: Note::from_number(24).pitch(),
        zero_voltage: Volts::of(0.0),
    }
}

/// The notes of a range, or as many as are written.
pub(super) fn count(notes: &Notes, standard: PitchStandard) -> f64 {
    match notes {
        Notes::List(list) => list.len() as f64,
        Notes::Range { from, to, step } => {
            let ends = [from, to].map(|note| note.pitch(standard, any_law()));
            notes::range_steps(ends[0], ends[1], *step) + 1.0
        }
    }
}

/// How many notes are played in a round.
pub(super) fn slots(notes: &Notes, order: Option<&Order>, plan: &Plan) -> usize {
    let expanded = notes.expand(plan.pitch, any_law());
    let reference = plan.reference.pitch(plan.pitch, any_law());
    notes::playing_order(order, notes, &expanded, reference, 0).len()
}

/// How long a number of notes takes when nothing has to be tried again.
pub(super) fn playing_time(slots: usize, listen: &Listen) -> Seconds {
    let one = listen.settle.longest() + listen.window.longest() + NOTE_OVERHEAD;
    one * (slots as f64 * f64::from(listen.repeats))
}

/// How long a stage takes at most, where it can be said.
pub(super) fn duration(stage: &Stage, plan: &Plan) -> Option<Seconds> {
    match stage {
        Stage::CoolDown { lasts } | Stage::Wait { lasts } => Some(*lasts),
        Stage::PowerOn => Some(Seconds::ZERO),
        Stage::Rounds(rounds) => Some(rounds.lasts),
        Stage::Sweep(sweep) => {
            let slots = slots(&sweep.notes, sweep.order.as_ref(), plan);
            Some(playing_time(slots, stage.listen(plan)))
        }
        Stage::Hold(hold) => {
            let settle = hold.settle.as_ref().unwrap_or(&plan.listen.settle);
            Some(settle.longest() + hold.lasts + NOTE_OVERHEAD)
        }
        Stage::Alternate(alternate) => Some(alternate.every * f64::from(alternate.times)),
        Stage::Ask { .. } => None,
        Stage::Tune(tune) => tune.at_most,
    }
}

/// A length of time rounded up to what a person would write.
pub(super) fn in_words(time: Seconds) -> String {
    let seconds = time.get();
    let step = match seconds {
        brief if brief < 1.0 => 1e-3,
        brief if brief < 10.0 => 0.1,
        brief if brief < 120.0 => 1.0,
        long if long < 7200.0 => 60.0,
        _ => 360.0,
    };
    // What arithmetic has added in the last digits must not round a whole number up.
    shown::duration((seconds / step - 1e-6).ceil() * step)
}

impl Checker<'_, Plan> {
    pub(super) fn listen(&self, listen: &Listen, path: &Path) -> Result<(), DocumentError> {
        self.settle(&listen.settle, &path.then("settle"))?;
        let window = path.then("window");
        match &listen.window {
            WindowLength::Fixed(time) => self.window(*time, &window.then("fixed"))?,
            WindowLength::UntilUncertainty { reaches, at_most } => {
                let window = window.then("until_uncertainty");
                self.above_zero(*reaches, &window.then("reaches"))?;
                self.window(*at_most, &window.then("at_most"))?;
            }
        }
        self.in_range(
            listen.repeats.into(),
            1..=1000,
            &path.then("repeats"),
            "number of repeats",
        )
    }

    pub(super) fn settle(&self, settle: &Settle, path: &Path) -> Result<(), DocumentError> {
        let (time, path) = match settle {
            Settle::Fixed(time) => (*time, path.then("fixed")),
            Settle::UntilSteady { within, at_most } => {
                let path = path.then("until_steady");
                self.above_zero(*within, &path.then("within"))?;
                self.some_time(*at_most, &path.then("at_most"))?;
                (*at_most, path.then("at_most"))
            }
        };
        self.require(
            time <= LONGEST_WINDOW,
            &path,
            || format!("{time} is too long to wait for a note"),
            || format!("at most {LONGEST_WINDOW}"),
        )
    }

    pub(super) fn window(&self, time: Seconds, path: &Path) -> Result<(), DocumentError> {
        self.require(
            time >= SHORTEST_WINDOW && time <= LONGEST_WINDOW,
            path,
            || format!("a window cannot be {time} long"),
            || format!("expected {SHORTEST_WINDOW} to {LONGEST_WINDOW}; 500 ms is usual"),
        )
    }

    pub(super) fn above_zero(&self, band: Cents, path: &Path) -> Result<(), DocumentError> {
        self.require(
            band > Cents::ZERO,
            path,
            || format!("{band} is never reached"),
            || "expected an interval above zero, like \"1 cent\"".to_owned(),
        )
    }

    pub(super) fn some_time(&self, time: Seconds, path: &Path) -> Result<(), DocumentError> {
        self.require(
            time > Seconds::ZERO,
            path,
            || "no time is given here".to_owned(),
            || "expected more than 0 s".to_owned(),
        )
    }
}
