//! The JSON Schema of what `compare` prints as JSON.

use crate::schema::{NameOfResult, Nullable, OneResult, Source, schema_of};
use model::record::Unit;
use schemars::JsonSchema;
use serde_json::Value;

/// The JSON Schema (draft 2020-12) of [`comparison_json`](crate::comparison_json).
#[must_use]
pub fn comparison_schema() -> Value {
    schema_of::<Comparison>("Nightbench comparison", "comparison 1")
}

/// Runs held against each other.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct Comparison {
    /// What kind of document this is and in which version: `comparison 1`.
    nightbench: String,
    /// Two units each, or a unit twice.
    pairs: Vec<OnePair>,
}

/// Two units, or a unit twice.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OnePair {
    /// What is held against what.
    kind: KindOfPair,
    /// The earlier, or the first.
    one: Subject,
    /// The later, or the other.
    other: Subject,
    /// What both have in common.
    common: InCommon,
    /// How much warmer the air was the second time, in kelvin.
    warmer_k: Nullable<f64>,
    /// What changed, in sentences.
    sentences: Vec<String>,
    /// What to know beside it, in sentences.
    conditions: Vec<String>,
    /// The results that both have.
    results: Vec<OneDifference>,
}

/// What is held against what.
#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
#[allow(dead_code)]
enum KindOfPair {
    /// The same unit on the same rig.
    BeforeAndAfter,
    /// The same unit on two rigs.
    RigAgainstRig,
    /// Two units.
    UnitAgainstUnit,
}

/// A unit in a run.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct Subject {
    /// The run's identifier.
    run: String,
    /// Where it was patched.
    position: String,
    /// The unit.
    unit: Unit,
    /// The rig's name.
    rig: String,
    /// The plan's title.
    plan: String,
}

/// What two units have in common.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
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
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneDifference {
    /// Which result.
    name: NameOfResult,
    /// In which unit; "1" for a share.
    unit: String,
    /// Of which stage, by name.
    stage: String,
    /// The earlier, or the first.
    one: OneResult,
    /// The later, or the other.
    other: OneResult,
    /// The other less the one.
    difference: Interval,
    /// Whether the difference stands out of its uncertainty.
    stands_out: bool,
    /// Whether it is to the same temperature.
    to_the_same_temperature: bool,
    /// The sources of uncertainty that both share, and that so go out of it.
    cancelled: Vec<Source>,
    /// The difference over the expanded uncertainties of both (E_n):
    /// two rigs agree where it is at most 1.
    normalised_error: Nullable<f64>,
}

/// A value with its uncertainty.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct Interval {
    /// The value.
    value: Nullable<f64>,
    /// Its standard uncertainty (k = 1).
    u: Nullable<f64>,
    /// Lower end of its 95 % interval.
    low: Nullable<f64>,
    /// Upper end of its 95 % interval.
    high: Nullable<f64>,
}
