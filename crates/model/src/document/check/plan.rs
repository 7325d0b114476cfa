//! Whether a plan makes sense by itself.

use super::super::error::{DocumentError, clipped};
use super::super::notes::{MOST_NOTES, NOTE_OVERHEAD, name_of};
use super::super::path::Path;
use super::super::plan::{
    Alternate, Evidence, Hold, Listen, Notes, Plan, Rounds, Stage, Sweep, Tune, WindowLength,
};
use super::super::source::Document;
use super::listening::{any_law, count, duration, in_words, playing_time, slots};
use super::{Checked, Checker, at, tolerance};
use crate::pitch::{AskedNote, Note, Pitch, PitchStandard};
use crate::quantity::{Cents, Seconds};

/// No plan may last longer.
const LONGEST_PLAN: Seconds = Seconds::of(30.0 * 86_400.0);
/// No stage may have more readings of a unit, and no hold more windows.
const MOST_READINGS: f64 = 5e6;
const MOST_STAGES: usize = 200;
const MOST_TOLERANCES: usize = 500;

/// With fewer cycles in a window than this, a reading tells little.
const FEW_CYCLES: f64 = 10.0;

/// Checks a plan by itself.
///
/// # Errors
/// The first [`DocumentError`].
pub fn check_plan(document: &Document<Plan>) -> Checked {
    let plan = &document.value;
    let mut check = Checker::new(document);
    check.require(
        !plan.title.trim().is_empty(),
        &at!["title"],
        || "the plan has no title".to_owned(),
        || "reports are headed by it".to_owned(),
    )?;
    check.standard(plan.pitch)?;
    check.note(&plan.reference, &at!["reference"])?;
    check.listen(&plan.listen, &at!["listen"])?;
    check.in_range(
        plan.bad_reading.retries.into(),
        0..=20,
        &at!["bad_reading", "retries"],
        "number of retries",
    )?;
    check.evidence(&plan.evidence)?;
    check.require(
        (0.0..=3.0).contains(&plan.decision.guard_band),
        &at!["decision", "guard_band"],
        || format!("{} is not a possible guard band", plan.decision.guard_band),
        || "expected a number from 0 (simple acceptance) to 3; 1 is usual".to_owned(),
    )?;
    check.stages()?;
    check.in_range(
        plan.tolerances.len() as u64,
        0..=MOST_TOLERANCES as u64,
        &at!["tolerances"],
        "number of tolerances",
    )?;
    tolerance::check(&mut check)?;
    Ok(check.remarks)
}

/// How many readings of a unit a plan gives, windows of holds included.
pub(super) fn readings_of(plan: &Plan) -> f64 {
    let of = |stage: &Stage| {
        let repeats = f64::from(stage.listen(plan).repeats);
        match stage {
            Stage::Rounds(rounds) => {
                let slots = slots(&rounds.notes, rounds.order.as_ref(), plan);
                (rounds.lasts / rounds.every).ceil() * slots as f64 * repeats
            }
            Stage::Sweep(sweep) => slots(&sweep.notes, sweep.order.as_ref(), plan) as f64 * repeats,
            Stage::Hold(hold) => hold.lasts / hold.hop,
            Stage::Alternate(alternate) => 2.0 * f64::from(alternate.times) * repeats,
            _ => 0.0,
        }
    };
    plan.stages.iter().map(of).sum()
}

/// The word that begins a stage.
pub(super) const fn word(stage: &Stage) -> &'static str {
    match stage {
        Stage::CoolDown { .. } => "cool_down",
        Stage::PowerOn => "power_on",
        Stage::Rounds(_) => "rounds",
        Stage::Sweep(_) => "sweep",
        Stage::Hold(_) => "hold",
        Stage::Alternate(_) => "alternate",
        Stage::Ask { .. } => "ask",
        Stage::Tune(_) => "tune",
        Stage::Wait { .. } => "wait",
    }
}

/// Whether a stage measures, and so has a name of its own.
pub(super) const fn measures(stage: &Stage) -> bool {
    matches!(
        stage,
        Stage::Rounds(_) | Stage::Sweep(_) | Stage::Hold(_) | Stage::Alternate(_)
    )
}

impl Checker<'_, Plan> {
    fn standard(&self, standard: PitchStandard) -> Result<(), DocumentError> {
        let a4 = standard.frequency(Note::from_number(69).pitch());
        self.require(
            (200.0..=900.0).contains(&a4.get()),
            &at!["pitch"],
            || {
                if a4.get() < 1e6 {
                    format!("this makes A4 {:.1} Hz", a4.get())
                } else {
                    format!("this makes A4 {:.1e} Hz", a4.get())
                }
            },
            || "A4 must lie between 200 Hz and 900 Hz; 440 Hz is usual (ISO 16)".to_owned(),
        )
    }

    fn note(&self, note: &AskedNote, path: &Path) -> Result<(), DocumentError> {
        if let AskedNote::Frequency(frequency) = note {
            self.require(
                (1.0..=100e3).contains(&frequency.get()),
                path,
                || format!("{frequency} is no pitch of an oscillator that can be heard"),
                || "expected 1 Hz to 100 kHz".to_owned(),
            )?;
        }
        Ok(())
    }

    fn evidence(&self, evidence: &Evidence) -> Result<(), DocumentError> {
        let (word, budget) = match evidence {
            Evidence::None => return Ok(()),
            Evidence::Flagged { budget } => ("flagged", budget),
            Evidence::All { budget } => ("all", budget),
        };
        self.require(
            budget.get() >= 1e6,
            &at!["evidence", word, "budget"],
            || format!("{budget} holds no recording"),
            || "give at least 1 MB, or write \"evidence: none\"".to_owned(),
        )
    }

    fn stages(&mut self) -> Result<(), DocumentError> {
        let plan = &self.document.value;
        let top = at!["stages"];
        self.require(
            !plan.stages.is_empty(),
            &top,
            || "the plan has no stages".to_owned(),
            || "write at least one, such as \"- sweep: ...\"".to_owned(),
        )?;
        self.in_range(
            plan.stages.len() as u64,
            1..=MOST_STAGES as u64,
            &top,
            "number of stages",
        )?;
        for (index, stage) in plan.stages.iter().enumerate() {
            let path = top.then(index).then(word(stage));
            match stage {
                Stage::CoolDown { lasts } | Stage::Wait { lasts } => {
                    self.some_time(*lasts, &path.then("for"))?;
                }
                Stage::PowerOn => {}
                Stage::Ask { question } => self.require(
                    !question.trim().is_empty(),
                    &path.then("question"),
                    || "the question is empty".to_owned(),
                    || "write what is asked, or what is to be done".to_owned(),
                )?,
                Stage::Rounds(rounds) => self.rounds(rounds, &path)?,
                Stage::Sweep(sweep) => self.sweep(sweep, &path)?,
                Stage::Hold(hold) => self.hold(hold, &path)?,
                Stage::Alternate(alternate) => self.alternate(alternate, &path)?,
                Stage::Tune(tune) => self.tune(tune, &path)?,
            }
            if let Some(lasts) = duration(stage, plan) {
                self.not_too_long(lasts, &path)?;
            }
        }
        self.names()?;
        self.power()?;
        let whole = plan
            .stages
            .iter()
            .filter_map(|stage| duration(stage, plan))
            .fold(Seconds::ZERO, |sum, lasts| sum + lasts);
        self.not_too_long(whole, &top)?;
        self.readings(readings_of(plan), &top)?;
        if !plan.stages.iter().any(measures) {
            self.remark(
                &top,
                "no stage measures anything",
                "add rounds, a sweep, a hold or an alternation",
            );
        }
        Ok(())
    }

    fn not_too_long(&self, lasts: Seconds, path: &Path) -> Result<(), DocumentError> {
        self.require(
            lasts <= LONGEST_PLAN,
            path,
            || match lasts.get() / 86_400.0 {
                days if days < 1e6 => format!("this takes {days:.0} days"),
                _ => "this takes more than a million days".to_owned(),
            },
            || "a plan lasts at most 30 days".to_owned(),
        )
    }

    fn names(&self) -> Result<(), DocumentError> {
        let stages = &self.document.value.stages;
        for (index, stage) in stages
            .iter()
            .enumerate()
            .filter(|(_, stage)| measures(stage))
        {
            let path = at!["stages", index, word(stage), "name"];
            let name = stage.name();
            self.require(
                !name.trim().is_empty() && name.chars().count() <= 80,
                &path,
                || "a stage needs a name of 1 to 80 characters".to_owned(),
                || "tolerances and reports refer to it".to_owned(),
            )?;
            let earlier = stages[..index]
                .iter()
                .position(|earlier| measures(earlier) && earlier.name() == name);
            if let Some(earlier) = earlier {
                let problem = format!(
                    "stages[{earlier}] is already called \"{}\"",
                    clipped(name, 40)
                );
                let advice = "give each stage a name of its own".to_owned();
                return Err(self.document.error(&path, problem, Some(advice)));
            }
        }
        Ok(())
    }

    /// Nothing can be heard between a cool-down and the next power-on.
    fn power(&mut self) -> Result<(), DocumentError> {
        let stages = &self.document.value.stages;
        let mut off = false;
        for (index, stage) in stages.iter().enumerate() {
            let path = at!["stages", index, word(stage)];
            match stage {
                Stage::CoolDown { .. } => off = true,
                Stage::PowerOn => off = false,
                Stage::Tune(_) => self.powered(!off, &path)?,
                _ if measures(stage) => self.powered(!off, &path)?,
                _ => {}
            }
        }
        if off {
            let last = stages
                .iter()
                .rposition(|stage| matches!(stage, Stage::CoolDown { .. }))
                .unwrap_or_default();
            self.remark(
                &at!["stages", last],
                "the units stay off after this cool-down",
                "if that is not meant, add \"- power_on\"",
            );
        }
        Ok(())
    }

    fn powered(&self, on: bool, path: &Path) -> Result<(), DocumentError> {
        self.require(
            on,
            path,
            || "the units are still off after the cool-down".to_owned(),
            || "put \"- power_on\" before this stage".to_owned(),
        )
    }

    /// The notes of a stage; `path` is the stage's.
    fn notes(&mut self, notes: &Notes, listen: &Listen, path: &Path) -> Result<(), DocumentError> {
        let plan = &self.document.value;
        let path = path.then("notes");
        match notes {
            Notes::List(list) => {
                let path = path.then("list");
                self.require(
                    !list.is_empty(),
                    &path,
                    || "the list of notes is empty".to_owned(),
                    || "write at least one, like [C4]".to_owned(),
                )?;
                for (index, note) in list.iter().enumerate() {
                    self.note(note, &path.then(index))?;
                }
            }
            Notes::Range { from, to, step } => {
                let path = path.then("range");
                self.note(from, &path.then("from"))?;
                self.note(to, &path.then("to"))?;
                self.require(
                    *step > Cents::ZERO,
                    &path.then("step"),
                    || format!("a step of {step} leads nowhere"),
                    || {
                        "expected a step above zero; whether the range goes up or down follows from its ends"
                            .to_owned()
                    },
                )?;
                if count(notes, plan.pitch) < 2.0 {
                    let problem = format!("from {from} to {to} there is not one step of {step}");
                    let advice = "make the step smaller or the range wider".to_owned();
                    return Err(self
                        .document
                        .error(&path.then("step"), problem, Some(advice)));
                }
            }
        }
        let many = count(notes, plan.pitch);
        self.require(
            many <= MOST_NOTES as f64,
            &path,
            || format!("these are {many} notes"),
            || format!("a round has at most {MOST_NOTES}"),
        )?;
        self.cycles(notes, listen, &path);
        let reference = plan.reference.pitch(plan.pitch, any_law());
        let heard = notes
            .expand(plan.pitch, any_law())
            .iter()
            .any(|note| note.pitch.cents_from(reference).abs() < Cents::of(1e-3));
        let known = !matches!(plan.reference, AskedNote::Voltage(_));
        if known && !heard {
            let problem = format!(
                "the reference note {} is not among these notes",
                plan.reference
            );
            self.remark(
                &path,
                problem,
                "deviations after retuning, warm-up and drift need it",
            );
        }
        Ok(())
    }

    /// Says so when a fixed window holds only a few cycles of the lowest note.
    fn cycles(&mut self, notes: &Notes, listen: &Listen, path: &Path) {
        let WindowLength::Fixed(window) = listen.window else {
            return;
        };
        let standard = self.document.value.pitch;
        let pitch = |note: &AskedNote| match note {
            AskedNote::Voltage(_) => None,
            known => Some(known.pitch(standard, any_law())),
        };
        let pitches: Vec<Pitch> = match notes {
            Notes::List(list) => list.iter().filter_map(pitch).collect(),
            Notes::Range { from, to, .. } => [from, to].into_iter().filter_map(pitch).collect(),
        };
        let lowest = pitches
            .into_iter()
            .min_by(|a, b| a.note_number().total_cmp(&b.note_number()));
        let Some(lowest) = lowest else { return };
        let cycles = standard.frequency(lowest).get() * window.get();
        if cycles < FEW_CYCLES {
            let problem = format!(
                "a window of {window} holds only {cycles:.1} cycles of {}",
                name_of(lowest)
            );
            self.remark(path, problem, "readings will be rough; listen longer");
        }
    }

    fn readings(&self, many: f64, path: &Path) -> Result<(), DocumentError> {
        self.require(
            many <= MOST_READINGS,
            path,
            || format!("this gives {many:.0} readings of each unit"),
            || format!("a stage, and a plan, has at most {MOST_READINGS:.0}"),
        )
    }

    fn rounds(&mut self, rounds: &Rounds, path: &Path) -> Result<(), DocumentError> {
        if let Some(listen) = &rounds.listen {
            self.listen(listen, &path.then("listen"))?;
        }
        let plan = &self.document.value;
        let listen = rounds.listen.as_ref().unwrap_or(&plan.listen);
        self.notes(&rounds.notes, listen, path)?;
        self.some_time(rounds.every, &path.then("every"))?;
        self.require(
            rounds.lasts >= rounds.every,
            &path.then("for"),
            || {
                format!(
                    "{} is too short for one round every {}",
                    rounds.lasts, rounds.every
                )
            },
            || "\"for\" must be at least as long as \"every\"".to_owned(),
        )?;
        let slots = slots(&rounds.notes, rounds.order.as_ref(), plan);
        let needed = playing_time(slots, listen);
        self.require(
            needed <= rounds.every,
            &path.then("every"),
            || {
                let one = in_words(listen.settle.longest() + listen.window.longest());
                let repeats = if listen.repeats > 1 {
                    format!(", {} times each", listen.repeats)
                } else {
                    String::new()
                };
                format!(
                    "a round may take {}: {slots} notes{repeats}, each up to {one} and {NOTE_OVERHEAD} to play it",
                    in_words(needed)
                )
            },
            || format!("write at least {}, or listen more briefly", in_words(needed)),
        )?;
        let many = (rounds.lasts / rounds.every).ceil() * slots as f64 * f64::from(listen.repeats);
        self.readings(many, path)
    }

    fn sweep(&mut self, sweep: &Sweep, path: &Path) -> Result<(), DocumentError> {
        if let Some(listen) = &sweep.listen {
            self.listen(listen, &path.then("listen"))?;
        }
        let listen = sweep.listen.as_ref();
        let listen = listen.unwrap_or(&self.document.value.listen);
        let many = f64::from(listen.repeats);
        self.notes(&sweep.notes, listen, path)?;
        let plan = &self.document.value;
        let slots = slots(&sweep.notes, sweep.order.as_ref(), plan);
        self.readings(many * slots as f64, path)
    }

    fn hold(&mut self, hold: &Hold, path: &Path) -> Result<(), DocumentError> {
        self.note(&hold.note, &path.then("note"))?;
        if let Some(settle) = &hold.settle {
            self.settle(settle, &path.then("settle"))?;
        }
        self.window(hold.hop, &path.then("hop"))?;
        self.require(
            hold.lasts >= hold.hop,
            &path.then("for"),
            || format!("{} is shorter than one hop of {}", hold.lasts, hold.hop),
            || "hold the note longer".to_owned(),
        )?;
        self.readings(hold.lasts / hold.hop, path)
    }

    fn alternate(&mut self, alternate: &Alternate, path: &Path) -> Result<(), DocumentError> {
        let [first, second] = &alternate.between;
        for (index, note) in alternate.between.iter().enumerate() {
            self.note(note, &path.then("between").then(index))?;
        }
        let standard = self.document.value.pitch;
        let apart = |note: &AskedNote| note.pitch(standard, any_law());
        self.require(
            apart(first) != apart(second),
            &path.then("between"),
            || "the two notes are the same".to_owned(),
            || "alternate between two different notes, or hold one".to_owned(),
        )?;
        if let Some(listen) = &alternate.listen {
            self.listen(listen, &path.then("listen"))?;
        }
        self.some_time(alternate.every, &path.then("every"))?;
        self.in_range(
            alternate.times.into(),
            1..=1_000_000,
            &path.then("times"),
            "number of pairs",
        )?;
        let plan = &self.document.value;
        let needed = playing_time(2, alternate.listen.as_ref().unwrap_or(&plan.listen));
        self.require(
            needed <= alternate.every,
            &path.then("every"),
            || format!("a pair of notes may take {}", in_words(needed)),
            || {
                format!(
                    "write at least {}, or listen more briefly",
                    in_words(needed)
                )
            },
        )?;
        let listen = alternate.listen.as_ref().unwrap_or(&plan.listen);
        let many = 2.0 * f64::from(alternate.times) * f64::from(listen.repeats);
        self.readings(many, path)
    }

    fn tune(&mut self, tune: &Tune, path: &Path) -> Result<(), DocumentError> {
        if let Some(note) = &tune.note {
            self.note(note, &path.then("note"))?;
        }
        self.above_zero(tune.within, &path.then("within"))?;
        if let Some(time) = tune.at_most {
            self.some_time(time, &path.then("at_most"))?;
        }
        Ok(())
    }
}
