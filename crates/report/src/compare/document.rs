//! A comparison for programs.

use super::words::{conditions, said};
use super::{Kind, Pair, Row, Subject, pairs};
use crate::RunView;
use crate::document::{Number, OneResult, schema_of};
use analysis::Common;
use analysis::comparison::Difference;
use model::record::Unit;
use model::result::{ResultName, UncertaintySource};
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::{Value, json};

/// What kind of document this is, and in which version.
const HEADER: &str = "comparison 1";

/// Runs held against each other, for programs.
#[must_use]
pub fn comparison_json(views: &[RunView<'_>]) -> Value {
    json!(Comparison {
        nightbench: HEADER,
        pairs: pairs(views).iter().map(Into::into).collect(),
    })
}

/// The JSON Schema (draft 2020-12) of [`comparison_json`].
#[must_use]
pub fn comparison_schema() -> Value {
    schema_of::<Comparison<'static>>("Nightbench comparison", HEADER)
}

/// Runs held against each other.
#[derive(Serialize, JsonSchema)]
struct Comparison<'a> {
    /// What kind of document this is and in which version: `comparison 1`.
    nightbench: &'static str,
    /// Two units each, or a unit twice.
    pairs: Vec<OnePair<'a>>,
}

/// Two units, or a unit twice.
#[derive(Serialize, JsonSchema)]
struct OnePair<'a> {
    /// What is held against what.
    kind: Kind,
    /// The earlier, or the first.
    one: OneUnit<'a>,
    /// The later, or the other.
    other: OneUnit<'a>,
    /// What both have in common.
    common: InCommon,
    /// How much warmer the air was the second time, in kelvin.
    warmer_k: Option<Number>,
    /// What changed, in sentences.
    sentences: Vec<String>,
    /// What to know beside it, in sentences.
    conditions: Vec<String>,
    /// The results that both have.
    results: Vec<OneDifference<'a>>,
}

/// A unit in a run.
#[derive(Serialize, JsonSchema)]
struct OneUnit<'a> {
    /// The run's identifier.
    run: &'a str,
    /// Where it was patched.
    position: &'a str,
    /// The unit.
    unit: Unit,
    /// The rig's name.
    rig: &'a str,
    /// The plan's title.
    plan: &'a str,
}

/// What two units have in common.
#[derive(Serialize, JsonSchema)]
struct InCommon {
    /// They are of one run.
    run: bool,
    /// They were measured on the same rig, by its name and what it listens with.
    rig: bool,
    /// The same thermometer was read, within the same limits.
    thermometer: bool,
    /// The control voltage came from the same output, within the same limits.
    output: bool,
    /// The same inputs hung on that output.
    load: bool,
    /// They are the same unit.
    unit: bool,
}

/// A result of both, and the difference.
#[derive(Serialize, JsonSchema)]
struct OneDifference<'a> {
    /// Which result.
    name: ResultName,
    /// In which unit; "1" for a share.
    unit: &'static str,
    /// Of which stage, by name.
    stage: &'a str,
    /// The earlier, or the first.
    one: OneResult<'a>,
    /// The later, or the other.
    other: OneResult<'a>,
    /// The other less the one.
    difference: Interval,
    /// Whether the difference stands out of its uncertainty.
    stands_out: bool,
    /// Whether it is to the same temperature.
    to_the_same_temperature: bool,
    /// The sources of uncertainty that both share, and that so go out of it.
    cancelled: &'a [UncertaintySource],
    /// The difference over the expanded uncertainties of both (E_n):
    /// two rigs agree where it is at most 1.
    normalised_error: Option<Number>,
}

/// A value with its uncertainty.
#[derive(Serialize, JsonSchema)]
struct Interval {
    /// The value.
    value: Option<Number>,
    /// Its standard uncertainty (k = 1).
    u: Option<Number>,
    /// Lower end of its 95 % interval.
    low: Option<Number>,
    /// Upper end of its 95 % interval.
    high: Option<Number>,
}

impl<'a> From<&'a Pair<'a>> for OnePair<'a> {
    fn from(pair: &'a Pair<'a>) -> Self {
        Self {
            kind: pair.kind,
            one: (&pair.one).into(),
            other: (&pair.other).into(),
            common: pair.common.into(),
            warmer_k: pair.warmer.map(Number),
            sentences: said(pair),
            conditions: conditions(pair),
            results: pair.rows.iter().map(Into::into).collect(),
        }
    }
}

impl<'a> From<&Subject<'a>> for OneUnit<'a> {
    fn from(subject: &Subject<'a>) -> Self {
        Self {
            run: subject.view.record.id.as_str(),
            position: subject.position.as_str(),
            unit: subject.view.unit(subject.position),
            rig: &subject.view.rig.name,
            plan: &subject.view.plan.title,
        }
    }
}

impl From<Common> for InCommon {
    fn from(common: Common) -> Self {
        Self {
            run: common.run,
            rig: common.rig,
            thermometer: common.thermometer,
            output: common.output,
            load: common.load,
            unit: common.unit,
        }
    }
}

impl<'a> From<&'a Row<'a>> for OneDifference<'a> {
    fn from(row: &'a Row<'a>) -> Self {
        let found = &row.difference;
        Self {
            name: row.name,
            unit: row.name.dimension().unit(),
            stage: &row.one.stage,
            one: row.one.into(),
            other: row.other.into(),
            difference: found.into(),
            stands_out: found.stands_out(),
            to_the_same_temperature: row.corrected,
            cancelled: &found.cancelled,
            normalised_error: found.normalised_error.map(Number),
        }
    }
}

impl From<&Difference> for Interval {
    fn from(found: &Difference) -> Self {
        Self {
            value: Some(Number(found.value)),
            u: found.u.map(Number),
            low: found.low.map(Number),
            high: found.high.map(Number),
        }
    }
}
