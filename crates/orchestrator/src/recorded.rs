//! Notes in a recording that was made elsewhere: a capture that holds the samples of one
//! note, listened to as a session listens to a note that it plays.

use crate::ear::Ear;
use crate::judge::Heard;
use crate::listening::Sent;
use model::document::plan::{Listen, Settle, WindowLength};
use model::pitch::{Pitch, PitchStandard};
use model::port::{Capture, CaptureError, Window};
use model::quantity::{Fraction, Seconds};
use model::record::{Measured, PositionId, Reading};
use model::time::{Epoch, HostTime, SampleRate, SampleTime, Span, Stop, Timeline};

/// Listens to notes that are in memory, one after the other.
pub struct RecordedEar {
    ear: Ear<HeldNote>,
    standard: PitchStandard,
    heard: Heard,
}

/// What was heard of a note.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedNote {
    /// Where the window begins, in frames after the note's beginning.
    pub begins: u64,
    /// How many frames it has.
    pub frames: u64,
    /// What was measured of each position, in their order.
    pub measured: Vec<(PositionId, Measured)>,
}

impl RecordedEar {
    /// An ear for samples of some positions at this rate.
    #[must_use]
    pub fn new(rate: SampleRate, standard: PitchStandard, positions: &[PositionId]) -> Self {
        let channels = positions.iter().cloned().map(|id| (id, Vec::new()));
        let capture = HeldNote {
            rate,
            channels: channels.collect(),
        };
        Self {
            ear: Ear::new(Box::new(capture)),
            standard,
            heard: Heard::default(),
        }
    }

    /// Listens to the samples of one note, from where it was played to where the next one
    /// may begin: of each position as many, in the order of the positions. What has not
    /// settled is left out, and the window is as long, as `listen` says. Where the samples
    /// end before that, the last third of them is measured and flagged.
    ///
    /// # Errors
    /// When the positions have not as many samples as each other.
    pub fn note(
        &mut self,
        asked: Pitch,
        samples: &[Vec<f32>],
        listen: &Listen,
    ) -> Result<RecordedNote, CaptureError> {
        for ((_, held), samples) in self.ear.capture.channels.iter_mut().zip(samples) {
            held.clone_from(samples);
        }
        let held = &self.ear.capture;
        let (rate, frames) = (held.rate, held.frames());
        let positions: Vec<PositionId> = held.channels.iter().map(|(id, _)| id.clone()).collect();
        let targets: Vec<(PositionId, Pitch)> =
            positions.iter().map(|id| (id.clone(), asked)).collect();
        let sent = Sent {
            targets: &targets,
            at: HostTime::from_nanoseconds(0),
            standard: self.standard,
            heard: &self.heard,
        };
        let stop = Stop::new();
        let least = rate.frames(sent.glimpse());
        // A look that is begun is finished, and a window as long must follow it.
        let latest = rate.duration(frames.saturating_sub(2 * least));
        let settle = match &listen.settle {
            Settle::UntilSteady { within, at_most } if *at_most > latest => Settle::UntilSteady {
                within: *within,
                at_most: latest,
            },
            settle => settle.clone(),
        };
        let cut_short = settle != listen.settle;
        let heard_out = match &settle {
            Settle::UntilSteady { .. } if latest <= Seconds::ZERO => None,
            settle => Some(self.ear.settle(&sent, settle, &stop)?),
        };
        let last_third = span(frames - frames / 3, 0);
        let (before, unsettled) = match heard_out {
            Some((_, unsettled)) if cut_short && !unsettled.is_empty() => (last_third, unsettled),
            Some((before, unsettled)) if before.start.index + least <= frames => {
                (before, unsettled)
            }
            _ => (last_third, positions),
        };
        let left = rate.duration(frames - before.start.index);
        let shorter = |one: Seconds| if one < left { one } else { left };
        let window = match listen.window {
            WindowLength::Fixed(length) => WindowLength::Fixed(shorter(length)),
            WindowLength::UntilUncertainty { reaches, at_most } => {
                let at_most = shorter(at_most);
                WindowLength::UntilUncertainty { reaches, at_most }
            }
        };
        let (window, mut measured) = self.ear.listen(before, &window, &stop)?;
        sent.judge(&mut measured, &unsettled);
        Ok(RecordedNote {
            begins: window.start.index,
            frames: window.frames,
            measured,
        })
    }

    /// Remembers a reading: the next note is held against it.
    pub fn remember(&mut self, reading: &Reading) {
        self.heard.remember(reading);
    }

    /// Flags readings of one note, taken together, of units that agree too well.
    pub fn flag_locked(&mut self, readings: &mut [Reading]) {
        self.heard.flag_locked(readings);
    }
}

fn span(index: u64, frames: u64) -> Span {
    Span {
        start: SampleTime {
            epoch: Epoch(0),
            index,
        },
        frames,
    }
}

/// The samples of one note as a capture: frame 0 is where it was played.
struct HeldNote {
    rate: SampleRate,
    channels: Vec<(PositionId, Vec<f32>)>,
}

impl HeldNote {
    /// How many frames there are of every position.
    fn frames(&self) -> u64 {
        let lengths = self.channels.iter().map(|(_, samples)| samples.len());
        lengths.min().unwrap_or(0) as u64
    }
}

impl Capture for HeldNote {
    fn timeline(&self) -> Timeline {
        Timeline {
            anchor: (span(0, 0).start, HostTime::from_nanoseconds(0)),
            rate: self.rate,
            rate_error: Fraction::of(0.0),
            jitter: Seconds::ZERO,
        }
    }

    fn read(&mut self, span: Span, _: &Stop) -> Result<Window<'_>, CaptureError> {
        let (from, to) = (span.start.index, span.start.index + span.frames);
        if to > self.frames() {
            return Err(CaptureError::Stalled {
                device: "the recording".to_owned(),
                detail: format!("a note of it has {} frames, not {to}", self.frames()),
            });
        }
        let piece = from as usize..to as usize;
        let channels = self.channels.iter();
        Ok(Window {
            span,
            channels: channels
                .map(|(id, samples)| (id.clone(), &samples[piece.clone()]))
                .collect(),
            doubts: Vec::new(),
        })
    }

    fn reopen(&mut self) -> Result<Epoch, CaptureError> {
        Ok(Epoch(0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::pitch::Note;
    use model::quantity::{Cents, Hertz};
    use model::record::{Flag, State};
    use std::f64::consts::TAU;

    const RATE: f64 = 48_000.0;

    /// A second and a half at 440 Hz, from an octave below with a time constant.
    fn tone(glide: f64) -> Vec<f32> {
        let hiss = |n: u32| {
            let bits = n.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let bits = (bits ^ (bits >> 13)).wrapping_mul(0x5bd1_e995);
            ((bits >> 8) as f32 / 16_777_216.0 - 0.5) * 2e-3
        };
        let mut phase = 0.0f64;
        (0..72_000)
            .map(|n| {
                let t = f64::from(n) / RATE;
                phase += 440.0 * (-(-t / glide).exp()).exp2() / RATE;
                let partials =
                    (1..6).map(|h| 0.1 / f64::from(h) * (TAU * phase * f64::from(h)).sin());
                partials.sum::<f64>() as f32 + hiss(n)
            })
            .collect()
    }

    fn hear(samples: &[f32], listen: &Listen) -> (u64, u64, Measured) {
        let rate = SampleRate::new(Hertz::of(RATE)).unwrap();
        let position = PositionId::new("channel-1");
        let mut ear = RecordedEar::new(rate, PitchStandard::default(), &[position]);
        let asked = Note::from_number(69).pitch();
        let mut heard = ear.note(asked, &[samples.to_vec()], listen).unwrap();
        let (_, measured) = heard.measured.remove(0);
        (heard.begins, heard.frames, measured)
    }

    #[test]
    fn the_part_that_glides_is_left_out() {
        let samples = tone(0.08);
        let listen = Listen {
            window: WindowLength::Fixed(Seconds::of(0.5)),
            ..Listen::default()
        };
        let (begins, frames, measured) = hear(&samples, &listen);
        assert_eq!((measured.state, frames), (State::Ok, 24_000));
        assert!(measured.flags.is_empty(), "{measured:?}");
        let cents = measured.frequency.unwrap().cents_from(Hertz::of(440.0));
        assert!(cents.abs() < Cents::of(1.0), "{cents}");
        // 30 ms under way, then looks of 60 ms each, as in a session.
        assert_eq!((begins - 1440) % 2880, 0, "{begins}");
        // A slot that ends before the note is at rest says so.
        let (_, _, measured) = hear(&samples[..9_000], &listen);
        assert!(measured.flags.contains(Flag::Unsettled));
        let (begins, frames, measured) = hear(&samples[..4_000], &listen);
        assert_eq!((begins, frames), (2667, 1333));
        assert!(measured.flags.contains(Flag::Unsettled));
        assert_eq!(hear(&[], &listen).1, 0);
        // A fixed time to settle that the slot does not have.
        let fixed = Listen {
            settle: Settle::Fixed(Seconds::of(2.0)),
            ..listen
        };
        assert!(hear(&samples, &fixed).2.flags.contains(Flag::Unsettled));
    }

    #[test]
    fn a_window_is_as_long_as_its_uncertainty_needs() {
        let samples = tone(1e-3);
        let until = |reaches: f64| Listen {
            window: WindowLength::UntilUncertainty {
                reaches: Cents::of(reaches),
                at_most: Seconds::of(4.0),
            },
            ..Listen::default()
        };
        // A quarter of a second is the first try.
        let (_, frames, measured) = hear(&samples, &until(1.0));
        assert_eq!(frames, 12_000, "{measured:?}");
        // Half of that uncertainty takes longer, and not as long as there is.
        let u = measured.u.unwrap().cents_at(measured.frequency.unwrap());
        let half = until(u.get() / 2.0);
        let (begins, frames, measured) = hear(&samples, &half);
        assert!(frames > 14_000, "{frames} {measured:?}");
        assert!(begins + frames < samples.len() as u64, "{frames}");
        assert!(measured.flags.is_empty(), "{measured:?}");
        // The slot ends before: that it will not do is seen at the first try.
        for (left, heard) in [(13_000, 12_000), (10_000, 10_000)] {
            let (_, frames, measured) = hear(&samples[..begins as usize + left], &half);
            assert_eq!(frames, heard);
            assert!(measured.flags.contains(Flag::UncertaintyNotReached));
        }
    }
}
