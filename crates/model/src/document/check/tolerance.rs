//! Whether the tolerances of a plan ask for results that its stages can give.

use super::super::error::{DocumentError, clipped, instead_of};
use super::super::path::Path;
use super::super::plan::{Allow, Meaning, Moment, Notes, Order, Plan, Stage, Tolerance};
use super::listening::{any_law, duration, in_words, slots};
use super::plan::measures;
use super::{Checker, at};
use crate::pitch::Pitch;
use crate::quantity::{AnyQuantity, Cents, Dimension, Seconds};
use crate::result::{Need, ResultName};

pub(super) fn check(check: &mut Checker<'_, Plan>) -> Result<(), DocumentError> {
    let plan = &check.document.value;
    for (index, tolerance) in plan.tolerances.iter().enumerate() {
        let path = at!["tolerances", index];
        let stage = check.stage(tolerance, &path)?;
        check.possible(tolerance, stage, &path)?;
        check.limits(tolerance, &path)?;
        check.sense(tolerance, &path)?;
        check.moments(tolerance, stage, &path)?;
        if let Some(meaning) = &tolerance.meaning {
            check.meaning(
                tolerance.result,
                meaning,
                &plan.stages[stage],
                &path.then("meaning"),
            )?;
        }
    }
    Ok(())
}

/// The different pitches of a stage, and how many notes it plays in a round.
fn pitches(stage: &Stage, plan: &Plan) -> (Vec<Pitch>, usize) {
    let of = |notes: &Notes, order: Option<&Order>| {
        let expanded = notes.expand(plan.pitch, any_law());
        let mut pitches: Vec<Pitch> = expanded.iter().map(|note| note.pitch).collect();
        pitches.sort_by(|a, b| a.note_number().total_cmp(&b.note_number()));
        pitches.dedup_by(|a, b| a.cents_from(*b).abs() < Cents::of(1e-3));
        (pitches, slots(notes, order, plan))
    };
    match stage {
        Stage::Rounds(rounds) => of(&rounds.notes, rounds.order.as_ref()),
        Stage::Sweep(sweep) => of(&sweep.notes, sweep.order.as_ref()),
        Stage::Alternate(alternate) => of(&Notes::List(alternate.between.to_vec()), None),
        Stage::Hold(hold) => (vec![hold.note.pitch(plan.pitch, any_law())], 1),
        _ => (Vec::new(), 0),
    }
}

impl Checker<'_, Plan> {
    /// The stage that a tolerance names.
    fn stage(&self, tolerance: &Tolerance, path: &Path) -> Result<usize, DocumentError> {
        let stages = &self.document.value.stages;
        let named = |stage: &&Stage| measures(stage);
        let names = stages.iter().filter(named).map(Stage::name);
        stages
            .iter()
            .position(|stage| measures(stage) && stage.name() == tolerance.of)
            .ok_or_else(|| {
                let problem = format!(
                    "no stage that measures is called \"{}\"",
                    clipped(&tolerance.of, 40)
                );
                let advice = if names.clone().next().is_none() {
                    "no stage of this plan measures anything".to_owned()
                } else {
                    instead_of(&tolerance.of, names)
                };
                self.document.error(&path.then("of"), problem, Some(advice))
            })
    }

    /// Whether a stage can give a result at all.
    fn possible(
        &self,
        tolerance: &Tolerance,
        stage: usize,
        path: &Path,
    ) -> Result<(), DocumentError> {
        let plan = &self.document.value;
        let stage = &plan.stages[stage];
        let (pitches, slots) = pitches(stage, plan);
        let over_time = match stage {
            Stage::Rounds(rounds) => rounds.lasts / rounds.every >= 2.0,
            Stage::Alternate(alternate) => alternate.times >= 2,
            Stage::Hold(_) => true,
            _ => false,
        };
        let repeated = stage.listen(plan).repeats > 1 || slots > pitches.len();
        let (name, held) = (tolerance.result, matches!(stage, Stage::Hold(_)));
        let (notes, time) = (name.needs(Need::Notes), name.needs(Need::Time));
        let lacks_notes = notes && pitches.len() < 2;
        let lacks_time = time && !over_time;
        let why_not = if (lacks_notes || lacks_time) && notes && time {
            "it needs several notes over time; use rounds"
        } else if lacks_notes {
            "it needs several notes; use rounds or a sweep"
        } else if lacks_time {
            "it needs a note over time; use rounds or a hold"
        } else if name.needs(Need::Repeats) && (held || !repeated) {
            "it needs a note that is left and come back to; raise \"repeats\""
        } else if name.needs(Need::Hold) && !held {
            "it needs a note that is listened to without a gap; use a hold"
        } else {
            return Ok(());
        };
        let problem = format!(
            "the stage \"{}\" cannot give the result {}",
            clipped(&tolerance.of, 40),
            tolerance.result
        );
        Err(self
            .document
            .error(&path.then("result"), problem, Some(why_not.to_owned())))
    }

    fn limits(&self, tolerance: &Tolerance, path: &Path) -> Result<(), DocumentError> {
        let path = path.then("allow");
        let result = tolerance.result;
        match &tolerance.allow {
            Allow::Within(limit) => {
                let path = path.then("within");
                self.limit(result, limit, &path)?;
                self.require(
                    limit.value > 0.0,
                    &path,
                    || format!("nothing lies within {limit} of zero"),
                    || "expected a limit above zero; it counts either way".to_owned(),
                )
            }
            Allow::AtMost(limit) => self.limit(result, limit, &path.then("at_most")),
            Allow::AtLeast(limit) => self.limit(result, limit, &path.then("at_least")),
            Allow::Between { from, to } => {
                let path = path.then("between");
                self.limit(result, from, &path.then("from"))?;
                self.limit(result, to, &path.then("to"))?;
                self.require(
                    from.value < to.value,
                    &path.then("to"),
                    || format!("nothing lies between {from} and {to}"),
                    || "\"from\" is the lower limit, \"to\" the upper one".to_owned(),
                )
            }
        }
    }

    /// Limits that no value can keep are refused; a limit on the side that is hardly
    /// meant is remarked upon.
    fn sense(&mut self, tolerance: &Tolerance, path: &Path) -> Result<(), DocumentError> {
        let result = tolerance.result;
        if result.has_sign() {
            return Ok(());
        }
        let path = path.then("allow");
        let between = path.then("between");
        let written = match &tolerance.allow {
            Allow::Within(limit) => vec![(limit, path.then("within"))],
            Allow::AtMost(limit) => vec![(limit, path.then("at_most"))],
            Allow::AtLeast(limit) => vec![(limit, path.then("at_least"))],
            Allow::Between { from, to } => {
                vec![(from, between.then("from")), (to, between.then("to"))]
            }
        };
        for (limit, path) in &written {
            self.require(
                limit.value >= 0.0,
                path,
                || format!("{result} is never below zero, and so never {limit}"),
                || "write the limit without its sign".to_owned(),
            )?;
        }
        if let (Allow::AtMost(limit), Some((_, path))) = (&tolerance.allow, written.first()) {
            self.require(
                limit.value > 0.0,
                path,
                || format!("no measured {result} is {limit}"),
                || "expected a limit above zero".to_owned(),
            )?;
        }
        if let (ResultName::FractionOfRounds, Allow::AtLeast(limit), Some((_, path))) =
            (result, &tolerance.allow, written.first())
        {
            self.require(
                limit.value <= 1.0,
                path,
                || format!("no more than all rounds can be in tune, and {limit} are asked"),
                || "expected at most 100 %".to_owned(),
            )?;
        }
        let more_is_better = matches!(
            result,
            ResultName::InTuneRange | ResultName::FractionOfRounds | ResultName::TuningHolds
        );
        let is_time = result.dimension() == Dimension::Duration;
        let (meant, why) = match &tolerance.allow {
            Allow::AtLeast(_) if !more_is_better => ("at_most", "the smaller"),
            Allow::Within(_) if is_time => ("at_most", "the smaller"),
            Allow::AtMost(_) | Allow::Within(_) if more_is_better => ("at_least", "the larger"),
            _ => return Ok(()),
        };
        if let Some((limit, path)) = written.first() {
            let advice = format!("did you mean {meant}? {result} is the better {why} it is");
            let problem = format!("{limit} is hardly meant on this side");
            self.remark(path, problem, advice);
        }
        Ok(())
    }

    fn limit(
        &self,
        result: ResultName,
        limit: &AnyQuantity,
        path: &Path,
    ) -> Result<(), DocumentError> {
        let dimension = result.dimension();
        self.require(
            limit.value_as(dimension).is_some(),
            path,
            || {
                format!(
                    "{limit} cannot be a limit of {result}, which is in {}",
                    dimension.unit()
                )
            },
            || format!("write it like \"{}\"", dimension.example()),
        )
    }

    /// Moments and stretches of time must lie inside the stage.
    fn moments(
        &self,
        tolerance: &Tolerance,
        stage: usize,
        path: &Path,
    ) -> Result<(), DocumentError> {
        if let Some(Moment::After(time)) = tolerance.at {
            self.inside(time, stage, &path.then("at"))?;
        }
        let Some(meaning) = &tolerance.meaning else {
            return Ok(());
        };
        let path = path.then("meaning");
        if let Some(time) = meaning.tuned_at {
            self.inside(time, stage, &path.then("tuned_at"))?;
        }
        let plan = &self.document.value;
        if let (Some(stay), Some(lasts)) = (meaning.stay, duration(&plan.stages[stage], plan)) {
            self.require(
                stay > Seconds::ZERO && stay <= lasts,
                &path.then("stay"),
                || format!("a stage of {lasts} cannot show that something stays for {stay}"),
                || "make the stage longer or \"stay\" shorter".to_owned(),
            )?;
        }
        Ok(())
    }

    /// Whether a time since t = 0 can lie inside a stage. t = 0 is the last
    /// power-on before it, else its own beginning.
    fn inside(&self, time: Seconds, stage: usize, path: &Path) -> Result<(), DocumentError> {
        let plan = &self.document.value;
        let before = &plan.stages[..stage];
        let from = before
            .iter()
            .rposition(|stage| matches!(stage, Stage::PowerOn))
            .map_or(stage, |on| on + 1);
        let sum = |stages: &[Stage]| {
            stages.iter().try_fold(Seconds::ZERO, |sum, stage| {
                Some(sum + duration(stage, plan)?)
            })
        };
        // Stages that wait for a person have no end that could be known here.
        let (Some(start), Some(end)) = (
            sum(&plan.stages[from..stage]),
            sum(&plan.stages[from..=stage]),
        ) else {
            return Ok(());
        };
        self.require(
            time <= end && time >= start,
            path,
            || {
                let name = clipped(plan.stages[stage].name(), 40);
                format!(
                    "at {time} the stage \"{name}\" does not run; it runs from {} to {}",
                    in_words(start),
                    in_words(end)
                )
            },
            || "times count from the last power_on, else from the start of the stage".to_owned(),
        )
    }

    fn meaning(
        &mut self,
        result: ResultName,
        meaning: &Meaning,
        stage: &Stage,
        path: &Path,
    ) -> Result<(), DocumentError> {
        let written = [
            ("steady_within", meaning.steady_within.is_some()),
            ("stay", meaning.stay.is_some()),
            ("tuned_at", meaning.tuned_at.is_some()),
            ("between", meaning.between.is_some()),
            ("over", meaning.over.is_some()),
        ];
        for (key, written) in written {
            let mut takes = result.row().takes.iter();
            let belongs = takes.any(|parameter| parameter.key() == key);
            if written && !belongs {
                let problem = format!("\"{key}\" means nothing for {result}");
                self.remark(&path.then(key), problem, "it is not used; leave it out");
            }
        }
        if let Some(band) = meaning.steady_within {
            self.require(
                band > Cents::ZERO,
                &path.then("steady_within"),
                || format!("nothing stays within {band}"),
                || "expected an interval above zero, like \"2 cents\"".to_owned(),
            )?;
        }
        let Some(between) = &meaning.between else {
            return Ok(());
        };
        let plan = &self.document.value;
        let (pitches, _) = pitches(stage, plan);
        for (index, note) in between.iter().enumerate() {
            let pitch = note.pitch(plan.pitch, any_law());
            let played = pitches
                .iter()
                .any(|other| other.cents_from(pitch).abs() < Cents::of(1e-3));
            self.require(
                played,
                &path.then("between").then(index),
                || {
                    format!(
                        "{note} is not played in the stage \"{}\"",
                        clipped(stage.name(), 40)
                    )
                },
                || "name two notes of the stage".to_owned(),
            )?;
        }
        let apart =
            between[0].pitch(plan.pitch, any_law()) != between[1].pitch(plan.pitch, any_law());
        self.require(
            apart,
            &path.then("between"),
            || "the two notes are the same".to_owned(),
            || "a slope lies between two different notes".to_owned(),
        )
    }
}
