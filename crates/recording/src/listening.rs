//! Listening to a recording note by note, as a session listens to what it plays.

use crate::import::{Import, position};
use crate::notes::Slot;
use crate::{Recording, RecordingError};
use model::document::plan::Listen;
use model::quantity::{Seconds, VoltDifference};
use model::record::{Conditions, PositionId, Reading, ReadingKey};
use model::time::RunTime;
use orchestrator::RecordedEar;
use std::io::BufRead;

/// The next note may begin a little before its time, seconds.
const BEFORE_NEXT: f64 = 0.02;

impl Import {
    /// Measures every note of every channel that holds a unit. On the way it tells `reached`
    /// how many seconds of the recording it has come to, and how many there are.
    ///
    /// # Errors
    /// What is wrong with the recording; a note that lasts longer than it does.
    pub fn listen<R: BufRead>(
        &self,
        recording: Recording<R>,
        mut reached: impl FnMut(f64, f64),
    ) -> Result<Vec<Reading>, RecordingError> {
        let (plan, law) = (&self.plan, self.source.law.control_law());
        let (notes, channels) = (&self.source.notes, &self.source.channels);
        let rate = recording.rate();
        let frames = |seconds: f64| (seconds.max(0.0) * rate.get()).round() as u64;
        let end = self.source.notes_end().get();
        let positions: Vec<PositionId> = channels.iter().copied().map(position).collect();
        let mut ear = RecordedEar::new(rate, plan.pitch, &positions);
        let mut readings = Vec::new();
        let mut stretches = Stretches::new(recording);
        let mut held: Vec<Vec<f32>> = vec![Vec::new(); channels.len()];
        for (slot, laid) in notes.iter().zip(&self.laid) {
            let listen = plan.stages[usize::from(laid.stage)].listen(plan);
            let (from, to) = (
                frames(slot.start),
                frames(slot.start + listened(slot, listen)),
            );
            stretches.cut(from, to, notes, channels, &mut held)?;
            reached(slot.start, end);
            let asked = slot.asked.pitch(plan.pitch, law);
            let residue = slot.measured.map_or(VoltDifference::of(0.0), |measured| {
                law.voltage(asked, plan.pitch) - measured
            });
            let played = RunTime::START + Seconds::of(slot.start);
            let heard = ear.note(asked, &held, listen)?;
            let reading = |(position, measured)| Reading {
                key: ReadingKey {
                    stage: laid.stage,
                    round: laid.round,
                    slot: laid.slot,
                    repeat: 0,
                    attempt: 0,
                    position,
                },
                asked,
                residue,
                played,
                at: played + rate.duration(heard.begins),
                window: rate.duration(heard.frames),
                measured,
                conditions: Conditions::default(),
            };
            let mut together: Vec<Reading> = heard.measured.into_iter().map(reading).collect();
            ear.flag_locked(&mut together);
            for reading in &together {
                ear.remember(reading);
            }
            readings.extend(together);
        }
        Ok(readings)
    }
}

/// How much of a note can be needed at most, in seconds from its beginning.
fn listened(slot: &Slot, listen: &Listen) -> f64 {
    let longest = listen.settle.longest().get() + listen.window.longest().get() + 1.0;
    (slot.lasts - BEFORE_NEXT)
        .max(slot.lasts * 0.9)
        .min(longest)
}

/// Cuts stretches out of a recording, in the order of time.
struct Stretches<R> {
    recording: Recording<R>,
    /// What was read last, a vector for each channel.
    piece: Vec<Vec<f32>>,
    /// Its first frame, and the one after its last.
    from: u64,
    to: u64,
}

impl<R: BufRead> Stretches<R> {
    fn new(recording: Recording<R>) -> Self {
        Self {
            piece: vec![Vec::new(); usize::from(recording.channels())],
            recording,
            from: 0,
            to: 0,
        }
    }

    /// Puts the frames of a stretch into `held`, those of each of `channels` (from 1); fewer
    /// where the recording ends. Then none of `notes` may last longer than that.
    fn cut(
        &mut self,
        from: u64,
        to: u64,
        notes: &[Slot],
        channels: &[u16],
        held: &mut [Vec<f32>],
    ) -> Result<(), RecordingError> {
        for held in held.iter_mut() {
            held.clear();
        }
        loop {
            let begins = from.clamp(self.from, self.to);
            let ends = to.clamp(begins, self.to);
            let (a, b) = ((begins - self.from) as usize, (ends - self.from) as usize);
            for (held, channel) in held.iter_mut().zip(channels) {
                held.extend_from_slice(&self.piece[usize::from(*channel) - 1][a..b]);
            }
            if self.to >= to {
                return Ok(());
            }
            for channel in &mut self.piece {
                channel.clear();
            }
            self.from = self.to;
            self.to += self.recording.next(&mut self.piece)? as u64;
            if self.to == self.from {
                let ends = self.recording.rate().duration(self.to);
                return Ok(self.recording.ends(notes, ends)?);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Source, read_notes, wave};
    use model::document::rig::Law;
    use model::quantity::{Cents, VoltsPerOctave};
    use model::record::{Entry, EventKind};
    use model::time::Timestamp;
    use std::f64::consts::TAU;

    const RATE: u32 = 16_000;
    const LASTS: f64 = 0.5;

    /// A channel that rests, and one that plays such notes, half a second each.
    fn played(numbers: &[f64]) -> Recording<std::io::Cursor<Vec<u8>>> {
        let (mut phase, mut samples) = (0.0, Vec::new());
        for number in numbers {
            let hz = 440.0 * ((number - 69.0) / 12.0).exp2();
            for n in 0..(LASTS * f64::from(RATE)) as i16 {
                phase += hz / f64::from(RATE);
                let partials = (1..4).map(|h| (TAU * phase * f64::from(h)).sin() / f64::from(h));
                let hiss = n.wrapping_mul(n).wrapping_mul(31) % 4;
                samples.extend([0, (8000.0 * partials.sum::<f64>()) as i16 + hiss]);
            }
        }
        let bytes = wave::signed16(2, RATE, &samples);
        let length = Some(bytes.len() as u64);
        Recording::new("take.wav".to_owned(), std::io::Cursor::new(bytes), length).unwrap()
    }

    fn import(notes: &[&str], recording: &Recording<std::io::Cursor<Vec<u8>>>) -> Import {
        let mut table = "start_s,duration_s,note\n".to_owned();
        for (n, note) in notes.iter().enumerate() {
            table += &format!("{},{LASTS},{note}\n", n as f64 * LASTS);
        }
        let source = Source {
            file: "take.wav".to_owned(),
            sha256: "ab".repeat(32),
            channels: vec![2],
            law: Law::VoltsPerOctave {
                slope: VoltsPerOctave::of(1.0),
                zero: "C1 = 0 V".parse().unwrap(),
            },
            notes: read_notes("notes.csv", table.as_bytes()).unwrap(),
            notes_from: "the table notes.csv".to_owned(),
        };
        Import::new(recording, source, None, None).unwrap()
    }

    #[test]
    fn notes_that_come_again_are_rounds_and_each_is_measured_where_it_sounds() {
        let numbers = [60.0, 48.0, 60.05, 48.1];
        let recording = played(&numbers);
        let import = import(&["C4", "C3", "C4", "C3"], &recording);
        let mut last = (0.0, 0.0);
        let readings = import.listen(recording, |at, of| last = (at, of)).unwrap();
        assert_eq!(last, (1.5, 2.0));
        assert_eq!(readings.len(), 4);
        for (n, reading) in readings.iter().enumerate() {
            assert_eq!(reading.key.position.as_str(), "channel-2");
            assert_eq!(
                (reading.key.round, reading.key.slot),
                (n as u32 / 2, n as u16 % 2)
            );
            let meant = 440.0 * ((numbers[n] - 69.0) / 12.0).exp2();
            let heard = reading.measured.frequency.unwrap();
            let off = heard.cents_from(model::quantity::Hertz::of(meant));
            assert!(off.abs() < Cents::of(0.5), "{n}: {off}");
            let (from, to) = (n as f64 * LASTS, (n + 1) as f64 * LASTS);
            let (at, until) = (reading.at.seconds(), reading.window.get());
            assert!(at > from && at + until < to, "{n}: {at} and {until}");
        }
        assert_eq!(import.astray(&readings), []);
        let entries = import.entries(readings, Timestamp::UNIX_EPOCH);
        let kinds = entries.iter().map(|entry| match entry {
            Entry::Event(event) => Some(event.kind),
            _ => None,
        });
        assert_eq!(
            kinds.collect::<Vec<_>>(),
            [
                Some(EventKind::Remark),
                Some(EventKind::StageBegan),
                Some(EventKind::StageEnded),
                None,
                None,
                None,
                None,
                Some(EventKind::RunEnded)
            ]
        );
    }

    #[test]
    fn the_table_of_another_recording_is_suspected() {
        let recording = played(&[60.0, 60.0, 60.0]);
        let import = import(&["C4", "C3", "C2"], &recording);
        let readings = import.listen(recording, |_, _| {}).unwrap();
        let astray = import.astray(&readings);
        assert_eq!(astray.len(), 1);
        assert_eq!(
            (astray[0].channel, astray[0].astray, astray[0].of),
            (2, 2, 3)
        );
    }

    #[test]
    fn a_note_past_the_end_is_refused_as_soon_as_that_is_known() {
        let recording = played(&[60.0, 48.0]);
        let import = import(&["C4", "C3", "C2"], &recording);
        let said = recording
            .holds(&import.source.notes)
            .unwrap_err()
            .to_string();
        assert_eq!(
            said,
            "notes.csv:4: this note lasts until 1.5 s, and take.wav ends after 1 s; leave it out, or is it the table of another recording?"
        );
        // Whoever has not asked, as of a pipe, hears it at the end.
        assert_eq!(
            import.listen(recording, |_, _| {}).unwrap_err().to_string(),
            said
        );
    }
}
