//! Many units of one plan taken together: how many pass, where the middle of each result
//! lies and how far it spreads, who stands out, how well the batch fits its limits; and,
//! where the same units were measured on several benches again and again, what the
//! measurement itself adds.

mod capability;
mod gathering;
mod histogram;
mod measurement;
mod normality;
mod outliers;
mod quantiles;
mod share;
mod study;

pub use capability::{Capability, Index, LEAST as CAPABILITY_LEAST};
pub use histogram::{Histogram, LEAST as HISTOGRAM_LEAST};
pub use outliers::{LEAST as OUTLIERS_LEAST, LIMIT as OUTLIER_LIMIT};
pub use quantiles::{Known, Spread};
pub use share::Yield;
pub use study::{Line, OneWay, Study};

use crate::judging::verdict::Limits;
use crate::run::Analysis;
use crate::statistics::median;
use capability::{Measurement, capability};
use gathering::{Gathered, gather};
use histogram::histogram;
use model::document::plan::{Plan, Tolerance};
use model::document::rig::Rig;
use model::record::{PositionId, RunRecord};
use model::result::{Finding, Outcome, ResultName};
use quantiles::spread;
use std::collections::{BTreeMap, BTreeSet};
use study::{one_way, study};

/// A run that belongs to a batch.
#[derive(Debug, Clone, Copy)]
pub struct BatchRun<'a> {
    /// What was to be done.
    pub plan: &'a Plan,
    /// Where it was done.
    pub rig: &'a Rig,
    /// What was kept.
    pub record: &'a RunRecord,
    /// What can be said of it.
    pub analysis: &'a Analysis,
}

/// Many units taken together.
#[derive(Debug, Clone, PartialEq)]
pub struct Batch {
    /// The units as they were measured, by run, then position.
    pub members: Vec<Member>,
    /// The design of a study of the measurement, where units were measured again and
    /// again; `None` in a plain batch, in which each is measured once.
    pub design: Option<Design>,
    /// How many units pass all tolerances of their plan.
    pub yielded: Yield,
    /// The results, by stage, then [`ResultName::ALL`].
    pub results: Vec<BatchResult>,
}

/// A unit as it was measured in a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Member {
    /// The run, counted from 0 in the list that was handed in.
    pub run: usize,
    /// Where it was patched.
    pub position: PositionId,
    /// Its serial number; without one, its run and position.
    pub name: String,
    /// The bench: the rig's name where there are several rigs, else the position.
    pub bench: String,
    /// The worst finding over all tolerances; `None` without any.
    pub finding: Option<Finding>,
}

/// Units measured on benches, again and again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Design {
    /// The units' names.
    pub units: Vec<String>,
    /// The benches.
    pub benches: Vec<String>,
    /// How often each unit was measured on each bench.
    pub repeats: usize,
    /// Members by unit, then bench, then repeat.
    pub cells: Vec<Vec<Vec<usize>>>,
}

/// One result over all units.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchResult {
    /// Which result.
    pub name: ResultName,
    /// Of which stage, by name.
    pub stage: String,
    /// What each unit has, by member; `None` where its run does not give this result.
    pub values: Vec<Option<UnitValue>>,
    /// The middle and the spread; `None` where no unit has a value.
    pub spread: Option<Spread>,
    /// Counts by value; `None` for few units.
    pub histogram: Option<Histogram>,
    /// Why the rule for outliers says nothing, if so.
    pub no_outliers_because: Option<String>,
    /// Whether positions differ more than the units in them; `None` where there are
    /// fewer than three units to a position on average.
    pub positions: Option<OneWay>,
    /// The tolerances on it.
    pub tolerances: Vec<BatchTolerance>,
    /// What the measurement adds, in a study.
    pub study: Option<Result<Study, String>>,
}

/// A result of one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitValue {
    /// As it was computed.
    pub outcome: Outcome,
    /// Its modified z-score, where the rule for outliers applies.
    pub score: Option<f64>,
    /// Whether its own 95 % interval leaves out the median of the batch, so that it is not
    /// the measurement alone that puts it where it is.
    pub apart: bool,
}

impl UnitValue {
    /// What is known of it, if anything. "At most" is no place in a batch: any unit may
    /// be far below.
    #[must_use]
    pub fn known(&self) -> Option<Known> {
        if self.outcome.is_upper_bound() {
            return None;
        }
        match (self.outcome.value(), self.outcome.low()) {
            (Some(value), _) => Some(Known::Value(value)),
            // A time that was not reached is at least this.
            (None, Some(low)) if self.outcome.high().is_none() => Some(Known::AtLeast(low)),
            // Bounds of what does not stand out are no place in a batch either.
            (None, _) => None,
        }
    }
    /// Whether it stands out from the batch.
    #[must_use]
    pub fn is_outlier(&self) -> bool {
        self.apart && self.score.is_some_and(|score| score.abs() > OUTLIER_LIMIT)
    }
}

/// A tolerance over all units whose plan has it.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchTolerance {
    /// The tolerance.
    pub tolerance: Tolerance,
    /// What is said of each unit, by member.
    pub findings: Vec<Option<Finding>>,
    /// How many pass.
    pub yielded: Yield,
    /// How well the batch fits; or why that cannot be said.
    pub capability: Result<Capability, String>,
}

/// Takes runs together.
///
/// # Errors
/// What is wrong with them, for the person who named them: none at all, the same run
/// twice, no unit, or a unit measured more than once without that being a design.
pub fn batch(runs: &[BatchRun<'_>]) -> Result<Batch, String> {
    if runs.is_empty() {
        return Err("there is no run to take together".to_owned());
    }
    let mut seen = BTreeSet::new();
    for run in runs {
        if !seen.insert(&run.record.id) {
            return Err(format!("run {} is named twice", run.record.id));
        }
    }
    let members = members(runs);
    if members.is_empty() {
        return Err("none of these runs measured a unit".to_owned());
    }
    let design = design(runs, &members)?;
    let results = gather(runs, &members)
        .into_iter()
        .map(|gathered| result(runs, &members, design.as_ref(), gathered))
        .collect();
    Ok(Batch {
        yielded: yield_of(members.iter().map(|member| member.finding)),
        members,
        design,
        results,
    })
}

fn yield_of(findings: impl Iterator<Item = Option<Finding>>) -> Yield {
    let (mut passed, mut failed, mut undecided) = (0, 0, 0);
    for finding in findings.flatten() {
        match finding {
            Finding::Pass => passed += 1,
            Finding::Fail => failed += 1,
            Finding::Undecided => undecided += 1,
        }
    }
    Yield::of(passed, failed, undecided)
}

fn members(runs: &[BatchRun<'_>]) -> Vec<Member> {
    let rigs: BTreeSet<&str> = runs.iter().map(|run| run.rig.name.as_str()).collect();
    let mut members = Vec::new();
    for (place, run) in runs.iter().enumerate() {
        for position in crate::readings::positions(run.record) {
            let serial = run
                .record
                .header
                .units
                .get(&position)
                .map_or("", |unit| unit.serial.trim());
            let findings = run
                .analysis
                .verdicts
                .iter()
                .filter(|verdict| verdict.position == position)
                .map(|verdict| verdict.finding);
            members.push(Member {
                run: place,
                name: if serial.is_empty() {
                    format!("unit in {position} of run {}", run.record.id)
                } else {
                    serial.to_owned()
                },
                bench: if rigs.len() > 1 {
                    run.rig.name.clone()
                } else {
                    position.to_string()
                },
                finding: findings.max_by_key(|finding| match finding {
                    Finding::Pass => 0,
                    Finding::Undecided => 1,
                    Finding::Fail => 2,
                }),
                position,
            });
        }
    }
    members
}

/// The design, if units were measured more than once.
fn design(runs: &[BatchRun<'_>], members: &[Member]) -> Result<Option<Design>, String> {
    let mut cells: BTreeMap<&str, BTreeMap<&str, Vec<usize>>> = BTreeMap::new();
    for (place, member) in members.iter().enumerate() {
        cells
            .entry(&member.name)
            .or_default()
            .entry(&member.bench)
            .or_default()
            .push(place);
    }
    if cells.len() == members.len() {
        return Ok(None);
    }
    let benches: BTreeSet<&str> = members.iter().map(|m| m.bench.as_str()).collect();
    let repeats = members.len() / (cells.len() * benches.len());
    let balanced = cells
        .values()
        .all(|unit| unit.len() == benches.len() && unit.values().all(|cell| cell.len() == repeats));
    if cells.len() < 2 || benches.len() < 2 || repeats < 2 || !balanced {
        let (name, twice) = cells
            .iter()
            .map(|(name, unit)| (*name, unit.values().flatten().collect::<Vec<_>>()))
            .find(|(_, places)| places.len() > 1)
            .unwrap_or_default();
        let ids: Vec<String> = twice
            .iter()
            .map(|place| runs[members[**place].run].record.id.to_string())
            .collect();
        return Err(format!(
            "unit {name} is measured {} times (runs {}): that is repeating, not a batch, in which each unit counts once. Name one run of each unit. A study of the measurement itself takes two units or more, each measured on two benches or more, everywhere equally often and at least twice",
            ids.len(),
            ids.join(", ")
        ));
    }
    Ok(Some(Design {
        units: cells.keys().map(|name| (*name).to_owned()).collect(),
        benches: benches.iter().map(|bench| (*bench).to_owned()).collect(),
        repeats,
        cells: cells
            .into_values()
            .map(|unit| unit.into_values().collect())
            .collect(),
    }))
}

fn result(
    runs: &[BatchRun<'_>],
    members: &[Member],
    design: Option<&Design>,
    gathered: Gathered,
) -> BatchResult {
    let Gathered {
        stage,
        name,
        outcomes,
        tolerances,
        ..
    } = gathered;
    let mut values: Vec<Option<UnitValue>> = outcomes
        .into_iter()
        .map(|outcome| {
            outcome.map(|outcome| UnitValue {
                outcome,
                score: None,
                apart: false,
            })
        })
        .collect();
    let known: Vec<Known> = values
        .iter()
        .flatten()
        .filter_map(UnitValue::known)
        .collect();
    // By member, where the value itself is known.
    let numbers: Vec<(usize, f64)> = values
        .iter()
        .enumerate()
        .filter_map(|(place, value)| match value.as_ref()?.known()? {
            Known::Value(number) => Some((place, number)),
            Known::AtLeast(_) => None,
        })
        .collect();
    let alone: Vec<f64> = numbers.iter().map(|(_, number)| *number).collect();
    let measured = Measured {
        runs,
        members,
        values: &values,
        numbers: &numbers,
    };
    let tolerances = tolerances
        .into_iter()
        .map(|(tolerance, findings)| BatchTolerance {
            yielded: yield_of(findings.iter().copied()),
            capability: measured.capability(name, &tolerance, known.len()),
            tolerance,
            findings,
        })
        .collect();
    let study = design.map(|design| measured.study(design));
    let positions = design.is_none().then(|| measured.by_position()).flatten();
    let mut no_outliers_because = None;
    if design.is_none() {
        match outliers::scores(&alone) {
            Ok(scores) => {
                let middle = median(&alone);
                for ((place, _), score) in numbers.iter().zip(scores) {
                    if let Some(value) = &mut values[*place] {
                        value.score = Some(score);
                        let (low, high) = (value.outcome.low(), value.outcome.high());
                        value.apart = low.is_none_or(|low| low > middle)
                            || high.is_none_or(|high| high < middle);
                    }
                }
            }
            Err(why) => no_outliers_because = Some(why),
        }
    }
    BatchResult {
        name,
        stage,
        spread: design.is_none().then(|| spread(&known)).flatten(),
        histogram: design.is_none().then(|| histogram(&alone)).flatten(),
        no_outliers_because,
        positions,
        tolerances,
        study,
        values,
    }
}

/// A result of many units on its way.
struct Measured<'a> {
    runs: &'a [BatchRun<'a>],
    members: &'a [Member],
    values: &'a [Option<UnitValue>],
    numbers: &'a [(usize, f64)],
}

impl Measured<'_> {
    fn capability(
        &self,
        name: ResultName,
        tolerance: &Tolerance,
        known: usize,
    ) -> Result<Capability, String> {
        if !name.has_sign() {
            return Err(
                "it cannot be negative, so it is not spread like a normal distribution; percentiles stand in the place of Cp and Cpk"
                    .to_owned(),
            );
        }
        let Some(limits) = Limits::of(&tolerance.allow, name) else {
            return Err("the tolerance is not in the result's unit".to_owned());
        };
        if known > self.numbers.len() {
            return Err("not every unit reached it".to_owned());
        }
        let alone: Vec<f64> = self.numbers.iter().map(|(_, number)| *number).collect();
        let parts = self.numbers.iter().filter_map(|(place, _)| {
            let outcome = &self.values[*place].as_ref()?.outcome;
            Some((outcome, &self.members[*place]))
        });
        let measurement = measurement::of(self.runs, parts);
        capability(&alone, measurement, (limits.lower, limits.upper))
    }

    fn study(&self, design: &Design) -> Result<Study, String> {
        let mut missing = 0;
        let values: Vec<Vec<Vec<f64>>> = design
            .cells
            .iter()
            .map(|unit| {
                unit.iter()
                    .map(|cell| {
                        cell.iter()
                            .filter_map(|place| {
                                let value = self.values[*place].as_ref()?.outcome.value();
                                missing += usize::from(value.is_none());
                                value
                            })
                            .collect()
                    })
                    .collect()
            })
            .collect();
        if missing > 0 {
            return Err(format!(
                "{missing} of {} measurements have no value",
                self.members.len()
            ));
        }
        study(&values)
    }

    fn by_position(&self) -> Option<OneWay> {
        let mut groups: BTreeMap<(&str, &PositionId), Vec<f64>> = BTreeMap::new();
        for (place, number) in self.numbers {
            let member = &self.members[*place];
            let rig = self.runs[member.run].rig.name.as_str();
            groups
                .entry((rig, &member.position))
                .or_default()
                .push(*number);
        }
        let groups: Vec<Vec<f64>> = groups.into_values().collect();
        (self.numbers.len() >= 3 * groups.len())
            .then(|| one_way(&groups))
            .flatten()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::record::PositionId;

    #[test]
    fn at_most_is_no_place_in_a_batch() {
        use model::result::{Known as Of, NotDetermined};
        let known = |of: Of| {
            let (left, night) = (PositionId::new("left"), "night".to_owned());
            let outcome = Outcome::new(ResultName::SettlingTime, left, night, of);
            let value = UnitValue {
                outcome,
                score: None,
                apart: false,
            };
            value.known()
        };
        assert_eq!(known(Of::AtMost { high: 0.3 }), None);
        let heard = known(Of::value_of(0.3, None, Some(0.2), Some(0.4)));
        assert_eq!(heard, Some(Known::Value(0.3)));
        let none = known(Of::AtMost { high: 0.0 });
        assert_eq!(none, Some(Known::Value(0.0)));
        let late = known(Of::AtLeast {
            low: 60.0,
            why: NotDetermined::NotFinite,
        });
        assert_eq!(late, Some(Known::AtLeast(60.0)));
    }
}
