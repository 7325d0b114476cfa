//! Several lines over notes, on the same axes, with their names at their ends.

use super::frame::{BOTTOM, LEFT, Point, WIDTH, range_of, y_axis};
use super::labels::spread;
use super::note_axis::{NoteAxis, crowded};
use super::scale::Scale;
use super::svg::{Anchor, Svg, TEXT, width};

const HEIGHT: f64 = 320.0;
/// Lines that would hide each other's whiskers stand this far apart, pixels.
const APART: f64 = 5.0;

/// A line over notes.
#[derive(Debug)]
pub(crate) struct Profile {
    pub name: String,
    pub style: usize,
    /// Note number, height, standard uncertainty; lowest note first.
    pub points: Vec<Point>,
}

/// Draws lines over notes with a whisker of twice the standard uncertainty on each point.
pub(crate) fn profiles(title: &str, notes: &[(f64, String)], lines: &[Profile]) -> String {
    let mut svg = Svg::new(WIDTH, HEIGHT, title);
    let widest = lines
        .iter()
        .map(|line| width(&line.name))
        .fold(0.0, f64::max);
    let right = WIDTH - (widest + 38.0).clamp(44.0, 228.0);
    let (top, bottom) = (14.0, HEIGHT - BOTTOM);
    let points = || lines.iter().flat_map(|line| line.points.iter());
    let heights = points().flat_map(|(_, y, u)| [y - 2.0 * u, y + 2.0 * u]);
    let (low, high) = range_of(heights).unwrap_or((0.0, 0.0));
    let wanted = ((bottom - top) / 42.0) as usize;
    let scale = Scale::over(low.min(0.0), high.max(0.0), 1.0, wanted).between(bottom, top);
    let axis = NoteAxis::over(points().map(|point| point.0), right);
    svg.rect("panel", (LEFT, top), right - LEFT, bottom - top);
    y_axis(&mut svg, &scale, (LEFT, right), true);
    svg.upright(
        "axis",
        (13.0, (top + bottom) / 2.0),
        "Deviation retuned (cents)",
    );
    axis.draw(&mut svg, bottom, notes);
    let crowded = crowded(notes);
    let middle = (lines.len() as f64 - 1.0) / 2.0;
    let mut ends = Vec::new();
    for (place, line) in lines.iter().enumerate() {
        let class = format!("s{}", line.style);
        let shift = if crowded {
            0.0
        } else {
            (place as f64 - middle) * APART
        };
        let placed: Vec<(f64, f64)> = line
            .points
            .iter()
            .map(|(note, y, _)| (axis.at(*note) + shift, scale.at(*y)))
            .collect();
        svg.path(&format!("line {class}"), &placed, false);
        for ((at, height), (_, y, u)) in placed.iter().zip(&line.points) {
            let (upper, lower) = (scale.at(y + 2.0 * u), scale.at(y - 2.0 * u));
            if lower - upper > 1.0 {
                let whisker = format!("line thin {class}");
                svg.path(&whisker, &[(*at, upper), (*at, lower)], false);
                for end in [upper, lower] {
                    svg.path(&whisker, &[(at - 3.0, end), (at + 3.0, end)], false);
                }
            }
            svg.mark(&format!("mark {class}"), place, (*at, *height), 3.8);
        }
        if let Some((_, height)) = placed.last() {
            ends.push((place, line, class, *height));
        }
    }
    let wanted: Vec<f64> = ends.iter().map(|(.., height)| *height).collect();
    let heights = spread(&wanted, TEXT + 4.0, top + 6.0, bottom - 4.0);
    for ((place, line, class, from), height) in ends.iter().zip(heights) {
        svg.path(
            &format!("leader {class}"),
            &[(axis.end() + 10.0, *from), (right + 5.0, height)],
            false,
        );
        // A name is told to be of its line by the line's mark in its colour.
        svg.mark(
            &format!("mark {class}"),
            *place,
            (right + 10.0, height),
            3.8,
        );
        svg.text(
            "name",
            (right + 18.0, height + TEXT * 0.34),
            Anchor::Start,
            &line.name,
        );
    }
    svg.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_lines_are_there_and_nothing_is_no_number() {
        let line = |name: &str, style, slope: f64| Profile {
            name: name.to_owned(),
            style,
            points: (0..5)
                .map(|octave| {
                    let octave = f64::from(octave);
                    (36.0 + 12.0 * octave, slope * (octave - 2.0), 0.5)
                })
                .collect(),
        };
        let notes = [(36.0, "C2".to_owned()), (84.0, "C6".to_owned())];
        let svg = profiles(
            "both",
            &notes,
            &[line("before <1>", 1, 22.0), line("after", 4, 0.5)],
        );
        assert!(svg.contains("before &lt;1&gt;") && svg.contains(">after<"));
        // Five points, and the one beside its name.
        assert_eq!(svg.matches("class=\"mark s1\"").count(), 6);
        assert!(profiles("none", &[], &[]).contains("<svg"));
    }
}
