//! What all drawings share: their size, their scales at the left, bands, names.

use super::scale::Scale;
use super::svg::{Anchor, Svg, TEXT, width};
use crate::numbers::fixed;

/// Pixels of a drawing; it is scaled to the width of the page.
pub(crate) const WIDTH: f64 = 880.0;
pub(crate) const LEFT: f64 = 62.0;
pub(crate) const BOTTOM: f64 = 46.0;
/// A point of a line: where, how high, and the standard uncertainty (0 for none).
pub(crate) type Point = (f64, f64, f64);

/// A finished drawing.
#[derive(Debug)]
pub(crate) struct Drawing {
    pub svg: String,
    /// How many points lie outside and stand at the edge.
    pub outside: usize,
    /// Whether the second zone has a scale of its own.
    pub finer: bool,
}

/// The range that shows all points but a few strays: where a thousandth of them
/// would take up most of the drawing, they are left at its edge.
pub(crate) fn range_of(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
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

/// Lines across at the marks of a scale, and their words where `with_words`.
pub(crate) fn y_axis(svg: &mut Svg, scale: &Scale, (left, right): (f64, f64), with_words: bool) {
    for tick in &scale.ticks {
        let y = scale.at(*tick);
        let class = if tick.abs() < 1e-9 { "zero" } else { "grid" };
        svg.line(class, (left, y), (right, y));
        if with_words {
            let at = (left - 8.0, y + TEXT * 0.34);
            svg.text("tick", at, Anchor::End, &scale.words(*tick));
        }
    }
}

pub(crate) fn band(svg: &mut Svg, class: &str, scale: &Scale, points: &[Point]) {
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
