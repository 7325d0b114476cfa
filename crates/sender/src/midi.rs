//! The MIDI 1.0 messages that a sender needs, and the arithmetic of pitch bend.
//!
//! Source: MIDI 1.0 Detailed Specification (channel voice and channel mode
//! messages, registered parameter numbers). Pitch bend is 14 bits with its centre
//! at 8192; at a range of `R` cents, `b` bends by `R (b - 8192) / 8192`. The way
//! up is one step shorter than the way down.

use model::pitch::Pitch;
use model::quantity::Cents;

/// A MIDI channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Channel(u8);

impl Channel {
    /// The channel with this number, counted from 1 to 16.
    #[must_use]
    pub const fn new(number: u8) -> Option<Self> {
        if number >= 1 && number <= 16 {
            Some(Self(number - 1))
        } else {
            None
        }
    }
}

/// One MIDI message of three bytes.
pub type Message = [u8; 3];

/// The velocity of every note: the middle, as voices may follow it.
const VELOCITY: u8 = 64;

/// Note on. `note` counts from 0 to 127.
#[must_use]
pub const fn note_on(channel: Channel, note: u8) -> Message {
    [0x90 | channel.0, note & 0x7F, VELOCITY]
}

/// Note off. `note` counts from 0 to 127.
#[must_use]
pub const fn note_off(channel: Channel, note: u8) -> Message {
    [0x80 | channel.0, note & 0x7F, VELOCITY]
}

/// Pitch bend, the lower seven bits first.
#[must_use]
pub const fn pitch_bend(channel: Channel, bend: Bend) -> Message {
    [
        0xE0 | channel.0,
        (bend.0 & 0x7F) as u8,
        (bend.0 >> 7) as u8 & 0x7F,
    ]
}

const fn controller(channel: Channel, number: u8, value: u8) -> Message {
    [0xB0 | channel.0, number, value]
}

/// Everything off: all sound off (120), then all notes off (123).
#[must_use]
pub const fn all_off(channel: Channel) -> [Message; 2] {
    [controller(channel, 120, 0), controller(channel, 123, 0)]
}

/// Puts a channel into a known state: everything off, controllers reset (121),
/// bend range by registered parameter 0 (semitones, then cents), no parameter
/// selected afterwards, bend at its centre.
#[must_use]
pub const fn reset(channel: Channel, range: BendRange) -> [Message; 10] {
    let [sound_off, notes_off] = all_off(channel);
    let [msb, lsb, semitones, cents, no_msb, no_lsb] = set_range(channel, range);
    [
        sound_off,
        controller(channel, 121, 0),
        notes_off,
        msb,
        lsb,
        semitones,
        cents,
        no_msb,
        no_lsb,
        pitch_bend(channel, Bend::CENTRE),
    ]
}

/// Sets the bend range by registered parameter 0, and leaves no parameter selected.
#[must_use]
pub const fn set_range(channel: Channel, range: BendRange) -> [Message; 6] {
    [
        controller(channel, 101, 0),
        controller(channel, 100, 0),
        controller(channel, 6, (range.cents / 100) as u8),
        controller(channel, 38, (range.cents % 100) as u8),
        controller(channel, 101, 127),
        controller(channel, 100, 127),
    ]
}

/// How far full pitch bend bends: whole cents, from 1 to 127 semitones.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BendRange {
    cents: u16,
}

impl BendRange {
    /// The range, or nothing where registered parameter 0 cannot say it.
    #[must_use]
    pub fn new(range: Cents) -> Option<Self> {
        let cents = range.get().round();
        ((range.get() - cents).abs() < 1e-6 && (1.0..=12_700.0).contains(&cents)).then_some(Self {
            cents: cents as u16,
        })
    }
    /// How far a bend goes.
    #[must_use]
    pub fn interval(self, bend: Bend) -> Cents {
        Cents::of(f64::from(self.cents) * (f64::from(bend.0) - 8192.0) / 8192.0)
    }
    /// The bend that comes nearest to an interval; a full bend for intervals
    /// beyond it.
    #[must_use]
    pub fn bend(self, interval: Cents) -> Bend {
        let steps = (interval.get() / f64::from(self.cents) * 8192.0).round();
        Bend((steps + 8192.0).clamp(0.0, 16_383.0) as u16)
    }
}

/// A pitch bend: 14 bits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Bend(u16);

impl Bend {
    /// No bend.
    pub const CENTRE: Self = Self(8192);
    /// The bend with this value, from 0 to 16383.
    #[must_use]
    pub const fn new(value: u16) -> Option<Self> {
        if value < 16_384 {
            Some(Self(value))
        } else {
            None
        }
    }
    /// Its value, from 0 to 16383.
    #[must_use]
    pub const fn value(self) -> u16 {
        self.0
    }
    /// The bend one step higher or lower, as far as there is one.
    #[must_use]
    pub const fn step(self, up: bool) -> Self {
        if up {
            Self(if self.0 < 16_383 { self.0 + 1 } else { self.0 })
        } else {
            Self(self.0.saturating_sub(1))
        }
    }
}

/// What an interface is told: a note and a bend.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Aim {
    /// The note, from 0 to 127.
    pub note: u8,
    /// The bend.
    pub bend: Bend,
}

impl Aim {
    /// The pitch that an interface with this range makes of it.
    #[must_use]
    pub fn pitch(self, range: BendRange) -> Pitch {
        note_pitch(self.note).shifted(range.interval(self.bend))
    }
}

/// The pitch of a note number without bend.
#[must_use]
pub fn note_pitch(note: u8) -> Pitch {
    model::pitch::Note::from_number(i16::from(note)).pitch()
}
