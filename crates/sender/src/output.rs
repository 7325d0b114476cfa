//! One output of a sender: what it may send, and where it stands.

use crate::midi::{self, Aim, Bend, BendRange, Channel, Message};
use model::document::rig::SafeRange;
use model::pitch::{ControlLaw, Pitch, PitchStandard};
use model::quantity::Volts;

/// Differences below this are rounding of the arithmetic, not volts: a pitch
/// exactly at the end of the safe range must be playable.
const ROUNDING_V: f64 = 1e-9;

/// An output, and all positions that hang on it.
#[derive(Debug)]
pub(crate) struct Output {
    pub law: ControlLaw,
    /// What all of its positions allow.
    pub safe: SafeRange,
    pub standard: PitchStandard,
    /// The note that is held.
    pub held: Option<u8>,
    /// The note whose voltage still stands: interfaces keep it after note off.
    pub standing: Option<u8>,
    pub bend: Bend,
}

impl Output {
    pub fn voltage(&self, pitch: Pitch) -> Volts {
        self.law.voltage(pitch, self.standard)
    }

    /// Whether a voltage may be sent, apart from rounding.
    pub fn allows(&self, voltage: Volts) -> bool {
        voltage.get() >= self.safe.from.get() - ROUNDING_V
            && voltage.get() <= self.safe.to.get() + ROUNDING_V
    }

    fn allows_aim(&self, aim: Aim, range: BendRange) -> bool {
        self.allows(self.voltage(aim.pitch(range)))
    }

    /// The note and bend nearest to a pitch that stay in the safe range.
    ///
    /// The note is the nearest one whose own voltage is safe, so that the control
    /// voltage stays safe too when the bend returns to its centre at the end.
    ///
    /// # Errors
    /// What is wrong, for a message.
    pub fn aim(&self, pitch: Pitch, range: BendRange) -> Result<Aim, String> {
        let nearest = pitch.note_number().round();
        if !(0.0..=127.0).contains(&nearest) {
            return Err(format!(
                "note number {:.2} is outside the notes of MIDI, 0 to 127",
                pitch.note_number()
            ));
        }
        // The next note towards the pitch's other side is the only other candidate.
        let other = if pitch.note_number() < nearest {
            nearest - 1.0
        } else {
            nearest + 1.0
        };
        for note in [nearest, other] {
            if !(0.0..=127.0).contains(&note) {
                continue;
            }
            let note = note as u8;
            let plain = Aim {
                note,
                bend: Bend::CENTRE,
            };
            if !self.allows_aim(plain, range) {
                continue;
            }
            let bend = range.bend(pitch.cents_from(midi::note_pitch(note)));
            // The nearest step may lie just outside the range; its neighbour
            // towards the middle does not.
            let inwards = bend.step(self.voltage(Aim { note, bend }.pitch(range)) < self.safe.from);
            for bend in [bend, inwards] {
                let aim = Aim { note, bend };
                if self.allows_aim(aim, range) {
                    return Ok(aim);
                }
            }
        }
        Err(format!(
            "no note within reach of note number {:.2} has a voltage inside {} to {}",
            pitch.note_number(),
            self.safe.from,
            self.safe.to
        ))
    }

    /// The messages that take this output to `aim`.
    ///
    /// The old note goes first, so that an interface with a single voice never
    /// sees two (some would return to the older one later). Then the bend, then
    /// the note: the gate opens on the right pitch, and what stands at the end
    /// depends on the note, which comes last, and on the bend, which a channel
    /// keeps whether or not a note sounds. In between the old voltage is bent for
    /// a millisecond. Where that would leave the safe range the bend returns to
    /// its centre first and is sent after the note.
    ///
    /// A bend that is and stays at its centre is not sent again, to spare the
    /// line 1 ms; any other is, and so repairs an interface that forgot it.
    pub fn messages(&self, channel: Channel, aim: Aim, range: BendRange) -> Vec<Message> {
        let mut messages = Vec::with_capacity(4);
        if let Some(old) = self.held {
            messages.push(midi::note_off(channel, old));
        }
        let bent = self.standing.is_none_or(|note| {
            self.allows_aim(
                Aim {
                    note,
                    bend: aim.bend,
                },
                range,
            )
        });
        let unbent = self.bend == Bend::CENTRE && aim.bend == Bend::CENTRE;
        let on = midi::note_on(channel, aim.note);
        match (unbent, bent) {
            (true, _) => messages.push(on),
            (false, true) => messages.extend([midi::pitch_bend(channel, aim.bend), on]),
            (false, false) => messages.extend([
                midi::pitch_bend(channel, Bend::CENTRE),
                on,
                midi::pitch_bend(channel, aim.bend),
            ]),
        }
        messages
    }

    /// A voltage without the rounding that put it outside the safe range.
    pub fn clamped(&self, voltage: Volts) -> Volts {
        Volts::of(
            voltage
                .get()
                .clamp(self.safe.from.get(), self.safe.to.get()),
        )
    }

    /// The voltage to rest at: nought where that is safe, else the end nearest to it.
    pub fn rest(&self) -> Volts {
        Volts::of(0.0_f64.clamp(self.safe.from.get(), self.safe.to.get()))
    }
}
