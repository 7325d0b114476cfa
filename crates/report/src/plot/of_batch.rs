//! One result of a batch: counts above, units in the order of their values below.

use super::frame::{Drawing, WIDTH, shortened};
use super::scale::Scale;
use super::svg::{Anchor, Svg, TEXT, width};

/// One unit's value.
#[derive(Debug, Clone)]
pub(crate) struct Dot {
    pub name: String,
    /// Value, lower and upper end; at least the value where there is no upper end.
    pub value: (f64, f64, Option<f64>),
    /// Whether it was reached at all.
    pub reached: bool,
    /// Whether it stands out.
    pub outlier: bool,
}

/// One result of a batch.
#[derive(Debug)]
pub(crate) struct OfBatch<'a> {
    pub title: &'a str,
    pub x_title: &'a str,
    /// In the order in which they are drawn.
    pub dots: &'a [Dot],
    /// Where the first bin begins, the width of a bin, counts.
    pub histogram: Option<(f64, f64, &'a [usize])>,
    pub median: Option<f64>,
    pub allowed: Option<(f64, f64)>,
}

/// Draws it. Many units stand closer, and beyond so many without names.
pub(crate) fn of_batch(batch: &OfBatch<'_>) -> Drawing {
    let row = match batch.dots.len() {
        0..=24 => 19.0,
        25..=60 => 15.0,
        _ => 6.0,
    };
    let named = row > TEXT;
    let shown: Vec<String> = batch
        .dots
        .iter()
        .map(|dot| shortened(&dot.name, 150.0))
        .collect();
    let left = if named {
        shown.iter().map(|name| width(name)).fold(46.0, f64::max) + 20.0
    } else {
        46.0
    };
    let right = WIDTH - 14.0;
    let counts_height = if batch.histogram.is_some() { 96.0 } else { 0.0 };
    let top = 10.0;
    let rows_top = top + counts_height + if batch.histogram.is_some() { 14.0 } else { 0.0 };
    let bottom = rows_top + row * batch.dots.len() as f64 + 10.0;
    let mut svg = Svg::new(WIDTH, bottom + 46.0, batch.title);
    let scale = scale_of(batch).between(left + 8.0, right - 8.0);
    let panels = [(top, top + counts_height), (rows_top, bottom)];
    for (from, to) in panels.into_iter().filter(|(from, to)| to > from) {
        svg.rect("panel", (left, from), right - left, to - from);
        if let Some((low, high)) = batch.allowed {
            let end = |limit: f64, edge: f64| {
                if scale.holds(limit) {
                    scale.at(limit)
                } else {
                    edge
                }
            };
            let (a, b) = (end(low, left), end(high, right));
            svg.rect("allowed", (a, from), b - a, to - from);
        }
        for tick in &scale.ticks {
            let class = if tick.abs() < 1e-9 { "zero" } else { "grid" };
            svg.line(class, (scale.at(*tick), from), (scale.at(*tick), to));
        }
        if let Some(median) = batch.median {
            svg.line("limit", (scale.at(median), from), (scale.at(median), to));
        }
    }
    for tick in &scale.ticks {
        let at = (scale.at(*tick), bottom + 16.0);
        svg.text("tick", at, Anchor::Middle, &scale.words(*tick));
    }
    let middle = ((left + right) / 2.0, bottom + 36.0);
    svg.text("axis", middle, Anchor::Middle, batch.x_title);
    if let Some((from, wide, counts)) = batch.histogram {
        let most = counts.iter().copied().max().unwrap_or(0) as f64;
        let heights = Scale::over(0.0, most, 1.0, 3).between(top + counts_height, top + 6.0);
        for tick in heights.ticks.iter().filter(|tick| tick.fract() == 0.0) {
            let y = heights.at(*tick);
            svg.line("grid", (left, y), (right, y));
            let at = (left - 8.0, y + TEXT * 0.34);
            svg.text("tick", at, Anchor::End, &heights.words(*tick));
        }
        for (place, count) in counts.iter().enumerate() {
            let low = from + place as f64 * wide;
            let (a, b) = (scale.at(low) + 0.7, scale.at(low + wide) - 0.7);
            let y = heights.at(*count as f64);
            svg.rect("bar", (a, y), b - a, top + counts_height - y);
        }
    }
    for (place, (dot, name)) in batch.dots.iter().zip(&shown).enumerate() {
        let y = rows_top + 5.0 + row * (place as f64 + 0.5);
        if named {
            let class = if dot.outlier { "name" } else { "tick" };
            svg.text(class, (left - 10.0, y + TEXT * 0.34), Anchor::End, name);
        }
        let (value, low, high) = dot.value;
        let x = scale.at(value);
        if dot.reached {
            let ends = (scale.at(low), scale.at(high.unwrap_or(value)));
            svg.line("whisker", (ends.0, y), (ends.1, y));
            let (shape, style) = if dot.outlier {
                (3, "mark s4")
            } else {
                (0, "mark s0")
            };
            svg.mark(style, shape, (x, y), (row * 0.24).min(3.8));
        } else {
            // An arrow: at least so much.
            svg.line("whisker", (x, y), (x + 26.0, y));
            let tip = [(x + 20.0, y - 4.0), (x + 26.0, y), (x + 20.0, y + 4.0)];
            svg.path("line s1", &tip, false);
        }
    }
    Drawing {
        svg: svg.finish(),
        outside: 0,
        finer: false,
    }
}

/// A scale that holds all values and bins, and limits where they do not dwarf them.
fn scale_of(batch: &OfBatch<'_>) -> Scale {
    let ends = batch.dots.iter().flat_map(|dot| {
        let (value, low, high) = dot.value;
        let high = high.unwrap_or(value);
        // An interval may be very wide; the value itself is always seen.
        [value, low, high]
    });
    let bins = batch
        .histogram
        .into_iter()
        .flat_map(|(from, wide, counts)| [from, from + wide * counts.len() as f64]);
    let (low, high) = ends
        .chain(bins)
        .filter(|value| value.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), end| {
            (low.min(end), high.max(end))
        });
    let room = (high - low).max(1e-9);
    let (mut from, mut to) = (low, high);
    for limit in batch
        .allowed
        .into_iter()
        .flat_map(|(low, high)| [low, high])
    {
        if limit.is_finite() && limit > low - 1.5 * room && limit < high + 1.5 * room {
            from = from.min(limit - 0.02 * room);
            to = to.max(limit + 0.02 * room);
        }
    }
    // Room for an arrow at the right.
    if batch.dots.iter().any(|dot| !dot.reached) {
        to += 0.06 * (to - from);
    }
    Scale::over(from, to, 0.05, 8)
}
