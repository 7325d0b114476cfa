//! The two kinds of drawing: lines over time, and points over notes.

use super::labels::spread;
use super::scale::Scale;
use super::svg::{Anchor, Svg, TEXT, width};
use super::time_axis::TimeAxis;
use crate::numbers::fixed;

/// Pixels of a drawing; it is scaled to the width of the page.
pub(crate) const WIDTH: f64 = 880.0;
const LEFT: f64 = 62.0;
const BOTTOM: f64 = 46.0;
const LABEL_GAP: f64 = 22.0;
/// From one name at the end of a line to the next.
const LABEL_APART: f64 = TEXT + 3.0;
/// How many lines one drawing can name.
pub(crate) const MOST_LINES: usize = 14;
/// How many colours there are, ink included; later lines are dashed.
pub(crate) const COLOURS: usize = 7;

/// A point of a line: where, how high, and the standard uncertainty (0 for none).
pub(crate) type Point = (f64, f64, f64);

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

/// A finished drawing.
#[derive(Debug)]
pub(crate) struct Drawing {
    pub svg: String,
    /// How many points lie outside and stand at the edge.
    pub outside: usize,
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

/// The range that shows all points but a few strays: where a thousandth of them
/// would take up most of the drawing, they are left at its edge.
fn range_of(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let mut values: Vec<f64> = values.filter(|value| value.is_finite()).collect();
    values.sort_by(f64::total_cmp);
    let (first, last) = (*values.first()?, *values.last()?);
    let cut = (values.len() as f64 * 0.004).ceil() as usize;
    if values.len() < 100 {
        return Some((first, last));
    }
    let (low, high) = (values[cut], values[values.len() - 1 - cut]);
    if (last - first) > 4.0 * (high - low).max(1e-9) {
        Some((low, high))
    } else {
        Some((first, last))
    }
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
    let margin = named
        .iter()
        .map(|series| width(&series.name))
        .fold(0.0, f64::max)
        + LABEL_GAP
        + 14.0;
    let right = WIDTH
        - if names_lines {
            margin.clamp(30.0, 220.0)
        } else {
            30.0
        };
    // Names of stages stand above.
    let top = if plot.stages.is_empty() { 10.0 } else { 38.0 };
    let bottom = plot.height - BOTTOM;
    let axis = TimeAxis::new(plot.range.0, plot.range.1, plot.warm, LEFT, right);
    let heights = plot
        .series
        .iter()
        .flat_map(Series::points)
        .flat_map(|(_, y, u)| {
            let reach = if plot.bands { 2.0 * u } else { 0.0 };
            [y - reach, y + reach]
        });
    let (mut low, mut high) = range_of(heights).unwrap_or((0.0, 0.0));
    // Zero belongs on the scale unless it would take most of it.
    if plot.zero || low.min(0.0).abs() + high.max(0.0) < 2.0 * (high - low) {
        (low, high) = (low.min(0.0), high.max(0.0));
    }
    let wanted = ((bottom - top) / 42.0) as usize;
    let scale = Scale::over(low, high, plot.least, wanted).between(bottom, top);
    for zone in &axis.zones {
        svg.rect(
            "panel",
            (zone.left, top),
            zone.right - zone.left,
            bottom - top,
        );
    }
    if let Some((from, to)) = plot.allowed {
        for zone in &axis.zones {
            let (upper, lower) = (scale.at(to), scale.at(from));
            svg.rect(
                "allowed",
                (zone.left, upper),
                zone.right - zone.left,
                lower - upper,
            );
            for (limit, y) in [(to, upper), (from, lower)] {
                if scale.holds(limit) {
                    svg.line("limit", (zone.left, y), (zone.right, y));
                }
            }
        }
    }
    y_axis(&mut svg, &scale, &axis, plot.y_title);
    time_ticks(&mut svg, &axis, bottom, plot.x_title);
    stages(&mut svg, &axis, plot.stages, top, bottom);

    let mut outside = 0;
    let mut ends = Vec::new();
    for series in &named {
        let class = style(series);
        let mut end = None;
        for stretch in &series.stretches {
            for index in 0..axis.zones.len() {
                let placed: Vec<(f64, f64, f64)> = stretch
                    .iter()
                    .filter_map(|(t, y, u)| {
                        let (zone, x) = axis.place(*t)?;
                        (zone == index && y.is_finite()).then_some((x, *y, *u))
                    })
                    .collect();
                outside += placed.iter().filter(|(_, y, _)| !scale.holds(*y)).count();
                if let Some((x, y, _)) = placed.last() {
                    end = Some((*x, scale.at(*y)));
                }
                let placed = thinned(placed);
                if plot.bands {
                    band(&mut svg, &class, &scale, &placed);
                }
                let line: Vec<_> = placed.iter().map(|(x, y, _)| (*x, scale.at(*y))).collect();
                if line.len() == 1 {
                    svg.mark(&format!("mark {class}"), series.style, line[0], 2.6);
                }
                if is_dense(&line) {
                    svg.path(&format!("line dense {class}"), &line, false);
                } else {
                    svg.path(&format!("line {class}"), &line, false);
                    if names_lines {
                        marks(&mut svg, &class, series.style, &line);
                    }
                }
            }
        }
        if let Some(end) = end.filter(|_| names_lines) {
            ends.push((*series, end));
        }
    }
    let wanted: Vec<_> = ends.iter().map(|(_, (_, y))| *y).collect();
    let places = spread(&wanted, LABEL_APART, top + 4.0, bottom - 4.0);
    for ((series, (x, y)), place) in ends.into_iter().zip(places) {
        let class = style(series);
        let start = right + LABEL_GAP;
        svg.path(
            &format!("leader {class}"),
            &[(x, y), (right + 2.0, y), (start - 8.0, place)],
            false,
        );
        svg.mark(
            &format!("mark {class}"),
            series.style,
            (start - 3.0, place),
            3.6,
        );
        svg.text(
            "name",
            (start + 5.0, place + TEXT * 0.34),
            Anchor::Start,
            &series.name,
        );
    }
    Drawing {
        svg: svg.finish(),
        outside,
    }
}

fn y_axis(svg: &mut Svg, scale: &Scale, axis: &TimeAxis, title: &str) {
    for tick in &scale.ticks {
        let y = scale.at(*tick);
        let class = if tick.abs() < 1e-9 { "zero" } else { "grid" };
        for zone in &axis.zones {
            svg.line(class, (zone.left, y), (zone.right, y));
        }
        svg.text(
            "tick",
            (LEFT - 8.0, y + TEXT * 0.34),
            Anchor::End,
            &scale.words(*tick),
        );
    }
    let middle = scale
        .ticks
        .first()
        .zip(scale.ticks.last())
        .map_or(0.0, |(low, high)| (scale.at(*low) + scale.at(*high)) / 2.0);
    svg.upright("axis", (13.0, middle), title);
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

fn band(svg: &mut Svg, class: &str, scale: &Scale, points: &[Point]) {
    let upper = points.iter().map(|(x, y, u)| (*x, scale.at(y + 2.0 * u)));
    let lower = points
        .iter()
        .rev()
        .map(|(x, y, u)| (*x, scale.at(y - 2.0 * u)));
    let outline: Vec<_> = upper.chain(lower).collect();
    if points.len() > 1 {
        svg.path(&format!("band {class}"), &outline, true);
    }
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
    let numbers = || {
        plot.points
            .iter()
            .map(|point| point.0)
            .chain(plot.readings.iter().map(|r| r.0))
    };
    let first = numbers().fold(f64::INFINITY, f64::min);
    let last = numbers().fold(f64::NEG_INFINITY, f64::max);
    let (first, last) = if first <= last {
        (first, last.max(first + 1.0))
    } else {
        (0.0, 1.0)
    };
    let x = |note: f64| LEFT + 24.0 + (note - first) / (last - first) * (right - LEFT - 48.0);
    svg.rect("panel", (LEFT, top), right - LEFT, bottom - top);
    if let Some((from, to)) = plot.allowed {
        svg.rect(
            "allowed",
            (LEFT, scale.at(to)),
            right - LEFT,
            scale.at(from) - scale.at(to),
        );
    }
    let frame = TimeAxis::new(0.0, 1.0, None, LEFT, right);
    y_axis(&mut svg, &scale, &frame, plot.y_title);
    let mut end = f64::NEG_INFINITY;
    // Names of octaves first: they are what the eye looks for.
    let mut named: Vec<_> = plot.notes.iter().collect();
    named.sort_by(|a, b| a.0.total_cmp(&b.0));
    let crowded = named.len() > 20;
    for (note, name) in named {
        if crowded && (note / 12.0).fract().abs() > 1e-6 {
            continue;
        }
        let wide = width(name);
        let at = x(*note);
        if at - wide / 2.0 < end + 6.0 {
            continue;
        }
        svg.line("stub", (at, bottom), (at, bottom + 5.0));
        svg.text("tick", (at, bottom + 18.0), Anchor::Middle, name);
        end = at + wide / 2.0;
    }
    svg.text(
        "axis",
        ((LEFT + right) / 2.0, bottom + 38.0),
        Anchor::Middle,
        "Note",
    );
    for (note, y) in plot.readings {
        svg.mark("faint", 0, (x(*note), scale.at(*y)), 1.9);
    }
    let line: Vec<_> = plot
        .points
        .iter()
        .map(|(note, y, _)| (x(*note), scale.at(*y)))
        .collect();
    if crowded {
        let placed: Vec<Point> = plot
            .points
            .iter()
            .map(|(note, y, u)| (x(*note), *y, *u))
            .collect();
        band(&mut svg, "s0", &scale, &placed);
    } else {
        for (note, y, u) in plot.points {
            whisker_up(&mut svg, x(*note), &scale, *y, *u);
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

/// One result of several units, side by side with others.
#[derive(Debug)]
pub(crate) struct Panel {
    pub title: String,
    pub unit: String,
    /// A value with its interval for each unit, in the order of the names.
    pub values: Vec<Option<(f64, f64, f64)>>,
    pub allowed: Option<(f64, f64)>,
}

/// Draws results of several units: a row for each unit, a panel for each result.
pub(crate) fn overview(title: &str, names: &[String], panels: &[Panel]) -> Drawing {
    const ROW: f64 = 26.0;
    let height = 40.0 + ROW * names.len() as f64 + 44.0;
    let mut svg = Svg::new(WIDTH, height, title);
    let shown: Vec<String> = names.iter().map(|name| shortened(name, 150.0)).collect();
    let left = shown.iter().map(|name| width(name)).fold(60.0, f64::max) + 20.0;
    let each = (WIDTH - left) / panels.len().max(1) as f64;
    let (top, bottom) = (36.0, 36.0 + ROW * names.len() as f64);
    for (row, name) in shown.iter().enumerate() {
        let y = top + ROW * (row as f64 + 0.5);
        svg.text("name", (left - 16.0, y + TEXT * 0.34), Anchor::End, name);
        svg.line("grid", (left, y), (WIDTH - 14.0, y));
    }
    for (column, panel) in panels.iter().enumerate() {
        let (from, to) = (
            left + each * column as f64,
            left + each * (column as f64 + 1.0) - 22.0,
        );
        svg.text("panel-name", (from, 18.0), Anchor::Start, &panel.title);
        svg.rect("panel", (from, top), to - from, bottom - top);
        let ends = panel
            .values
            .iter()
            .flatten()
            .flat_map(|(_, low, high)| [*low, *high]);
        let (low, high) = ends
            .chain([0.0])
            .chain(allowed_ends(panel))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), end| {
                (low.min(end), high.max(end))
            });
        let scale = Scale::over(low, high, 0.1, 4).between(from + 8.0, to - 8.0);
        if let Some((low, high)) = panel.allowed {
            let (a, b) = (scale.at(low), scale.at(high));
            svg.rect("allowed", (a, top), b - a, bottom - top);
        }
        let mut end = f64::NEG_INFINITY;
        for tick in &scale.ticks {
            let x = scale.at(*tick);
            svg.line(
                if tick.abs() < 1e-9 { "zero" } else { "grid" },
                (x, top),
                (x, bottom),
            );
            let words = scale.words(*tick);
            let wide = width(&words);
            if x - wide / 2.0 > end + 5.0 {
                svg.text("tick", (x, bottom + 16.0), Anchor::Middle, &words);
                end = x + wide / 2.0;
            }
        }
        svg.text(
            "axis",
            ((from + to) / 2.0, bottom + 34.0),
            Anchor::Middle,
            &panel.unit,
        );
        for (row, value) in panel.values.iter().enumerate() {
            let y = top + ROW * (row as f64 + 0.5);
            match value {
                Some((value, low, high)) => {
                    svg.line("whisker", (scale.at(*low), y), (scale.at(*high), y));
                    for end in [*low, *high] {
                        svg.line(
                            "whisker",
                            (scale.at(end), y - 4.0),
                            (scale.at(end), y + 4.0),
                        );
                    }
                    svg.mark("mark s0", 0, (scale.at(*value), y), 3.8);
                }
                None => svg.text(
                    "none",
                    ((from + to) / 2.0, y + TEXT * 0.34),
                    Anchor::Middle,
                    "cannot be said",
                ),
            }
        }
    }
    Drawing {
        svg: svg.finish(),
        outside: 0,
    }
}

/// Limits are shown where they do not dwarf what was measured.
fn allowed_ends(panel: &Panel) -> Vec<f64> {
    let furthest = panel
        .values
        .iter()
        .flatten()
        .fold(0.0, |furthest: f64, (_, low, high)| {
            furthest.max(low.abs()).max(high.abs())
        });
    panel
        .allowed
        .into_iter()
        .flat_map(|(low, high)| [low, high])
        .filter(|limit| limit.is_finite() && limit.abs() < 3.0 * furthest)
        .map(|limit| limit * 1.02)
        .collect()
}

/// A text cut to a width, with an ellipsis where something is missing.
pub(crate) fn shortened(text: &str, room: f64) -> String {
    if width(text) <= room {
        return text.to_owned();
    }
    let mut kept = String::new();
    for letter in text.chars() {
        if width(&kept) + width("…") + TEXT > room {
            break;
        }
        kept.push(letter);
    }
    format!("{}…", kept.trim_end())
}

/// "3.1 cents" and the like for sentences under drawings.
pub(crate) fn cents(value: f64) -> String {
    format!(
        "{} cents",
        fixed(value, if value.abs() < 9.95 { 1 } else { 0 })
    )
}
