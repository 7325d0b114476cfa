//! Which note belongs to which round of a plan.

use crate::NotesError;
use crate::notes::Slot;
use model::document::plan::{Plan, Stage};
use model::pitch::{ControlLaw, Pitch};

/// The place of a note in a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Laid {
    pub(crate) stage: u16,
    pub(crate) round: u32,
    pub(crate) slot: u16,
}

/// After how many notes the same ones come again; all of them where they do not, or not
/// twice over. The prefix function of Knuth, Morris and Pratt (1977): a table of a million
/// notes that are almost alike takes no longer than another.
pub(crate) fn period(pitches: &[Pitch]) -> usize {
    // Pitches are the same to a thousandth of a cent.
    let keys: Vec<i64> = pitches
        .iter()
        .map(|pitch| (pitch.note_number() * 1e5).round() as i64)
        .collect();
    // The longest beginning of the notes up to each that they also end with.
    let mut borders = vec![0; keys.len()];
    let mut border = 0;
    for at in 1..keys.len() {
        while border > 0 && keys[at] != keys[border] {
            border = borders[border - 1];
        }
        border += usize::from(keys[at] == keys[border]);
        borders[at] = border;
    }
    let period = keys.len() - border;
    if 2 * period <= keys.len() {
        period
    } else {
        keys.len()
    }
}

/// Finds each note's place in a plan: its stage by the table's own word or because there
/// is only one that measures; its round by where the same notes come again.
pub(crate) fn lay_out(
    plan: &Plan,
    notes: &[Slot],
    law: ControlLaw,
) -> Result<Vec<Laid>, NotesError> {
    let stages = stages(plan, notes)?;
    let mut laid = Vec::with_capacity(notes.len());
    let mut done: Vec<u16> = Vec::new();
    let mut rest = notes;
    for together in stages.chunk_by(|one, other| one == other) {
        let (these, later) = rest.split_at(together.len());
        rest = later;
        let (stage, place) = (together[0], &these[0].place);
        if done.contains(&stage) {
            return Err(NotesError::Scattered {
                place: place.clone(),
                stage: plan.stages[usize::from(stage)].name().to_owned(),
            });
        }
        done.push(stage);
        let pitches: Vec<Pitch> = these
            .iter()
            .map(|slot| slot.asked.pitch(plan.pitch, law))
            .collect();
        let length = period(&pitches);
        for number in 0..these.len() {
            let (Ok(round), Ok(slot)) = (
                u32::try_from(number / length),
                u16::try_from(number % length),
            ) else {
                return Err(NotesError::TooManyInARound {
                    place: place.clone(),
                });
            };
            laid.push(Laid { stage, round, slot });
        }
    }
    Ok(laid)
}

/// The stage of each note.
fn stages(plan: &Plan, notes: &[Slot]) -> Result<Vec<u16>, NotesError> {
    let measuring: Vec<(u16, &str)> = (0..)
        .zip(&plan.stages)
        .filter(|(_, stage)| {
            matches!(
                stage,
                Stage::Rounds(_) | Stage::Sweep(_) | Stage::Alternate(_)
            )
        })
        .map(|(index, stage)| (index, stage.name()))
        .collect();
    let title = || plan.title.clone();
    let names = || {
        let names: Vec<&str> = measuring.iter().map(|(_, name)| *name).collect();
        names.join(", ")
    };
    let stage_of = |slot: &Slot| match (&slot.stage, measuring.as_slice()) {
        (_, []) => Err(NotesError::NoStage { plan: title() }),
        (Some(wanted), _) => measuring
            .iter()
            .find(|(_, name)| name == wanted)
            .map(|(index, _)| *index)
            .ok_or_else(|| NotesError::UnknownStage {
                place: slot.place.clone(),
                plan: title(),
                wanted: wanted.clone(),
                there: names(),
            }),
        (None, [(index, _)]) => Ok(*index),
        (None, _) => Err(NotesError::WhichStage {
            place: slot.place.clone(),
            plan: title(),
            there: names(),
        }),
    };
    notes.iter().map(stage_of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pitches(numbers: &[f64]) -> Vec<Pitch> {
        numbers
            .iter()
            .map(|number| Pitch::new(*number).unwrap())
            .collect()
    }

    #[test]
    fn rounds_are_where_the_same_notes_come_again() {
        // Reference first and last; the last round broken off.
        let notes = [60.0, 36.0, 72.0, 60.0];
        let mut all: Vec<f64> = notes.iter().cycle().take(10).copied().collect();
        assert_eq!(period(&pitches(&all)), 4);
        all[9] = 37.0;
        assert_eq!(period(&pitches(&all)), 10);
        assert_eq!(period(&pitches(&[60.0, 60.0, 60.0])), 1);
        assert_eq!(period(&pitches(&[60.0, 72.0, 60.0])), 3);
        assert_eq!(period(&[]), 0);
        // A last note that differs from all before it.
        let mut alike = vec![60.0; 1_000_000];
        assert_eq!(period(&pitches(&alike)), 1);
        alike[999_999] = 61.0;
        assert_eq!(period(&pitches(&alike)), 1_000_000);
    }
}
