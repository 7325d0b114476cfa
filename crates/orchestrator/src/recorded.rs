//! Notes in a recording that was made elsewhere: the same settling and the same judgement
//! as of a note that is played, and the longest window that the plan allows.

use crate::ear::glimpse_length;
use crate::judge::Heard;
use meter::{Meter, SettlingCurve, Steadiness};
use model::document::plan::{Listen, Settle};
use model::pitch::{Pitch, PitchStandard};
use model::quantity::Cents;
use model::record::{Flag, Measured, PositionId, Reading};
use model::time::SampleRate;

/// Listens to notes that are in memory, one after the other.
#[derive(Debug)]
pub struct RecordedEar {
    meter: Meter,
    rate: SampleRate,
    standard: PitchStandard,
    heard: Heard,
}

/// What was heard of a note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecordedNote {
    /// Where the window begins, in frames after the note's beginning.
    pub begins: u64,
    /// How many frames it has.
    pub frames: u64,
    /// What was measured.
    pub measured: Measured,
}

impl RecordedEar {
    /// An ear for samples at this rate.
    #[must_use]
    pub fn new(rate: SampleRate, standard: PitchStandard) -> Self {
        Self {
            meter: Meter::new(rate),
            rate,
            standard,
            heard: Heard::default(),
        }
    }

    /// Listens to the samples of one note, from where it was played to where the next one
    /// may begin. What has not settled is left out, as `listen` says; where the samples end
    /// first, the last third of them is measured and flagged.
    pub fn note(
        &mut self,
        position: &PositionId,
        asked: Pitch,
        samples: &[f32],
        listen: &Listen,
    ) -> RecordedNote {
        let (begins, settled) = match listen.settle {
            Settle::Fixed(time) => (self.rate.frames(time) as usize, true),
            Settle::UntilSteady { within, at_most } => {
                let latest = self.rate.frames(at_most) as usize;
                self.steady(position, asked, samples, within, latest)
            }
        };
        let least = self.glimpse(asked);
        let (begins, settled) = if begins + least <= samples.len() {
            (begins, settled)
        } else {
            (samples.len() - samples.len() / 3, false)
        };
        let longest = self.rate.frames(listen.window.longest()) as usize;
        let end = samples.len().min(begins + longest);
        let window = &samples[begins..end];
        let mut measured = self.meter.estimate(window).measured();
        if !settled {
            measured.flags.insert(Flag::Unsettled);
        }
        self.heard.judge(position, asked, &mut measured);
        RecordedNote {
            begins: begins as u64,
            frames: window.len() as u64,
            measured,
        }
    }

    /// Remembers a reading: the next note is held against it.
    pub fn remember(&mut self, reading: &Reading) {
        self.heard.remember(reading);
    }

    /// Flags readings of one note, taken together, of units that agree too well.
    pub fn flag_locked(&mut self, readings: &mut [Reading]) {
        self.heard.flag_locked(readings);
    }

    fn glimpse(&self, asked: Pitch) -> usize {
        let length = glimpse_length(std::iter::once(self.standard.frequency(asked)));
        self.rate.frames(length) as usize
    }

    /// Where the note has settled, and whether it has at all.
    fn steady(
        &mut self,
        position: &PositionId,
        asked: Pitch,
        samples: &[f32],
        within: Cents,
        latest: usize,
    ) -> (usize, bool) {
        let frames = self.glimpse(asked);
        let mut curve = SettlingCurve::new();
        let mut before = None;
        let mut at = 0;
        while at < latest {
            let Some(piece) = samples.get(at..at + frames) else {
                return (at, false);
            };
            let seen = self.meter.glimpse(piece, before);
            before = seen.frequency;
            curve.push(&seen.measured());
            at += frames;
            let arrived = self.heard.has_arrived(position, asked, seen.frequency);
            if arrived && curve.steadiness(within) == Steadiness::Steady {
                return (at, true);
            }
        }
        (at, false)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::document::plan::WindowLength;
    use model::pitch::Note;
    use model::quantity::{Hertz, Seconds};
    use model::record::State;
    use std::f64::consts::TAU;

    #[test]
    fn the_part_that_glides_is_left_out() {
        let rate = SampleRate::new(Hertz::of(48_000.0)).unwrap();
        let standard = PitchStandard::default();
        let asked = Note::from_number(69).pitch();
        // From an octave below with a time constant of 80 ms to 440 Hz.
        let mut phase = 0.0f64;
        let samples: Vec<f32> = (0..72_000)
            .map(|n| {
                let t = f64::from(n) / 48_000.0;
                phase += 440.0 * (-(-t / 0.08).exp()).exp2() / 48_000.0;
                (1..6)
                    .map(|h| 0.1 / f64::from(h) * (TAU * phase * f64::from(h)).sin())
                    .sum::<f64>() as f32
            })
            .collect();
        let listen = Listen {
            window: WindowLength::Fixed(Seconds::of(0.5)),
            ..Listen::default()
        };
        let mut ear = RecordedEar::new(rate, standard);
        let position = PositionId::new("channel-1");
        let heard = ear.note(&position, asked, &samples, &listen);
        assert_eq!(heard.measured.state, State::Ok);
        assert!(heard.measured.flags.is_empty(), "{:?}", heard.measured);
        let cents = heard
            .measured
            .frequency
            .unwrap()
            .cents_from(Hertz::of(440.0));
        assert!(cents.abs() < Cents::of(1.0), "{cents}");
        // A slot that ends before the note is at rest says so.
        let heard = ear.note(&position, asked, &samples[..9_000], &listen);
        assert!(heard.measured.flags.contains(Flag::Unsettled));
        assert!(ear.note(&position, asked, &[], &listen).frames == 0);
    }
}
