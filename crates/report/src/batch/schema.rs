//! The JSON Schema of what `batch` prints as JSON.

use crate::schema::{NameOfResult, Nullable, OneContribution, schema_of};
use model::document::plan::{Allow, Moment};
use model::record::Unit;
use model::result::Finding;
use schemars::JsonSchema;
use serde_json::Value;
use std::collections::BTreeMap;

/// The JSON Schema (draft 2020-12) of [`batch_json`](crate::batch_json).
#[must_use]
pub fn batch_schema() -> Value {
    schema_of::<Together>("Nightbench batch", "batch 1")
}

/// Runs taken together.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct Together {
    /// What kind of document this is and in which version: `batch 1`.
    nightbench: String,
    /// A batch, or a study of the measurement.
    kind: KindOfBatch,
    /// What there is to say first, in sentences.
    sentences: Vec<String>,
    /// What has to be said of the rigs, in sentences.
    rig_statement: Vec<String>,
    /// Whether all runs are of one plan, to the letter.
    same_plan: bool,
    /// The runs.
    runs: Vec<OneRun>,
    /// The units as they were measured, by run, then position.
    units: Vec<OneMember>,
    /// How many units meet all tolerances.
    #[schemars(rename = "yield")]
    yielded: OneYield,
    /// Who was measured where; null in a plain batch.
    design: Nullable<OneDesign>,
    /// The results, by stage.
    results: Vec<OneOfAll>,
    /// From how many units what is said, and beyond what a unit stands out.
    rules: Rules,
}

/// A batch, or a study of the measurement.
#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
#[allow(dead_code)]
enum KindOfBatch {
    /// Each unit was measured once.
    Batch,
    /// The same units were measured again and again.
    Study,
}

/// A run.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneRun {
    /// The run's identifier.
    run: String,
    /// The plan's title.
    plan: String,
    /// The SHA-256 of the plan's text.
    plan_sha256: String,
    /// The rig's name.
    rig: String,
    /// The SHA-256 of the rig's text.
    rig_sha256: String,
    /// When it began, in UTC.
    began: String,
    /// Whether all stages are done.
    complete: bool,
    /// Whether certificates stand behind the rig.
    calibrated: bool,
}

/// A unit as it was measured in a run.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneMember {
    /// Its serial number; without one, its run and position.
    name: String,
    /// The unit.
    unit: Unit,
    /// The run's identifier.
    run: String,
    /// Where it was patched.
    position: String,
    /// The bench: the rig's name where there are several rigs, else the position.
    bench: String,
    /// The worst finding over all tolerances; null without tolerances.
    finding: Nullable<Finding>,
}

/// How many units meet what is asked of them.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneYield {
    /// How many pass.
    passed: u64,
    /// How many fail.
    failed: u64,
    /// Of how many it cannot be decided.
    undecided: u64,
    /// The share that passes.
    share: Nullable<f64>,
    /// Lower end of the 95 % interval of that share, the undecided counted as failed.
    low: Nullable<f64>,
    /// Upper end, the undecided counted as passed.
    high: Nullable<f64>,
}

/// Units measured on benches, again and again.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneDesign {
    /// The units' names.
    units: Vec<String>,
    /// The benches.
    benches: Vec<String>,
    /// How often each unit was measured on each bench.
    repeats: u64,
}

/// One result over all units. Values are in its `unit`.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneOfAll {
    /// Which result.
    name: NameOfResult,
    /// What it is called.
    title: String,
    /// Of which stage, by name.
    stage: String,
    /// In which unit; "1" for a share.
    unit: String,
    /// Which choice was made in its name, for people.
    meaning: Nullable<String>,
    /// The middle and the spread; null where no unit has a value.
    spread: Nullable<OneSpread>,
    /// How many units lie where; null where there are too few.
    histogram: Nullable<OneHistogram>,
    /// Why no unit is said to stand out; null where it is looked for.
    no_outliers_because: Nullable<String>,
    /// Whether positions differ; null where that cannot be told.
    positions: Nullable<BetweenPositions>,
    /// The tolerances on it.
    tolerances: Vec<OneTolerance>,
    /// What the measurement itself adds; null where there is no study.
    study: Nullable<OneStudy>,
    /// Why there is no study where units were measured again; null where there is one.
    no_study_because: Nullable<String>,
    /// What each unit has.
    units: Vec<OneValue>,
}

/// The middle and the spread of a result.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneSpread {
    /// How many units have it.
    count: u64,
    /// How many of them did not reach it in their run.
    not_reached: u64,
    /// The median.
    median: Nullable<f64>,
    /// Lower end of its 95 % interval.
    median_low: Nullable<f64>,
    /// Upper end of its 95 % interval.
    median_high: Nullable<f64>,
    /// A quarter of the units lie below.
    lower_quartile: Nullable<f64>,
    /// A quarter of the units lie above.
    upper_quartile: Nullable<f64>,
    /// The smallest.
    smallest: Nullable<f64>,
    /// The largest.
    largest: Nullable<f64>,
    /// The mean.
    mean: Nullable<f64>,
    /// The standard deviation of the units.
    standard_deviation: Nullable<f64>,
    /// Percentiles, by names such as p05.
    percentiles: BTreeMap<String, Nullable<f64>>,
}

/// How many units lie where.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneHistogram {
    /// Where the first bin begins.
    from: f64,
    /// How wide each is.
    width: f64,
    /// How many lie in each.
    counts: Vec<u64>,
}

/// Whether positions differ (one-way analysis of variance).
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct BetweenPositions {
    /// Between positions.
    between: OneLine,
    /// Within positions.
    within: OneLine,
    /// How likely positions that are alike differ so much.
    #[schemars(range(min = 0.0, max = 1.0))]
    chance: f64,
}

/// A line of an analysis of variance.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneLine {
    /// Degrees of freedom.
    degrees_of_freedom: u64,
    /// Sum of squares.
    sum_of_squares: f64,
    /// Mean square.
    mean_square: f64,
}

/// A tolerance over all units.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneTolerance {
    /// When: `start`, `end`, or a time; null for the end.
    at: Nullable<Moment>,
    /// The range it must lie in, as the plan writes it.
    allow: Allow,
    /// How many units meet it.
    #[schemars(rename = "yield")]
    yielded: OneYield,
    /// How well the batch fits it; null where that cannot be said.
    capability: Nullable<OneCapability>,
    /// Why that cannot be said; null where it can.
    no_capability_because: Nullable<String>,
}

/// How a batch lies within its limits.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneCapability {
    /// The mean of the units.
    mean: f64,
    /// Their standard deviation, the measurement's own taken out.
    standard_deviation: f64,
    /// Their standard deviation as it is seen.
    standard_deviation_seen: f64,
    /// By how much the rig may shift all units alike, either way (95 %).
    shift: f64,
    /// Cp; null with one limit only.
    cp: Nullable<OneIndex>,
    /// Cpk.
    cpk: OneIndex,
    /// Which share lies outside, by a normal distribution.
    #[schemars(range(min = 0.0, max = 1.0))]
    share_outside: f64,
    /// Whether the units are surely no sample of a normal distribution.
    surely_not_normal: bool,
}

/// An index of capability.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneIndex {
    /// The index.
    value: f64,
    /// Lower end of its 95 % interval.
    low: f64,
    /// Upper end; null where the spread of the units may be nought.
    high: Nullable<f64>,
}

/// What the measurement itself adds (analysis of variance with units and benches crossed).
/// Variances are in the square of the result's unit.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneStudy {
    /// Units.
    units: OneLine,
    /// Benches.
    benches: OneLine,
    /// Units and benches together.
    interaction: OneLine,
    /// Repeats.
    repeats: OneLine,
    /// All.
    total: OneLine,
    /// How likely an interaction so large is chance; null where it was not tested.
    interaction_chance: Nullable<f64>,
    /// Whether the interaction was taken together with the repeats.
    interaction_pooled: bool,
    /// From repeat to repeat.
    repeatability_variance: f64,
    /// Lower end of its 95 % interval.
    repeatability_variance_low: f64,
    /// Upper end of its 95 % interval.
    repeatability_variance_high: f64,
    /// From bench to bench.
    reproducibility_variance: f64,
    /// From unit to unit.
    between_units_variance: f64,
    /// All that the measurement adds.
    measurement_variance: f64,
    /// All together.
    total_variance: f64,
    /// How many classes of units can be told apart; null where the measurement adds nothing.
    classes: Nullable<f64>,
}

/// A result of one unit.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct OneValue {
    /// The unit's name.
    name: String,
    /// The run's identifier.
    run: String,
    /// The value; null where it cannot be said.
    value: Nullable<f64>,
    /// Its standard uncertainty (k = 1).
    u: Nullable<f64>,
    /// Lower end of its 95 % interval.
    low: Nullable<f64>,
    /// Upper end of its 95 % interval.
    high: Nullable<f64>,
    /// Of a time that was not reached: it is at least so long.
    at_least: Nullable<f64>,
    /// The time it speaks of, in seconds since t = 0, where there is one.
    t_s: Nullable<f64>,
    /// How many readings it rests on.
    readings: u64,
    /// Which choice was made in its name, for people.
    meaning: Nullable<String>,
    /// Why it cannot be said; null where it can.
    why_not: Nullable<String>,
    /// Its uncertainty by source, largest first.
    budget: Vec<OneContribution>,
    /// How far it stands from the middle, in robust standard deviations.
    outlier_score: Nullable<f64>,
    /// Whether it stands out by the rule.
    is_outlier: bool,
}

/// The rules that were followed.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
#[allow(dead_code)] // Stands for a document and is never made.
struct Rules {
    /// A unit stands out from this score on.
    outlier_score_beyond: f64,
    /// Outliers are looked for from so many units on.
    outliers_from_units: u64,
    /// A histogram is drawn from so many units on.
    histogram_from_units: u64,
    /// Capability is said from so many units on.
    capability_from_units: u64,
}
