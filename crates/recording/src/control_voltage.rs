//! Notes found in a control voltage that was recorded on a channel of its own, through
//! an input that lets steady voltages through.

use crate::notes::{Slot, number};
use crate::steps::StepFinder;
use crate::{Recording, RecordingError};
use model::pitch::{ControlLaw, PitchStandard};
use model::quantity::Volts;
use std::io::BufRead;

/// Why no notes can be found in a control voltage, in words that follow file and channel.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum ControlVoltageError {
    /// The input was at its limit.
    #[error(
        "the control voltage is at full scale ({} V) at {} s, so what it was there cannot be known; record it at a lower level and say the new --cv-full-scale",
        number(*.full_scale),
        number(*.at_s)
    )]
    FullScale {
        /// Where that is, in volts.
        full_scale: f64,
        /// When it first was there, in seconds.
        at_s: f64,
    },
    /// It never rests long enough for a note.
    #[error(
        "there is no stretch of a quarter of a second at one voltage (it moves between {low:.3} and {high:.3} V); is it the channel with the control voltage, without hum, and is its input DC-coupled? Behind a capacitor a voltage falls back after each step"
    )]
    NoRest {
        /// Its lowest voltage.
        low: f64,
        /// Its highest voltage.
        high: f64,
    },
    /// It rests at one voltage only.
    #[error(
        "the voltage rests nowhere but between {low:.3} and {high:.3} V; is it the channel with the control voltage, and is its input DC-coupled? Behind a capacitor a voltage falls back after each step"
    )]
    OneVoltage {
        /// The lowest voltage at which it rests.
        low: f64,
        /// The highest.
        high: f64,
    },
    /// Behind a capacitor: it goes back to nought after each step.
    #[error(
        "the voltage falls back after each step, as it does behind a capacitor; the control voltage must be recorded through a DC-coupled input"
    )]
    FallsBack,
    /// Behind a capacitor of minutes: it goes back while it rests.
    #[error(
        "the voltage falls back towards nought while it rests, by {:.1} % of itself and more in nearly every note, as it does behind a capacitor, so what it was meant to be cannot be known; the control voltage must be recorded through a DC-coupled input",
        .share * 100.0
    )]
    Sags {
        /// By which share of itself.
        share: f64,
    },
}

/// A channel that holds a control voltage, and how its notes are written.
#[derive(Debug, Clone, Copy)]
pub struct ControlVoltage {
    /// The channel, counted from 1.
    pub channel: u16,
    /// The voltage of a sample of 1.0.
    pub full_scale: Volts,
    /// Which pitch a voltage is.
    pub law: ControlLaw,
    /// Which frequency a pitch is.
    pub standard: PitchStandard,
}

impl ControlVoltage {
    /// Reads a recording to its end and finds the notes in it, in the order of time. While
    /// it reads it tells `reached` how many frames have been read, and how many there are:
    /// infinity where that is not known.
    ///
    /// # Errors
    /// What is wrong with the recording; or there is no control voltage, it goes beyond
    /// full scale, or it falls back as behind a capacitor.
    pub fn notes<R: BufRead>(
        &self,
        mut recording: Recording<R>,
        mut reached: impl FnMut(f64, f64),
    ) -> Result<Vec<Slot>, RecordingError> {
        let mut finder = StepFinder::new(recording.rate(), self.full_scale);
        let frames = recording.frames_left();
        let whole = frames.map_or(f64::INFINITY, |frames| frames as f64);
        let mut heard = 0.0;
        let mut piece = vec![Vec::new(); usize::from(recording.channels())];
        loop {
            for channel in &mut piece {
                channel.clear();
            }
            let got = recording.next(&mut piece)?;
            if got == 0 {
                break;
            }
            heard += got as f64;
            reached(heard, whole);
            if let Some(samples) = piece.get(usize::from(self.channel) - 1) {
                finder.push(samples);
            }
        }
        let file = recording.name();
        finder
            .finish(file, self.law, self.standard)
            .map_err(|wrong| RecordingError::ControlVoltage {
                file: file.to_owned(),
                channel: self.channel,
                wrong,
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wave;
    use model::pitch::{AskedNote, Note};
    use model::quantity::VoltsPerOctave;
    use std::io::Cursor;

    fn law() -> ControlLaw {
        ControlLaw::VoltsPerOctave {
            slope: VoltsPerOctave::of(1.0),
            zero_pitch: Note::from_number(24).pitch(),
            zero_voltage: Volts::of(0.0),
        }
    }

    /// In the second channel of a recording of two, as 32 bit floats.
    fn find(voltage: impl Fn(f64) -> f64) -> Result<Vec<Slot>, RecordingError> {
        let samples: Vec<f32> = (0..64_000)
            .flat_map(|n| {
                let noise = f64::from((n * 7919) % 101) / 101.0 - 0.5;
                let volts = (voltage(f64::from(n) / 8_000.0) / 10.0 + noise * 1e-3) as f32;
                [0.0, volts]
            })
            .collect();
        let bytes = wave::float32(2, 8_000, &samples);
        let length = Some(bytes.len() as u64);
        let recording = Recording::new("take.wav".to_owned(), Cursor::new(bytes), length).unwrap();
        let cv = ControlVoltage {
            channel: 2,
            full_scale: Volts::of(10.0),
            law: law(),
            standard: PitchStandard::default(),
        };
        cv.notes(recording, |_, _| {})
    }

    #[test]
    fn steps_are_found_with_their_voltages() {
        // C4, a note between the notes, C4 again a little off, with a glide of 50 ms.
        let slots = find(|t| match t {
            t if t < 2.0 => 3.0,
            t if t < 2.05 => 3.0 + (t - 2.0) * 20.0 * 1.237,
            t if t < 5.0 => 4.237,
            _ => 3.002,
        })
        .unwrap();
        assert_eq!(slots.len(), 3);
        assert_eq!(slots[0].asked, AskedNote::Named(Note::from_number(60)));
        assert_eq!(slots[1].asked, AskedNote::Voltage(Volts::of(4.237)));
        assert_eq!(slots[2].asked, slots[0].asked);
        assert!((slots[1].start - 2.06).abs() < 0.02, "{:?}", slots[1]);
        assert!((slots[1].end() - 5.0).abs() < 0.02);
        assert!((slots[2].measured.unwrap().get() - 3.002).abs() < 2e-4);
    }

    #[test]
    fn no_control_voltage_is_an_error_that_says_what_to_look_at() {
        let said = find(|_| 0.0).unwrap_err().to_string();
        assert!(
            said.contains("take.wav, channel 2") && said.contains("DC-coupled"),
            "{said}"
        );
        let said = find(|t| if t < 2.0 { 3.0 } else { 10.5 })
            .unwrap_err()
            .to_string();
        assert!(said.contains("full scale"), "{said}");
        // Behind capacitors, quick and slow.
        for slowness in [0.2, 3.0, 25.0f64] {
            let said = find(|t| {
                let since = t % 2.0;
                let rising = ((t / 2.0) as u32).is_multiple_of(2);
                let step = if rising { 1.0 } else { -1.0 };
                2.0 * step * (-since / slowness).exp()
            })
            .unwrap_err()
            .to_string();
            assert!(said.contains("capacitor"), "{slowness}: {said}");
        }
        // Behind one of minutes, from the first sample on: what is left of each step, and
        // what the steps before it have left.
        for slowness in [8.0, 20.0, 100.0f64] {
            let steps = [3.0, 2.0, 4.0, 5.0];
            let said = find(|t| {
                (0..4)
                    .map(|n| {
                        (
                            2.0 * f64::from(n),
                            if n == 0 {
                                0.0
                            } else {
                                steps[n as usize] - steps[n as usize - 1]
                            },
                        )
                    })
                    .filter(|(at, _)| *at <= t)
                    .map(|(at, step)| step * (-(t - at) / slowness).exp())
                    .sum::<f64>()
            })
            .unwrap_err()
            .to_string();
            assert!(said.contains("capacitor"), "{slowness}: {said}");
        }
        // A drift of a millivolt a second is none.
        let steps = [3.0, 2.0, 4.0, 5.0];
        assert!(find(|t| steps[(t / 2.0) as usize % 4] - 1e-3 * t).is_ok());
        let said = find(|t| 3.0 + (t * 5.0).sin()).unwrap_err().to_string();
        assert!(said.contains("no stretch"), "{said}");
    }
}
