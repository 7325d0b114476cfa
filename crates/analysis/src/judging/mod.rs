//! Results held against the tolerances of a plan.

pub(crate) mod gaps;
pub(crate) mod incidents;
pub(crate) mod verdict;

use crate::curves::unit::{UnitAnalysis, UnitCurves};
use crate::readings::measuring_stages;
use crate::results::budget::{Alone, OnThose};
use crate::results::choice::{Asked, asked};
use crate::results::compute::{Computed, compute};
use crate::results::stability::stability_curve;
use crate::results::stage::StageResults;
use crate::uncertainty::joint;
use gaps::Gaps;
use model::document::plan::Plan;
use model::record::RunRecord;
use model::result::{Because, Choice, Finding, JointRisk, Missing, Outcome, ResultName, Verdict};
use verdict::{could_turn, decide};

/// One unit in one measuring stage.
pub(crate) struct StagePart {
    pub(crate) stage: u16,
    pub(crate) unit: Option<UnitAnalysis>,
    pub(crate) outcomes: Vec<Outcome>,
}

/// A unit held against the tolerances of a plan.
struct Judge<'a> {
    plan: &'a Plan,
    record: &'a RunRecord,
    curves: &'a UnitCurves,
}

/// A verdict, and in which trials its tolerance is not met, where that is known.
type Judged = (Verdict, Option<(f64, Vec<bool>)>);

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
    let mut results = 0;
    let alone = Alone::of(curves);
    let judge = Judge {
        plan,
        record,
        curves,
    };
    for asked in asked(plan, curves.unit.law) {
        let (index, stage) = (asked.index, asked.stage);
        let here = StageResults::new(curves, index, stage.name());
        let mut unit = curves.unit_analysis(index, stage.name());
        if let Some(unit) = &mut unit {
            unit.curves.extend(stability_curve(&here));
        }
        let mut outcomes = Vec::new();
        let on_those = OnThose::of(&alone);
        let gaps = Gaps::of(curves, index, stage, plan, record);
        for asked in asked.results {
            let computed = compute(&here, asked.name, &asked.choice);
            for number in &asked.tolerances {
                let (mut verdict, outside) =
                    judge.verdict(index, *number, &asked, &computed, &gaps);
                verdict.result = Some(results);
                verdicts.push(verdict);
                trials.extend(outside.map(|(share, trials)| (trials, share)));
            }
            outcomes.push(Outcome {
                budget: on_those.budget(&here, &computed, &asked.choice),
                ..computed.outcome
            });
            results += 1;
        }
        stages.push(StagePart {
            stage: index,
            unit,
            outcomes,
        });
    }
    for (number, tolerance) in plan.tolerances.iter().enumerate() {
        if !measuring_stages(plan).any(|(_, stage)| stage.name() == tolerance.of) {
            verdicts.push(judge.found(number, Finding::Undecided, Because::NoSuchStage));
        }
    }
    let risk = (!plan.tolerances.is_empty()).then(|| JointRisk {
        position: curves.unit.position.clone(),
        outside: joint::at_least_one(&trials),
        counted: trials.len(),
        tolerances: plan.tolerances.len(),
    });
    (stages, verdicts, risk)
}

impl Judge<'_> {
    fn verdict(
        &self,
        stage: u16,
        number: usize,
        asked: &Asked,
        computed: &Computed,
        missing: &Gaps,
    ) -> Judged {
        let allow = &self.plan.tolerances[number].allow;
        let guard = self.plan.decision.guard_band;
        let choice = &asked.choice;
        let mut gaps = match computed.needs_until() {
            Some(until) => missing.of_stretch(until),
            None => missing.of_moment(choice.at),
        };
        // A usual stay may be cut to what the plan leaves room for, but not to what an early
        // end of the run left.
        let may_be_cut = choice.stay == Choice::USUAL.stay && self.record.is_complete();
        if gaps.is_empty() && !may_be_cut {
            let cut = computed.shortened();
            gaps.extend(cut.map(|(record, asked)| Missing::Stay { record, asked }));
        }
        let spoilt = self.spoilt(stage, asked.name);
        let (finding, because) = decide(computed, allow, guard, &gaps, spoilt.as_ref());
        let turned = missing
            .missing_rounds()
            .filter(|_| finding == Finding::Fail)
            .and_then(|rounds| could_turn(computed, allow, guard, rounds, gaps));
        if let Some(because) = turned {
            // How the missing rounds are nobody knows.
            return (self.found(number, Finding::Undecided, because), None);
        }
        let outside = verdict::outside(computed, allow);
        let found = Verdict {
            outside: outside.as_ref().map(|(share, _)| *share),
            ..self.found(number, finding, because)
        };
        (found, outside)
    }

    /// A verdict on a tolerance of which nothing else is known.
    fn found(&self, tolerance: usize, finding: Finding, because: Because) -> Verdict {
        Verdict {
            tolerance,
            position: self.curves.unit.position.clone(),
            result: None,
            finding,
            because,
            outside: None,
        }
    }

    /// Why a result of a stage cannot be judged at all: a break in the unit's thermal
    /// history spoils what is said of its warming up.
    fn spoilt(&self, stage: u16, name: ResultName) -> Option<Because> {
        if !matches!(name, ResultName::WarmUpTime | ResultName::ReadyAfter) {
            return None;
        }
        let stage = self.curves.stages.get(&stage)?;
        let (at, text) = stage.origin.broken.as_ref()?;
        let ends = stage.fit.rounds.iter().map(|round| round.until);
        (at.seconds() < ends.fold(0.0, f64::max)).then(|| Because::HistoryBroken {
            after_s: at.seconds_from(stage.origin.at),
            text: text.clone(),
        })
    }
}
