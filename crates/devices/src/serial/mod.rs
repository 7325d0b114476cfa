//! Instruments on serial ports.

mod answer;
mod dialogue;
mod line;
pub mod printed;
pub mod scpi;

pub use printed::open_lines;
pub use scpi::open_scpi;

/// The names of the serial ports that are there now.
///
/// # Errors
/// When the system cannot list them; the reason in words.
pub fn port_names() -> Result<Vec<String>, String> {
    serialport::available_ports()
        .map(|ports| ports.into_iter().map(|port| port.port_name).collect())
        .map_err(|error| error.to_string())
}
