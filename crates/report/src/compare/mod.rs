//! Runs held against each other: before and after, unit against unit, revision against
//! revision, rig against rig.

mod document;
mod page;
mod words;

pub use document::{comparison_json, comparison_schema};
pub use page::comparison_html;
pub use words::comparison_text;

use crate::RunView;
use analysis::comparison::{Difference, difference};
use analysis::{Common, Identity};
use model::document::rig::Wiring;
use model::pitch::Pitch;
use model::record::PositionId;
use model::result::{Outcome, ResultName};
use schemars::JsonSchema;
use serde::Serialize;

/// Below this difference of the air nothing is said of it, in kelvin.
const SAME_AIR: f64 = 0.3;

/// A unit in a run.
#[derive(Clone, Copy)]
pub(crate) struct Subject<'a> {
    pub view: RunView<'a>,
    pub position: &'a PositionId,
}

/// Two units, or a unit twice.
pub(crate) struct Pair<'a> {
    pub one: Subject<'a>,
    pub other: Subject<'a>,
    pub kind: Kind,
    pub common: Common,
    /// How much warmer the air was the second time, where it is known.
    pub warmer: Option<f64>,
    pub rows: Vec<Row<'a>>,
    /// What is worth a word though there is no difference to state, since one of the two
    /// has no value or is known to be at most so much.
    pub one_sided: Vec<(&'a Outcome, &'a Outcome)>,
}

/// What is held against what.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Kind {
    /// The same unit on the same rig.
    #[serde(rename = "before_and_after")]
    BeforeAfter,
    /// The same unit on two rigs.
    RigAgainstRig,
    /// Two units.
    UnitAgainstUnit,
}

/// A result of both, and the difference.
pub(crate) struct Row<'a> {
    pub name: ResultName,
    pub one: &'a Outcome,
    pub other: &'a Outcome,
    pub difference: Difference,
    /// Whether the difference is to the same temperature.
    pub corrected: bool,
}

impl<'a> Subject<'a> {
    pub(crate) fn name(&self) -> String {
        self.view.name_of(self.position)
    }

    /// The notes of a stage, lowest first.
    fn notes(&self, stage: &str) -> Vec<Pitch> {
        self.view
            .stages_of(self.position)
            .into_iter()
            .filter(|(analysis, _)| analysis.name == stage)
            .flat_map(|(_, unit)| unit.notes.iter().map(|note| note.asked))
            .collect()
    }

    /// The usual form of a result in a stage.
    fn outcome(&self, name: ResultName, stage: &str) -> Option<&'a Outcome> {
        self.view
            .outcomes_of(self.position)
            .into_iter()
            .find(|outcome| {
                outcome.name == name && outcome.stage == stage && outcome.value().is_some()
            })
    }

    /// Mean air temperature over its readings.
    fn air(&self) -> Option<f64> {
        let known: Vec<f64> = self
            .view
            .record
            .readings
            .iter()
            .filter(|reading| reading.key.position == *self.position)
            .filter_map(|reading| reading.conditions.air.map(|air| air.get()))
            .collect();
        (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
    }
}

/// Which units of the runs are held against each other. Two runs or more: each unit of a
/// later run against the unit of the first with the same serial number, or, where no
/// serial number comes twice, against the one in its position, else the first. One run:
/// its units against the first of them.
pub(crate) fn pairs<'a>(views: &[RunView<'a>]) -> Vec<Pair<'a>> {
    let subjects = |view: &RunView<'a>| -> Vec<Subject<'a>> {
        view.positions()
            .into_iter()
            .map(|position| Subject {
                view: *view,
                position,
            })
            .collect()
    };
    let Some((first, rest)) = views.split_first() else {
        return Vec::new();
    };
    let base = subjects(first);
    if rest.is_empty() {
        return match base.split_first() {
            Some((one, others)) => others.iter().map(|other| pair(*one, *other)).collect(),
            None => Vec::new(),
        };
    }
    let mut found = Vec::new();
    for view in rest {
        let others = subjects(view);
        let serial = |subject: &Subject<'_>| {
            let unit = subject.view.unit(subject.position);
            Some(unit.serial).filter(|serial| !serial.trim().is_empty())
        };
        let twins: Vec<Pair<'a>> = others
            .iter()
            .filter_map(|other| {
                let wanted = serial(other)?;
                let one = base
                    .iter()
                    .find(|one| serial(one).as_ref() == Some(&wanted))?;
                Some(pair(*one, *other))
            })
            .collect();
        if !twins.is_empty() {
            found.extend(twins);
            continue;
        }
        for other in &others {
            let same_place = base.iter().find(|one| one.position == other.position);
            if let Some(one) = same_place.or(base.first()) {
                found.push(pair(*one, *other));
            }
        }
    }
    found
}

fn pair<'a>(one: Subject<'a>, other: Subject<'a>) -> Pair<'a> {
    let identity = |subject: &Subject<'a>| {
        Identity::of(subject.view.rig, subject.view.record, subject.position)
    };
    let common = identity(&one).in_common(&identity(&other));
    let recorded = |subject: &Subject<'a>| matches!(subject.view.rig.wiring, Wiring::Recorded(_));
    let kind = if !common.unit {
        Kind::UnitAgainstUnit
    } else if common.rig || (recorded(&one) && recorded(&other)) {
        // Of two recordings nobody knows whether they are of one rig.
        Kind::BeforeAfter
    } else {
        Kind::RigAgainstRig
    };
    let warmer = one.air().zip(other.air()).map(|(one, other)| other - one);
    let rows: Vec<Row<'a>> = ResultName::ALL
        .into_iter()
        .filter_map(|name| row(&one, &other, name, common, warmer))
        .collect();
    let one_sided = words::FIRST
        .into_iter()
        .filter(|name| rows.iter().all(|row| row.name != *name))
        .filter_map(|name| sides(&one, &other, name))
        .collect();
    Pair {
        one,
        other,
        kind,
        common,
        warmer,
        rows,
        one_sided,
    }
}

/// A result of both of which at least one has a value; where it is one alone, both in the
/// stage of that one's name.
fn sides<'a>(
    one: &Subject<'a>,
    other: &Subject<'a>,
    name: ResultName,
) -> Option<(&'a Outcome, &'a Outcome)> {
    let best = |subject: &Subject<'a>| subject.view.best(subject.position, name);
    let (earlier, later) = (best(one), best(other));
    let stage = &earlier.or(later)?.stage;
    let same = |subject: &Subject<'a>| {
        subject
            .view
            .outcomes_of(subject.position)
            .into_iter()
            .find(|outcome| outcome.name == name && outcome.stage == *stage)
    };
    let pair = (
        earlier.or_else(|| same(one))?,
        later.or_else(|| same(other))?,
    );
    let both_bounded = pair.0.is_upper_bound() && pair.1.is_upper_bound();
    (!both_bounded).then_some(pair)
}

fn row<'a>(
    one: &Subject<'a>,
    other: &Subject<'a>,
    name: ResultName,
    common: Common,
    warmer: Option<f64>,
) -> Option<Row<'a>> {
    let best = one.view.best(one.position, name)?;
    let earlier = one.outcome(name, &best.stage).unwrap_or(best);
    let later = other
        .outcome(name, &earlier.stage)
        .or_else(|| other.view.best(other.position, name))?;
    let notes = one.notes(&earlier.stage);
    let common = Common {
        notes: !notes.is_empty() && notes == other.notes(&later.stage),
        ..common
    };
    let mut found = difference(earlier, later, common)?;
    let is_slope = matches!(
        name,
        ResultName::ScaleError | ResultName::MeanSlope | ResultName::TwoNoteSlope
    );
    let coefficient = [one, other].into_iter().find_map(|subject| {
        let coefficient = subject
            .view
            .best(subject.position, ResultName::ScaleTemperatureCoefficient)?;
        coefficient.value().zip(coefficient.u())
    });
    let mut corrected = false;
    if is_slope
        && common.unit
        && let (Some(coefficient), Some(warmer)) = (coefficient, warmer)
        && warmer.abs() >= SAME_AIR
    {
        found = found.corrected(coefficient, warmer);
        corrected = true;
    }
    Some(Row {
        name,
        one: earlier,
        other: later,
        difference: found,
        corrected,
    })
}
