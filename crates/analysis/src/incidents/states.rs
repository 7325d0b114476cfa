//! What is bad about a reading by itself.

use model::incident::IncidentKind;
use model::record::{Flag, Measured, State};
use std::collections::BTreeMap;

/// So much below its usual level, in decibels, a unit is not heard any more.
const NOT_HEARD: f64 = 15.0;
/// How near to a line of the mains a frequency is the mains', relatively: grids stay within
/// 1 % of nominal nearly always (EN 50160, from memory), and mostly within a tenth of that.
const NEAR_MAINS: f64 = 0.005;
/// The fundamentals of the mains, in hertz (IEC 60196, from memory), and how many of their
/// harmonics are looked at.
const MAINS: [f64; 2] = [50.0, 60.0];
const LINES: u32 = 6;
/// A pitch this far from where its note mostly is, in cents, is not that note.
const ANOTHER_PITCH: f64 = 50.0;

/// How a unit mostly is.
pub(super) struct Standing {
    /// Its level, in dBFS.
    pub(super) usual_level: Option<f64>,
    /// The deviation of each note.
    pub(super) usual_cents: BTreeMap<i64, f64>,
}

impl Standing {
    /// How far a deviation is from where its note mostly is, in cents.
    pub(super) fn off(&self, note: i64, cents: f64) -> f64 {
        self.usual_cents
            .get(&note)
            .map_or(f64::INFINITY, |usual| (cents - usual).abs())
    }
}

/// What is bad about a window, if anything. A mains line beside the note or too few periods
/// are a matter of note and window, and nothing that happened.
pub(super) fn kind_of(
    measured: &Measured,
    off: Option<f64>,
    usual_level: Option<f64>,
) -> Option<IncidentKind> {
    let has = |flag| measured.flags.contains(flag);
    let level = measured.level.map(|level| level.get());
    let unheard =
        matches!((level, usual_level), (Some(level), Some(usual)) if level < usual - NOT_HEARD);
    let hum_alone = unheard
        && off.is_none_or(|off| off > ANOTHER_PITCH)
        && measured.frequency.is_some_and(|hz| is_mains(hz.get()));
    match measured.state {
        State::Silent if has(Flag::ExactZeros) => Some(IncidentKind::InputDead),
        State::Silent => Some(IncidentKind::Silent),
        _ if hum_alone => Some(IncidentKind::Silent),
        State::NotPeriodic | State::TwoTones | State::HumTooNear | State::TooShort if unheard => {
            Some(IncidentKind::Silent)
        }
        State::Ok if has(Flag::Xrun) => Some(IncidentKind::LostSamples),
        State::Ok if has(Flag::MaybeLocked) => Some(IncidentKind::Locked),
        _ if has(Flag::Clipped) => Some(IncidentKind::Clipped),
        State::NotPeriodic => Some(IncidentKind::NotPeriodic),
        State::TwoTones => Some(IncidentKind::TwoTones),
        State::NotPlayed => Some(IncidentKind::NotPlayed),
        State::Ok | State::HumTooNear | State::TooShort => None,
    }
}

fn is_mains(hz: f64) -> bool {
    MAINS.iter().any(|mains| {
        let line = (hz / mains).round().clamp(1.0, f64::from(LINES));
        (hz / (line * mains) - 1.0).abs() < NEAR_MAINS
    })
}
