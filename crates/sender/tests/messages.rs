//! What goes over the wire, read by a receiver that shares no code with the sender
//! (the messages are taken apart by the crate `wmidi`).

use model::document::rig::{ControlVoltage, Law, Position, SafeRange};
use model::pitch::{Pitch, PitchStandard};
use model::port::{Clock, NoteOut, PortError, Remedy};
use model::quantity::{Cents, Volts, VoltsPerOctave};
use model::record::PositionId;
use model::time::{Cancelled, HostTime, Stop, Timestamp};
use proptest::prelude::*;
use sender::{Sender, SenderError, Sink, VoltOutput, Wire};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use wmidi::MidiMessage;

/// A clock that stands still.
struct Still;

impl Clock for Still {
    fn now(&self) -> HostTime {
        HostTime::from_nanoseconds(7)
    }
    fn wall(&self) -> Timestamp {
        Timestamp::UNIX_EPOCH
    }
    fn sleep_until(&self, _: HostTime, _: &Stop) -> Result<(), Cancelled> {
        Ok(())
    }
}

/// A wire that keeps what is sent, and can be cut.
#[derive(Clone, Default)]
struct Tap(Arc<Mutex<(Vec<Vec<u8>>, bool)>>);

impl Tap {
    fn take(&self) -> Vec<Vec<u8>> {
        std::mem::take(&mut self.0.lock().unwrap().0)
    }
    fn cut(&self, cut: bool) {
        self.0.lock().unwrap().1 = cut;
    }
}

impl Wire for Tap {
    fn send(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        self.present()?;
        self.0.lock().unwrap().0.push(bytes.to_vec());
        Ok(())
    }
    fn present(&mut self) -> Result<(), PortError> {
        if self.0.lock().unwrap().1 {
            return Err(PortError {
                device: "tap".into(),
                what: "cut".into(),
                check: "mend it".into(),
                remedy: Remedy::Retry,
            });
        }
        Ok(())
    }
}

/// A MIDI-to-CV interface: one voice on one channel. Its voltage stays after a note.
struct Receiver {
    range_cents: f64,
    note: Option<u8>,
    gate: bool,
    bend: f64,
    parameter: (u8, u8),
}

impl Receiver {
    const fn at_power_up() -> Self {
        Self {
            range_cents: 200.0,
            note: None,
            gate: false,
            bend: 0.0,
            parameter: (127, 127),
        }
    }

    fn hear(&mut self, bytes: &[u8]) {
        match MidiMessage::try_from(bytes).expect("a MIDI message") {
            MidiMessage::NoteOn(_, note, _) => {
                assert!(!self.gate, "two notes at once");
                self.note = Some(u8::from(note));
                self.gate = true;
            }
            MidiMessage::NoteOff(_, note, _) if self.note == Some(u8::from(note)) => {
                self.gate = false;
            }
            MidiMessage::PitchBendChange(_, bend) => {
                self.bend = (f64::from(u16::from(bend)) - 8192.0) / 8192.0;
            }
            MidiMessage::ControlChange(_, function, value) => {
                let value = u8::from(value);
                match u8::from(function.0) {
                    101 => self.parameter.0 = value,
                    100 => self.parameter.1 = value,
                    6 if self.parameter == (0, 0) => self.range_cents = f64::from(value) * 100.0,
                    38 if self.parameter == (0, 0) => self.range_cents += f64::from(value),
                    120 | 123 => self.gate = false,
                    121 => self.bend = 0.0,
                    _ => {}
                }
            }
            _ => {}
        }
    }

    fn note_number(&self) -> Option<f64> {
        Some(f64::from(self.note?) + self.bend * self.range_cents / 100.0)
    }
}

fn position(channel: u8, slope: f64, from: f64, to: f64) -> Position {
    Position {
        cv: ControlVoltage {
            sender: "keys".into(),
            channel,
            law: Law::VoltsPerOctave {
                slope: VoltsPerOctave::of(slope),
                zero: "C1 = 0 V".parse().unwrap(),
            },
            safe: SafeRange {
                from: Volts::of(from),
                to: Volts::of(to),
            },
        },
        input: 1,
        supply: None,
        input_resistance: None,
    }
}

fn sender_over(sink: Sink, positions: &[(&str, Position)]) -> Result<Sender, SenderError> {
    let positions = positions
        .iter()
        .map(|(name, position)| ((*name).to_owned(), position.clone()))
        .collect();
    let sinks = BTreeMap::from([("keys".to_owned(), sink)]);
    Sender::new(&positions, sinks, PitchStandard::default(), Arc::new(Still))
}

fn wired(range: f64, positions: &[(&str, Position)]) -> (Sender, Tap) {
    let tap = Tap::default();
    let sink = Sink::Wire {
        wire: Box::new(tap.clone()),
        bend_range: Cents::of(range),
    };
    (sender_over(sink, positions).unwrap(), tap)
}

fn play(sender: &mut Sender, position: &str, note: f64) -> Result<f64, PortError> {
    let target = (PositionId::new(position), Pitch::new(note).unwrap());
    sender.play(&[target]).map(|played| played[0].residue.get())
}

/// Bytes: MIDI 1.0 Detailed Specification (pitch bend, registered parameter 0, and
/// the channel mode messages 120, 121 and 123).
#[test]
fn the_bytes_are_those_of_the_specification() {
    let (mut sender, tap) = wired(200.0, &[("left", position(1, 1.0, 0.0, 8.0))]);
    let reset: [[u8; 3]; 10] = [
        [0xB0, 120, 0],
        [0xB0, 121, 0],
        [0xB0, 123, 0],
        [0xB0, 0x65, 0],
        [0xB0, 0x64, 0],
        [0xB0, 0x06, 2],
        [0xB0, 0x26, 0],
        [0xB0, 0x65, 0x7F],
        [0xB0, 0x64, 0x7F],
        [0xE0, 0x00, 0x40],
    ];
    assert_eq!(tap.take(), reset);
    play(&mut sender, "left", 69.0).unwrap();
    // A bend that stays at its centre is not sent again.
    assert_eq!(tap.take(), [[0x90, 69, 64]]);
    // At a range of two semitones half a semitone up is 8192 + 2048.
    play(&mut sender, "left", 60.5 - 1e-9).unwrap();
    let bent = [[0x80, 69, 64], [0xE0, 0x00, 0x50], [0x90, 60, 64]];
    assert_eq!(tap.take(), bent);
    play(&mut sender, "left", 61.0).unwrap();
    let straight = [[0x80, 60, 64], [0xE0, 0x00, 0x40], [0x90, 61, 64]];
    assert_eq!(tap.take(), straight);
    drop(sender);
    let end = [
        [0x80, 61, 64],
        [0xB0, 120, 0],
        [0xB0, 123, 0],
        [0xE0, 0x00, 0x40],
    ];
    assert_eq!(tap.take(), end);
    // Other channels have other status bytes; 7 semitones and 25 cents of range.
    let (_sender, tap) = wired(725.0, &[("left", position(16, 1.0, 0.0, 8.0))]);
    let sent = tap.take();
    assert!(sent.contains(&vec![0xBF, 0x06, 7]) && sent.contains(&vec![0xBF, 0x26, 25]));
}

/// Values: MIDI 1.0 Detailed Specification, 14 bits about 8192; the cents follow
/// from range * (value - 8192) / 8192.
#[test]
fn bends_have_the_values_of_the_specification() {
    use sender::midi::{Bend, BendRange, Channel, pitch_bend};
    let one = Channel::new(1).unwrap();
    let range = |cents| BendRange::new(Cents::of(cents)).unwrap();
    let bytes = |cents| pitch_bend(one, range(200.0).bend(Cents::of(cents)));
    assert_eq!(bytes(0.0), [0xE0, 0x00, 0x40]);
    assert_eq!(bytes(100.0), [0xE0, 0x00, 0x60]);
    assert_eq!(bytes(-100.0), [0xE0, 0x00, 0x20]);
    assert_eq!(bytes(-200.0), [0xE0, 0x00, 0x00]);
    assert_eq!(bytes(500.0), [0xE0, 0x7F, 0x7F]);
    let highest = Bend::new(16_383).unwrap();
    for (cents, reach, step) in [
        (200.0, 199.975_585_937_5, 0.024_414_062_5),
        (1200.0, 1_199.853_515_625, 0.146_484_375),
        (4800.0, 4_799.414_062_5, 0.585_937_5),
    ] {
        assert_eq!(range(cents).interval(highest).get(), reach);
        let up = Bend::CENTRE.step(true);
        assert_eq!(range(cents).interval(up).get(), step);
        assert_eq!(range(cents).interval(Bend::new(0).unwrap()).get(), -cents);
    }
    assert!(BendRange::new(Cents::of(0.0)).is_none());
    assert!(BendRange::new(Cents::of(200.5)).is_none());
    assert!(BendRange::new(Cents::of(12_800.0)).is_none());
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever is played in whatever order: the receiver stands at the pitch that
    /// was asked for less the residue, or nothing was sent; and at no moment, not
    /// even between two messages, was its voltage outside the safe range.
    #[test]
    fn what_is_heard_is_what_was_asked_less_the_residue(
        notes in prop::collection::vec((0..4_u8, 0.0..1.0_f64), 1..12),
        range in 1_u16..=2400,
        slope in 0.1..1.5_f64,
        low in 0.0..3.0_f64,
        width in 0.0..9.0_f64,
    ) {
        let safe = (low, low + width);
        let place = position(3, slope, safe.0, safe.1);
        let (mut sender, tap) = wired(f64::from(range), &[("left", place)]);
        let mut receiver = Receiver::at_power_up();
        let volts = |note: f64| (note - 24.0) / 12.0 * slope;
        let heed = |receiver: &mut Receiver| {
            for message in tap.take() {
                receiver.hear(&message);
                if let Some(note) = receiver.note_number() {
                    let volts = volts(note);
                    assert!(volts > safe.0 - 2e-9 && volts < safe.1 + 2e-9, "{volts} V");
                }
            }
        };
        heed(&mut receiver);
        prop_assert_eq!(receiver.range_cents, f64::from(range));
        let (lowest, highest) = (24.0 + 12.0 * safe.0 / slope, 24.0 + 12.0 * safe.1 / slope);
        for (kind, share) in notes {
            // Anywhere, inside, or within a semitone of either end.
            let asked = match kind {
                0 => -5.0 + 138.0 * share,
                1 => lowest + (highest - lowest) * share,
                2 => lowest - 0.1 + share,
                _ => highest + 0.1 - share,
            };
            let before = receiver.note_number();
            let outcome = play(&mut sender, "left", asked);
            heed(&mut receiver);
            match outcome {
                Ok(residue) => {
                    let heard = receiver.note_number().unwrap();
                    prop_assert!(receiver.gate);
                    prop_assert!((volts(asked) - volts(heard) - residue).abs() < 1e-9);
                    // Half a step of the bend, where the bend reaches to the next
                    // note and the safe range stands in nobody's way.
                    let step = f64::from(range) / 8192.0 / 1200.0 * slope;
                    let semitone = slope / 12.0;
                    let inside = volts(asked) > safe.0 + semitone && volts(asked) < safe.1 - semitone;
                    if range > 50 && inside {
                        prop_assert!(residue.abs() <= step * 0.5 + 1e-9, "{residue}");
                    }
                }
                Err(error) => {
                    prop_assert_eq!(error.remedy, Remedy::Skip);
                    prop_assert_eq!(receiver.note_number(), before);
                }
            }
        }
        sender.silence().unwrap();
        heed(&mut receiver);
        prop_assert!(!receiver.gate && receiver.bend == 0.0);
    }
}

#[test]
fn both_ends_of_the_safe_range_can_be_played_and_nothing_beyond() {
    let (mut sender, tap) = wired(200.0, &[("left", position(1, 1.0, 0.0, 8.0))]);
    assert_eq!(play(&mut sender, "left", 24.0), Ok(0.0));
    assert_eq!(play(&mut sender, "left", 120.0), Ok(0.0));
    tap.take();
    for (note, word) in [(120.1, "8.0083 V"), (23.9, "safe range")] {
        let error = play(&mut sender, "left", note).unwrap_err();
        assert!(error.what.contains(word), "{error}");
    }
    assert!(tap.take().is_empty());
    // A wide range of voltages does not make notes that MIDI does not have.
    let (mut sender, _) = wired(200.0, &[("left", position(1, 1.0, -9.0, 12.0))]);
    for note in [127.6, -0.6] {
        let error = play(&mut sender, "left", note).unwrap_err();
        assert!(error.what.contains("0 to 127"), "{error}");
    }
    // Nothing is sent to anyone when one of several cannot be served.
    let (mut sender, tap) = wired(
        200.0,
        &[
            ("left", position(1, 1.0, 0.0, 8.0)),
            ("right", position(2, 1.0, 0.0, 2.0)),
        ],
    );
    tap.take();
    let pitch = Pitch::new(60.0).unwrap();
    let both = ["left", "right"].map(|name| (PositionId::new(name), pitch));
    assert!(sender.play(&both).is_err());
    assert!(tap.take().is_empty());
}

#[test]
fn positions_on_one_output_share_its_pitch_and_its_narrowest_range() {
    let shared = [
        ("left", position(1, 1.0, 0.0, 8.0)),
        ("right", position(1, 1.0, 1.0, 5.0)),
    ];
    let (mut sender, tap) = wired(200.0, &shared);
    tap.take();
    let target = |name, note| (PositionId::new(name), Pitch::new(note).unwrap());
    let error = sender
        .play(&[target("left", 60.0), target("right", 61.0)])
        .unwrap_err();
    assert!(error.to_string().contains("left"), "{error}");
    let played = sender
        .play(&[target("left", 60.0), target("right", 60.0)])
        .unwrap();
    assert_eq!(played.len(), 2);
    assert_eq!(played[1].at, HostTime::from_nanoseconds(7));
    assert_eq!(tap.take(), [[0x90, 60, 64]], "one note for both");
    assert!(
        play(&mut sender, "left", 120.0).is_err(),
        "unsafe for the other"
    );
    assert!(play(&mut sender, "nobody", 60.0).is_err());

    let sink = || Sink::Wire {
        wire: Box::new(Tap::default()),
        bend_range: Cents::of(200.0),
    };
    let laws = [
        ("left", position(1, 1.0, 0.0, 8.0)),
        ("right", position(1, 1.2, 0.0, 8.0)),
    ];
    let ranges = [
        ("left", position(1, 1.0, 0.0, 2.0)),
        ("right", position(1, 1.0, 3.0, 8.0)),
    ];
    for positions in [&laws, &ranges] {
        assert!(matches!(
            sender_over(sink(), positions),
            Err(SenderError::Disagree { .. })
        ));
    }
    assert!(matches!(
        sender_over(sink(), &[("left", position(17, 1.0, 0.0, 8.0))]),
        Err(SenderError::NoSuchChannel { .. })
    ));
}

#[test]
fn an_interface_that_came_back_is_told_everything_again() {
    let (mut sender, tap) = wired(300.0, &[("left", position(1, 1.0, 0.0, 8.0))]);
    play(&mut sender, "left", 60.2).unwrap();
    tap.cut(true);
    assert!(sender.present().is_err());
    assert!(play(&mut sender, "left", 62.0).is_err());
    assert!(sender.silence().is_err());
    tap.cut(false);
    tap.take();
    sender.present().unwrap();
    let mut receiver = Receiver::at_power_up();
    play(&mut sender, "left", 61.8).unwrap();
    for message in tap.take() {
        receiver.hear(&message);
    }
    assert_eq!(receiver.range_cents, 300.0);
    assert!((receiver.note_number().unwrap() - 61.8).abs() < 3.0 / 8192.0);
    // One that lost its power unseen is reminded without a note in between.
    let mut forgetful = Receiver::at_power_up();
    forgetful.note = receiver.note;
    sender.present().unwrap();
    for message in tap.take() {
        forgetful.hear(&message);
        receiver.hear(&message);
    }
    assert_eq!(forgetful.note_number(), receiver.note_number());
    assert!(receiver.gate);
}

/// Voltages in steps of 10 mV.
#[derive(Clone, Default)]
struct Steps(Arc<Mutex<BTreeMap<u8, f64>>>);

impl VoltOutput for Steps {
    fn set(&mut self, output: u8, voltage: Volts) -> Result<Volts, PortError> {
        let step = (voltage.get() * 100.0).round() / 100.0;
        self.0.lock().unwrap().insert(output, step);
        Ok(Volts::of(step))
    }
    fn present(&mut self) -> Result<(), PortError> {
        Ok(())
    }
}

#[test]
fn voltages_go_out_as_they_are_and_rest_in_the_safe_range() {
    let steps = Steps::default();
    let sink = Sink::Volts(Box::new(steps.clone()));
    let positions = [
        ("left", position(1, 1.0, 0.0, 8.0)),
        ("right", position(40, 1.0, 1.0, 8.0)),
    ];
    let mut sender = sender_over(sink, &positions).unwrap();
    let at = |output| steps.0.lock().unwrap()[&output];
    assert_eq!((at(1), at(40)), (0.0, 1.0));
    let residue = play(&mut sender, "left", 60.5).unwrap();
    assert_eq!(at(1), 3.04);
    assert!((residue - (36.5 / 12.0 - 3.04)).abs() < 1e-12);
    drop(sender);
    assert_eq!((at(1), at(40)), (0.0, 1.0));
}
