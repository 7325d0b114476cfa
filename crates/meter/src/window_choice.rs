//! How long to listen for a given uncertainty, and when it cannot be had.
//!
//! Of a tone in white noise the variance of the frequency falls with the third power of
//! the window's length T (the Cramer-Rao bound). A random walk of the oscillator's own
//! phase adds 6/5 b / T to that of the oscillator's frequency and 1/5 b / T to that of
//! the mean as it was (a regression on a Wiener process; checked in `wander`), so b is
//! the difference of the two variances that an estimate states.

use crate::Estimate;
use model::quantity::{Cents, Seconds};
use model::record::State;

/// Beyond this many times what is asked, a forecast is believed; the variance of a
/// wandering phase is known to a third or so from one window.
const BEYOND_DOUBT: f64 = 1.3;
/// A little more than what is forecast.
const MARGIN: f64 = 1.06;
/// Standard uncertainty of the rate of change, times T, over that of the mean: the ratio
/// of the bounds for a straight drift, sqrt(60) (by integrating Legendre polynomials).
pub(crate) const RATE_OVER_MEAN: f64 = 7.75;

/// What stands against an uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limit {
    /// Noise beside the tone.
    Noise,
    /// The oscillator's phase wanders by itself.
    Jitter,
    /// The pitch drifts by more than the uncertainty while one listens.
    Drift,
    /// There is no tone, or more than one.
    NoTone,
}

/// What to do about an uncertainty that was asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Advice {
    /// It is reached.
    Reached,
    /// Listen for so long in all.
    Listen(Seconds),
    /// It cannot be reached within the longest window.
    Forbidden(Limit),
}

/// Whether the uncertainty of the oscillator's frequency
/// ([`Estimate::u_oscillator`]) has come down to `reaches`, from an estimate over
/// `window`; if not, which window will do, or what forbids it within `longest`.
///
/// Drift forbids where the pitch would move across the window by more than twice what is
/// asked: then there is no one frequency to be so sure of.
#[must_use]
pub fn window_for(
    estimate: &Estimate,
    window: Seconds,
    reaches: Cents,
    longest: Seconds,
) -> Advice {
    let t = window.get();
    let longer = || {
        if t >= longest.get() {
            Advice::Forbidden(Limit::Noise)
        } else {
            Advice::Listen(Seconds::of((2.0 * t).min(longest.get())))
        }
    };
    let (Some(frequency), Some(u), Some(u_oscillator)) =
        (estimate.frequency, estimate.u, estimate.u_oscillator)
    else {
        return match estimate.state {
            State::Silent | State::TwoTones => Advice::Forbidden(Limit::NoTone),
            // More periods may do.
            _ if t < longest.get() => longer(),
            _ => Advice::Forbidden(Limit::NoTone),
        };
    };
    let asked = reaches.get();
    let u = u.cents_at(frequency).get();
    let source = u_oscillator.cents_at(frequency).get();
    if source <= asked {
        return Advice::Reached;
    }
    let walk = (source * source - u * u).max(0.0);
    let white = (source * source - 1.2 * walk).max(0.0);
    let forecast = |window: f64| {
        let shorter = t / window;
        (white * shorter.powi(3) + 1.2 * walk * shorter).sqrt()
    };
    let at_longest = forecast(longest.get().max(t));
    if at_longest > BEYOND_DOUBT * asked || (t >= longest.get() && source > asked) {
        let by_walk = 1.2 * walk * (t / longest.get().max(t));
        let limit = if by_walk > 0.5 * at_longest * at_longest {
            Limit::Jitter
        } else {
            Limit::Noise
        };
        return Advice::Forbidden(limit);
    }
    // The forecast falls steadily, so halving finds where it meets what is asked.
    let (mut low, mut high) = (t, longest.get());
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if forecast(middle) > asked {
            low = middle;
        } else {
            high = middle;
        }
    }
    let needed = (high * MARGIN).min(longest.get());
    let rate = estimate.rate_of_change.unwrap_or(0.0).abs() / frequency.get() * 1200.0
        / std::f64::consts::LN_2;
    let surely = (rate - 2.0 * RATE_OVER_MEAN * source / t).max(0.0);
    if surely * needed > 2.0 * asked {
        return Advice::Forbidden(Limit::Drift);
    }
    Advice::Listen(Seconds::of(needed))
}
