//! The rig and the plan that are written for an imported recording.

use crate::import::{Source, position};
use crate::notes::number;
use crate::rounds::period;
use crate::{NotesError, Recording};
use model::document::rig::Law;
use model::pitch::{AskedNote, Note, Pitch, PitchStandard};
use std::fmt::Write as _;
use std::io::BufRead;

/// A text as YAML takes it, whatever is in it.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

/// The rig of a recording: what is known of where it was made.
pub(crate) fn rig_text<R: BufRead>(recording: &Recording<R>, source: &Source) -> String {
    let lasts = recording.lasts().unwrap_or_else(|| source.notes_end());
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
    let _ = writeln!(text, "    rate: {} Hz", recording.rate().get());
    let _ = writeln!(text, "    channels: {}", recording.channels());
    let _ = writeln!(text, "    lasts: {} s", number(lasts.get()));
    let _ = writeln!(text, "    notes_from: {}", quoted(&source.notes_from));
    let law = match &source.law {
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
    for channel in &source.channels {
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
pub(crate) fn plan_text(
    source: &Source,
    reference: Option<&AskedNote>,
) -> Result<String, NotesError> {
    let notes = &source.notes;
    let law = source.law.control_law();
    let standard = PitchStandard::default();
    let pitches: Vec<Pitch> = notes
        .iter()
        .map(|slot| slot.asked.pitch(standard, law))
        .collect();
    if let Some(slot) = notes.iter().find(|slot| slot.stage.is_some()) {
        return Err(NotesError::StageWithoutPlan {
            place: slot.place.clone(),
        });
    }
    let middle_c = Note::from_number(60).pitch();
    let far = |pitch: Pitch| pitch.cents_from(middle_c).abs().get();
    let nearest = notes
        .iter()
        .zip(&pitches)
        .min_by(|(_, a), (_, b)| far(**a).total_cmp(&far(**b)))
        .map(|(slot, _)| &slot.asked);
    let reference = reference.or(nearest).ok_or(NotesError::None)?;
    let length = period(&pitches);
    let shortest = notes
        .iter()
        .map(|slot| slot.lasts)
        .fold(f64::INFINITY, f64::min);
    let half = number((shortest / 2.0).clamp(0.05, 2.0));
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
        "listen:\n  settle: {{until_steady: {{within: 1 cent, at_most: {half} s}}}}\n  window: {{fixed: {half} s}}"
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
