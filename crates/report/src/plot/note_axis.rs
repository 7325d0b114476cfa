//! Notes along the bottom of a drawing.

use super::frame::LEFT;
use super::svg::{Anchor, Svg, width};

/// Where each note stands.
#[derive(Debug, Clone, Copy)]
pub(super) struct NoteAxis {
    first: f64,
    last: f64,
    right: f64,
}

impl NoteAxis {
    /// An axis that ends at `right`, over these note numbers.
    pub(super) fn over(notes: impl Iterator<Item = f64>, right: f64) -> Self {
        let (first, last) = notes.fold(
            (f64::INFINITY, f64::NEG_INFINITY),
            |(first, last): (f64, f64), note| (first.min(note), last.max(note)),
        );
        let (first, last) = if first <= last {
            (first, last.max(first + 1.0))
        } else {
            (0.0, 1.0)
        };
        Self { first, last, right }
    }

    /// Where the last note stands.
    pub(super) fn end(&self) -> f64 {
        self.at(self.last)
    }

    pub(super) fn at(&self, note: f64) -> f64 {
        let part = (note - self.first) / (self.last - self.first);
        LEFT + 24.0 + part * (self.right - LEFT - 48.0)
    }

    /// Writes the names of notes (note number and name) below the panel, as many as find
    /// room; of many only the octaves, which are what the eye looks for.
    pub(super) fn draw(&self, svg: &mut Svg, bottom: f64, notes: &[(f64, String)]) {
        let mut named: Vec<_> = notes.iter().collect();
        named.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut end = f64::NEG_INFINITY;
        for (note, name) in named {
            if crowded(notes) && (note / 12.0).fract().abs() > 1e-6 {
                continue;
            }
            let (at, wide) = (self.at(*note), width(name));
            if at - wide / 2.0 < end + 6.0 {
                continue;
            }
            svg.line("stub", (at, bottom), (at, bottom + 5.0));
            svg.text("tick", (at, bottom + 18.0), Anchor::Middle, name);
            end = at + wide / 2.0;
        }
        let middle = (LEFT + self.right) / 2.0;
        svg.text("axis", (middle, bottom + 38.0), Anchor::Middle, "Note");
    }
}

/// Whether so many notes are shown that each has little room.
pub(super) const fn crowded(notes: &[(f64, String)]) -> bool {
    notes.len() > 20
}
