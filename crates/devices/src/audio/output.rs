//! Control voltages from a DC-coupled audio output.

use model::port::{PortError, Remedy};
use model::quantity::{Hertz, Volts};
use sender::VoltOutput;

/// Opens an audio output as a source of control voltages.
///
/// # Errors
/// Always, for now: this is not built yet.
pub fn open_volts(
    device: &str,
    _rate: Hertz,
    _full_scale: Volts,
) -> Result<Box<dyn VoltOutput>, PortError> {
    Err(PortError {
        device: device.to_owned(),
        what: "control voltages from an audio output are not built yet".into(),
        check: "use a MIDI-to-CV interface (sender: midi)".into(),
        remedy: Remedy::Abort,
    })
}
