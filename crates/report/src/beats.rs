//! How fast the worst pair of octaves beats.

use crate::RunView;
use crate::numbers::plain;
use analysis::{StageAnalysis, UnitAnalysis};
use model::pitch::{Note, Pitch};

/// The name of a note: as the plan writes it, else by its note number.
pub(crate) fn note_name(view: &RunView<'_>, unit: &UnitAnalysis, asked: Pitch) -> String {
    if let Some(note) = unit.notes.iter().find(|note| note.asked == asked) {
        return note.name.clone();
    }
    let number = asked.note_number();
    if (number - number.round()).abs() < 1e-6 && (0.0..=131.0).contains(&number) {
        return Note::from_number(number.round() as i16).name().to_owned();
    }
    format!("{} Hz", plain(view.plan.pitch.frequency(asked).get()))
}

/// A pair of notes an octave apart and the beat between the second harmonic of
/// the lower and the fundamental of the upper.
pub(crate) struct Beat {
    lower: Pitch,
    upper: Pitch,
    hz: f64,
    u_hz: f64,
}

/// The pair of octaves in the profile that beats fastest: `|2 f_lower - f_upper|`.
/// Octaves on one unit share its offset, so the retuned profile serves. The
/// uncertainty takes the two notes as independent, which overstates it where the
/// rig's errors are shared.
pub(crate) fn fastest(view: &RunView<'_>, unit: &UnitAnalysis) -> Option<Beat> {
    let sounding = |asked: Pitch, cents: f64| {
        view.plan.pitch.frequency(asked).get() * (f64::from(unit.octaves) + cents / 1200.0).exp2()
    };
    let mut fastest: Option<Beat> = None;
    for lower in &unit.profile {
        for upper in &unit.profile {
            let interval = upper.asked.note_number() - lower.asked.note_number();
            if (interval - 12.0).abs() > 1e-6 {
                continue;
            }
            let hz = (2.0 * sounding(lower.asked, lower.cents)
                - sounding(upper.asked, upper.cents))
            .abs();
            // One cent is the fraction ln 2 / 1200.
            let u_hz = sounding(upper.asked, upper.cents) * std::f64::consts::LN_2 / 1200.0
                * lower.u.hypot(upper.u);
            if hz.is_finite() && fastest.as_ref().is_none_or(|kept| hz > kept.hz) {
                fastest = Some(Beat {
                    lower: lower.asked,
                    upper: upper.asked,
                    hz,
                    u_hz,
                });
            }
        }
    }
    fastest
}

/// The fastest beat in a sentence, where it can be told from none.
pub(crate) fn sentence(
    view: &RunView<'_>,
    stage: &StageAnalysis,
    unit: &UnitAnalysis,
) -> Option<String> {
    let beat = fastest(view, unit)?;
    let names = format!(
        "{} and {}",
        note_name(view, unit, beat.lower),
        note_name(view, unit, beat.upper)
    );
    if beat.hz < 2.0 * beat.u_hz {
        return None;
    }
    let rate = if beat.hz >= 0.095 {
        format!("{} times a second", plain_rate(beat.hz))
    } else {
        format!("once in {:.0} s", 1.0 / beat.hz)
    };
    Some(format!(
        "Of its octaves, {names} beat fastest: {rate} at the end of “{}”.",
        stage.name
    ))
}

fn plain_rate(hz: f64) -> String {
    if hz < 9.95 {
        format!("{hz:.1}")
    } else {
        format!("{hz:.0}")
    }
}
