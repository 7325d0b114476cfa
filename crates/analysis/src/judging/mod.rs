//! Results held against the tolerances of a plan.

pub(crate) mod gaps;
pub(crate) mod incidents;
pub(crate) mod verdict;

use crate::curves::unit::{UnitAnalysis, UnitCurves};
use crate::readings::measuring_stages;
use crate::results::Night;
use crate::results::budget::{Alone, Nights};
use crate::results::choice::{Asked, AskedStage, Choice, asked};
use crate::uncertainty::joint;
use gaps::Gaps;
use model::document::plan::Plan;
use model::record::RunRecord;
use model::result::{Finding, JointRisk, Outcome, ResultName, Verdict};
use verdict::decide;

/// One unit in one measuring stage.
pub(crate) struct StagePart {
    pub(crate) stage: u16,
    pub(crate) unit: Option<UnitAnalysis>,
    pub(crate) outcomes: Vec<Outcome>,
}

/// The results of a unit in every stage, the verdicts on them, and the risk over all.
pub(crate) fn judge(
    plan: &Plan,
    record: &RunRecord,
    curves: &UnitCurves,
) -> (Vec<StagePart>, Vec<Verdict>, Option<JointRisk>) {
    let mut stages = Vec::new();
    let mut verdicts = Vec::new();
    // In which trials each tolerance is not met, and how likely that is.
    let mut trials: Vec<(Vec<bool>, f64)> = Vec::new();
    let alone = Alone::of(curves);
    for AskedStage {
        index,
        stage,
        results,
        ..
    } in asked(plan, curves.unit.law)
    {
        let night = Night::new(curves, index, stage.name());
        let mut unit = curves.unit_analysis(index, stage.name());
        if let Some(unit) = &mut unit {
            unit.curves.extend(night.stability_curve());
        }
        let mut outcomes = Vec::new();
        let nights = Nights::of(&alone);
        let missing = Gaps::of(curves, index, stage, plan, record);
        for Asked {
            name,
            choice,
            tolerances,
        } in results
        {
            let computed = night.compute(name, &choice);
            for number in tolerances {
                let allow = &plan.tolerances[number].allow;
                let gaps = match computed.needs_until {
                    Some(until) => missing.of_stretch(until),
                    None => missing.of_moment(choice.at),
                };
                // A usual stay may be cut to what the plan leaves room for, but
                // not to what an early end of the run left.
                let cut = computed
                    .shortened
                    .clone()
                    .filter(|_| choice.stay != Choice::USUAL.stay || !record.is_complete());
                let gaps = gaps.or(cut);
                let spoilt = spoilt(curves, index, name);
                let (mut finding, mut reason) = decide(
                    &computed,
                    allow,
                    plan.decision.guard_band,
                    gaps.as_deref(),
                    spoilt.as_deref(),
                );
                let mut outside = verdict::outside(&computed, allow);
                let turned = missing
                    .missing_rounds()
                    .filter(|_| finding == Finding::Fail)
                    .and_then(|rounds| {
                        let guard = plan.decision.guard_band;
                        verdict::could_turn(&computed, allow, guard, rounds, gaps.as_deref())
                    });
                if let Some(why) = turned {
                    (finding, reason) = (Finding::Undecided, why);
                    // How the missing rounds are nobody knows.
                    outside = None;
                }
                verdicts.push(Verdict {
                    tolerance: number,
                    position: curves.unit.position.clone(),
                    finding,
                    reason,
                    outside: outside.as_ref().map(|(share, _)| *share),
                });
                trials.extend(outside.map(|(share, trials)| (trials, share)));
            }
            outcomes.push(Outcome {
                budget: nights.budget(&night, &computed, &choice),
                ..computed.outcome
            });
        }
        stages.push(StagePart {
            stage: index,
            unit,
            outcomes,
        });
    }
    for (number, tolerance) in plan.tolerances.iter().enumerate() {
        if measuring_stages(plan).any(|(_, stage)| stage.name() == tolerance.of) {
            continue;
        }
        verdicts.push(Verdict {
            tolerance: number,
            position: curves.unit.position.clone(),
            finding: Finding::Undecided,
            reason: format!("the plan has no measuring stage \"{}\"", tolerance.of),
            outside: None,
        });
    }
    let risk = (!plan.tolerances.is_empty()).then(|| JointRisk {
        position: curves.unit.position.clone(),
        outside: joint::at_least_one(&trials),
        counted: trials.len(),
        tolerances: plan.tolerances.len(),
    });
    (stages, verdicts, risk)
}

/// Why a result of a stage cannot be judged at all: a break in the unit's
/// thermal history spoils what is said of its warming up.
fn spoilt(curves: &UnitCurves, stage: u16, name: ResultName) -> Option<String> {
    if !matches!(name, ResultName::WarmUpTime | ResultName::ReadyAfter) {
        return None;
    }
    let stage = curves.stages.get(&stage)?;
    let (at, text) = stage.origin.broken.as_ref()?;
    let last = stage
        .fit
        .rounds
        .iter()
        .map(|round| round.until)
        .fold(0.0, f64::max);
    (at.seconds() < last).then(|| {
        format!(
            "the unit's thermal history broke after {}: {text}",
            crate::words::duration(at.seconds_from(stage.origin.at))
        )
    })
}
