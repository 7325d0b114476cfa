//! Whether what was heard is what was played. A bare oscillator never falls
//! silent, so a note counts as played only when the pitch left the old note and
//! arrived the asked interval away.

use model::pitch::Pitch;
use model::quantity::{Cents, Hertz};
use model::record::{Flag, Measured, PositionId, Reading, RunRecord, State, Trace};
use model::time::RunTime;
use std::collections::BTreeMap;

/// Below this interval between two notes, "it did not move" cannot be told from
/// "it moved, a little off".
const SMALLEST_MOVE: Cents = Cents::of(50.0);

/// How far the interval heard may be from the one asked before the reading says
/// so: half a semitone, and a twentieth of the interval for a badly trimmed unit.
const INTERVAL_SLACK: Cents = Cents::of(50.0);
const INTERVAL_SLACK_SHARE: f64 = 0.05;

/// Two free-running oscillators do not agree this well twice in a row.
pub(crate) const LOCKED_WITHIN: Cents = Cents::of(0.005);

/// What each position was last heard to play, and what had been asked of it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Heard {
    notes: BTreeMap<PositionId, (Pitch, Hertz)>,
    /// Pairs of positions that agreed too well on the last note, with its pitch, and
    /// whether they had on another one before it.
    agreed: BTreeMap<(PositionId, PositionId), (Pitch, bool)>,
}

/// What comes of comparing a frequency with the note before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Move {
    /// As asked, or nothing is known of the note before.
    Fits,
    /// The pitch stayed where it was, or went the wrong way.
    Stayed,
    /// The pitch moved, but not by what was asked.
    Astray,
}

impl Heard {
    /// What was last heard in a run that is taken up again.
    pub(crate) fn of(record: &RunRecord) -> Self {
        let mut heard = Self::default();
        // Readings of one note were committed together.
        let mut rest = record.readings.as_slice();
        let mut last: BTreeMap<PositionId, RunTime> = BTreeMap::new();
        while let Some(first) = rest.first() {
            let together = rest
                .iter()
                .take_while(|other| other.played == first.played)
                .count();
            let (notes, later) = rest.split_at(together.max(1));
            heard.flag_locked(&mut notes.to_vec());
            for reading in notes {
                heard.remember(reading);
                last.insert(reading.key.position.clone(), reading.at);
            }
            rest = later;
        }
        for trace in &record.traces {
            if last.get(&trace.position).is_none_or(|at| *at < trace.at) {
                heard.remember_trace(trace);
            }
        }
        heard
    }

    /// Compares a frequency with what the position was heard to play before.
    pub(crate) fn compare(&self, position: &PositionId, asked: Pitch, frequency: Hertz) -> Move {
        let Some((old, old_frequency)) = self.notes.get(position) else {
            return Move::Fits;
        };
        let asked = asked.cents_from(*old);
        let moved = frequency.cents_from(*old_frequency);
        if asked.abs() >= SMALLEST_MOVE && moved / asked < 0.5 {
            return Move::Stayed;
        }
        let slack = INTERVAL_SLACK + asked.abs() * INTERVAL_SLACK_SHARE;
        if (moved - asked).abs() > slack {
            Move::Astray
        } else {
            Move::Fits
        }
    }

    /// Whether a note has left the one before it; without a frequency nothing says so.
    pub(crate) fn has_arrived(
        &self,
        position: &PositionId,
        asked: Pitch,
        frequency: Option<Hertz>,
    ) -> bool {
        frequency.is_some_and(|frequency| self.compare(position, asked, frequency) != Move::Stayed)
    }

    /// Marks a measurement with what the comparison says.
    pub(crate) fn judge(&self, position: &PositionId, asked: Pitch, measured: &mut Measured) {
        let Some(frequency) = measured.frequency else {
            return;
        };
        match self.compare(position, asked, frequency) {
            Move::Fits => {}
            Move::Stayed => measured.state = State::NotPlayed,
            Move::Astray => measured.flags.insert(Flag::WrongInterval),
        }
    }

    /// Remembers a reading.
    pub(crate) fn remember(&mut self, reading: &Reading) {
        if reading.measured.state == State::Ok {
            self.remember_note(
                &reading.key.position,
                reading.asked,
                reading.measured.frequency,
            );
        }
    }

    /// Remembers the end of a piece of a hold.
    pub(crate) fn remember_trace(&mut self, trace: &Trace) {
        let last = trace.points.last().and_then(|point| point.frequency);
        self.remember_note(&trace.position, trace.asked, last);
    }

    /// Remembers a frequency that was heard where `asked` was played.
    pub(crate) fn remember_note(
        &mut self,
        position: &PositionId,
        asked: Pitch,
        frequency: Option<Hertz>,
    ) {
        if let Some(frequency) = frequency {
            self.notes.insert(position.clone(), (asked, frequency));
        }
    }

    /// Flags readings of one note, taken together, of units that agree too well
    /// for the second note running: units locked to each other over the supply.
    pub(crate) fn flag_locked(&mut self, readings: &mut [Reading]) {
        for first in 0..readings.len() {
            for second in first + 1..readings.len() {
                let (a, b) = (&readings[first], &readings[second]);
                let pair = (a.key.position.clone(), b.key.position.clone());
                let (Some(one), Some(other)) = (a.measured.frequency, b.measured.frequency) else {
                    self.agreed.remove(&pair);
                    continue;
                };
                let pitch = a.asked;
                if one.cents_from(other).abs() > LOCKED_WITHIN {
                    self.agreed.remove(&pair);
                    continue;
                }
                // The same note again, as where one round ends and the next begins, is no
                // second one, and no reason to believe that they are free again.
                let twice = self
                    .agreed
                    .get(&pair)
                    .is_some_and(|(before, twice)| *twice || *before != pitch);
                self.agreed.insert(pair, (pitch, twice));
                if twice {
                    readings[first].measured.flags.insert(Flag::MaybeLocked);
                    readings[second].measured.flags.insert(Flag::MaybeLocked);
                }
            }
        }
    }
}

/// Whether a reading must be tried again: it cannot be used as it is.
pub(crate) fn is_bad(measured: &Measured, first_round: bool) -> bool {
    measured.state != State::Ok
        || measured.flags.contains(Flag::Xrun)
        // A badly trimmed unit is off by the same interval every time; one look
        // more in the first round is enough to tell it from a note gone astray.
        || (first_round && measured.flags.contains(Flag::WrongInterval))
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::pitch::Note;
    use model::pitch::PitchStandard;
    use model::record::Flags;

    fn pitch(number: i16) -> Pitch {
        Note::from_number(number).pitch()
    }

    fn heard(number: i16) -> Heard {
        let mut heard = Heard::default();
        let frequency = PitchStandard::default().frequency(pitch(number));
        heard.remember_note(&PositionId::new("left"), pitch(number), Some(frequency));
        heard
    }

    fn compare(heard: &Heard, asked: i16, sounds: f64) -> Move {
        let sounds = PitchStandard::default().frequency(Pitch::new(sounds).unwrap());
        heard.compare(&PositionId::new("left"), pitch(asked), sounds)
    }

    #[test]
    fn a_note_that_sounds_on_was_not_played() {
        let heard = heard(60);
        assert_eq!(compare(&heard, 72, 60.0), Move::Stayed);
        assert_eq!(compare(&heard, 72, 50.0), Move::Stayed);
        assert_eq!(compare(&heard, 72, 72.2), Move::Fits);
        assert_eq!(compare(&heard, 72, 76.0), Move::Astray);
        assert_eq!(compare(&heard, 60, 60.3), Move::Fits);
        assert_eq!(compare(&heard, 60, 61.0), Move::Astray);
        assert_eq!(compare(&Heard::default(), 72, 60.0), Move::Fits);
    }

    #[test]
    fn what_was_not_played_leaves_the_old_note_sounding() {
        let heard = heard(60);
        let mut measured = Measured {
            state: State::Ok,
            flags: Flags::NONE,
            frequency: Some(PitchStandard::default().frequency(pitch(60))),
            u: None,
            u_noise: None,
            level: None,
        };
        heard.judge(&PositionId::new("left"), pitch(72), &mut measured);
        assert_eq!(measured.state, State::NotPlayed);
        assert!(is_bad(&measured, false));
    }
}
