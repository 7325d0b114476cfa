//! Notes and fractions of a note to MIDI bytes or volts.
//!
//! A [`Sender`] plays pitches to the positions of a rig. Below it stand two thin
//! kinds of sink: bytes on a wire to a MIDI-to-CV interface, and volts on an
//! output. Real devices and the simulator differ only in these; what is in this
//! crate runs for both.

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod midi;
mod output;
mod sender;

pub use sender::{Sender, SenderError};

use model::port::PortError;
use model::quantity::{Cents, Volts};

/// A line that carries MIDI bytes to an interface.
pub trait Wire: Send {
    /// Sends one whole MIDI message, status byte first (no running status).
    ///
    /// # Errors
    /// When the port refuses it. That none comes back does not prove that the
    /// message arrived.
    fn send(&mut self, bytes: &[u8]) -> Result<(), PortError>;
    /// Looks whether the port is still there, and sees to it that what is sent
    /// from now on reaches it even if it was gone in between.
    ///
    /// # Errors
    /// When it is gone.
    fn present(&mut self) -> Result<(), PortError>;
}

/// Outputs that make control voltages themselves.
pub trait VoltOutput: Send {
    /// Puts an output (counted from 1) at a voltage, holds it there, and says
    /// which voltage that is as far as it knows: the nearest step of a converter.
    ///
    /// # Errors
    /// When the device fails, or has no such output.
    fn set(&mut self, output: u8, voltage: Volts) -> Result<Volts, PortError>;
    /// Looks whether the device is still there.
    ///
    /// # Errors
    /// When it is gone.
    fn present(&mut self) -> Result<(), PortError>;
}

/// What a sender of a rig ends in.
pub enum Sink {
    /// A MIDI-to-CV interface.
    Wire {
        /// The line to it.
        wire: Box<dyn Wire>,
        /// How far it bends at full pitch bend, either way. It is told so at the
        /// start: whole cents, from 1 cent to 127 semitones.
        bend_range: Cents,
    },
    /// Outputs of our own.
    Volts(Box<dyn VoltOutput>),
}

impl std::fmt::Debug for Sink {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Wire { bend_range, .. } => f
                .debug_struct("Wire")
                .field("bend_range", bend_range)
                .finish_non_exhaustive(),
            Self::Volts(_) => f.debug_tuple("Volts").finish_non_exhaustive(),
        }
    }
}
