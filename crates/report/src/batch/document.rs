//! A batch for programs.

use super::sentences::sentences;
use super::{BatchView, say};
use crate::bench;
use crate::document::{Figures, Number, schema_of, sha256};
use crate::words::results::meaning;
use analysis::batch::{
    BatchResult, BatchTolerance, CAPABILITY_LEAST, Capability, Design, HISTOGRAM_LEAST, Histogram,
    Index, Known, Line, Member, OUTLIER_LIMIT, OUTLIERS_LEAST, OneWay, Spread, Study, UnitValue,
    Yield,
};
use model::document::plan::{Allow, Moment};
use model::record::Unit;
use model::result::{Finding, ResultName};
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// What kind of document this is, and in which version.
const HEADER: &str = "batch 1";

/// What `batch` prints as JSON. Values are in the `unit` of their result; `u` is a
/// standard uncertainty, `low` and `high` are 95 % intervals, `at_least` is what is known
/// where a time was not reached.
#[must_use]
pub fn batch_json(view: &BatchView<'_>) -> Value {
    json!(Together::of(view))
}

/// The JSON Schema (draft 2020-12) of [`batch_json`].
#[must_use]
pub fn batch_schema() -> Value {
    schema_of::<Together<'static>>("Nightbench batch", HEADER)
}

/// Runs taken together.
#[derive(Serialize, JsonSchema)]
struct Together<'a> {
    /// What kind of document this is and in which version: `batch 1`.
    nightbench: &'static str,
    /// A batch, or a study of the measurement.
    kind: KindOfBatch,
    /// What there is to say first, in sentences.
    sentences: Vec<String>,
    /// What has to be said of the rigs, in sentences.
    rig_statement: Vec<String>,
    /// Whether all runs are of one plan, to the letter.
    same_plan: bool,
    /// The runs.
    runs: Vec<OneRun<'a>>,
    /// The units as they were measured, by run, then position.
    units: Vec<OneMember<'a>>,
    /// How many units meet all tolerances.
    #[serde(rename = "yield")]
    yielded: OneYield,
    /// Who was measured where; null in a plain batch.
    design: Option<OneDesign<'a>>,
    /// The results, by stage.
    results: Vec<OneOfAll<'a>>,
    /// From how many units what is said, and beyond what a unit stands out.
    rules: Rules,
}

/// A batch, or a study of the measurement.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
enum KindOfBatch {
    /// Each unit was measured once.
    Batch,
    /// The same units were measured again and again.
    Study,
}

/// A run.
#[derive(Serialize, JsonSchema)]
struct OneRun<'a> {
    /// The run's identifier.
    run: &'a str,
    /// The plan's title.
    plan: &'a str,
    /// The SHA-256 of the plan's text.
    plan_sha256: String,
    /// The rig's name.
    rig: &'a str,
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
#[derive(Serialize, JsonSchema)]
struct OneMember<'a> {
    /// Its serial number; without one, its run and position.
    name: &'a str,
    /// The unit.
    unit: Unit,
    /// The run's identifier.
    run: &'a str,
    /// Where it was patched.
    position: &'a str,
    /// The bench: the rig's name where there are several rigs, else the position.
    bench: &'a str,
    /// The worst finding over all tolerances; null without tolerances.
    finding: Option<Finding>,
}

/// How many units meet what is asked of them.
#[derive(Serialize, JsonSchema)]
struct OneYield {
    /// How many pass.
    passed: usize,
    /// How many fail.
    failed: usize,
    /// Of how many it cannot be decided.
    undecided: usize,
    /// The share that passes.
    share: Option<Number>,
    /// Lower end of the 95 % interval of that share, the undecided counted as failed.
    low: Option<Number>,
    /// Upper end, the undecided counted as passed.
    high: Option<Number>,
}

/// Units measured on benches, again and again.
#[derive(Serialize, JsonSchema)]
struct OneDesign<'a> {
    /// The units' names.
    units: &'a [String],
    /// The benches.
    benches: &'a [String],
    /// How often each unit was measured on each bench.
    repeats: usize,
}

/// One result over all units. Values are in its `unit`.
#[derive(Serialize, JsonSchema)]
struct OneOfAll<'a> {
    /// Which result.
    name: ResultName,
    /// What it is called.
    title: String,
    /// Of which stage, by name.
    stage: &'a str,
    /// In which unit; "1" for a share.
    unit: &'static str,
    /// Which choice was made in its name, for people.
    meaning: Option<String>,
    /// The middle and the spread; null where no unit has a value.
    spread: Option<OneSpread>,
    /// How many units lie where; null where there are too few.
    histogram: Option<OneHistogram<'a>>,
    /// Why no unit is said to stand out; null where it is looked for.
    no_outliers_because: Option<&'a str>,
    /// Whether positions differ; null where that cannot be told.
    positions: Option<BetweenPositions>,
    /// The tolerances on it.
    tolerances: Vec<OneTolerance<'a>>,
    /// What the measurement itself adds; null where there is no study.
    study: Option<OneStudy>,
    /// Why there is no study where units were measured again; null where there is one.
    no_study_because: Option<&'a str>,
    /// What each unit has.
    units: Vec<OneValue<'a>>,
}

/// The middle and the spread of a result.
#[derive(Serialize, JsonSchema)]
struct OneSpread {
    /// How many units have it.
    count: usize,
    /// How many of them did not reach it in their run.
    not_reached: usize,
    /// The median.
    median: Option<Number>,
    /// Lower end of its 95 % interval.
    median_low: Option<Number>,
    /// Upper end of its 95 % interval.
    median_high: Option<Number>,
    /// A quarter of the units lie below.
    lower_quartile: Option<Number>,
    /// A quarter of the units lie above.
    upper_quartile: Option<Number>,
    /// The smallest.
    smallest: Option<Number>,
    /// The largest.
    largest: Option<Number>,
    /// The mean.
    mean: Option<Number>,
    /// The standard deviation of the units.
    standard_deviation: Option<Number>,
    /// Percentiles, by names such as p05.
    percentiles: BTreeMap<String, Option<Number>>,
}

/// How many units lie where.
#[derive(Serialize, JsonSchema)]
struct OneHistogram<'a> {
    /// Where the first bin begins.
    from: Number,
    /// How wide each is.
    width: Number,
    /// How many lie in each.
    counts: &'a [usize],
}

/// Whether positions differ (one-way analysis of variance).
#[derive(Serialize, JsonSchema)]
struct BetweenPositions {
    /// Between positions.
    between: OneLine,
    /// Within positions.
    within: OneLine,
    /// How likely positions that are alike differ so much.
    #[schemars(range(min = 0.0, max = 1.0))]
    chance: Number,
}

/// A line of an analysis of variance.
#[derive(Serialize, JsonSchema)]
struct OneLine {
    /// Degrees of freedom.
    degrees_of_freedom: usize,
    /// Sum of squares.
    sum_of_squares: Number,
    /// Mean square.
    mean_square: Number,
}

/// A tolerance over all units.
#[derive(Serialize, JsonSchema)]
struct OneTolerance<'a> {
    /// When: `start`, `end`, or a time; null for the end.
    at: Option<Moment>,
    /// The range it must lie in, as the plan writes it.
    allow: &'a Allow,
    /// How many units meet it.
    #[serde(rename = "yield")]
    yielded: OneYield,
    /// How well the batch fits it; null where that cannot be said.
    capability: Option<OneCapability>,
    /// Why that cannot be said; null where it can.
    no_capability_because: Option<&'a str>,
}

/// How a batch lies within its limits.
#[derive(Serialize, JsonSchema)]
struct OneCapability {
    /// The mean of the units.
    mean: Number,
    /// Their standard deviation, the measurement's own taken out.
    standard_deviation: Number,
    /// Their standard deviation as it is seen.
    standard_deviation_seen: Number,
    /// By how much the rig may shift all units alike, either way (95 %).
    shift: Number,
    /// Cp; null with one limit only.
    cp: Option<OneIndex>,
    /// Cpk.
    cpk: OneIndex,
    /// Which share lies outside, by a normal distribution.
    #[schemars(range(min = 0.0, max = 1.0))]
    share_outside: Number,
    /// Whether the units are surely no sample of a normal distribution.
    surely_not_normal: bool,
}

/// An index of capability.
#[derive(Serialize, JsonSchema)]
struct OneIndex {
    /// The index.
    value: Number,
    /// Lower end of its 95 % interval.
    low: Number,
    /// Upper end; null where the spread of the units may be nought.
    high: Option<Number>,
}

/// What the measurement itself adds (analysis of variance with units and benches crossed).
/// Variances are in the square of the result's unit.
#[derive(Serialize, JsonSchema)]
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
    interaction_chance: Option<Number>,
    /// Whether the interaction was taken together with the repeats.
    interaction_pooled: bool,
    /// From repeat to repeat.
    repeatability_variance: Number,
    /// Lower end of its 95 % interval.
    repeatability_variance_low: Number,
    /// Upper end of its 95 % interval.
    repeatability_variance_high: Number,
    /// From bench to bench.
    reproducibility_variance: Number,
    /// From unit to unit.
    between_units_variance: Number,
    /// All that the measurement adds.
    measurement_variance: Number,
    /// All together.
    total_variance: Number,
    /// How many classes of units can be told apart; null where the measurement adds nothing.
    classes: Option<Number>,
}

/// A result of one unit.
#[derive(Serialize, JsonSchema)]
struct OneValue<'a> {
    /// The unit's name.
    name: &'a str,
    /// The run's identifier.
    run: &'a str,
    #[serde(flatten)]
    figures: Figures,
    /// Of a time that was not reached: it is at least so long.
    at_least: Option<Number>,
    /// How far it stands from the middle, in robust standard deviations.
    outlier_score: Option<Number>,
    /// Whether it stands out by the rule.
    is_outlier: bool,
}

/// The rules that were followed.
#[derive(Serialize, JsonSchema)]
struct Rules {
    /// A unit stands out from this score on.
    outlier_score_beyond: f64,
    /// Outliers are looked for from so many units on.
    outliers_from_units: usize,
    /// A histogram is drawn from so many units on.
    histogram_from_units: usize,
    /// Capability is said from so many units on.
    capability_from_units: usize,
}

impl<'a> Together<'a> {
    fn of(view: &BatchView<'a>) -> Self {
        let batch = view.batch;
        Self {
            nightbench: HEADER,
            kind: match batch.design {
                Some(_) => KindOfBatch::Study,
                None => KindOfBatch::Batch,
            },
            sentences: sentences(view),
            rig_statement: view.statement(),
            same_plan: view.plans().len() == 1,
            runs: view
                .runs
                .iter()
                .map(|run| OneRun {
                    run: run.record.id.as_str(),
                    plan: &run.plan.title,
                    plan_sha256: sha256(&run.record.header.plan_text),
                    rig: &run.rig.name,
                    rig_sha256: sha256(&run.record.header.rig_text),
                    began: run.record.header.began.to_string(),
                    complete: run.record.is_complete(),
                    calibrated: bench::is_calibrated(run),
                })
                .collect(),
            units: batch
                .members
                .iter()
                .map(|member| OneMember {
                    name: &member.name,
                    unit: view.unit_of(member),
                    run: view.run_of(member).record.id.as_str(),
                    position: member.position.as_str(),
                    bench: &member.bench,
                    finding: member.finding,
                })
                .collect(),
            yielded: (&batch.yielded).into(),
            design: batch.design.as_ref().map(Into::into),
            results: batch
                .results
                .iter()
                .map(|result| OneOfAll::of(view, result))
                .collect(),
            rules: Rules {
                outlier_score_beyond: OUTLIER_LIMIT,
                outliers_from_units: OUTLIERS_LEAST,
                histogram_from_units: HISTOGRAM_LEAST,
                capability_from_units: CAPABILITY_LEAST,
            },
        }
    }
}

impl<'a> OneOfAll<'a> {
    fn of(view: &BatchView<'a>, result: &'a BatchResult) -> Self {
        let study = result.study.as_ref();
        Self {
            name: result.name,
            title: say::named(result),
            stage: &result.stage,
            unit: result.name.dimension().unit(),
            meaning: result
                .values
                .iter()
                .flatten()
                .find_map(|value| meaning(&value.outcome)),
            spread: result.spread.as_ref().map(Into::into),
            histogram: result.histogram.as_ref().map(Into::into),
            no_outliers_because: result.no_outliers_because.as_deref(),
            positions: result.positions.as_ref().map(Into::into),
            tolerances: result.tolerances.iter().map(Into::into).collect(),
            study: study.and_then(|study| study.as_ref().ok()).map(Into::into),
            no_study_because: study
                .and_then(|study| study.as_ref().err())
                .map(String::as_str),
            units: result
                .values
                .iter()
                .zip(&view.batch.members)
                .filter_map(|(value, member)| Some(OneValue::of(view, member, value.as_ref()?)))
                .collect(),
        }
    }
}

impl<'a> OneValue<'a> {
    fn of(view: &BatchView<'a>, member: &'a Member, value: &'a UnitValue) -> Self {
        Self {
            name: &member.name,
            run: view.run_of(member).record.id.as_str(),
            figures: (&value.outcome).into(),
            at_least: match value.known() {
                Some(Known::AtLeast(least)) => Some(Number(least)),
                _ => None,
            },
            outlier_score: value.score.map(Number),
            is_outlier: value.is_outlier(),
        }
    }
}

impl From<&Yield> for OneYield {
    fn from(of: &Yield) -> Self {
        Self {
            passed: of.passed,
            failed: of.failed,
            undecided: of.undecided,
            share: of.value.map(Number),
            low: of.low.map(Number),
            high: of.high.map(Number),
        }
    }
}

impl<'a> From<&'a Design> for OneDesign<'a> {
    fn from(design: &'a Design) -> Self {
        Self {
            units: &design.units,
            benches: &design.benches,
            repeats: design.repeats,
        }
    }
}

impl From<&Spread> for OneSpread {
    fn from(spread: &Spread) -> Self {
        let percentiles = spread.percentiles.iter();
        Self {
            count: spread.count,
            not_reached: spread.not_reached,
            median: spread.median.map(Number),
            median_low: spread.median_low.map(Number),
            median_high: spread.median_high.map(Number),
            lower_quartile: spread.lower_quartile.map(Number),
            upper_quartile: spread.upper_quartile.map(Number),
            smallest: spread.smallest.map(Number),
            largest: spread.largest.map(Number),
            mean: spread.mean.map(Number),
            standard_deviation: spread.standard_deviation.map(Number),
            percentiles: percentiles
                .map(|(percent, value)| (format!("p{percent:02}"), value.map(Number)))
                .collect(),
        }
    }
}

impl<'a> From<&'a Histogram> for OneHistogram<'a> {
    fn from(histogram: &'a Histogram) -> Self {
        Self {
            from: Number(histogram.from),
            width: Number(histogram.width),
            counts: &histogram.counts,
        }
    }
}

impl From<&OneWay> for BetweenPositions {
    fn from(positions: &OneWay) -> Self {
        Self {
            between: (&positions.between).into(),
            within: (&positions.within).into(),
            chance: Number(positions.chance),
        }
    }
}

impl From<&Line> for OneLine {
    fn from(line: &Line) -> Self {
        Self {
            degrees_of_freedom: line.freedom,
            sum_of_squares: Number(line.squares),
            mean_square: Number(line.mean()),
        }
    }
}

impl<'a> From<&'a BatchTolerance> for OneTolerance<'a> {
    fn from(of: &'a BatchTolerance) -> Self {
        Self {
            at: of.tolerance.at,
            allow: &of.tolerance.allow,
            yielded: (&of.yielded).into(),
            capability: of.capability.as_ref().ok().map(Into::into),
            no_capability_because: of.capability.as_ref().err().map(String::as_str),
        }
    }
}

impl From<&Capability> for OneCapability {
    fn from(capability: &Capability) -> Self {
        Self {
            mean: Number(capability.mean),
            standard_deviation: Number(capability.s),
            standard_deviation_seen: Number(capability.s_seen),
            shift: Number(capability.shift),
            cp: capability.cp.as_ref().map(Into::into),
            cpk: (&capability.cpk).into(),
            share_outside: Number(capability.outside),
            surely_not_normal: capability.not_normal,
        }
    }
}

impl From<&Index> for OneIndex {
    fn from(index: &Index) -> Self {
        Self {
            value: Number(index.value),
            low: Number(index.low),
            high: index.high.map(Number),
        }
    }
}

impl From<&Study> for OneStudy {
    fn from(study: &Study) -> Self {
        let (low, high) = study.repeatability_interval;
        Self {
            units: (&study.units).into(),
            benches: (&study.benches).into(),
            interaction: (&study.interaction).into(),
            repeats: (&study.repeats).into(),
            total: (&study.total).into(),
            interaction_chance: study.interaction_chance.map(Number),
            interaction_pooled: study.pooled,
            repeatability_variance: Number(study.repeatability),
            repeatability_variance_low: Number(low),
            repeatability_variance_high: Number(high),
            reproducibility_variance: Number(study.reproducibility),
            between_units_variance: Number(study.between_units),
            measurement_variance: Number(study.measurement()),
            total_variance: Number(study.all()),
            classes: study.classes().map(Number),
        }
    }
}
