//! One unit with everything computed of it once: its readings, and the curves
//! and t = 0 of each stage.

use crate::UnitAnalysis;
use crate::curves::{curves, profile};
use crate::deviation::UnitReadings;
use crate::identity::Identity;
use crate::origin::{Origin, origin};
use crate::settling::Response;
use crate::surroundings::Surroundings;
use crate::tracking::StageFit;
use crate::uncertainty::RigLimits;
use crate::uncertainty::Shared;
use model::document::plan::{Plan, Settle};
use model::document::rig::Rig;
use model::record::{PositionId, RunRecord};
use model::result::ResultName;
use model::time::RunTime;
use std::collections::BTreeMap;
use std::sync::Arc;

/// A unit in its position.
pub(crate) struct Bench {
    pub(crate) unit: Arc<UnitReadings>,
    pub(crate) limits: RigLimits,
    pub(crate) stages: Arc<BTreeMap<u16, UnitStage>>,
    pub(crate) surroundings: Arc<Surroundings>,
    /// Whose errors it shares.
    pub(crate) identity: Arc<Identity>,
}

/// A unit in a stage.
pub(crate) struct UnitStage {
    pub(crate) origin: Origin,
    pub(crate) fit: StageFit,
    pub(crate) response: Response,
    /// Within what the plan waits for a note to be steady, in cents, if it does.
    pub(crate) until_steady: Option<f64>,
}

impl Bench {
    pub(crate) fn new(
        plan: &Plan,
        rig: &Rig,
        record: &RunRecord,
        position: &PositionId,
        limits: RigLimits,
    ) -> Self {
        let unit = UnitReadings::gather(plan, rig, record, position);
        let stages = crate::measuring_stages(plan)
            .map(|(stage, planned)| {
                let readings = record.readings.iter().filter(|reading| {
                    reading.key.stage == stage && &reading.key.position == position
                });
                let traces = record
                    .traces
                    .iter()
                    .filter(|trace| trace.stage == stage && &trace.position == position);
                let first: Option<RunTime> = readings
                    .map(|reading| reading.at)
                    .chain(traces.map(|trace| trace.at))
                    .min();
                let origin = origin(plan, rig, record, stage, position, first);
                (
                    stage,
                    UnitStage {
                        origin,
                        fit: StageFit::new(&unit, stage, limits),
                        response: Response::of(record, stage, position),
                        until_steady: match planned.listen(plan).settle {
                            Settle::UntilSteady { within, .. } => Some(within.get()),
                            Settle::Fixed(_) => None,
                        },
                    },
                )
            })
            .collect();
        Self {
            unit: Arc::new(unit),
            limits,
            stages: Arc::new(stages),
            surroundings: Arc::new(Surroundings::of(record, position)),
            identity: Arc::new(Identity::of(rig, record, position)),
        }
    }

    /// The same curves on a rig with other limits: to see what one of them does.
    pub(crate) fn with_limits(&self, limits: RigLimits) -> Self {
        Self {
            unit: Arc::clone(&self.unit),
            limits,
            stages: Arc::clone(&self.stages),
            surroundings: Arc::clone(&self.surroundings),
            identity: Arc::clone(&self.identity),
        }
    }

    /// A stage's curves with what the rig shares between readings.
    pub(crate) fn shared(&self, stage: u16) -> Option<Shared<'_>> {
        let stage = &self.stages.get(&stage)?.fit;
        Some(Shared {
            unit: &self.unit,
            stage,
            limits: self.limits,
        })
    }

    /// Why a result of a stage cannot be judged at all: a break in the unit's
    /// thermal history spoils what is said of its warming up.
    pub(crate) fn spoilt(&self, stage: u16, name: ResultName) -> Option<String> {
        if !matches!(name, ResultName::WarmUpTime | ResultName::ReadyAfter) {
            return None;
        }
        let stage = self.stages.get(&stage)?;
        let (at, text) = stage.origin.broken.as_ref()?;
        let last = stage
            .fit
            .rounds
            .iter()
            .map(|round| round.until)
            .fold(0.0, f64::max);
        (at.seconds() < last).then(|| {
            format!(
                "the unit's thermal history broke after {}: {text}",
                crate::words::duration(at.seconds_from(stage.origin.at))
            )
        })
    }

    /// What is handed over of a stage.
    pub(crate) fn unit_analysis(&self, stage: u16, name: &str) -> Option<UnitAnalysis> {
        let origin = &self.stages.get(&stage)?.origin;
        let origin_s = origin.at.seconds();
        let shared = self.shared(stage)?;
        let tally = self.unit.tally.get(&stage).cloned().unwrap_or_default();
        Some(UnitAnalysis {
            position: self.unit.position.clone(),
            origin: origin.at,
            origin_words: origin.words.clone(),
            octaves: self.unit.octaves,
            notes: self.unit.series(stage, origin_s),
            curves: curves(&shared, &self.unit.position, name, origin_s),
            profile: profile(&shared),
            readings: tally.used,
            left_out: tally.words(),
        })
    }
}
