//! Which outcomes of several runs are the same result, and which tolerances are on it.

use super::{BatchRun, Member};
use crate::choice::{Choice, concerns, gives};
use crate::measuring_stages;
use model::document::plan::{Plan, Tolerance};
use model::record::PositionId;
use model::result::{Finding, Outcome, ResultName};

/// One result of all members.
#[derive(Debug)]
pub(super) struct Gathered {
    pub(super) stage: String,
    pub(super) name: ResultName,
    choice: Choice,
    /// Of several stages of one name, which.
    ordinal: usize,
    /// By member.
    pub(super) outcomes: Vec<Option<Outcome>>,
    /// Tolerances with what is said of each member.
    pub(super) tolerances: Vec<(Tolerance, Vec<Option<Finding>>)>,
}

/// An outcome as the plan means it.
struct Meant<'a> {
    stage: &'a str,
    ordinal: usize,
    name: ResultName,
    choice: Choice,
    /// The tolerances on it, counted from 0 in the plan.
    tolerances: Vec<usize>,
}

/// The results of all members, in the order in which they are first met.
pub(super) fn gather(runs: &[BatchRun<'_>], members: &[Member]) -> Vec<Gathered> {
    let mut all: Vec<Gathered> = Vec::new();
    for (place, member) in members.iter().enumerate() {
        let run = &runs[member.run];
        let outcomes = run
            .analysis
            .outcomes
            .iter()
            .filter(|outcome| outcome.position == member.position);
        for (meant, outcome) in meant(run, &member.position).into_iter().zip(outcomes) {
            if (meant.name, meant.stage) != (outcome.name, outcome.stage.as_str()) {
                // Not of this program's making: better nothing than another's number.
                break;
            }
            let at = all.iter().position(|gathered| {
                gathered.stage == meant.stage
                    && gathered.name == meant.name
                    && gathered.choice == meant.choice
                    && gathered.ordinal == meant.ordinal
            });
            let at = at.unwrap_or_else(|| {
                all.push(Gathered {
                    stage: meant.stage.to_owned(),
                    name: meant.name,
                    choice: meant.choice,
                    ordinal: meant.ordinal,
                    outcomes: vec![None; members.len()],
                    tolerances: Vec::new(),
                });
                all.len() - 1
            });
            let gathered = &mut all[at];
            gathered.outcomes[place] = Some(outcome.clone());
            for number in meant.tolerances {
                let tolerance = &run.plan.tolerances[number];
                let finding = run
                    .analysis
                    .verdicts
                    .iter()
                    .find(|verdict| {
                        verdict.tolerance == number && verdict.position == member.position
                    })
                    .map(|verdict| verdict.finding);
                let known = gathered
                    .tolerances
                    .iter()
                    .position(|(other, _)| other == tolerance);
                let known = known.unwrap_or_else(|| {
                    let none = vec![None; members.len()];
                    gathered.tolerances.push((tolerance.clone(), none));
                    gathered.tolerances.len() - 1
                });
                gathered.tolerances[known].1[place] = finding;
            }
        }
    }
    all
}

/// What the outcomes of a position are, in their order: that of [`crate::analyse`].
fn meant<'a>(run: &BatchRun<'a>, position: &PositionId) -> Vec<Meant<'a>> {
    let plan: &'a Plan = run.plan;
    let law = run
        .rig
        .positions
        .get(position.as_str())
        .map_or_else(crate::deviation::usual_law, |position| {
            position.cv.law.control_law()
        });
    let mut all: Vec<Meant<'a>> = Vec::new();
    let mut stages: Vec<&str> = Vec::new();
    for (_, stage) in measuring_stages(plan) {
        let ordinal = stages.iter().filter(|name| **name == stage.name()).count();
        stages.push(stage.name());
        for name in ResultName::ALL {
            let first = all.len();
            let mut push = |choice: Choice, tolerance: Option<usize>| {
                let at = (first..all.len()).find(|at| all[*at].choice == choice);
                let at = at.unwrap_or_else(|| {
                    all.push(Meant {
                        stage: stage.name(),
                        ordinal,
                        name,
                        choice,
                        tolerances: Vec::new(),
                    });
                    all.len() - 1
                });
                all[at].tolerances.extend(tolerance);
            };
            if gives(stage, name) && concerns(law, name) {
                push(Choice::USUAL, None);
            }
            // Of two stages of one name the first is meant.
            let here = plan.tolerances.iter().enumerate().filter(|(_, tolerance)| {
                ordinal == 0 && tolerance.of == stage.name() && tolerance.result == name
            });
            for (number, tolerance) in here {
                let choice = Choice::under(tolerance, plan, law).for_result(name);
                push(choice, Some(number));
            }
        }
    }
    all
}
