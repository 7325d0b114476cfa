//! Lines over time, with their names at their ends.

use super::frame::{BOTTOM, Drawing, LEFT, Point, WIDTH, band, range_of, y_axis};
use super::labels::spread;
use super::scale::Scale;
use super::svg::{Anchor, Svg, TEXT, width};
use super::time_axis::TimeAxis;

const LABEL_GAP: f64 = 22.0;
/// From one name at the end of a line to the next.
const LABEL_APART: f64 = TEXT + 3.0;
/// How many lines one drawing can name.
pub(crate) const MOST_LINES: usize = 14;
/// How many colours there are, ink included; later lines are dashed.
pub(crate) const COLOURS: usize = 7;

/// A line with a name.
#[derive(Debug, Clone)]
pub(crate) struct Series {
    pub name: String,
    /// 0 is ink, for the line the others are held against.
    pub style: usize,
    /// Unbroken stretches.
    pub stretches: Vec<Vec<Point>>,
}

impl Series {
    fn points(&self) -> impl Iterator<Item = &Point> {
        self.stretches.iter().flatten()
    }
}

/// What a drawing over time shows.
#[derive(Debug)]
pub(crate) struct OverTime<'a> {
    pub title: &'a str,
    pub y_title: &'a str,
    pub x_title: &'a str,
    pub height: f64,
    /// From and to, in seconds.
    pub range: (f64, f64),
    /// Where a zone of its own for the warming ends.
    pub warm: Option<f64>,
    /// Stages: name and beginning.
    pub stages: &'a [(String, f64)],
    pub series: &'a [Series],
    /// Twice the standard uncertainty as a band along the lines.
    pub bands: bool,
    /// A tolerance to shade.
    pub allowed: Option<(f64, f64)>,
    /// The least height of the scale.
    pub least: f64,
    /// Whether zero has to be on the scale.
    pub zero: bool,
}

fn style(series: &Series) -> String {
    let dash = series.style / COLOURS;
    let colour = series.style % COLOURS;
    if dash == 0 {
        format!("s{colour}")
    } else {
        format!("s{colour} d{}", (dash - 1) % 2 + 1)
    }
}

/// Draws lines over time.
pub(crate) fn over_time(plot: &OverTime<'_>) -> Drawing {
    let mut svg = Svg::new(WIDTH, plot.height, plot.title);
    let named: Vec<&Series> = plot
        .series
        .iter()
        .filter(|s| s.points().next().is_some())
        .collect();
    // A line alone is named by the axis.
    let names_lines = named.iter().any(|series| !series.name.is_empty());
    let widest = named
        .iter()
        .map(|series| width(&series.name))
        .fold(0.0, f64::max);
    let margin = if names_lines {
        (widest + LABEL_GAP + 14.0).clamp(30.0, 220.0)
    } else {
        30.0
    };
    let right = WIDTH - margin;
    // Names of stages stand above.
    let top = if plot.stages.is_empty() { 10.0 } else { 38.0 };
    let bottom = plot.height - BOTTOM;
    let (axis, ranges) = axis_and_ranges(plot, right);
    let finer = ranges.len() > 1 && ranges[0] != ranges[1];
    let wanted = ((bottom - top) / 42.0) as usize;
    let scales: Vec<Scale> = ranges
        .iter()
        .map(|(low, high)| Scale::over(*low, *high, plot.least, wanted).between(bottom, top))
        .collect();
    for (index, (zone, scale)) in axis.zones.iter().zip(&scales).enumerate() {
        let across = (zone.left, zone.right);
        svg.rect(
            "panel",
            (zone.left, top),
            zone.right - zone.left,
            bottom - top,
        );
        allowed(&mut svg, plot.allowed, scale, across);
        y_axis(&mut svg, scale, across, index == 0 || finer);
    }
    svg.upright("axis", (13.0, (top + bottom) / 2.0), plot.y_title);
    time_ticks(&mut svg, &axis, bottom, plot.x_title);
    stages(&mut svg, &axis, plot.stages, top, bottom);

    let mut outside = 0;
    let mut ends = Vec::new();
    for series in &named {
        let class = style(series);
        let mut end = None;
        for stretch in &series.stretches {
            for (index, scale) in scales.iter().enumerate() {
                let placed = in_zone(&axis, index, stretch);
                outside += placed.iter().filter(|(_, y, _)| !scale.holds(*y)).count();
                if let Some((x, y, _)) = placed.last() {
                    end = Some((*x, scale.at(*y)));
                }
                let placed = thinned(placed);
                if plot.bands {
                    band(&mut svg, &class, scale, &placed);
                }
                let line: Vec<_> = placed.iter().map(|(x, y, _)| (*x, scale.at(*y))).collect();
                draw_line(&mut svg, series, &class, &line, names_lines);
            }
        }
        if let Some(end) = end.filter(|_| names_lines) {
            ends.push((*series, end));
        }
    }
    name_lines(&mut svg, ends, right, (top, bottom));
    Drawing {
        svg: svg.finish(),
        outside,
        finer,
    }
}

/// The points of a stretch in one zone, times turned into pixels.
fn in_zone(axis: &TimeAxis, index: usize, stretch: &[Point]) -> Vec<Point> {
    stretch
        .iter()
        .filter_map(|(t, y, u)| {
            let (zone, x) = axis.place(*t)?;
            (zone == index && y.is_finite()).then_some((x, *y, *u))
        })
        .collect()
}

fn draw_line(svg: &mut Svg, series: &Series, class: &str, line: &[(f64, f64)], with_marks: bool) {
    if let [point] = line {
        svg.mark(&format!("mark {class}"), series.style, *point, 2.6);
    } else if is_dense(line) {
        svg.path(&format!("line dense {class}"), line, false);
    } else {
        svg.path(&format!("line {class}"), line, false);
        if with_marks {
            marks(svg, class, series.style, line);
        }
    }
}

/// The time axis and the range of heights in each of its zones. Where the warming
/// would press the rest of the night flat, the rest has a range of its own.
fn axis_and_ranges(plot: &OverTime<'_>, right: f64) -> (TimeAxis, Vec<(f64, f64)>) {
    let (from, to) = plot.range;
    let reach = |u: f64| if plot.bands { 2.0 * u } else { 0.0 };
    let range = |axis: &TimeAxis, zone: Option<usize>| {
        let points = plot.series.iter().flat_map(Series::points);
        let heights = points
            .filter(|point| match (zone, axis.place(point.0)) {
                (Some(zone), Some((found, _))) => zone == found,
                (zone, _) => zone.is_none(),
            })
            .flat_map(|(_, y, u)| [y - reach(*u), y + reach(*u)]);
        let (mut low, mut high) = range_of(heights).unwrap_or((0.0, 0.0));
        // Zero belongs on the scale unless it would take most of it.
        if plot.zero || low.min(0.0).abs() + high.max(0.0) < 2.0 * (high - low) {
            (low, high) = (low.min(0.0), high.max(0.0));
        }
        (low, high)
    };
    let axis = TimeAxis::new(from, to, plot.warm, 16.0, (LEFT, right));
    let all = range(&axis, None);
    if axis.zones.len() < 2 {
        return (axis, vec![all]);
    }
    let (early, late) = (range(&axis, Some(0)), range(&axis, Some(1)));
    let height = |(low, high): (f64, f64)| (high - low).max(plot.least);
    if height(all) > 3.0 * height(late) {
        (
            TimeAxis::new(from, to, plot.warm, 64.0, (LEFT, right)),
            vec![early, late],
        )
    } else {
        (axis, vec![all, all])
    }
}

/// Shades what a tolerance allows, with a line at each limit that is in sight.
fn allowed(svg: &mut Svg, limits: Option<(f64, f64)>, scale: &Scale, (left, right): (f64, f64)) {
    let Some((from, to)) = limits else { return };
    let (upper, lower) = (scale.at(to), scale.at(from));
    svg.rect("allowed", (left, upper), right - left, lower - upper);
    for (limit, y) in [(to, upper), (from, lower)] {
        if scale.holds(limit) {
            svg.line("limit", (left, y), (right, y));
        }
    }
}

/// Names at the ends of lines, moved apart where they would cover each other.
fn name_lines(
    svg: &mut Svg,
    ends: Vec<(&Series, (f64, f64))>,
    right: f64,
    (top, bottom): (f64, f64),
) {
    let wanted: Vec<_> = ends.iter().map(|(_, (_, y))| *y).collect();
    let places = spread(&wanted, LABEL_APART, top + 4.0, bottom - 4.0);
    for ((series, (x, y)), place) in ends.into_iter().zip(places) {
        let class = style(series);
        let start = right + LABEL_GAP;
        let leader = [(x, y), (right + 2.0, y), (start - 8.0, place)];
        svg.path(&format!("leader {class}"), &leader, false);
        let mark = (start - 3.0, place);
        svg.mark(&format!("mark {class}"), series.style, mark, 3.6);
        let at = (start + 5.0, place + TEXT * 0.34);
        svg.text("name", at, Anchor::Start, &series.name);
    }
}

fn time_ticks(svg: &mut Svg, axis: &TimeAxis, bottom: f64, title: &str) {
    for (x, words) in axis.ticks() {
        svg.line("stub", (x, bottom), (x, bottom + 5.0));
        svg.text("tick", (x, bottom + 18.0), Anchor::Middle, &words);
    }
    let left = axis.zones[0].left;
    let right = axis.zones[axis.zones.len() - 1].right;
    svg.text(
        "axis",
        ((left + right) / 2.0, bottom + 38.0),
        Anchor::Middle,
        title,
    );
}

/// Where stages begin: a hairline and a name, in two rows where they are close.
fn stages(svg: &mut Svg, axis: &TimeAxis, stages: &[(String, f64)], top: f64, bottom: f64) {
    let mut row_ends = [f64::NEG_INFINITY; 2];
    let end = axis.zones[axis.zones.len() - 1].right;
    for (name, from) in stages {
        // A stage that begins where a zone ends begins the next zone.
        let x = axis
            .zones
            .iter()
            .find(|zone| (zone.from - from).abs() < 0.01 * (zone.to - zone.from))
            .map_or_else(|| axis.at(*from), |zone| zone.left);
        let wide = width(name);
        let left = if x + wide + 4.0 > WIDTH {
            end - wide
        } else {
            x
        };
        let Some(row) = row_ends.iter().position(|row_end| left > row_end + 6.0) else {
            svg.line("stage", (x, top), (x, bottom));
            continue;
        };
        let y = top - 7.0 - (TEXT + 3.0) * row as f64;
        svg.line("stage", (x, y + 3.0), (x, bottom));
        svg.text("stage-name", (left, y), Anchor::Start, name);
        row_ends[row] = left + wide;
    }
}

/// At most two points to a pixel, the lowest and the highest, in their order.
fn thinned(points: Vec<Point>) -> Vec<Point> {
    if points.len() < 600 {
        return points;
    }
    let mut kept: Vec<Point> = Vec::new();
    let mut rest = points.as_slice();
    while let Some((x, _, _)) = rest.first() {
        let pixel = x.floor();
        let size = rest
            .iter()
            .take_while(|point| point.0.floor() == pixel)
            .count()
            .max(1);
        let (here, later) = rest.split_at(size);
        let lowest = (0..size)
            .min_by(|a, b| here[*a].1.total_cmp(&here[*b].1))
            .unwrap_or(0);
        let highest = (0..size)
            .max_by(|a, b| here[*a].1.total_cmp(&here[*b].1))
            .unwrap_or(0);
        kept.push(here[lowest.min(highest)]);
        if lowest != highest {
            kept.push(here[lowest.max(highest)]);
        }
        rest = later;
    }
    kept
}

/// Whether a line is more a cloud of points than a line.
fn is_dense(line: &[(f64, f64)]) -> bool {
    line.len() > 300
        && line
            .first()
            .zip(line.last())
            .is_some_and(|(first, last)| line.len() as f64 > 0.8 * (last.0 - first.0))
}

/// A mark now and then tells lines apart without colour.
fn marks(svg: &mut Svg, class: &str, shape: usize, line: &[(f64, f64)]) {
    // Lines take turns, so that marks of close lines do not hide each other.
    let mut next =
        line.first().map_or(0.0, |point| point.0) + 20.0 + (shape % COLOURS) as f64 * 14.0;
    for point in line {
        if point.0 >= next {
            svg.mark(&format!("mark {class}"), shape, *point, 2.8);
            next = point.0 + 104.0;
        }
    }
}
