//! The documents behind an imported recording, and which note belongs to which round.

use crate::cli::Import;
use crate::exit::Failure;
use crate::slots::{Slot, number};
use model::document::plan::{Plan, Stage};
use model::document::rig::Law;
use model::pitch::{AskedNote, ControlLaw, Pitch, PitchStandard};
use model::quantity::Seconds;
use model::record::PositionId;
use model::time::SampleRate;
use std::fmt::Write as _;

/// What is known of a recording.
#[derive(Debug)]
pub struct Source {
    pub file: String,
    pub sha256: String,
    pub rate: SampleRate,
    pub channels: u16,
    pub lasts: Seconds,
    pub notes_from: String,
}

/// The place of a note in a plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Laid {
    pub stage: u16,
    pub round: u32,
    pub slot: u16,
}

/// The position of the unit on a channel.
pub fn position(channel: u16) -> PositionId {
    PositionId::new(&format!("channel-{channel}"))
}

/// How voltage and pitch belong together, as the arguments say.
pub fn law(arguments: &Import) -> Result<Law, Failure> {
    if let Some(gain) = arguments.hertz_per_volt {
        if gain.get() <= 0.0 {
            return Err(Failure::input("--hertz-per-volt must be above zero"));
        }
        return Ok(Law::HertzPerVolt { gain });
    }
    if arguments.slope.get() <= 0.0 {
        return Err(Failure::input("--slope must be above zero"));
    }
    Ok(Law::VoltsPerOctave {
        slope: arguments.slope,
        zero: arguments.zero.clone(),
    })
}

/// A text as YAML takes it, whatever is in it.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

/// The rig of a recording: what is known of where it was made.
pub fn rig_text(source: &Source, law: &Law, channels: &[u16]) -> String {
    let mut text = String::from("# Written when a recording was imported.\nnightbench: rig 1\n");
    // Writing to a string cannot fail.
    let _ = writeln!(
        text,
        "name: {}",
        quoted(&format!("recording {}", source.file))
    );
    let _ = writeln!(text, "wiring:\n  recorded:");
    let _ = writeln!(text, "    file: {}", quoted(&source.file));
    let _ = writeln!(text, "    sha256: {}", quoted(&source.sha256));
    let _ = writeln!(text, "    rate: {} Hz", source.rate.get());
    let _ = writeln!(text, "    channels: {}", source.channels);
    let _ = writeln!(text, "    lasts: {} s", number(source.lasts.get()));
    let _ = writeln!(text, "    notes_from: {}", quoted(&source.notes_from));
    let law = match law {
        Law::VoltsPerOctave { slope, zero } => format!(
            "{{volts_per_octave: {{slope: {}, zero: {}}}}}",
            quoted(&slope.to_string()),
            quoted(&zero.to_string())
        ),
        Law::HertzPerVolt { gain } => {
            format!(
                "{{hertz_per_volt: {{gain: {}}}}}",
                quoted(&gain.to_string())
            )
        }
    };
    let _ = writeln!(text, "positions:");
    for channel in channels {
        let _ = writeln!(
            text,
            "  {}:\n    cv: {{sender: unknown, channel: 1, law: {law}, safe: {{from: -20 V, to: 20 V}}}}\n    input: {channel}",
            position(*channel)
        );
    }
    text
}

/// A plan for notes that belong to none: rounds where the same notes come again and
/// again, else one go through them.
pub fn plan_text(
    source: &Source,
    notes: &[Slot],
    reference: Option<&AskedNote>,
    law: &Law,
) -> Result<String, Failure> {
    let law = law.control_law();
    let standard = PitchStandard::default();
    let pitch = |slot: &Slot| slot.asked.pitch(standard, law);
    let pitches: Vec<Pitch> = notes.iter().map(pitch).collect();
    if let Some(slot) = notes.iter().find(|slot| slot.stage.is_some()) {
        return Err(Failure::input(format!(
            "{}: stages can be named only together with a --plan that has them",
            slot.place
        )));
    }
    let middle_c = model::pitch::Note::from_number(60).pitch();
    let reference = match reference {
        Some(reference) => reference.clone(),
        None => notes
            .iter()
            .min_by(|a, b| {
                let far = |slot: &Slot| pitch(slot).cents_from(middle_c).abs().get();
                far(a).total_cmp(&far(b))
            })
            .map(|slot| slot.asked.clone())
            .ok_or_else(|| Failure::input("there is no note"))?,
    };
    let length = period(&pitches);
    let shortest = notes
        .iter()
        .map(|slot| slot.lasts)
        .fold(f64::INFINITY, f64::min);
    let settle = (shortest / 2.0).clamp(0.05, 2.0);
    let window = (shortest / 2.0).clamp(0.05, 2.0);
    let mut text = String::from(
        "# Written when a recording was imported without a plan.\nnightbench: plan 1\n",
    );
    let _ = writeln!(
        text,
        "title: {}",
        quoted(&format!("Recording {}", source.file))
    );
    let _ = writeln!(text, "reference: {}", quoted(&reference.to_string()));
    let _ = writeln!(
        text,
        "listen:\n  settle: {{until_steady: {{within: 1 cent, at_most: {} s}}}}\n  window: {{fixed: {} s}}",
        number(settle),
        number(window)
    );
    let list: Vec<String> = notes
        .iter()
        .take(length)
        .map(|slot| quoted(&slot.asked.to_string()))
        .collect();
    let list = list.join(", ");
    if length < notes.len() {
        let rounds = notes.len().div_ceil(length);
        let every = notes[length].start - notes[0].start;
        let _ = writeln!(
            text,
            "stages:\n  - rounds: {{name: recording, notes: {{list: [{list}]}}, every: {} s, for: {} s}}",
            number(every),
            number(every * rounds as f64)
        );
    } else {
        let _ = writeln!(
            text,
            "stages:\n  - sweep: {{name: recording, notes: {{list: [{list}]}}}}"
        );
    }
    Ok(text)
}

/// After how many notes the same ones come again; all of them where they do not, or not
/// twice over. The prefix function of Knuth, Morris and Pratt (1977): a table of a million
/// notes that are almost alike takes no longer than another.
fn period(pitches: &[Pitch]) -> usize {
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
pub fn lay_out(plan: &Plan, notes: &[Slot], law: ControlLaw) -> Result<Vec<Laid>, Failure> {
    let measuring: Vec<(u16, &Stage)> = (0..)
        .zip(&plan.stages)
        .filter(|(_, stage)| {
            matches!(
                stage,
                Stage::Rounds(_) | Stage::Sweep(_) | Stage::Alternate(_)
            )
        })
        .collect();
    let names: Vec<&str> = measuring.iter().map(|(_, stage)| stage.name()).collect();
    let stage_of = |slot: &Slot| -> Result<u16, Failure> {
        match (&slot.stage, measuring.as_slice()) {
            (_, []) => Err(Failure::input(format!(
                "the plan \"{}\" has no stage that a table of notes can belong to (rounds, sweep or alternate)",
                plan.title
            ))),
            (Some(wanted), _) => measuring
                .iter()
                .find(|(_, stage)| stage.name() == wanted)
                .map(|(index, _)| *index)
                .ok_or_else(|| {
                    Failure::input(format!(
                        "{}: the plan \"{}\" has no measuring stage \"{wanted}\"; it has {}",
                        slot.place,
                        plan.title,
                        names.join(", ")
                    ))
                }),
            (None, [(index, _)]) => Ok(*index),
            (None, _) => Err(Failure::input(format!(
                "{}: the plan \"{}\" has several stages ({}), so the table needs a column stage that says to which each note belongs",
                slot.place,
                plan.title,
                names.join(", ")
            ))),
        }
    };
    let stages = notes
        .iter()
        .map(stage_of)
        .collect::<Result<Vec<u16>, _>>()?;
    let mut laid = Vec::with_capacity(notes.len());
    let mut from = 0;
    let mut done: Vec<u16> = Vec::new();
    while from < notes.len() {
        let stage = stages[from];
        if done.contains(&stage) {
            return Err(Failure::input(format!(
                "{}: the notes of stage \"{}\" do not stand together",
                notes[from].place,
                plan.stages[usize::from(stage)].name()
            )));
        }
        done.push(stage);
        let count = stages[from..]
            .iter()
            .take_while(|other| **other == stage)
            .count();
        let pitches: Vec<Pitch> = notes[from..from + count]
            .iter()
            .map(|slot| slot.asked.pitch(plan.pitch, law))
            .collect();
        let length = period(&pitches);
        for place in 0..count {
            let (Ok(round), Ok(slot)) =
                (u32::try_from(place / length), u16::try_from(place % length))
            else {
                return Err(Failure::input(format!(
                    "{}: more than {} different notes in a row cannot be one round",
                    notes[from].place,
                    u16::MAX
                )));
            };
            laid.push(Laid { stage, round, slot });
        }
        from += count;
    }
    Ok(laid)
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
