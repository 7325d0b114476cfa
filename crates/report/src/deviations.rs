//! Deviations by reading, and the times that stand beside them.

use crate::RunView;
use model::pitch::Pitch;
use model::record::{PositionId, Reading};
use model::time::RunTime;
use std::collections::{BTreeMap, HashMap};

/// How many microseconds a window of a hold may seem to be off: a fraction of a frame, far
/// less than the shortest hop.
const NEAR: i64 = 1000;

/// Stage, position, pitch (its bits) and microsecond: enough to find a reading
/// among deviations.
type Spot = (u16, PositionId, u64, i64);

/// Deviations by reading, as far as the analysis has them.
pub(crate) struct Deviations {
    by_reading: HashMap<Spot, (f64, Option<f64>)>,
    origins: BTreeMap<(u16, PositionId), RunTime>,
    began: BTreeMap<u16, RunTime>,
}

fn microseconds(t_s: f64) -> i64 {
    (t_s * 1e6).round() as i64
}

impl Deviations {
    pub(crate) fn of(view: &RunView<'_>) -> Self {
        let mut by_reading = HashMap::new();
        let mut origins = BTreeMap::new();
        for stage in &view.analysis.stages {
            for unit in &stage.units {
                origins.insert((stage.stage, unit.position.clone()), unit.origin);
                for note in &unit.notes {
                    for point in &note.points {
                        by_reading.insert(
                            (
                                stage.stage,
                                unit.position.clone(),
                                note.asked.note_number().to_bits(),
                                microseconds(point.t_s),
                            ),
                            (point.as_played, point.retuned),
                        );
                    }
                }
            }
        }
        // A stage that the analysis does not know begins with its own event, else
        // with the first thing heard in it.
        let mut began: BTreeMap<u16, RunTime> = BTreeMap::new();
        let events = view
            .record
            .events
            .iter()
            .filter(|event| event.kind == model::record::EventKind::StageBegan)
            .filter_map(|event| Some((event.stage?, event.at)));
        let readings = view
            .record
            .readings
            .iter()
            .map(|reading| (reading.key.stage, reading.at));
        for (stage, at) in events.chain(readings) {
            let first = began.entry(stage).or_insert(at);
            *first = (*first).min(at);
        }
        Self {
            by_reading,
            origins,
            began,
        }
    }

    /// Seconds since t = 0 of a unit in a stage; of all units, since the stage began.
    pub(crate) fn t_s(&self, stage: u16, position: Option<&PositionId>, at: RunTime) -> f64 {
        let origin = position
            .and_then(|position| self.origins.get(&(stage, position.clone())))
            .or_else(|| self.began.get(&stage))
            .copied()
            .unwrap_or(RunTime::START);
        at.seconds_from(origin)
    }

    pub(crate) fn find(&self, reading: &Reading) -> Option<(f64, Option<f64>)> {
        let (stage, position) = (reading.key.stage, &reading.key.position);
        let t_s = self.t_s(stage, Some(position), reading.at);
        self.at(stage, position, reading.asked, microseconds(t_s))
    }

    fn at(
        &self,
        stage: u16,
        position: &PositionId,
        asked: Pitch,
        microsecond: i64,
    ) -> Option<(f64, Option<f64>)> {
        let asked = asked.note_number().to_bits();
        let key = (stage, position.clone(), asked, microsecond);
        self.by_reading.get(&key).copied()
    }

    /// That of the window of a hold that begins at a time. Hops from the beginning of a
    /// hold, and from that of its piece, may round to neighbouring microseconds.
    pub(crate) fn near(
        &self,
        stage: u16,
        position: &PositionId,
        asked: Pitch,
        t_s: f64,
    ) -> Option<(f64, Option<f64>)> {
        let middle = microseconds(t_s);
        (0..=NEAR)
            .flat_map(|off| [middle - off, middle + off])
            .find_map(|microsecond| self.at(stage, position, asked, microsecond))
    }
}
