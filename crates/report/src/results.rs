//! Results, verdicts and gaps per unit for machines.

use crate::RunView;
use crate::bench;
use crate::export::{Deviations, maybe, number, seconds};
use crate::suggestions;
use crate::words::sentences;
use model::record::{Gap, PositionId};
use model::result::{JointRisk, Outcome, ResultName, Verdict};
use serde_json::{Value, json};

/// One result.
pub(crate) fn result_json(outcome: &Outcome) -> Value {
    json!({
        "name": outcome.name.name(),
        "value": maybe(outcome.value),
        "u": maybe(outcome.u),
        "low": maybe(outcome.low),
        "high": maybe(outcome.high),
        "unit": outcome.name.dimension().unit(),
        "stage": outcome.stage,
        "t_s": maybe(outcome.t_s.map(seconds)),
        "readings": outcome.readings,
        "meaning": outcome.meaning,
        "why_not": outcome.why_not,
        "budget": outcome.budget.iter().map(|part| json!({
            "source": part.source.name(),
            "u": number(part.u),
            "share": number(part.share),
        })).collect::<Vec<_>>(),
    })
}

/// One verdict with its tolerance.
pub(crate) fn verdict_json(view: &RunView<'_>, verdict: &Verdict) -> Value {
    let tolerance = view.plan.tolerances.get(verdict.tolerance);
    json!({
        "tolerance": verdict.tolerance + 1,
        "result": tolerance.map(|tolerance| tolerance.result.name()),
        "stage": tolerance.map(|tolerance| tolerance.of.clone()),
        "at": tolerance.and_then(|tolerance| tolerance.at),
        "allow": tolerance.map(|tolerance| tolerance.allow.clone()),
        "finding": verdict.finding.word(),
        "reason": verdict.reason,
        "outside": maybe(verdict.outside),
    })
}

/// The risk over all tolerances together.
fn risk_json(risk: &JointRisk) -> Value {
    json!({
        "outside": maybe(risk.outside),
        "counted": risk.counted,
        "tolerances": risk.tolerances,
    })
}

/// One gap.
pub(crate) fn gap_json(view: &RunView<'_>, deviations: &Deviations, gap: &Gap) -> Value {
    json!({
        "stage": gap.stage,
        "stage_name": view.stage_name(gap.stage),
        "round": gap.round,
        "slot": gap.slot,
        "position": gap.position.as_ref().map(PositionId::as_str),
        "t_s": number(seconds(deviations.t_s(gap.stage, gap.position.as_ref(), gap.at))),
        "run_s": number(seconds(gap.at.seconds())),
        "reason": gap.reason,
    })
}

/// The results round by round, and short-term stability by averaging time.
pub(crate) fn curves_json(view: &RunView<'_>) -> Vec<Value> {
    let curves = view
        .analysis
        .stages
        .iter()
        .flat_map(|stage| &stage.units)
        .flat_map(|unit| &unit.curves);
    curves
        .map(|curve| {
            let column = |of: fn(&(f64, f64, f64)) -> f64| {
                curve
                    .points
                    .iter()
                    .map(|point| number(of(point)))
                    .collect::<Vec<_>>()
            };
            json!({
                "name": curve.name.name(),
                "position": curve.position.as_str(),
                "stage": curve.stage,
                "unit": curve.name.dimension().unit(),
                (if curve.name == ResultName::ShortTermStability { "tau_s" } else { "t_s" }):
                    curve.points.iter().map(|point| number(seconds(point.0))).collect::<Vec<_>>(),
                "value": column(|point| point.1),
                "u": column(|point| point.2),
            })
        })
        .collect()
}

/// What `show` prints as JSON: per unit its results (`u` is a standard
/// uncertainty, `low` and `high` are the 95 % interval, all in `unit`), its
/// verdicts, its gaps and the sentences about it.
#[must_use]
pub fn results_json(view: &RunView<'_>) -> Value {
    let deviations = Deviations::of(view);
    let units: Vec<_> = sentences(view)
        .into_iter()
        .map(|words| {
            let position = &words.position;
            let gaps: Vec<_> = view
                .record
                .gaps
                .iter()
                .filter(|gap| gap.position.as_ref().is_none_or(|of| of == position))
                .map(|gap| gap_json(view, &deviations, gap))
                .collect();
            json!({
                "position": position.as_str(),
                "unit": words.unit,
                "finding": words.finding.map(|finding| finding.word()),
                "headline": words.headline,
                "sentences": words.owner.iter().chain(&words.technician).collect::<Vec<_>>(),
                "results": view.outcomes_of(position).into_iter().map(result_json).collect::<Vec<_>>(),
                "verdicts": view.verdicts_of(position).into_iter()
                    .map(|(_, verdict)| verdict_json(view, verdict)).collect::<Vec<_>>(),
                "all_tolerances": view.risk_of(position).map(risk_json),
                "suggestions": suggestions::of_position(view, position),
                "gaps": gaps,
                "doubts": words.gaps,
            })
        })
        .collect();
    let results = json!({
        "nightbench": "results 1",
        "run": view.record.id.as_str(),
        "plan": view.plan.title,
        "rig": view.rig.name,
        "complete": view.is_complete(),
        "calibrated": bench::is_calibrated(view),
        "rig_statement": bench::may_still_be_on(view)
            .into_iter()
            .chain(bench::statement(view))
            .collect::<Vec<_>>(),
        "units": units,
    });
    with_damage(view, results)
}

/// The same, and what is wrong with the run where it is damaged.
pub(crate) fn with_damage(view: &RunView<'_>, mut document: Value) -> Value {
    if let (Some(damage), Some(fields)) = (view.damage, document.as_object_mut()) {
        fields.insert("damage".to_owned(), json!(damage));
    }
    document
}
