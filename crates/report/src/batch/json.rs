//! A batch for machines.

use super::sentences::sentences;
use super::{BatchView, say};
use crate::bench;
use crate::export::{maybe, number, sha256};
use crate::results::result_json;
use analysis::batch::{
    BatchResult, BatchTolerance, CAPABILITY_LEAST, HISTOGRAM_LEAST, Index, Known, Line,
    OUTLIER_LIMIT, OUTLIERS_LEAST, Study, Yield,
};
use serde_json::{Value, json};

/// What `batch` prints as JSON. Values are in the `unit` of their result; `u` is a
/// standard uncertainty, `low` and `high` are 95 % intervals, `at_least` is what is known
/// where a time was not reached.
#[must_use]
pub fn batch_json(view: &BatchView<'_>) -> Value {
    let batch = view.batch;
    json!({
        "nightbench": "batch 1",
        "kind": if batch.design.is_some() { "study" } else { "batch" },
        "sentences": sentences(view),
        "rig_statement": view.statement(),
        "same_plan": view.plans().len() == 1,
        "runs": view.runs.iter().map(|run| json!({
            "run": run.record.id.as_str(),
            "plan": run.plan.title,
            "plan_sha256": sha256(&run.record.header.plan_text),
            "rig": run.rig.name,
            "rig_sha256": sha256(&run.record.header.rig_text),
            "began": run.record.header.began.to_string(),
            "complete": run.record.is_complete(),
            "calibrated": bench::is_calibrated(run),
        })).collect::<Vec<_>>(),
        "units": batch.members.iter().map(|member| json!({
            "name": member.name,
            "unit": view.unit_of(member),
            "run": view.run_of(member).record.id.as_str(),
            "position": member.position.as_str(),
            "bench": member.bench,
            "finding": member.finding.map(|finding| finding.word()),
        })).collect::<Vec<_>>(),
        "yield": yield_json(&batch.yielded),
        "design": batch.design.as_ref().map(|design| json!({
            "units": design.units,
            "benches": design.benches,
            "repeats": design.repeats,
        })),
        "results": batch.results.iter().map(|result| one(view, result)).collect::<Vec<_>>(),
        "rules": {
            "outlier_score_beyond": OUTLIER_LIMIT,
            "outliers_from_units": OUTLIERS_LEAST,
            "histogram_from_units": HISTOGRAM_LEAST,
            "capability_from_units": CAPABILITY_LEAST,
        },
    })
}

fn yield_json(of: &Yield) -> Value {
    json!({
        "passed": of.passed,
        "failed": of.failed,
        "undecided": of.undecided,
        "share": maybe(of.value),
        "low": maybe(of.low),
        "high": maybe(of.high),
    })
}

fn one(view: &BatchView<'_>, result: &BatchResult) -> Value {
    let units: Vec<Value> = result
        .values
        .iter()
        .zip(&view.batch.members)
        .filter_map(|(value, member)| {
            let value = value.as_ref()?;
            let mut one = result_json(&value.outcome);
            let at_least = match value.known() {
                Some(Known::AtLeast(least)) => Some(least),
                _ => None,
            };
            let fields = one.as_object_mut()?;
            fields.retain(|key, _| !matches!(key.as_str(), "name" | "stage" | "unit"));
            fields.insert("name".to_owned(), json!(member.name));
            let run = view.run_of(member).record.id.as_str();
            fields.insert("run".to_owned(), json!(run));
            fields.insert("at_least".to_owned(), maybe(at_least));
            fields.insert("outlier_score".to_owned(), maybe(value.score));
            fields.insert("is_outlier".to_owned(), json!(value.is_outlier()));
            Some(one)
        })
        .collect();
    let spread = result.spread.as_ref().map(|spread| {
        let percentiles = spread
            .percentiles
            .iter()
            .map(|(percent, value)| (format!("p{percent:02}"), maybe(*value)))
            .collect::<serde_json::Map<_, _>>();
        json!({
            "count": spread.count,
            "not_reached": spread.not_reached,
            "median": maybe(spread.median),
            "median_low": maybe(spread.median_low),
            "median_high": maybe(spread.median_high),
            "lower_quartile": maybe(spread.lower_quartile),
            "upper_quartile": maybe(spread.upper_quartile),
            "smallest": maybe(spread.smallest),
            "largest": maybe(spread.largest),
            "mean": maybe(spread.mean),
            "standard_deviation": maybe(spread.standard_deviation),
            "percentiles": percentiles,
        })
    });
    json!({
        "name": result.name.name(),
        "title": say::named(result),
        "stage": result.stage,
        "unit": result.name.dimension().unit(),
        "meaning": result.meaning,
        "spread": spread,
        "histogram": result.histogram.as_ref().map(|histogram| json!({
            "from": number(histogram.from),
            "width": number(histogram.width),
            "counts": histogram.counts,
        })),
        "no_outliers_because": result.no_outliers_because,
        "positions": result.positions.as_ref().map(|positions| json!({
            "between": line_json(&positions.between),
            "within": line_json(&positions.within),
            "chance": number(positions.chance),
        })),
        "tolerances": result.tolerances.iter().map(tolerance_json).collect::<Vec<_>>(),
        "study": result.study.as_ref().and_then(|study| study.as_ref().ok()).map(study_json),
        "no_study_because": result.study.as_ref().and_then(|study| study.as_ref().err()),
        "units": units,
    })
}

fn tolerance_json(of: &BatchTolerance) -> Value {
    json!({
        "at": of.tolerance.at,
        "allow": of.tolerance.allow,
        "yield": yield_json(&of.yielded),
        "capability": of.capability.as_ref().ok().map(|capability| json!({
            "mean": number(capability.mean),
            "standard_deviation": number(capability.s),
            "standard_deviation_seen": number(capability.s_seen),
            "shift": number(capability.shift),
            "cp": capability.cp.as_ref().map(index_json),
            "cpk": index_json(&capability.cpk),
            "share_outside": number(capability.outside),
            "surely_not_normal": capability.not_normal,
        })),
        "no_capability_because": of.capability.as_ref().err(),
    })
}

fn index_json(index: &Index) -> Value {
    json!({ "value": number(index.value), "low": number(index.low), "high": maybe(index.high) })
}

fn line_json(line: &Line) -> Value {
    json!({
        "degrees_of_freedom": line.freedom,
        "sum_of_squares": number(line.squares),
        "mean_square": number(line.mean()),
    })
}

fn study_json(study: &Study) -> Value {
    let (low, high) = study.repeatability_interval;
    json!({
        "units": line_json(&study.units),
        "benches": line_json(&study.benches),
        "interaction": line_json(&study.interaction),
        "repeats": line_json(&study.repeats),
        "total": line_json(&study.total),
        "interaction_chance": maybe(study.interaction_chance),
        "interaction_pooled": study.pooled,
        "repeatability_variance": number(study.repeatability),
        "repeatability_variance_low": number(low),
        "repeatability_variance_high": number(high),
        "reproducibility_variance": number(study.reproducibility),
        "between_units_variance": number(study.between_units),
        "measurement_variance": number(study.measurement()),
        "total_variance": number(study.all()),
        "classes": maybe(study.classes()),
    })
}
