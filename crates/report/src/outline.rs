//! Finding one's way in a run: its units, their stages, their results.

use crate::RunView;
use crate::numbers::Stated;
use analysis::{StageAnalysis, UnitAnalysis};
use model::document::plan::Tolerance;
use model::quantity::Dimension;
use model::record::{PositionId, Reading, Unit};
use model::result::{Finding, Group, JointRisk, NotDetermined, Outcome, ResultName, Verdict};
use std::collections::{BTreeMap, BTreeSet};

/// The longest name of a unit on a page or a terminal, in characters.
const LONGEST_NAME: usize = 80;

/// The name of a result for people.
pub(crate) const fn title(name: ResultName) -> &'static str {
    name.title()
}

/// What a result is about: the heading over it in tables.
pub(crate) const fn heading(name: ResultName) -> &'static str {
    match name.row().group {
        Group::Ready => "When it is ready",
        Group::Tune => "How well in tune",
        Group::Scale => "Its scale",
        Group::Wandering => "How it wanders",
        Group::Change => "From note to note",
        Group::Surroundings => "What moves it",
    }
}

/// Results that cannot be said, those with the same reason together: their names,
/// and why.
pub(crate) fn unsaid<'a>(outcomes: impl IntoIterator<Item = &'a Outcome>) -> Vec<(String, String)> {
    let mut reasons: Vec<(String, String)> = Vec::new();
    for outcome in outcomes {
        let why = outcome.why_not().map(crate::words::reasons::why);
        let why = why.unwrap_or_else(|| "not known".to_owned());
        let name = title(outcome.name);
        match reasons.iter_mut().find(|(_, other)| *other == why) {
            Some((names, _)) => {
                names.push_str(", ");
                names.push_str(&name.to_lowercase());
            }
            None => reasons.push((name.to_owned(), why)),
        }
    }
    reasons
}

/// Whether a result's sign means something.
pub(crate) const fn has_sign(name: ResultName) -> bool {
    name.has_sign()
}

/// An outcome's value with its interval, where it has a value.
pub(crate) fn stated(outcome: &Outcome) -> Option<Stated> {
    let dimension = outcome.name.dimension();
    let shown = |value: f64| {
        if dimension == Dimension::Fraction {
            value * 100.0
        } else {
            value
        }
    };
    let value = outcome
        .value()
        .filter(|value| value.is_finite())
        .map(shown)?;
    let interval = outcome
        .low()
        .zip(outcome.high())
        .filter(|(low, high)| low.is_finite() && high.is_finite())
        .map(|(low, high)| (shown(low), shown(high)));
    let at_least = outcome
        .low()
        .filter(|low| low.is_finite() && outcome.high().is_none())
        .filter(|_| dimension == Dimension::Duration);
    Some(Stated {
        value,
        interval,
        at_least,
        dimension,
    })
}

/// The worst of several findings: a fail outranks an undecided, that a pass.
pub(crate) fn worst(findings: impl IntoIterator<Item = Finding>) -> Option<Finding> {
    findings.into_iter().max_by_key(|finding| match finding {
        Finding::Pass => 0,
        Finding::Undecided => 1,
        Finding::Fail => 2,
    })
}

impl<'a> RunView<'a> {
    /// Whether all stages are done and nothing of them is lost.
    pub(crate) fn is_complete(&self) -> bool {
        self.damage.is_none() && self.record.is_complete()
    }

    /// What is to be said first of all of a damaged run.
    pub(crate) fn warning(&self) -> Option<String> {
        self.damage
            .map(|damage| format!("This is a part of a damaged run. What is wrong: {damage}."))
    }

    /// The positions that have a unit or readings, in order.
    pub(crate) fn positions(&self) -> Vec<&'a PositionId> {
        let named = self.record.header.units.keys();
        let analysed = self
            .analysis
            .stages
            .iter()
            .flat_map(|stage| stage.units.iter().map(|unit| &unit.position));
        let heard = self
            .record
            .readings
            .iter()
            .map(|reading| &reading.key.position);
        named
            .chain(analysed)
            .chain(heard)
            .collect::<BTreeSet<_>>()
            .into_iter()
            .collect()
    }

    /// The unit in a position; one without a name where none was given.
    pub(crate) fn unit(&self, position: &PositionId) -> Unit {
        self.record
            .header
            .units
            .get(position)
            .cloned()
            .unwrap_or_default()
    }

    /// What a unit is called: its serial number, shortened where it is long, else the
    /// position it is in.
    pub(crate) fn name_of(&self, position: &PositionId) -> String {
        let unit = self.unit(position);
        if unit.serial.trim().is_empty() {
            format!("unit in {position}")
        } else {
            model::excerpt(&unit.serial, LONGEST_NAME)
        }
    }

    /// The stages in which a position was measured, in the order of the plan.
    pub(crate) fn stages_of(
        &self,
        position: &PositionId,
    ) -> Vec<(&'a StageAnalysis, &'a UnitAnalysis)> {
        self.analysis
            .stages
            .iter()
            .filter_map(|stage| {
                stage
                    .units
                    .iter()
                    .find(|unit| unit.position == *position)
                    .map(|unit| (stage, unit))
            })
            .collect()
    }

    /// The results of a position, in their order.
    pub(crate) fn outcomes_of(&self, position: &PositionId) -> Vec<&'a Outcome> {
        self.analysis
            .outcomes
            .iter()
            .filter(|outcome| outcome.position == *position)
            .collect()
    }

    /// The risk over all tolerances together at a position.
    pub(crate) fn risk_of(&self, position: &PositionId) -> Option<&'a JointRisk> {
        self.analysis
            .risks
            .iter()
            .find(|risk| risk.position == *position)
    }

    /// The verdicts on a position with their tolerances, in the order of the plan.
    pub(crate) fn verdicts_of(
        &self,
        position: &PositionId,
    ) -> Vec<(Option<&'a Tolerance>, &'a Verdict)> {
        self.analysis
            .verdicts
            .iter()
            .filter(|verdict| verdict.position == *position)
            .map(|verdict| (self.plan.tolerances.get(verdict.tolerance), verdict))
            .collect()
    }

    /// The stage that was watched for longest, where a unit was measured at all:
    /// what is said of a night is said of this one.
    pub(crate) fn main_stage(
        &self,
        position: &PositionId,
    ) -> Option<(&'a StageAnalysis, &'a UnitAnalysis)> {
        self.stages_of(position)
            .into_iter()
            .filter(|(_, unit)| extent(unit).is_some())
            .max_by(|(_, a), (_, b)| {
                let length = |unit| extent(unit).map_or(0.0, |(from, to)| to - from);
                // Of equals the later one is taken: by then the unit was warmer.
                length(a).total_cmp(&length(b))
            })
    }

    /// A result that has a value: of the main stage, else of the last stage that
    /// can say.
    pub(crate) fn best(&self, position: &PositionId, name: ResultName) -> Option<&'a Outcome> {
        let main = self
            .main_stage(position)
            .map(|(stage, _)| stage.name.as_str());
        let all: Vec<_> = self
            .outcomes_of(position)
            .into_iter()
            .filter(|outcome| outcome.name == name && stated(outcome).is_some())
            .collect();
        all.iter()
            .rev()
            .find(|outcome| Some(outcome.stage.as_str()) == main)
            .or_else(|| all.last())
            .copied()
    }

    /// Why a result cannot be said of the main stage.
    pub(crate) fn why_not(
        &self,
        position: &PositionId,
        name: ResultName,
    ) -> Option<&'a NotDetermined> {
        let main = self
            .main_stage(position)
            .map(|(stage, _)| stage.name.as_str());
        self.outcomes_of(position)
            .into_iter()
            .filter(|outcome| outcome.name == name && Some(outcome.stage.as_str()) == main)
            .find_map(|outcome| outcome.why_not())
    }

    /// The last attempt at each reading: the one that counts.
    pub(crate) fn last_attempts(&self) -> Vec<&'a Reading> {
        let mut last: BTreeMap<_, &'a Reading> = BTreeMap::new();
        for reading in &self.record.readings {
            let key = &reading.key;
            let place = (key.stage, key.round, key.slot, key.repeat, &key.position);
            let kept = last.entry(place).or_insert(reading);
            if reading.key.attempt >= kept.key.attempt {
                *kept = reading;
            }
        }
        last.into_values().collect()
    }

    /// The name of a stage of the plan, counted from 0.
    pub(crate) fn stage_name(&self, stage: u16) -> String {
        self.plan.stages.get(usize::from(stage)).map_or_else(
            || format!("stage {}", u32::from(stage) + 1),
            |stage| stage.name().to_owned(),
        )
    }
}

/// The first and the last time at which a unit was measured in a stage, in
/// seconds since t = 0.
pub(crate) fn extent(unit: &UnitAnalysis) -> Option<(f64, f64)> {
    let times = unit
        .notes
        .iter()
        .flat_map(|note| note.points.iter().map(|point| point.t_s));
    let curve_times = unit
        .curves
        .iter()
        // Its times are no times of the run.
        .filter(|curve| curve.name != ResultName::ShortTermStability)
        .flat_map(|curve| curve.points.iter().map(|point| point.0));
    times
        .chain(curve_times)
        .filter(|time| time.is_finite())
        .fold(None, |range, time| match range {
            None => Some((time, time)),
            Some((from, to)) => Some((from.min(time), to.max(time))),
        })
}
