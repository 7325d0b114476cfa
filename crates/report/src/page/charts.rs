//! The drawings of a unit, each with a sentence on what is to be seen in it.

use super::lines::{Timeline, allowed_range};
use crate::RunView;
use crate::bench;
use crate::note_names::note_name;
use crate::numbers::{duration, fixed, number, signed};
use crate::outline::{extent, title};
use crate::plot::frame::cents;
use crate::plot::over_notes::{OverNotes, over_notes};
use crate::plot::over_time::{MOST_LINES, OverTime, Series, over_time};
use analysis::UnitAnalysis;
use model::document::plan::Stage;
use model::record::PositionId;
use model::result::ResultName;

/// A drawing with its heading and a sentence under it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Figure {
    pub heading: String,
    pub svg: String,
    pub caption: String,
}

const TALL: f64 = 300.0;
const LOW: f64 = 230.0;

/// The drawings of one unit.
pub(crate) fn of_unit(view: &RunView<'_>, position: &PositionId) -> Vec<Figure> {
    let mut figures = Vec::new();
    if let Some(timeline) = Timeline::of(view, position) {
        figures.extend(as_played(&timeline));
        figures.extend(retuned(&timeline));
        figures.extend(scale_error(view, &timeline));
    }
    figures.extend(profile(view, position));
    figures.extend(holds(view, position));
    figures
}

fn outside(count: usize) -> String {
    match count {
        0 => String::new(),
        1 => " One reading lies outside and stands at the edge.".to_owned(),
        count => format!(" {count} readings lie outside and stand at the edge."),
    }
}

/// What has to be said of the scales of a drawing over time.
fn scales(finer: bool, outside_count: usize) -> String {
    let finer = if finer {
        " The stretch after the warming has a finer scale of its own."
    } else {
        ""
    };
    format!("{finer}{}", outside(outside_count))
}

pub(super) fn range(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    values.fold(None, |range, value| match range {
        None => Some((value, value)),
        Some((low, high)) => Some((low.min(value), high.max(value))),
    })
}

fn left_out_lines(timeline: &Timeline<'_>) -> String {
    if timeline.notes_in_all > MOST_LINES {
        format!(
            " Of {} notes, {MOST_LINES} are drawn.",
            timeline.notes_in_all
        )
    } else {
        String::new()
    }
}

fn as_played(timeline: &Timeline<'_>) -> Option<Figure> {
    let series = timeline.series(|point| Some(point.as_played));
    let leader = series
        .iter()
        .find(|line| line.style == 0)
        .or(series.first())?;
    let drawing = over_time(&OverTime {
        title: "Deviation as played over time, a line for each note",
        y_title: "Deviation as played (cents)",
        x_title: &timeline.x_title,
        height: TALL,
        range: timeline.range,
        warm: timeline.warm,
        stages: &timeline.stages,
        series: &series,
        bands: false,
        allowed: None,
        least: 1.0,
        zero: false,
    });
    let points = || leader.stretches.iter().flatten();
    let (low, high) = range(points().map(|point| point.1))?;
    let name = &leader.name;
    let seen = match timeline.warm {
        Some(warm) => {
            let early: Vec<_> = points()
                .filter(|point| point.0 <= warm)
                .map(|p| p.1)
                .collect();
            let late = range(points().filter(|point| point.0 > warm).map(|p| p.1));
            let moved = early
                .first()
                .zip(early.last())
                .map(|(first, last)| last - first);
            match (moved, late) {
                (Some(moved), Some((low, high))) => format!(
                    "{name} {} {} in the first {} and moves over {} in the rest of the run.",
                    if moved < 0.0 { "falls" } else { "rises" },
                    cents(moved.abs()),
                    duration(warm - timeline.range.0),
                    cents(high - low)
                ),
                _ => format!("{name} moves over {} in all.", cents(high - low)),
            }
        }
        None => format!("{name} moves over {} in all.", cents(high - low)),
    };
    Some(Figure {
        heading: "Each note as played".to_owned(),
        svg: drawing.svg,
        caption: format!(
            "{seen} Lines that move together are an offset, which a panel knob removes; lines that fan out are a scale that changes.{}{}",
            left_out_lines(timeline),
            scales(drawing.finer, drawing.outside)
        ),
    })
}

fn retuned(timeline: &Timeline<'_>) -> Option<Figure> {
    let series: Vec<Series> = timeline
        .series(|point| point.retuned)
        .into_iter()
        .filter(|line| line.style != 0)
        .collect();
    let furthest = series
        .iter()
        .flat_map(|line| {
            line.stretches
                .iter()
                .flatten()
                .map(move |point| (line, point))
        })
        .max_by(|a, b| a.1.1.abs().total_cmp(&b.1.1.abs()))?;
    let last = series
        .iter()
        .filter_map(|line| Some((line, line.stretches.last()?.last()?)))
        .max_by(|a, b| a.1.1.abs().total_cmp(&b.1.1.abs()))?;
    let drawing = over_time(&OverTime {
        title: "Deviation retuned over time, a line for each note",
        y_title: "Deviation retuned (cents)",
        x_title: &timeline.x_title,
        height: TALL,
        range: timeline.range,
        warm: timeline.warm,
        stages: &timeline.stages,
        series: &series,
        bands: false,
        allowed: None,
        least: 1.0,
        zero: true,
    });
    let (line, point) = furthest;
    Some(Figure {
        heading: "The same retuned".to_owned(),
        svg: drawing.svg,
        caption: format!(
            "With {} tuned anew in each round, {} strays furthest, {} cents after {}; at the end it is {} with {}.{}{}",
            timeline.reference,
            line.name,
            signed(point.1, 1),
            duration(point.0),
            if last.0.name == line.name {
                "still this one".to_owned()
            } else {
                last.0.name.clone()
            },
            signed(last.1.1, 1),
            left_out_lines(timeline),
            scales(drawing.finer, drawing.outside)
        ),
    })
}

fn scale_error(view: &RunView<'_>, timeline: &Timeline<'_>) -> Option<Figure> {
    let name = [ResultName::ScaleError, ResultName::MeanSlope]
        .into_iter()
        .find(|name| timeline.curve_points(*name) > 1)?;
    let series = [timeline.curve(name)];
    let points = || series[0].stretches.iter().flatten();
    let last = points().last()?;
    let least = points().map(|point| point.1).fold(last.1, f64::min);
    let most = points().map(|point| point.1).fold(last.1, f64::max);
    let allowed = view
        .plan
        .tolerances
        .iter()
        .find(|tolerance| tolerance.result == name)
        .and_then(allowed_range);
    let words = title(name);
    let drawing = over_time(&OverTime {
        title: &format!("{words} over time"),
        y_title: &format!("{words} (cents/oct)"),
        x_title: &timeline.x_title,
        height: LOW,
        range: timeline.range,
        warm: timeline.warm,
        stages: &timeline.stages,
        series: &series,
        bands: true,
        allowed,
        least: 0.2,
        zero: true,
    });
    let shaded = if allowed.is_some() {
        " Shaded: what the plan allows."
    } else {
        ""
    };
    let rig = bench::gain_share(view, timeline.position).map_or_else(String::new, |share| {
        format!(
            " The gain of the rig may move the whole curve by up to {} cents per octave, not its shape.",
            number(share * 3.0_f64.sqrt(), None)
        )
    });
    Some(Figure {
        heading: format!("{words} over time"),
        svg: drawing.svg,
        caption: format!(
            "Between {} and {} cents per octave, {} at the end. The band is twice the standard uncertainty of each round.{shaded}{rig}{}",
            signed(least, 2),
            signed(most, 2),
            signed(last.1, 2),
            scales(drawing.finer, drawing.outside)
        ),
    })
}

/// Deviation against note, of the last stage with the most notes.
fn profile(view: &RunView<'_>, position: &PositionId) -> Option<Figure> {
    let (stage, unit) = view
        .stages_of(position)
        .into_iter()
        .filter(|(_, unit)| unit.profile.len() > 1)
        .max_by_key(|(stage, unit)| (unit.profile.len(), stage.stage))?;
    let points: Vec<_> = unit
        .profile
        .iter()
        .map(|point| (point.asked.note_number(), point.cents, point.u))
        .collect();
    let notes: Vec<_> = unit
        .profile
        .iter()
        .map(|point| {
            (
                point.asked.note_number(),
                note_name(view, unit, point.asked),
            )
        })
        .collect();
    let is_sweep = matches!(
        view.plan.stages.get(usize::from(stage.stage)),
        Some(Stage::Sweep(_))
    );
    let readings: Vec<_> = if is_sweep {
        let series = unit.notes.iter();
        series
            .flat_map(|note| {
                note.points
                    .iter()
                    .filter_map(|point| Some((note.asked.note_number(), point.retuned?)))
            })
            .collect()
    } else {
        Vec::new()
    };
    let drawing = over_notes(&OverNotes {
        title: "Deviation against note at the end, retuned",
        y_title: "Deviation retuned (cents)",
        height: LOW + 20.0,
        notes: &notes,
        points: &points,
        readings: &readings,
        allowed: None,
    });
    let furthest = furthest(view, unit)?;
    let single = if readings.is_empty() {
        ""
    } else {
        " Faint dots are single readings."
    };
    Some(Figure {
        heading: "Deviation against note".to_owned(),
        svg: drawing.svg,
        caption: format!(
            "At the end of “{}”, retuned: {furthest}. A straight slope is scale error, a bend at the top is the high end, one at the bottom leakage. {} twice the standard uncertainty, the rig's part included.{single}{}",
            stage.name,
            if notes.len() > 20 {
                "The band is"
            } else {
                "Whiskers are"
            },
            outside(drawing.outside)
        ),
    })
}

fn furthest(view: &RunView<'_>, unit: &UnitAnalysis) -> Option<String> {
    let point = unit
        .profile
        .iter()
        .filter(|point| point.cents.is_finite())
        .max_by(|a, b| a.cents.abs().total_cmp(&b.cents.abs()))?;
    Some(format!(
        "{} is furthest out, {} cents",
        note_name(view, unit, point.asked),
        signed(point.cents, 1)
    ))
}

/// Notes that were held.
fn holds(view: &RunView<'_>, position: &PositionId) -> Vec<Figure> {
    let held = view.stages_of(position).into_iter().filter(|(stage, _)| {
        matches!(
            view.plan.stages.get(usize::from(stage.stage)),
            Some(Stage::Hold(_))
        )
    });
    held.filter_map(|(stage, unit)| {
        let note = unit.notes.iter().find(|note| note.points.len() > 1)?;
        let (from, to) = extent(unit)?;
        let hop = match view.plan.stages.get(usize::from(stage.stage)) {
            Some(Stage::Hold(hold)) => hold.hop.get(),
            _ => (to - from) / note.points.len() as f64,
        };
        let mut stretches: Vec<Vec<(f64, f64, f64)>> = vec![Vec::new()];
        let mut before = None;
        for point in &note.points {
            let t = point.t_s - from;
            if before.is_some_and(|before| t - before > 1.6 * hop) {
                stretches.push(Vec::new());
            }
            before = Some(t);
            if let Some(stretch) = stretches.last_mut() {
                stretch.push((t, point.as_played, point.u));
            }
        }
        let count = note.points.len() as f64;
        let mean = note.points.iter().map(|point| point.as_played).sum::<f64>() / count;
        let deviation = (note.points.iter().map(|p| (p.as_played - mean).powi(2)).sum::<f64>()
            / (count - 1.0))
            .sqrt();
        let (low, high) = range(note.points.iter().map(|point| point.as_played))?;
        let series = [Series { name: String::new(), style: 0, stretches }];
        let drawing = over_time(&OverTime {
            title: "A held note over time",
            y_title: "Deviation as played (cents)",
            x_title: &format!("Time since the beginning of “{}”", stage.name),
            height: LOW,
            range: (0.0, to - from),
            warm: None,
            stages: &[],
            series: &series,
            bands: false,
            allowed: None,
            least: 0.1,
            zero: false,
        });
        Some(Figure {
            heading: format!("{} held", note.name),
            svg: drawing.svg,
            caption: format!(
                "Held for {}, it moves over {} cents; the standard deviation of its {} windows is {} cents.{}",
                duration(to - from),
                fixed(high - low, 2),
                note.points.len(),
                fixed(deviation, 3),
                outside(drawing.outside)
            ),
        })
    })
    .collect()
}
