//! Names of notes.

use crate::RunView;
use crate::numbers::number;
use analysis::UnitAnalysis;
use model::pitch::{Note, Pitch};

/// The name of a note: as the plan writes it, else by its note number.
pub(crate) fn note_name(view: &RunView<'_>, unit: &UnitAnalysis, asked: Pitch) -> String {
    if let Some(note) = unit.notes.iter().find(|note| note.asked == asked) {
        return note.name.clone();
    }
    let place = asked.note_number();
    if (place - place.round()).abs() < 1e-6 && (0.0..=131.0).contains(&place) {
        return Note::from_number(place.round() as i16).name().to_owned();
    }
    let frequency = view.plan.pitch.frequency(asked).get();
    format!("{} Hz", number(frequency, None))
}
