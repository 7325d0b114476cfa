//! The limits that what an instrument shows is held against.
//!
//! All of them are a choice of ours: there is no published figure for units of unknown
//! make. What each was weighed against stands beside it.

use model::quantity::{Celsius, Seconds, Volts};

/// How a supply stands against the voltage it was set to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Standing {
    /// So far above it that units suffer: an electrical fault at the first look.
    Over,
    /// Of the other sign: the same.
    WrongSign,
    /// As set.
    Fine,
    /// Between that and low: not low any more only where it was not low before.
    Sagging,
    /// A dip: units work on, and their temperature is not what it would have been.
    Low,
    /// Held down: a dip for one look, a short circuit if it stays.
    Down,
}

/// A tenth above, as over-voltage protection is often set (common practice, no source)...
const OVER_SHARE: f64 = 0.1;
/// ...and so many volts, the error and resolution of simple supplies, which also is what a
/// voltage of the other sign may show with nothing connected.
const RESOLUTION: f64 = 0.2;
/// A supply is back at this share of its voltage, and low below the other one; in between
/// it stays what it was, so that a supply at the limit is not said at every look.
const BACK: f64 = 0.85;
const LOW: f64 = 0.8;
/// Below this share it is held down by its current limit.
const DOWN: f64 = 0.5;

/// For how long a supply must be held down, so that a flicker of the mains is not taken
/// for a short circuit: three looks, two of their pauses less what they may be off.
pub(crate) const SHORTED_FOR: Seconds = Seconds::of(0.95);
/// How long a supply may take to come up before it counts as low. Held down it may be for
/// no longer than at any other time.
pub(crate) const COMES_UP_WITHIN: Seconds = Seconds::of(2.0);
/// For how long an instrument must have given no answer to count as lost. A value as old
/// as that is not used any more.
pub(crate) const SILENT_FOR: Seconds = Seconds::of(5.0);

/// Holds a voltage against the one that was set.
pub(crate) fn standing(voltage: Volts, set: Volts) -> Standing {
    let wanted = set.get().abs();
    let shows = voltage.get() * set.get().signum();
    if shows > wanted * (1.0 + OVER_SHARE) + RESOLUTION {
        Standing::Over
    } else if shows < -(wanted * OVER_SHARE + RESOLUTION) {
        Standing::WrongSign
    } else if shows < DOWN * wanted {
        Standing::Down
    } else if shows < LOW * wanted {
        Standing::Low
    } else if shows < BACK * wanted {
        Standing::Sagging
    } else {
        Standing::Fine
    }
}

/// Whether the air of a workshop can have a temperature. Common sensor chips are made for
/// -40 to 85 degC (common practice, no source); what is beyond comes from a broken one.
pub(crate) fn plausible(air: Celsius) -> bool {
    (-40.0..=85.0).contains(&air.get())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_voltage_has_its_standing_for_either_sign() {
        for (shows, standing_then) in [
            (30.0, Standing::Over),
            (13.41, Standing::Over),
            (13.39, Standing::Fine),
            (12.0, Standing::Fine),
            (10.0, Standing::Sagging),
            (9.5, Standing::Low),
            (5.9, Standing::Down),
            (0.3, Standing::Down),
            (-0.3, Standing::Down),
            (-1.5, Standing::WrongSign),
            (-12.0, Standing::WrongSign),
        ] {
            let (volts, twelve) = (Volts::of(shows), Volts::of(12.0));
            assert_eq!(standing(volts, twelve), standing_then, "{shows}");
            let (volts, negative) = (Volts::of(-shows), Volts::of(-12.0));
            assert_eq!(standing(volts, negative), standing_then, "{shows}");
        }
        assert!(plausible(Celsius::of(21.0)) && !plausible(Celsius::of(9_999_999.0)));
    }
}
