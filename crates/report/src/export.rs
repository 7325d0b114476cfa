//! The whole of a run as JSON. Equal runs give equal bytes: nothing in here knows of a
//! machine, a path, how long the program took, or how often the run was laid down and taken
//! up again.

use crate::RunView;
use crate::bench;
use crate::deviations::Deviations;
use crate::document::{Number, OneGap, OneResult, OneVerdict, schema_of, sha256};
use crate::readings::{Hold, OneReading, OneTrace, Readings};
use model::record::{EventKind, PositionId, Unit};
use model::result::{Curve, ResultName};
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// What kind of document this is, and in which version.
const HEADER: &str = "export 1";

/// The whole of a run, in an order that does not depend on how it was kept.
/// Keys carry their unit; what is not known is null. `t_s` is in seconds since
/// t = 0 of the stage, `run_s` since the run began.
#[must_use]
pub fn export_json(view: &RunView<'_>) -> Value {
    json!(Export::of(view))
}

/// The JSON Schema (draft 2020-12) of [`export_json`].
#[must_use]
pub fn export_schema() -> Value {
    schema_of::<Export<'static>>("Nightbench export", HEADER)
}

/// The whole of a run.
#[derive(Serialize, JsonSchema)]
struct Export<'a> {
    /// What kind of document this is and in which version: `export 1`.
    nightbench: &'static str,
    /// The version of the program that measured.
    program_version: &'a str,
    /// The seed of a simulated rig; null on a real one.
    seed: Option<u64>,
    /// When the run began, in UTC.
    began: String,
    /// What is wrong with the run: there only where it is damaged and this is a part of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    damage: Option<&'a str>,
    /// Whether all stages are done, and nothing of them is lost.
    complete: bool,
    /// Whether certificates stand behind the rig.
    calibrated: bool,
    /// The plan.
    plan: PlanText<'a>,
    /// The rig.
    rig: RigText<'a>,
    /// The units, by position.
    units: BTreeMap<&'a str, Unit>,
    /// The stages in which something was measured.
    stages: Vec<OneStage<'a>>,
    /// Every attempt at every reading, in the order of the plan.
    readings: Vec<OneReading<'a>>,
    /// The holds.
    traces: Vec<OneTrace<'a>>,
    /// What was planned and not measured.
    gaps: Vec<OneGap<'a>>,
    /// What happened.
    events: Vec<OneEvent<'a>>,
    /// The results.
    results: Vec<InPosition<'a, OneResult<'a>>>,
    /// Results round by round.
    curves: Vec<OneCurve<'a>>,
    /// The tolerances held against the units.
    verdicts: Vec<InPosition<'a, OneVerdict<'a>>>,
}

/// A plan, word for word.
#[derive(Serialize, JsonSchema)]
struct PlanText<'a> {
    /// Its title.
    title: &'a str,
    /// The SHA-256 of its text.
    sha256: String,
    /// Its text.
    text: &'a str,
}

/// A rig, word for word.
#[derive(Serialize, JsonSchema)]
struct RigText<'a> {
    /// Its name.
    name: &'a str,
    /// The SHA-256 of its text.
    sha256: String,
    /// Its text.
    text: &'a str,
}

/// A stage.
#[derive(Serialize, JsonSchema)]
struct OneStage<'a> {
    /// The stage, counted from 0 in the plan.
    stage: u16,
    /// Its name.
    name: &'a str,
    /// The units in it, by position.
    units: BTreeMap<&'a str, Origin>,
}

/// From when on the times of a unit are counted, and from where its deviations.
#[derive(Serialize, JsonSchema)]
struct Origin {
    /// t = 0 of the unit, in seconds since the run began.
    origin_run_s: Number,
    /// What t = 0 is.
    origin: String,
    /// Whole octaves between what was asked and where the unit's range switch stands, taken
    /// out of all deviations.
    octaves: i32,
}

/// Something that happened.
#[derive(Serialize, JsonSchema)]
struct OneEvent<'a> {
    /// When, in seconds since the run began.
    run_s: Number,
    /// What.
    kind: EventKind,
    /// The stage, counted from 0 in the plan, where it belongs to one.
    stage: Option<u16>,
    /// The position, where it belongs to one.
    position: Option<&'a str>,
    /// In words.
    text: &'a str,
}

/// What is said of one unit, among what is said of all.
#[derive(Serialize, JsonSchema)]
#[schemars(rename = "{T}InPosition")]
struct InPosition<'a, T> {
    /// Where the unit was patched.
    position: &'a str,
    #[serde(flatten)]
    said: T,
}

/// A result round by round, or short-term stability by averaging time.
#[derive(Serialize, JsonSchema)]
struct OneCurve<'a> {
    /// Which result.
    name: ResultName,
    /// Where the unit was patched.
    position: &'a str,
    /// Of which stage, by name.
    stage: &'a str,
    /// In which unit; "1" for a share.
    unit: &'static str,
    /// When, in seconds since t = 0; not of short-term stability.
    #[serde(skip_serializing_if = "Option::is_none")]
    t_s: Option<Vec<Number>>,
    /// The averaging times in seconds, of short-term stability only.
    #[serde(skip_serializing_if = "Option::is_none")]
    tau_s: Option<Vec<Number>>,
    /// The values.
    value: Vec<Option<Number>>,
    /// Their standard uncertainties (k = 1).
    u: Vec<Option<Number>>,
}

impl<'a> Export<'a> {
    fn of(view: &RunView<'a>) -> Self {
        let deviations = Deviations::of(view);
        let readings = Readings::of(view, &deviations);
        let header = &view.record.header;
        Self {
            nightbench: HEADER,
            program_version: &header.program_version,
            seed: header.seed,
            began: header.began.to_string(),
            damage: view.damage,
            complete: view.is_complete(),
            calibrated: bench::is_calibrated(view),
            plan: PlanText {
                title: &view.plan.title,
                sha256: sha256(&header.plan_text),
                text: &header.plan_text,
            },
            rig: RigText {
                name: &view.rig.name,
                sha256: sha256(&header.rig_text),
                text: &header.rig_text,
            },
            units: view
                .positions()
                .into_iter()
                .map(|position| (position.as_str(), view.unit(position)))
                .collect(),
            stages: stages(view),
            readings: readings
                .in_order()
                .into_iter()
                .map(|reading| readings.one(reading))
                .collect(),
            traces: Hold::all(view)
                .iter()
                .map(|hold| readings.trace(hold))
                .collect(),
            gaps: gaps(view, &deviations),
            events: events(view),
            results: view
                .analysis
                .outcomes
                .iter()
                .map(|outcome| InPosition {
                    position: outcome.position.as_str(),
                    said: outcome.into(),
                })
                .collect(),
            curves: curves(view),
            verdicts: view
                .analysis
                .verdicts
                .iter()
                .map(|verdict| InPosition {
                    position: verdict.position.as_str(),
                    said: OneVerdict::of(view, verdict),
                })
                .collect(),
        }
    }
}

fn stages<'a>(view: &RunView<'a>) -> Vec<OneStage<'a>> {
    let stages = view.analysis.stages.iter();
    stages
        .map(|stage| OneStage {
            stage: stage.stage,
            name: &stage.name,
            units: stage
                .units
                .iter()
                .map(|unit| {
                    let origin = Origin {
                        origin_run_s: Number::seconds(unit.origin.seconds()),
                        origin: unit.zero.to_string(),
                        octaves: unit.octaves,
                    };
                    (unit.position.as_str(), origin)
                })
                .collect(),
        })
        .collect()
}

fn gaps<'a>(view: &RunView<'a>, deviations: &Deviations) -> Vec<OneGap<'a>> {
    let mut gaps: Vec<_> = view.record.gaps.iter().collect();
    gaps.sort_by_key(|gap| {
        (
            gap.stage,
            gap.round,
            gap.slot,
            &gap.position,
            gap.at,
            &gap.reason,
        )
    });
    gaps.into_iter()
        .map(|gap| OneGap::of(view, deviations, gap))
        .collect()
}

fn events<'a>(view: &RunView<'a>) -> Vec<OneEvent<'a>> {
    let mut events: Vec<_> = view
        .record
        .events
        .iter()
        .filter(|event| !event.kind.is_bookkeeping())
        .collect();
    events.sort_by_key(|event| {
        (
            event.at,
            event.kind,
            event.stage,
            &event.position,
            &event.text,
        )
    });
    events
        .into_iter()
        .map(|event| OneEvent {
            run_s: Number::seconds(event.at.seconds()),
            kind: event.kind,
            stage: event.stage,
            position: event.position.as_ref().map(PositionId::as_str),
            text: &event.text,
        })
        .collect()
}

fn curves<'a>(view: &RunView<'a>) -> Vec<OneCurve<'a>> {
    let units = view.analysis.stages.iter().flat_map(|stage| &stage.units);
    units
        .flat_map(|unit| &unit.curves)
        .map(Into::into)
        .collect()
}

impl<'a> From<&'a Curve> for OneCurve<'a> {
    fn from(curve: &'a Curve) -> Self {
        let points = || curve.points.iter();
        let times = points().map(|point| Number::seconds(point.0)).collect();
        let (t_s, tau_s) = if curve.name == ResultName::ShortTermStability {
            (None, Some(times))
        } else {
            (Some(times), None)
        };
        Self {
            name: curve.name,
            position: curve.position.as_str(),
            stage: &curve.stage,
            unit: curve.name.dimension().unit(),
            t_s,
            tau_s,
            value: points().map(|point| Some(Number(point.1))).collect(),
            u: points().map(|point| Some(Number(point.2))).collect(),
        }
    }
}
