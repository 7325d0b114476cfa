//! Which outcomes of several runs are the same result, and which tolerances are on it.

use super::{BatchRun, Member};
use crate::readings::deviation::law_of;
use crate::results::choice::asked;
use model::document::plan::Tolerance;
use model::result::{Choice, Finding, Outcome, ResultName};

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
        let stages = asked(run.plan, law_of(run.rig, &member.position));
        let asked = stages
            .iter()
            .flat_map(|stage| stage.results.iter().map(move |asked| (stage, asked)));
        for ((stage, asked), outcome) in asked.zip(outcomes) {
            if (asked.name, stage.stage.name()) != (outcome.name, outcome.stage.as_str()) {
                // Not of this program's making: better nothing than another's number.
                break;
            }
            let at = all.iter().position(|gathered| {
                gathered.stage == outcome.stage
                    && gathered.name == asked.name
                    && gathered.choice == asked.choice
                    && gathered.ordinal == stage.ordinal
            });
            let at = at.unwrap_or_else(|| {
                all.push(Gathered {
                    stage: outcome.stage.clone(),
                    name: asked.name,
                    choice: asked.choice,
                    ordinal: stage.ordinal,
                    outcomes: vec![None; members.len()],
                    tolerances: Vec::new(),
                });
                all.len() - 1
            });
            let gathered = &mut all[at];
            gathered.outcomes[place] = Some(outcome.clone());
            for &number in &asked.tolerances {
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
