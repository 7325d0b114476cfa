//! Points over notes.

use super::frame::{BOTTOM, Drawing, LEFT, Point, WIDTH, band, range_of, y_axis};
use super::note_axis::{NoteAxis, crowded};
use super::scale::Scale;
use super::svg::Svg;

/// What a drawing over notes shows.
#[derive(Debug)]
pub(crate) struct OverNotes<'a> {
    pub title: &'a str,
    pub y_title: &'a str,
    pub height: f64,
    /// Notes that are named on the axis: note number and name.
    pub notes: &'a [(f64, String)],
    /// Note number, height, standard uncertainty.
    pub points: &'a [Point],
    /// Single readings, faint.
    pub readings: &'a [(f64, f64)],
    pub allowed: Option<(f64, f64)>,
}

/// Draws deviations over notes, a whisker of twice the standard uncertainty
/// either way on each.
pub(crate) fn over_notes(plot: &OverNotes<'_>) -> Drawing {
    let mut svg = Svg::new(WIDTH, plot.height, plot.title);
    let right = WIDTH - 36.0;
    let bottom = plot.height - BOTTOM;
    let top = 14.0;
    let heights = plot
        .points
        .iter()
        .flat_map(|(_, y, u)| [y - 2.0 * u, y + 2.0 * u])
        .chain(plot.readings.iter().map(|(_, y)| *y));
    let (low, high) = range_of(heights).unwrap_or((0.0, 0.0));
    let wanted = ((bottom - top) / 42.0) as usize;
    let scale = Scale::over(low.min(0.0), high.max(0.0), 1.0, wanted).between(bottom, top);
    let numbers = plot
        .points
        .iter()
        .map(|point| point.0)
        .chain(plot.readings.iter().map(|r| r.0));
    let axis = NoteAxis::over(numbers, right);
    svg.rect("panel", (LEFT, top), right - LEFT, bottom - top);
    if let Some((from, to)) = plot.allowed {
        svg.rect(
            "allowed",
            (LEFT, scale.at(to)),
            right - LEFT,
            scale.at(from) - scale.at(to),
        );
    }
    y_axis(&mut svg, &scale, (LEFT, right), true);
    svg.upright("axis", (13.0, (top + bottom) / 2.0), plot.y_title);
    axis.draw(&mut svg, bottom, plot.notes);
    let crowded = crowded(plot.notes);
    for (note, y) in plot.readings {
        svg.mark("faint", 0, (axis.at(*note), scale.at(*y)), 1.9);
    }
    let line: Vec<_> = plot
        .points
        .iter()
        .map(|(note, y, _)| (axis.at(*note), scale.at(*y)))
        .collect();
    if crowded {
        let placed: Vec<Point> = plot
            .points
            .iter()
            .map(|(note, y, u)| (axis.at(*note), *y, *u))
            .collect();
        band(&mut svg, "s0", &scale, &placed);
    } else {
        for (note, y, u) in plot.points {
            whisker_up(&mut svg, axis.at(*note), &scale, *y, *u);
        }
    }
    svg.path("line thin s0", &line, false);
    for point in &line {
        svg.mark("mark s0", 0, *point, if crowded { 2.2 } else { 4.0 });
    }
    let outside = plot
        .readings
        .iter()
        .filter(|(_, y)| !scale.holds(*y))
        .count();
    Drawing {
        svg: svg.finish(),
        outside,
        finer: false,
    }
}

fn whisker_up(svg: &mut Svg, x: f64, scale: &Scale, y: f64, u: f64) {
    let (top, base) = (scale.at(y + 2.0 * u), scale.at(y - 2.0 * u));
    if base - top > 1.0 {
        svg.line("whisker", (x, top), (x, base));
        svg.line("whisker", (x - 4.0, top), (x + 4.0, top));
        svg.line("whisker", (x - 4.0, base), (x + 4.0, base));
    }
}
