//! The lines of a unit over all stages that measure again and again.

use crate::RunView;
use crate::plot::over_time::{MOST_LINES, Series};
use analysis::{DeviationPoint, StageAnalysis, UnitAnalysis};
use model::document::plan::{Allow, Stage, Tolerance};
use model::pitch::Pitch;
use model::record::PositionId;
use model::result::ResultName;
use std::collections::BTreeMap;

/// Beyond this many of a stage's own intervals without a reading, a line breaks:
/// what was not measured is not drawn.
const BREAK_AFTER: f64 = 1.6;

/// The stages of a unit that measure again and again, on one time axis.
pub(crate) struct Timeline<'a> {
    pub position: &'a PositionId,
    parts: Vec<Part<'a>>,
    /// From and to, in seconds since t = 0.
    pub range: (f64, f64),
    /// Where the stage with the closest rounds ends, if others follow.
    pub warm: Option<f64>,
    pub x_title: String,
    /// Stages: name and beginning.
    pub stages: Vec<(String, f64)>,
    /// The name of the reference note.
    pub reference: String,
    pub notes_in_all: usize,
    reference_pitch: Pitch,
}

struct Part<'a> {
    unit: &'a UnitAnalysis,
    /// What to add to its times.
    shift: f64,
    every: f64,
}

/// What a tolerance allows, in the unit of its result.
pub(crate) fn allowed_range(tolerance: &Tolerance) -> Option<(f64, f64)> {
    let (low, high) = match &tolerance.allow {
        Allow::Within(limit) => (-limit.value.abs(), limit.value.abs()),
        Allow::AtMost(limit) => (f64::NEG_INFINITY, limit.value),
        Allow::AtLeast(limit) => (limit.value, f64::INFINITY),
        Allow::Between { from, to } => (from.value, to.value),
    };
    (low <= high).then_some((low, high))
}

fn interval(stage: Option<&Stage>) -> Option<f64> {
    match stage? {
        Stage::Rounds(rounds) => Some(rounds.every.get()),
        Stage::Alternate(alternate) => Some(alternate.every.get()),
        _ => None,
    }
}

fn first_and_last(unit: &UnitAnalysis) -> Option<(f64, f64)> {
    crate::outline::extent(unit)
}

impl<'a> Timeline<'a> {
    /// The timeline of a unit; `None` when nothing was measured twice.
    pub(crate) fn of(view: &RunView<'a>, position: &'a PositionId) -> Option<Self> {
        let measured: Vec<(&StageAnalysis, &UnitAnalysis, f64)> = view
            .stages_of(position)
            .into_iter()
            .filter_map(|(stage, unit)| {
                let every = interval(view.plan.stages.get(usize::from(stage.stage)))?;
                unit.notes
                    .iter()
                    .any(|note| note.points.len() > 1)
                    .then_some((stage, unit, every))
            })
            .collect();
        let (_, first, _) = measured.first()?;
        let origin = first.origin;
        let parts: Vec<Part<'a>> = measured
            .iter()
            .map(|(_, unit, every)| Part {
                unit,
                shift: unit.origin.seconds_from(origin),
                every: *every,
            })
            .collect();
        let mut stages = Vec::new();
        let mut range: Option<(f64, f64)> = None;
        for ((stage, ..), part) in measured.iter().zip(&parts) {
            let Some((from, to)) = first_and_last(part.unit) else {
                continue;
            };
            let (from, to) = (from + part.shift, to + part.shift);
            stages.push((stage.name.clone(), from));
            range = Some(range.map_or((from, to), |(low, high)| (low.min(from), high.max(to))));
        }
        let (from, to) = range?;
        // t = 0 belongs on the axis when the first note came soon after it.
        let from = if from > 0.0 && from < 0.05 * (to - from) {
            0.0
        } else {
            from
        };
        let warm = match (stages.get(1), parts.as_slice()) {
            (Some((_, second)), [a, b, ..]) if b.every > a.every => Some(*second),
            _ if to - from > 4.0 * 3600.0 && from < 600.0 => Some(from + 3600.0),
            _ => None,
        };
        let law = view
            .rig
            .positions
            .get(position.as_str())
            .map(|position| position.cv.law.control_law());
        let reference_pitch = match (&view.plan.reference, law) {
            (reference, Some(law)) => reference.pitch(view.plan.pitch, law),
            (model::pitch::AskedNote::Named(note), None) => note.pitch(),
            (model::pitch::AskedNote::Frequency(hz), None) => view.plan.pitch.pitch(*hz),
            (model::pitch::AskedNote::Voltage(_), None) => Pitch::new(60.0).ok()?,
        };
        let mut timeline = Self {
            position,
            parts,
            range: (from, to),
            warm,
            x_title: format!("Time (t = 0: {})", first.zero),
            stages,
            reference: view.plan.reference.to_string(),
            notes_in_all: 0,
            reference_pitch,
        };
        timeline.notes_in_all = timeline.notes().len();
        Some(timeline)
    }

    fn is_reference(&self, pitch: Pitch) -> bool {
        (pitch.note_number() - self.reference_pitch.note_number()).abs() < 1e-6
    }

    /// All notes, lowest first: a key that sorts by pitch, pitch and name.
    fn notes(&self) -> BTreeMap<i64, (Pitch, &'a str)> {
        self.parts
            .iter()
            .flat_map(|part| &part.unit.notes)
            .map(|note| {
                let key = (note.asked.note_number() * 1e6).round() as i64;
                (key, (note.asked, note.name.as_str()))
            })
            .collect()
    }

    /// A line for each note, or for as many as can be told apart.
    pub(crate) fn series(&self, of: impl Fn(&DeviationPoint) -> Option<f64>) -> Vec<Series> {
        let notes: Vec<_> = self.notes().into_values().collect();
        let count = notes.len();
        let mut style = 0;
        notes
            .into_iter()
            .enumerate()
            .filter(|(index, (pitch, _))| {
                // Evenly spread where there are too many, both ends and the reference kept.
                let rank = |index: usize| index * (MOST_LINES - 2) / (count - 1).max(1);
                count <= MOST_LINES
                    || self.is_reference(*pitch)
                    || *index == 0
                    || rank(*index) != rank(index - 1)
            })
            .map(|(_, (pitch, name))| Series {
                name: name.to_owned(),
                style: if self.is_reference(pitch) {
                    0
                } else {
                    style += 1;
                    // Ink is kept for the reference.
                    style + (style - 1) / 6
                },
                stretches: self.stretches(|unit| {
                    unit.notes
                        .iter()
                        .filter(|note| note.asked == pitch)
                        .flat_map(|note| &note.points)
                        .filter_map(|point| Some((point.t_s, of(point)?, point.u)))
                        .collect()
                }),
            })
            .filter(|series| series.stretches.iter().any(|stretch| !stretch.is_empty()))
            .collect()
    }

    /// How many points a result has over time.
    pub(crate) fn curve_points(&self, name: ResultName) -> usize {
        self.curve(name).stretches.iter().map(Vec::len).sum()
    }

    /// A result over time.
    pub(crate) fn curve(&self, name: ResultName) -> Series {
        Series {
            name: String::new(),
            style: 0,
            stretches: self.stretches(|unit| {
                unit.curves
                    .iter()
                    .filter(|curve| curve.name == name)
                    .flat_map(|curve| curve.points.iter().copied())
                    .collect()
            }),
        }
    }

    fn stretches(
        &self,
        points_of: impl Fn(&UnitAnalysis) -> Vec<(f64, f64, f64)>,
    ) -> Vec<Vec<(f64, f64, f64)>> {
        let mut stretches: Vec<Vec<(f64, f64, f64)>> = vec![Vec::new()];
        let mut before: Option<f64> = None;
        for part in &self.parts {
            let mut points = points_of(part.unit);
            points.retain(|(t, y, _)| t.is_finite() && y.is_finite());
            points.sort_by(|a, b| a.0.total_cmp(&b.0));
            for (t, y, u) in points {
                let t = t + part.shift;
                if before.is_some_and(|before| t - before > BREAK_AFTER * part.every) {
                    stretches.push(Vec::new());
                }
                before = Some(t);
                if let Some(stretch) = stretches.last_mut() {
                    stretch.push((t, y, if u.is_finite() { u } else { 0.0 }));
                }
            }
        }
        stretches
    }
}
