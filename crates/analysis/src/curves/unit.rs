//! One unit with everything computed of it once: its readings, and the curves
//! and t = 0 of each stage.

use crate::curves::round_by_round::{ProfilePoint, curves, profile};
use crate::curves::shared::Shared;
use crate::curves::tracking::StageFit;
use crate::incidents::OffCourse;
use crate::readings::deviation::{Sample, UnitReadings};
use crate::readings::identity::Identity;
use crate::readings::origin::{Origin, origin};
use crate::readings::series::NoteSeries;
use crate::readings::settling::Response;
use crate::readings::surroundings::Surroundings;
use crate::uncertainty::limits::RigLimits;
use crate::uncertainty::shared_sources::SharedSources;
use model::document::plan::{Plan, Settle};
use model::document::rig::Rig;
use model::pitch::Pitch;
use model::record::{PositionId, RunRecord};
use model::result::{Curve, LeftOut, TimeZero};
use model::time::RunTime;
use std::collections::BTreeMap;
use std::sync::Arc;

/// One unit in one stage.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitAnalysis {
    /// Its position.
    pub position: PositionId,
    /// t = 0 of this unit: supplies need not come on together.
    pub origin: RunTime,
    /// What t = 0 is.
    pub zero: TimeZero,
    /// Whole octaves between what was asked and where the unit's range switch
    /// stands, taken out of all deviations.
    pub octaves: i32,
    /// Each note of the stage, lowest first.
    pub notes: Vec<NoteSeries>,
    /// Results round by round; of short-term stability, by averaging time.
    pub curves: Vec<Curve>,
    /// Deviation against note at the end of the stage, retuned, lowest first.
    pub profile: Vec<ProfilePoint>,
    /// How many readings results rest on.
    pub readings: usize,
    /// How many were left out, by the reason.
    pub left_out: BTreeMap<LeftOut, usize>,
}

/// A unit in its position.
pub(crate) struct UnitCurves {
    pub(crate) unit: Arc<UnitReadings>,
    pub(crate) limits: RigLimits,
    pub(crate) stages: Arc<BTreeMap<u16, UnitStage>>,
    pub(crate) surroundings: Arc<Surroundings>,
    pub(crate) incidents: Arc<OffCourse>,
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

impl UnitCurves {
    pub(crate) fn new(
        plan: &Plan,
        rig: &Rig,
        record: &RunRecord,
        position: &PositionId,
        limits: RigLimits,
    ) -> Self {
        let unit = UnitReadings::gather(plan, rig, record, position);
        let stages = crate::readings::measuring_stages(plan)
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
            incidents: Arc::new(OffCourse::of(plan, rig, record, position)),
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
            incidents: Arc::clone(&self.incidents),
            identity: Arc::clone(&self.identity),
        }
    }

    /// Whether a reading that counts was off the unit's course, of those whose windows begin
    /// between two times, in seconds of the run.
    pub(crate) fn was_off_course(&self, from: f64, until: f64) -> bool {
        let between = |sample: &&Sample| (from..=until).contains(&sample.start);
        let of_rounds = self.unit.rounds.iter().flat_map(|round| &round.samples);
        of_rounds
            .filter(between)
            .any(|sample| sample.counts && self.incidents.has(sample.start))
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

    /// What the rig does in each trial to the curves of a stage.
    pub(crate) fn shared_sources(&self, stage: u16) -> SharedSources {
        let fit = self.stages.get(&stage).map(|stage| &stage.fit);
        let notes: Vec<Pitch> = fit.map_or_else(Vec::new, |fit| {
            let pitch = |note: &usize| self.unit.notes[*note].pitch;
            fit.notes.iter().map(pitch).collect()
        });
        let freedom = fit.map_or(0, |fit| fit.misfit.1);
        SharedSources::of(&self.identity, stage, &notes, freedom)
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
            zero: origin.zero.clone(),
            octaves: self.unit.octaves,
            notes: self.unit.series(stage, origin_s),
            curves: curves(&shared, &self.unit.position, name, origin_s),
            profile: profile(&shared),
            readings: tally.used,
            left_out: tally.left_out,
        })
    }
}
