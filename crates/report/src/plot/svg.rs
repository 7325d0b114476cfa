//! Writing SVG: elements, attributes, and text that cannot break out of either.

use super::frame::shortened;
use std::fmt::Write as _;

/// What a text may need beyond the edge of a drawing.
const ROOM_BESIDE: f64 = 60.0;

/// A text with everything escaped that means something in HTML or XML. Control
/// characters, which XML does not allow, become spaces.
pub(crate) fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            '\u{fffe}' | '\u{ffff}' => escaped.push(' '),
            letter if letter.is_control() => escaped.push(' '),
            letter => escaped.push(letter),
        }
    }
    escaped
}

/// A coordinate, to a tenth of a pixel.
pub(crate) fn at(value: f64) -> String {
    let text = format!("{:.1}", if value.is_finite() { value } else { 0.0 });
    match text.strip_suffix(".0").unwrap_or(&text) {
        "-0" => "0".to_owned(),
        short => short.to_owned(),
    }
}

/// Where a text is held.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// The size of text in drawings, in their own pixels.
pub(crate) const TEXT: f64 = 12.0;

/// About how wide a text is when it is bold, and so a little more than it takes
/// when it is not: widths of the usual sans-serif faces, from memory, rounded up.
pub(crate) fn width(text: &str) -> f64 {
    text.chars()
        .map(|letter| match letter {
            'i' | 'j' | 'l' | 'I' | '.' | ',' | ':' | ';' | '\'' | '|' | ' ' => 0.34,
            'f' | 't' | 'r' | '(' | ')' | '-' => 0.42,
            'm' | 'w' | 'M' | 'W' | '@' | '%' => 0.96,
            letter if letter.is_uppercase() => 0.76,
            letter if letter.is_ascii() => 0.62,
            '\u{2212}' | '±' | '–' => 0.62,
            // A wide script, or something unknown.
            _ => 1.0,
        })
        .sum::<f64>()
        * TEXT
}

/// A drawing being written.
#[derive(Debug)]
pub(crate) struct Svg {
    out: String,
    width: f64,
    height: f64,
    title: String,
}

impl Svg {
    pub(crate) fn new(width: f64, height: f64, title: &str) -> Self {
        Self {
            out: String::new(),
            width,
            height,
            title: title.to_owned(),
        }
    }

    pub(crate) fn line(&mut self, class: &str, from: (f64, f64), to: (f64, f64)) {
        let _ = writeln!(
            self.out,
            r#"<line class="{class}" x1="{}" y1="{}" x2="{}" y2="{}"/>"#,
            at(from.0),
            at(from.1),
            at(to.0),
            at(to.1)
        );
    }

    pub(crate) fn rect(&mut self, class: &str, corner: (f64, f64), width: f64, height: f64) {
        let _ = writeln!(
            self.out,
            r#"<rect class="{class}" x="{}" y="{}" width="{}" height="{}"/>"#,
            at(corner.0),
            at(corner.1),
            at(width.max(0.0)),
            at(height.max(0.0))
        );
    }

    /// An open or closed line through points; nothing for fewer than two.
    pub(crate) fn path(&mut self, class: &str, points: &[(f64, f64)], closed: bool) {
        if points.len() < 2 {
            return;
        }
        let mut d = String::with_capacity(points.len() * 12);
        for (index, (x, y)) in points.iter().enumerate() {
            d.push(if index == 0 { 'M' } else { 'L' });
            d.push_str(&at(*x));
            d.push(' ');
            d.push_str(&at(*y));
        }
        if closed {
            d.push('Z');
        }
        let _ = writeln!(self.out, r#"<path class="{class}" d="{d}"/>"#);
    }

    /// A mark of one of seven shapes.
    pub(crate) fn mark(&mut self, class: &str, shape: usize, (x, y): (f64, f64), r: f64) {
        let corners: &[(f64, f64)] = match shape % 7 {
            0 => {
                let _ = writeln!(
                    self.out,
                    r#"<circle class="{class}" cx="{}" cy="{}" r="{}"/>"#,
                    at(x),
                    at(y),
                    at(r)
                );
                return;
            }
            1 => &[(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)],
            2 => &[(0.0, -1.2), (1.1, 0.8), (-1.1, 0.8)],
            3 => &[(0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)],
            4 => &[(0.0, 1.2), (1.1, -0.8), (-1.1, -0.8)],
            5 => &[
                (-1.3, -0.45),
                (-0.45, -0.45),
                (-0.45, -1.3),
                (0.45, -1.3),
                (0.45, -0.45),
                (1.3, -0.45),
                (1.3, 0.45),
                (0.45, 0.45),
                (0.45, 1.3),
                (-0.45, 1.3),
                (-0.45, 0.45),
                (-1.3, 0.45),
            ],
            _ => &[
                (0.0, -1.4),
                (0.4, -0.4),
                (1.4, 0.0),
                (0.4, 0.4),
                (0.0, 1.4),
                (-0.4, 0.4),
                (-1.4, 0.0),
                (-0.4, -0.4),
            ],
        };
        let points: Vec<_> = corners
            .iter()
            .map(|(dx, dy)| (x + dx * r, y + dy * r))
            .collect();
        self.path(class, &points, true);
    }

    /// A text with its baseline at `y`, cut where it would leave the drawing.
    pub(crate) fn text(&mut self, class: &str, (x, y): (f64, f64), anchor: Anchor, text: &str) {
        let (word, room) = match anchor {
            Anchor::Start => ("start", self.width - x),
            Anchor::Middle => ("middle", 2.0 * x.min(self.width - x)),
            Anchor::End => ("end", x),
        };
        // Widths are estimated; what leaves the drawing by a little is meant so.
        let text = shortened(text, room.max(0.0) + ROOM_BESIDE);
        let _ = writeln!(
            self.out,
            r#"<text class="{class}" x="{}" y="{}" text-anchor="{word}">{}</text>"#,
            at(x),
            at(y),
            escape(&text)
        );
    }

    /// A text turned a quarter to the left, its middle at a point.
    pub(crate) fn upright(&mut self, class: &str, (x, y): (f64, f64), text: &str) {
        let _ = writeln!(
            self.out,
            r#"<text class="{class}" x="{x}" y="{y}" text-anchor="middle" transform="rotate(-90 {x} {y})">{}</text>"#,
            escape(text),
            x = at(x),
            y = at(y),
        );
    }

    /// The finished element.
    pub(crate) fn finish(self) -> String {
        format!(
            "<svg viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"{}\">\n{}</svg>",
            at(self.width),
            at(self.height),
            escape(&self.title),
            self.out
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_stays_text() {
        assert_eq!(
            escape("<a href='x'>&\"\u{1}"),
            "&lt;a href=&#39;x&#39;&gt;&amp;&quot; "
        );
        assert_eq!(at(-0.01), "0");
        assert_eq!(at(f64::NAN), "0");
    }
}
