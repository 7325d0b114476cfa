//! The JSON Schema of what `show` prints as JSON, and what the schemas of `compare` and
//! `batch` share with it. The types stand for the documents only; a test holds real output
//! against the schemas, with nothing more and nothing less.

use model::record::Unit;
use model::result::{Finding, ResultName, SuggestionKind, UncertaintySource};
use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde_json::{Value, json};

/// The JSON Schema (draft 2020-12) of [`results_json`](crate::results_json).
#[must_use]
pub fn results_schema() -> Value {
    schema_of::<Results>("Nightbench results", "results 1")
}

/// The schema of a document with a title and, under `nightbench`, its kind and version.
pub(crate) fn schema_of<T: JsonSchema>(title: &str, header: &str) -> Value {
    let generator = SchemaSettings::draft2020_12().into_generator();
    let mut schema = generator.into_root_schema_for::<T>().to_value();
    schema["title"] = json!(title);
    schema["properties"]["nightbench"]["const"] = json!(header);
    schema
}

/// A value that is always there and may be null.
pub(crate) struct Nullable<T>(std::marker::PhantomData<T>);

impl<T: JsonSchema> JsonSchema for Nullable<T> {
    fn inline_schema() -> bool {
        true
    }
    fn schema_name() -> std::borrow::Cow<'static, str> {
        format!("Nullable{}", T::schema_name()).into()
    }
    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        Option::<T>::json_schema(generator)
    }
}

/// Enumerations by the names that the program itself uses.
macro_rules! names {
    ($name:ident, $all:expr, $description:literal) => {
        pub(crate) struct $name;
        impl JsonSchema for $name {
            fn inline_schema() -> bool {
                true
            }
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }
            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                let names: Vec<&str> = $all.into_iter().map(|one| one.name()).collect();
                schemars::json_schema!({
                    "type": "string",
                    "description": $description,
                    "enum": names,
                })
            }
        }
    };
}
names!(NameOfResult, ResultName::ALL, "A result.");
names!(Source, UncertaintySource::ALL, "A source of uncertainty.");
names!(Cause, SuggestionKind::ALL, "What a suggestion points to.");

/// What came of a run.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct Results {
    /// What kind of document this is and in which version: `results 1`.
    nightbench: String,
    /// The run's identifier.
    run: String,
    /// The plan's title.
    plan: String,
    /// The rig's name.
    rig: String,
    /// What is wrong with the run: there only where it is damaged and this is a part of it.
    #[serde(default)]
    damage: Option<String>,
    /// Whether all stages are done, and nothing of them is lost.
    complete: bool,
    /// Whether certificates stand behind the rig.
    calibrated: bool,
    /// What has to be said of the rig, in sentences.
    rig_statement: Vec<String>,
    /// The units, by position.
    units: Vec<UnitResults>,
}

/// What came of one unit.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)]
struct UnitResults {
    /// Where it was patched.
    position: String,
    /// The unit.
    unit: Unit,
    /// The worst finding over all tolerances; null without tolerances.
    finding: Nullable<Finding>,
    /// The verdict in one sentence.
    headline: String,
    /// What its owner and a technician want to know.
    sentences: Vec<String>,
    /// Its results.
    results: Vec<OneResult>,
    /// The tolerances, one by one.
    verdicts: Vec<OneVerdict>,
    /// The risk over all tolerances together; null without tolerances.
    all_tolerances: Nullable<AllTolerances>,
    /// What the results suggest, largest first.
    suggestions: Vec<OneSuggestion>,
    /// What was planned and not measured.
    gaps: Vec<OneGap>,
    /// What is missing or doubtful, in sentences.
    doubts: Vec<String>,
}

/// A result with its uncertainty, or why it cannot be said.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)]
pub(crate) struct OneResult {
    /// Which result.
    name: NameOfResult,
    /// The value, in `unit`; null where it cannot be said.
    value: Nullable<f64>,
    /// Its standard uncertainty (k = 1).
    u: Nullable<f64>,
    /// Lower end of its 95 % interval. Without a value: of a time that was not reached, the
    /// least it can be; of a low end that does not stand out, the least it may be all the same.
    low: Nullable<f64>,
    /// Upper end of its 95 % interval. Without a value: of a low end that does not stand
    /// out, the most it may be all the same.
    high: Nullable<f64>,
    /// In which unit; "1" for a share.
    unit: String,
    /// Of which stage, by name.
    stage: String,
    /// The time it speaks of, in seconds since t = 0, where there is one.
    t_s: Nullable<f64>,
    /// How many readings it rests on.
    readings: u64,
    /// Which choice was made in its name, for people.
    meaning: Nullable<String>,
    /// Why it cannot be said; null where it can.
    why_not: Nullable<String>,
    /// What limits it: its uncertainty by source, largest first.
    budget: Vec<OneContribution>,
}

/// What one source does to a result: the squares of `u` add up to that of the result's.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)]
pub(crate) struct OneContribution {
    /// The source.
    source: Source,
    /// The standard uncertainty it stands for, in the result's unit.
    u: f64,
    /// Its share of the variance.
    #[schemars(range(min = 0.0, max = 1.0))]
    share: f64,
}

/// A tolerance held against a unit.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)]
struct OneVerdict {
    /// The tolerance, counted from 1 in the plan.
    #[schemars(range(min = 1))]
    tolerance: u64,
    /// Which result.
    result: Nullable<NameOfResult>,
    /// Of which stage.
    stage: Nullable<String>,
    /// When: `start`, `end`, or a time; null for the end.
    at: Nullable<String>,
    /// The range it must lie in, as the plan writes it.
    allow: Nullable<model::document::plan::Allow>,
    /// What is said.
    finding: Finding,
    /// In a sentence, with the numbers.
    reason: String,
    /// How likely the true value lies outside the range; null where that is not known.
    outside: Option<f64>,
}

/// The tolerances of the plan, all together.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)]
struct AllTolerances {
    /// How likely at least one of them is not met, errors that their results share being
    /// counted once; null where that is known of none.
    #[schemars(range(min = 0.0, max = 1.0))]
    outside: Nullable<f64>,
    /// How many it speaks of: those whose own risk is known.
    counted: u64,
    /// How many there are.
    tolerances: u64,
}

/// A likely cause, with its evidence. Never a verdict.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)]
struct OneSuggestion {
    /// What it points to.
    kind: Cause,
    /// The positions it is about.
    positions: Vec<String>,
    /// The stage it was mostly seen in.
    stage: String,
    /// How much of the error it explains, in cents.
    size_cents: Nullable<f64>,
    /// What is seen.
    seen: String,
    /// The numbers it rests on.
    evidence: Vec<OneEvidence>,
    /// The likely cause.
    cause: String,
    /// What to try.
    advice: String,
    /// What would confirm it.
    confirmed_by: String,
    /// What would refute it.
    refuted_by: String,
    /// What else it could be that this run cannot tell apart.
    doubt: Nullable<String>,
    /// What to mind for safety's sake.
    caution: Nullable<String>,
}

/// A number that speaks for a suggestion.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)]
struct OneEvidence {
    /// What it is.
    what: String,
    /// The number.
    value: Nullable<f64>,
    /// Its standard uncertainty.
    u: Nullable<f64>,
    /// In which unit.
    unit: String,
}

/// Something planned that was not measured.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)]
struct OneGap {
    /// The stage, counted from 0 in the plan.
    stage: u64,
    /// Its name.
    stage_name: String,
    /// The round within the stage, from 0.
    round: u64,
    /// The place within the round, from 0; null for all of it.
    slot: Nullable<u64>,
    /// The position; null for all of them.
    position: Nullable<String>,
    /// When it was due, in seconds since t = 0.
    t_s: Nullable<f64>,
    /// The same since the run began.
    run_s: Nullable<f64>,
    /// Why.
    reason: String,
}
