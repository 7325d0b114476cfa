//! Whether a plan can run on a rig.

use super::super::error::DocumentError;
use super::super::path::Path;
use super::super::plan::{Notes, Plan, Stage};
use super::super::rig::{Position, Rig, Sender, Wiring};
use super::super::source::Document;
use super::plan::{readings_of, word};
use super::{Checked, Checker, at};
use crate::pitch::{AskedNote, ControlLaw, Pitch};
use crate::quantity::{Hertz, VoltDifference, Volts};

/// What rounding may put a voltage beyond the end of a safe range.
const ROUNDING: VoltDifference = VoltDifference::of(1e-9);

/// The largest share of its full scale that an audio output of 16 bits can give.
const HIGHEST_SHARE: f64 = 1.0 - 1.0 / 32_768.0;

/// Checks a plan against the rig it is to run on. Both are taken to have passed
/// their own checks. Errors point into the plan.
///
/// # Errors
/// The first [`DocumentError`].
pub fn check_together(plan: &Document<Plan>, rig: &Document<Rig>) -> Checked {
    let mut check = Checker::new(plan);
    check.supplies_for(&rig.value)?;
    check.can_be_held(&rig.value)?;
    let fitting = Fitting {
        check: &check,
        rig: &rig.value,
        file: &rig.file,
    };
    fitting.note(&plan.value.reference, &at!["reference"])?;
    for (index, stage) in plan.value.stages.iter().enumerate() {
        fitting.stage(stage, &at!["stages", index, word(stage)])?;
    }
    Ok(check.remarks)
}

/// What a reading, or a window of a hold, takes in memory while a run is analysed, with
/// what is computed from it: about four times the record itself.
const BYTES_A_READING: f64 = 1000.0;
/// The most that all readings of a run may take, which a small computer still has.
const MOST_BYTES: f64 = 20e9;

impl Checker<'_, Plan> {
    /// Whether a computer can hold what the plan gives of all units.
    fn can_be_held(&self, rig: &Rig) -> Result<(), DocumentError> {
        let units = rig.positions.len();
        let readings = readings_of(&self.document.value) * units as f64;
        let bytes = readings * BYTES_A_READING;
        self.require(
            bytes <= MOST_BYTES,
            &at!["stages"],
            || {
                format!(
                    "this gives {readings:.0} readings of {units} units, which take about {:.0} GB of memory",
                    bytes / 1e9
                )
            },
            || {
                format!(
                    "at most {:.0} GB can be held; measure less often, or fewer units at once",
                    MOST_BYTES / 1e9
                )
            },
        )
    }

    /// Somebody or something must be able to switch.
    fn supplies_for(&mut self, rig: &Rig) -> Result<(), DocumentError> {
        let fed = rig
            .positions
            .values()
            .filter(|position| position.supply.is_some())
            .count();
        let stages = &self.document.value.stages;
        for (index, stage) in stages.iter().enumerate() {
            let path = at!["stages", index];
            match stage {
                Stage::CoolDown { .. } => self.require(
                    fed > 0,
                    &path,
                    || format!("no position of the rig \"{}\" has a supply that could be switched off", rig.name),
                    || "describe one in the rig, \"by: operator\" if a person switches it, and name it in the positions".to_owned(),
                )?,
                Stage::PowerOn if fed == 0 => self.remark(
                    &path,
                    format!("no position of the rig \"{}\" has a supply", rig.name),
                    "nothing is switched here; time only begins to count",
                ),
                _ => {}
            }
        }
        let switches = stages
            .iter()
            .position(|stage| matches!(stage, Stage::CoolDown { .. } | Stage::PowerOn));
        let unfed = rig
            .positions
            .iter()
            .find(|(_, position)| position.supply.is_none());
        if let (Some(index), Some((name, _)), true) = (switches, unfed, fed > 0) {
            self.remark(
                &at!["stages", index],
                format!("the position \"{name}\" has no supply in the rig, others have"),
                "its unit is not switched: what the plan says of a cold start does not hold for it",
            );
        }
        Ok(())
    }
}

/// A plan's notes held against a rig's positions.
struct Fitting<'a> {
    check: &'a Checker<'a, Plan>,
    rig: &'a Rig,
    file: &'a str,
}

impl Fitting<'_> {
    fn stage(&self, stage: &Stage, path: &Path) -> Result<(), DocumentError> {
        match stage {
            Stage::Rounds(rounds) => self.notes(&rounds.notes, &path.then("notes")),
            Stage::Sweep(sweep) => self.notes(&sweep.notes, &path.then("notes")),
            Stage::Hold(hold) => self.note(&hold.note, &path.then("note")),
            Stage::Alternate(alternate) => {
                for (index, note) in alternate.between.iter().enumerate() {
                    self.note(note, &path.then("between").then(index))?;
                }
                Ok(())
            }
            Stage::Tune(tune)
                if tune.at_most.is_none() && matches!(self.rig.wiring, Wiring::Simulated(_)) =>
            {
                Err(self.check.document.error(
                    path,
                    "on a simulated rig nobody turns the knob, so this stage would never end"
                        .to_owned(),
                    Some("say how long to wait, for example at_most: 20 min".to_owned()),
                ))
            }
            Stage::Tune(tune) => match &tune.note {
                Some(note) => self.note(note, &path.then("note")),
                None => Ok(()),
            },
            Stage::CoolDown { .. } | Stage::PowerOn | Stage::Ask { .. } | Stage::Wait { .. } => {
                Ok(())
            }
        }
    }

    fn notes(&self, notes: &Notes, path: &Path) -> Result<(), DocumentError> {
        let standard = self.check.document.value.pitch;
        match notes {
            Notes::List(list) => {
                for (index, note) in list.iter().enumerate() {
                    self.note(note, &path.then("list").then(index))?;
                }
                return Ok(());
            }
            Notes::Range { from, to, .. } => {
                self.note(from, &path.then("range").then("from"))?;
                // A range may stop short of its end; the last note is what counts.
                if matches!(to, AskedNote::Voltage(_)) {
                    self.note(to, &path.then("range").then("to"))?;
                }
            }
        }
        let mut count = None;
        for (name, position) in &self.rig.positions {
            let expanded = notes.expand(standard, position.cv.law.control_law());
            let many = expanded.len();
            if let Some((earlier, other)) = count.filter(|(_, other)| *other != many) {
                let problem = format!(
                    "this range has {other} notes on the position \"{earlier}\" and {many} on \"{name}\", whose control laws differ"
                );
                let advice = "give both ends as notes or as frequencies".to_owned();
                return Err(self.check.document.error(path, problem, Some(advice)));
            }
            count = Some((name, many));
            if let Some(last) = expanded.last() {
                let path = path.then("range").then("to");
                self.pitch(last.pitch, &last.name, name, position, &path)?;
            }
        }
        Ok(())
    }

    fn note(&self, note: &AskedNote, path: &Path) -> Result<(), DocumentError> {
        let standard = self.check.document.value.pitch;
        for (name, position) in &self.rig.positions {
            let law = position.cv.law.control_law();
            if let (AskedNote::Voltage(voltage), ControlLaw::HertzPerVolt { .. }) = (note, law) {
                self.check.require(
                    voltage.get() > 0.0,
                    path,
                    || format!("{voltage} has no pitch on the position \"{name}\", which follows hertz per volt"),
                    || "ask for a voltage above zero, or for a note".to_owned(),
                )?;
            }
            self.pitch(
                note.pitch(standard, law),
                &note.to_string(),
                name,
                position,
                path,
            )?;
        }
        Ok(())
    }

    fn pitch(
        &self,
        pitch: Pitch,
        written: &str,
        name: &str,
        position: &Position,
        path: &Path,
    ) -> Result<(), DocumentError> {
        let standard = self.check.document.value.pitch;
        let voltage = position.cv.law.control_law().voltage(pitch, standard);
        let safe = position.cv.safe;
        let inside = voltage + ROUNDING >= safe.from && voltage <= safe.to + ROUNDING;
        self.check.require(
            inside,
            path,
            || {
                format!(
                    "{written} would need {:.3} V on the position \"{name}\", and only {} to {} may be sent there",
                    voltage.get(),
                    safe.from,
                    safe.to
                )
            },
            || format!("leave the note out, or look at positions.{name}.cv.safe in {}", self.file),
        )?;
        let full_scale = self.full_scale(position);
        if full_scale.is_none() && !matches!(self.rig.wiring, Wiring::Recorded(_)) {
            self.check.require(
                (0.0..=127.0).contains(&pitch.note_number().round()),
                path,
                || {
                    format!(
                        "{written} is not among the notes of MIDI, C-1 to G9, by which \"{}\" plays the position \"{name}\"",
                        position.cv.sender
                    )
                },
                || "leave the note out".to_owned(),
            )?;
        }
        if let Some(full_scale) = full_scale {
            let share = voltage.get() / full_scale.get();
            self.check.require(
                (-1.0..=HIGHEST_SHARE).contains(&share),
                path,
                || {
                    format!(
                        "{written} would need {:.3} V on the position \"{name}\", and the output \"{}\" reaches {full_scale} either way, not quite at the top",
                        voltage.get(),
                        position.cv.sender
                    )
                },
                || {
                    format!(
                        "leave the note out, or look at wiring.real.senders.{}.volts.full_scale in {}",
                        position.cv.sender, self.file
                    )
                },
            )?;
        }
        let frequency = standard.frequency(pitch);
        let rate = self.rate();
        self.check.require(
            frequency.get() < rate.get() / 2.0,
            path,
            || format!("{written} is {:.0} Hz, and an input of {rate} hears nothing above half its rate", frequency.get()),
            || "leave the note out, or use a higher rate".to_owned(),
        )
    }

    /// The voltage at full scale of the audio output that feeds a position, if one does.
    fn full_scale(&self, position: &Position) -> Option<Volts> {
        let Wiring::Real(real) = &self.rig.wiring else {
            return None;
        };
        match real.senders.get(&position.cv.sender)? {
            Sender::Volts { full_scale, .. } => Some(*full_scale),
            Sender::Midi { .. } => None,
        }
    }

    fn rate(&self) -> Hertz {
        match &self.rig.wiring {
            Wiring::Real(real) => real.capture.rate,
            Wiring::Simulated(simulated) => simulated.input.rate,
            Wiring::Recorded(recorded) => recorded.rate,
        }
    }
}
