//! What the interface makes of the bytes on its wire: notes, bend and the few
//! controllers that end or reset them (MIDI 1.0).

/// What one channel holds.
#[derive(Debug, Clone)]
struct Channel {
    /// Notes that are down, the latest last.
    down: Vec<u8>,
    /// The note whose voltage is held, also after all keys are up.
    held: Option<u8>,
    bend: u16,
    /// Bend range in semitones.
    range: f64,
    /// Registered parameter selected, most and least significant byte.
    parameter: (u8, u8),
}

/// Reads a stream of bytes.
#[derive(Debug, Clone)]
pub struct Decoder {
    status: Option<u8>,
    data: [u8; 2],
    filled: usize,
    channels: Vec<Channel>,
}

const BEND_CENTRE: u16 = 8192;

impl Decoder {
    /// A decoder just switched on, with this bend range in semitones.
    #[must_use]
    pub fn new(bend_range: f64) -> Self {
        Self {
            status: None,
            data: [0; 2],
            filled: 0,
            channels: vec![
                Channel {
                    down: Vec::new(),
                    held: None,
                    bend: BEND_CENTRE,
                    range: bend_range,
                    parameter: (0x7f, 0x7f),
                };
                16
            ],
        }
    }

    /// Takes bytes in; returns the channels (from 1) whose pitch may have changed.
    pub fn feed(&mut self, bytes: &[u8]) -> Vec<u8> {
        let mut touched = Vec::new();
        for &byte in bytes {
            if let Some(channel) = self.byte(byte)
                && !touched.contains(&channel)
            {
                touched.push(channel);
            }
        }
        touched
    }

    /// The note number, fraction included, whose voltage a channel (from 1) holds;
    /// `None` when it never had a note.
    #[must_use]
    pub fn pitch(&self, channel: u8) -> Option<f64> {
        let channel = self.channels.get(usize::from(channel).checked_sub(1)?)?;
        let bend = (f64::from(channel.bend) - f64::from(BEND_CENTRE)) / f64::from(BEND_CENTRE);
        channel
            .held
            .map(|note| f64::from(note) + bend * channel.range)
    }

    fn byte(&mut self, byte: u8) -> Option<u8> {
        match byte {
            // Real-time bytes may stand anywhere and change nothing.
            0xf8..=0xff => None,
            // System messages end running status.
            0xf0..=0xf7 => {
                self.status = None;
                None
            }
            0x80..=0xef => {
                self.status = Some(byte);
                self.filled = 0;
                None
            }
            data => {
                let status = self.status?;
                self.data[self.filled] = data;
                self.filled += 1;
                let wanted = if matches!(status & 0xf0, 0xc0 | 0xd0) {
                    1
                } else {
                    2
                };
                if self.filled < wanted {
                    return None;
                }
                self.filled = 0;
                let [first, second] = self.data;
                self.message(status, first, second)
            }
        }
    }

    fn message(&mut self, status: u8, first: u8, second: u8) -> Option<u8> {
        let number = status & 0x0f;
        let channel = &mut self.channels[usize::from(number)];
        match status & 0xf0 {
            0x90 if second > 0 => {
                channel.down.retain(|note| *note != first);
                channel.down.push(first);
                channel.held = Some(first);
            }
            0x80 | 0x90 => {
                channel.down.retain(|note| *note != first);
                // The latest key still down takes over; with none the voltage stays.
                if let Some(last) = channel.down.last() {
                    channel.held = Some(*last);
                }
            }
            0xe0 => channel.bend = u16::from(first) | u16::from(second) << 7,
            0xb0 => match first {
                101 => channel.parameter.0 = second,
                100 => channel.parameter.1 = second,
                6 if channel.parameter == (0, 0) => {
                    channel.range = f64::from(second) + channel.range.fract();
                }
                38 if channel.parameter == (0, 0) => {
                    channel.range = channel.range.trunc() + f64::from(second.min(99)) / 100.0;
                }
                121 => {
                    channel.bend = BEND_CENTRE;
                    channel.parameter = (0x7f, 0x7f);
                }
                120 | 123..=127 => channel.down.clear(),
                _ => return None,
            },
            _ => return None,
        }
        Some(number + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn running_status_survives_a_clock_and_velocity_zero_ends_a_note() {
        // MIDI 1.0, running status and real-time bytes: note-on 60, note-on 64,
        // clock, note-on 67, note-off 60.
        let mut decoder = Decoder::new(2.0);
        decoder.feed(&[0x90, 0x3c, 0x64, 0x40, 0x64, 0xf8, 0x43, 0x64, 0x3c, 0x00]);
        assert_eq!(decoder.channels[0].down, [64, 67]);
        assert_eq!(decoder.pitch(1), Some(67.0));
    }

    #[test]
    fn bend_follows_the_range_set_by_rpn_0() {
        let mut decoder = Decoder::new(2.0);
        decoder.feed(&[0x91, 60, 100]);
        // Value for +1 semitone at range 2: 12288 is E0 00 60 (MIDI 1.0).
        decoder.feed(&[0xe1, 0x00, 0x60]);
        assert_eq!(decoder.pitch(2), Some(61.0));
        decoder.feed(&[
            0xb1, 101, 0, 100, 0, 6, 12, 38, 50, 101, 0x7f, 100, 0x7f, 6, 24,
        ]);
        assert_eq!(decoder.pitch(2), Some(66.25));
        // Full down is exact, full up one step short.
        decoder.feed(&[0xe1, 0x00, 0x00]);
        assert_eq!(decoder.pitch(2), Some(47.5));
        decoder.feed(&[0xb1, 121, 0]);
        assert_eq!(decoder.pitch(2), Some(60.0));
    }

    #[test]
    fn the_voltage_is_held_after_all_notes_off() {
        let mut decoder = Decoder::new(2.0);
        assert_eq!(decoder.pitch(1), None);
        decoder.feed(&[0x90, 60, 100, 62, 100, 0xb0, 123, 0]);
        assert_eq!(decoder.pitch(1), Some(62.0));
        decoder.feed(&[0xf0, 0x7f, 0x01, 0xf7, 60, 100]);
        assert_eq!(
            decoder.pitch(1),
            Some(62.0),
            "no status after a system message"
        );
    }

    #[test]
    fn junk_is_no_harm() {
        let mut decoder = Decoder::new(2.0);
        for start in 0..=255_u8 {
            let junk: Vec<u8> = (0..500_u32)
                .map(|at| (at.wrapping_mul(2_654_435_761) >> 13) as u8 ^ start)
                .collect();
            decoder.feed(&junk);
        }
        assert!((1..=16).all(|channel| decoder.pitch(channel).is_none_or(f64::is_finite)));
    }
}
