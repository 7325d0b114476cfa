//! Readings in, results with uncertainty and verdicts out. Pure: no clock, no
//! file, no thread, and no panic on whatever a record holds.
//!
//! The way through: [`analyse`] gathers each unit's readings as deviations
//! (`deviation`, `counting`, `origin`), fits the tracking model to every round
//! (`tracking`, `off_curve`, on `least_squares`), lays all rounds since t = 0 in a
//! row with joint draws of their uncertainty (`history`, `smoothing`, `trials`, `statistics`),
//! takes results from that (`outcome` with `moment`, `extremes`, `linearity`,
//! `warm_up`, `drift`, `allan`, `exponentials`, `coefficient`, `settling`,
//! `hysteresis`, `repeatability`), and holds them against the plan (`coverage`,
//! `verdict`). [`foresee`] does all of that beforehand, on an ideal record
//! (`foresight`, `ideal`); [`batch`] takes many runs together.
//!
//! Two rules stand above the rest. What the rig shares between readings
//! (`uncertainty`) never averages away: gain goes into slopes, steps of the
//! control source into single notes, an offset cancels when retuned. And extremes
//! are taken of smoothed curves, never of noisy readings.

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod allan;
pub mod batch;
mod bench;
mod chi_square;
mod choice;
mod coefficient;
pub mod comparison;
mod correlated;
mod counting;
mod coverage;
mod curves;
mod deviation;
mod drift;
mod exponentials;
mod extremes;
mod foresight;
mod history;
mod hysteresis;
mod ideal;
mod identity;
mod joint;
mod least_squares;
mod level_model;
mod linearity;
mod moment;
mod off_curve;
mod origin;
mod outcome;
mod repeatability;
mod settling;
mod shared_sources;
mod smoothing;
mod statistics;
mod suggestion;
mod surroundings;
mod tracking;
mod trials;
mod uncertainty;
mod verdict;
mod warm_up;
mod words;

pub use foresight::{Foresight, Source, foresee};
pub use identity::{Common, Identity};

use bench::Bench;
use choice::{Asked, AskedStage, Choice, asked};
use coverage::Coverage;
use model::document::plan::{Plan, Stage};
use model::document::rig::Rig;
use model::pitch::Pitch;
use model::record::{Flags, PositionId, RunRecord};
use model::result::{Curve, Finding, JointRisk, Outcome, Suggestion, Verdict};
use model::time::RunTime;
use outcome::Night;
use outcome::budget::{Alone, Nights};
use std::collections::{BTreeMap, BTreeSet};
use uncertainty::RigLimits;
use verdict::decide;

/// All that can be said of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Analysis {
    /// The stages that measure, in the order of the plan.
    pub stages: Vec<StageAnalysis>,
    /// Results, by stage, then position, then [`model::result::ResultName::ALL`].
    pub outcomes: Vec<Outcome>,
    /// Verdicts, by tolerance, then position.
    pub verdicts: Vec<Verdict>,
    /// The risk over all tolerances together, by position; none without tolerances.
    pub risks: Vec<JointRisk>,
    /// What the results suggest, largest first; empty where the evidence is thin.
    pub suggestions: Vec<Suggestion>,
}

impl Analysis {
    /// The same without the joint draws of its results: for those who keep many runs and
    /// take no differences of them.
    #[must_use]
    pub fn without_draws(mut self) -> Self {
        for outcome in &mut self.outcomes {
            outcome.draws.0 = Vec::new();
        }
        self
    }
}

/// The readings of a stage as deviations.
#[derive(Debug, Clone, PartialEq)]
pub struct StageAnalysis {
    /// The stage, counted from 0 in the plan.
    pub stage: u16,
    /// Its name.
    pub name: String,
    /// t = 0 of the stage, in the run's time.
    pub origin: RunTime,
    /// What t = 0 is: "supply switched on", "first sound", "start of the stage".
    pub origin_words: String,
    /// The units, by position.
    pub units: Vec<UnitAnalysis>,
}

/// One unit in one stage.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitAnalysis {
    /// Its position.
    pub position: PositionId,
    /// t = 0 of this unit: supplies need not come on together.
    pub origin: RunTime,
    /// What t = 0 is.
    pub origin_words: String,
    /// Whole octaves between what was asked and where the unit's range switch
    /// stands, taken out of all deviations.
    pub octaves: i32,
    /// Each note of the stage, lowest first.
    pub notes: Vec<NoteSeries>,
    /// Results round by round; of short-term stability, by averaging time.
    pub curves: Vec<Curve>,
    /// Deviation against note at the end of the stage, retuned, lowest first.
    pub profile: Vec<ProfilePoint>,
    /// How many readings results rest on.
    pub readings: usize,
    /// How many were left out and why, in words, if any: "2 silent".
    pub left_out: Option<String>,
}

/// One note over the rounds of a stage.
#[derive(Debug, Clone, PartialEq)]
pub struct NoteSeries {
    /// Its name as the plan writes it.
    pub name: String,
    /// Its pitch.
    pub asked: Pitch,
    /// Its deviations.
    pub points: Vec<DeviationPoint>,
}

/// One reading as deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DeviationPoint {
    /// Start of the window, in seconds since t = 0.
    pub t_s: f64,
    /// Deviation as played, in cents.
    pub as_played: f64,
    /// Deviation with the reference note's own removed, in cents.
    pub retuned: Option<f64>,
    /// Standard uncertainty of the meter's part, in cents.
    pub u: f64,
    /// Flags of the reading.
    pub flags: Flags,
}

/// The deviation of one note at the end of a stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProfilePoint {
    /// The note.
    pub asked: Pitch,
    /// Mean retuned deviation, in cents.
    pub cents: f64,
    /// Its standard uncertainty, the rig's part included, in cents.
    pub u: f64,
}

/// Computes what can be said of a run, complete or not.
///
/// The last attempt at a reading counts; readings without a frequency, with lost
/// samples, possibly locked to another unit, or a stray interval away from the
/// note before are left out and counted. Nothing here knows a clock or a file,
/// and nothing panics on what it is given.
#[must_use]
pub fn analyse(plan: &Plan, rig: &Rig, record: &RunRecord) -> Analysis {
    let parts = positions(record)
        .iter()
        .map(|position| analyse_unit(plan, rig, record, position))
        .collect();
    together(plan, rig, record, parts)
}

/// What can be said of one unit of a run by itself.
///
/// Units need nothing of each other, so a caller that knows threads can compute
/// them side by side: [`analyse`] is [`together`] of this for each of [`positions`].
pub struct UnitPart {
    bench: Bench,
    stages: Vec<StagePart>,
    verdicts: Vec<Verdict>,
    risk: Option<JointRisk>,
}

/// One unit in one measuring stage.
struct StagePart {
    stage: u16,
    unit: Option<UnitAnalysis>,
    outcomes: Vec<Outcome>,
}

/// Computes what can be said of the unit at a position.
#[must_use]
pub fn analyse_unit(plan: &Plan, rig: &Rig, record: &RunRecord, position: &PositionId) -> UnitPart {
    let bench = Bench::new(plan, rig, record, position, RigLimits::of(rig, position));
    let (stages, verdicts, risk) = judge(plan, record, &bench);
    UnitPart {
        bench,
        stages,
        verdicts,
        risk,
    }
}

/// Puts together what was computed of each unit, in whichever order it is handed over.
#[must_use]
pub fn together(plan: &Plan, rig: &Rig, record: &RunRecord, mut parts: Vec<UnitPart>) -> Analysis {
    parts.sort_by(|a, b| a.bench.unit.position.cmp(&b.bench.unit.position));
    let mut benches = Vec::with_capacity(parts.len());
    let (mut verdicts, mut risks) = (Vec::new(), Vec::new());
    let mut of_stages: BTreeMap<u16, (Vec<UnitAnalysis>, Vec<Outcome>)> = BTreeMap::new();
    for part in parts {
        benches.push(part.bench);
        verdicts.extend(part.verdicts);
        risks.extend(part.risk);
        for stage in part.stages {
            let (units, outcomes) = of_stages.entry(stage.stage).or_default();
            units.extend(stage.unit);
            outcomes.extend(stage.outcomes);
        }
    }
    verdicts.sort_by(|a, b| (a.tolerance, &a.position).cmp(&(b.tolerance, &b.position)));
    let mut outcomes = Vec::new();
    let mut stages = Vec::new();
    for (index, stage) in measuring_stages(plan) {
        let (units, found) = of_stages.remove(&index).unwrap_or_default();
        outcomes.extend(found);
        let first = units.first();
        stages.push(StageAnalysis {
            stage: index,
            name: stage.name().to_owned(),
            origin: first.map_or(RunTime::START, |unit| unit.origin),
            origin_words: first.map_or_else(
                || "start of the run".to_owned(),
                |unit| unit.origin_words.clone(),
            ),
            units,
        });
    }
    let suggestions = suggestion::suggestions(plan, rig, record, &benches);
    Analysis {
        stages,
        outcomes,
        verdicts,
        risks,
        suggestions,
    }
}

/// Computes only what a run suggests, without its results.
#[must_use]
pub fn suggest(plan: &Plan, rig: &Rig, record: &RunRecord) -> Vec<Suggestion> {
    let benches: Vec<Bench> = positions(record)
        .iter()
        .map(|position| Bench::new(plan, rig, record, position, RigLimits::of(rig, position)))
        .collect();
    suggestion::suggestions(plan, rig, record, &benches)
}

/// The results of a unit in every stage, the verdicts on them, and the risk over all.
fn judge(
    plan: &Plan,
    record: &RunRecord,
    bench: &Bench,
) -> (Vec<StagePart>, Vec<Verdict>, Option<JointRisk>) {
    let mut stages = Vec::new();
    let mut verdicts = Vec::new();
    // In which trials each tolerance is not met, and how likely that is.
    let mut trials: Vec<(Vec<bool>, f64)> = Vec::new();
    let alone = Alone::of(bench);
    for AskedStage {
        index,
        stage,
        results,
        ..
    } in asked(plan, bench.unit.law)
    {
        let night = Night::new(bench, index, stage.name());
        let mut unit = bench.unit_analysis(index, stage.name());
        if let Some(unit) = &mut unit {
            unit.curves.extend(night.stability_curve());
        }
        let mut outcomes = Vec::new();
        let nights = Nights::of(&alone);
        let coverage = Coverage::of(bench, index, stage, plan, record);
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
                    Some(until) => coverage.of_stretch(until),
                    None => coverage.of_moment(choice.at),
                };
                // A usual stay may be cut to what the plan leaves room for, but
                // not to what an early end of the run left.
                let cut = computed
                    .shortened
                    .clone()
                    .filter(|_| choice.stay != Choice::USUAL.stay || !record.is_complete());
                let gaps = gaps.or(cut);
                let spoilt = bench.spoilt(index, name);
                let (mut finding, mut reason) = decide(
                    &computed,
                    allow,
                    plan.decision.guard_band,
                    gaps.as_deref(),
                    spoilt.as_deref(),
                );
                let mut outside = verdict::outside(&computed, allow);
                let turned = coverage
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
                    position: bench.unit.position.clone(),
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
            position: bench.unit.position.clone(),
            finding: Finding::Undecided,
            reason: format!("the plan has no measuring stage \"{}\"", tolerance.of),
            outside: None,
        });
    }
    let risk = (!plan.tolerances.is_empty()).then(|| JointRisk {
        position: bench.unit.position.clone(),
        outside: joint::at_least_one(&trials),
        counted: trials.len(),
        tolerances: plan.tolerances.len(),
    });
    (stages, verdicts, risk)
}

/// Every position that holds a unit or was read, in order.
#[must_use]
pub fn positions(record: &RunRecord) -> BTreeSet<PositionId> {
    let units = record.header.units.keys();
    let readings = record.readings.iter().map(|reading| &reading.key.position);
    let traces = record.traces.iter().map(|trace| &trace.position);
    units.chain(readings).chain(traces).cloned().collect()
}

/// The stages that measure, with their place in the plan.
fn measuring_stages(plan: &Plan) -> impl Iterator<Item = (u16, &Stage)> {
    (0..).zip(&plan.stages).filter(|(_, stage)| {
        matches!(
            stage,
            Stage::Rounds(_) | Stage::Sweep(_) | Stage::Hold(_) | Stage::Alternate(_)
        )
    })
}
