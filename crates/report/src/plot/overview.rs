//! Results of several units side by side.

use super::frame::{Drawing, WIDTH, shortened};
use super::scale::Scale;
use super::svg::{Anchor, Svg, TEXT, width};

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
    // What begins left of the drawing is cut off; so there is room for wide faces, too.
    let widest = shown.iter().map(|name| width(name)).fold(60.0, f64::max);
    let left = 1.1 * widest + 20.0;
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
        finer: false,
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Measured with DejaVu Sans Bold at 12 px, which stands in on machines that have
    /// no other face.
    #[test]
    fn names_are_whole_in_a_wide_face() {
        const WIDE: f64 = 109.0;
        let name = "simulated bay-1".to_owned();
        let panel = Panel {
            title: "Scale error".to_owned(),
            unit: "cents/oct".to_owned(),
            values: vec![Some((0.2, 0.1, 0.3))],
            allowed: None,
        };
        let drawing = overview("One unit", std::slice::from_ref(&name), &[panel]);
        let document = roxmltree::Document::parse(&drawing.svg).unwrap();
        let text = document
            .descendants()
            .find(|node| node.has_tag_name("text") && node.text() == Some(&name))
            .unwrap();
        assert_eq!(text.attribute("text-anchor"), Some("end"));
        let end: f64 = text.attribute("x").unwrap().parse().unwrap();
        assert!(end > WIDE, "{end}");
    }
}
