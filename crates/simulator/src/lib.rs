//! A bench without hardware: units with physics, an interface, an audio input and
//! a room, in virtual time, behind the same ports as real devices.
//!
//! [`Bench`] is a cheap handle; everything made from it shares one virtual clock,
//! which moves when somebody sleeps on it or reads samples that lie ahead. Host
//! time and the time of the run are the same here: both begin at zero.
//!
//! Nothing is drawn from a stream: every sample is a pure function of the seed,
//! its place in time, the control voltage then held and the power log up to then.
//! So samples may be asked for twice, in any order, or after a restart
//! ([`Bench::restore`]), and are the same.
//!
//! Units whose supply an instrument, a person or a timer switches are cold and off
//! when the run begins; units without a supply have been on since long before.
//!
//! ```
//! use model::document::read_rig;
//! use model::quantity::Seconds;
//! use model::record::PositionId;
//! use sender::Wire;
//! use simulator::Bench;
//!
//! let rig = read_rig("rig.yaml", br#"
//! nightbench: rig 1
//! name: one unit
//! wiring: {simulated: {seed: 1, interfaces: {keys: {}}, units: {left: {}}}}
//! positions:
//!   left:
//!     cv: {sender: keys, channel: 1, law: {volts_per_octave: {zero: C1 = 0 V}}, safe: {from: 0 V, to: 8 V}}
//!     input: 1
//! "#)?;
//! let bench = Bench::new(&rig.value)?;
//! bench.wire("keys")?.send(&[0x90, 69, 100])?;
//! let start = bench.clock().now() + Seconds::of(1.0);
//! let truth = bench.truth(&PositionId::new("left"), start, Seconds::of(0.5));
//! assert!(truth.is_some_and(|hz| (hz.get() - 440.0).abs() < 20.0));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod bandlimit;
mod bench;
mod capture;
pub mod converter;
mod fault;
mod instruments;
mod interface;
mod logs;
mod midi;
mod night;
pub mod noise;
mod oscillator;
mod power;
mod render;
pub mod thermal;
mod waveform;
mod world;

pub use bench::{Bench, SimulatedClock, SimulatedOperator, SimulatedVolts, SimulatedWire};
pub use capture::SimulatedCapture;
pub use instruments::SimulatedInstrument;
pub use night::{PlannedReading, SimulatedReading};

/// Why a rig cannot be simulated.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SimulatorError {
    /// Its wiring is real.
    #[error(
        "the rig \"{0}\" is wired to real devices; only one with \"simulated:\" under \"wiring:\" can be simulated"
    )]
    NotSimulated(String),
    /// Something is named that is not there.
    #[error("{field}: there is no {kind} \"{name}\" in this rig; add it or correct the name")]
    Missing {
        /// Where it is named.
        field: String,
        /// The name.
        name: String,
        /// What was looked for.
        kind: &'static str,
    },
    /// The sample rate cannot be.
    #[error(
        "wiring.simulated.input: a rate of {0} Hz with this clock error cannot be simulated; write a rate from 1 kHz to 1 MHz and an error below 10 %"
    )]
    BadRate(f64),
}
