//! A serial port that is written to and read from in lines, each with a deadline.

use model::port::{Clock, PortError, Remedy};
use model::time::HostTime;
use serialport::{ErrorKind, SerialPort};
use std::io::{self, Read, Write};
use std::sync::Arc;
use std::time::Duration;

/// One look at the port; the deadline is kept over many of them.
const GLANCE: Duration = Duration::from_millis(20);
/// Nothing that is read here is longer.
const LONGEST: usize = 4096;

/// An open serial port.
pub(crate) struct Line {
    name: String,
    port: Box<dyn SerialPort>,
    clock: Arc<dyn Clock>,
    /// Read, but not yet taken.
    pending: Vec<u8>,
    broken: bool,
}

/// Opens a serial port.
pub(crate) fn open(
    name: &str,
    path: &str,
    baud: u32,
    clock: Arc<dyn Clock>,
) -> Result<Line, PortError> {
    let port = serialport::new(path, baud)
        .timeout(GLANCE)
        .open()
        .map_err(|error| cannot_open(name, path, &error))?;
    Ok(Line::over(name, port, clock))
}

fn cannot_open(name: &str, path: &str, error: &serialport::Error) -> PortError {
    let there = super::port_names().map_or_else(
        |_| String::new(),
        |names| match names.as_slice() {
            [] => "; there are no serial ports at all".into(),
            some => format!("; there are {}", some.join(", ")),
        },
    );
    let text = error.to_string();
    let (what, check) = match error.kind() {
        // This is how a port that another program holds is reported.
        ErrorKind::NoDevice if text.contains("lock") || text.contains("busy") => (
            format!("{path} is in use by another program"),
            "close the terminal or program that holds it, or wait until a run that uses it has ended".into(),
        ),
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => (
            format!("{path} may not be opened by this user"),
            "add the user to the group that owns it (often dialout), then log in again".into(),
        ),
        ErrorKind::NoDevice | ErrorKind::Io(io::ErrorKind::NotFound) => (
            format!("there is no {path}{there}"),
            "check that it is plugged in; `nightbench ports` lists what is there".into(),
        ),
        _ => (
            format!("{path} could not be opened: {text}"),
            "check that the port and its speed in the rig file are right".to_owned(),
        ),
    };
    PortError {
        device: name.to_owned(),
        what,
        check,
        remedy: Remedy::Retry,
    }
}

impl Line {
    /// A line over a port that is open already.
    pub fn over(name: &str, mut port: Box<dyn SerialPort>, clock: Arc<dyn Clock>) -> Self {
        // Some instruments talk only to a terminal that is ready; some ports have no such lines.
        let _ = port.write_data_terminal_ready(true);
        let _ = port.set_timeout(GLANCE);
        Self {
            name: name.to_owned(),
            port,
            clock,
            pending: Vec::new(),
            broken: false,
        }
    }

    fn error(&self, what: String, check: &str) -> PortError {
        PortError {
            device: self.name.clone(),
            what,
            check: check.into(),
            remedy: Remedy::Retry,
        }
    }

    /// Whether the connection is gone for good: every further call would fail.
    pub const fn is_broken(&self) -> bool {
        self.broken
    }

    fn broke(&mut self, error: &io::Error) -> PortError {
        self.broken = true;
        self.error(
            format!("the serial connection broke: {error}"),
            "check its cable and power",
        )
    }

    /// Forgets everything that has come in and not been read.
    pub fn drain(&mut self) {
        self.pending.clear();
        let _ = self.port.clear(serialport::ClearBuffer::Input);
    }

    /// Forgets what comes in until nothing has come for a tenth of a second.
    pub fn drain_until_quiet(&mut self, by: HostTime) -> Result<(), PortError> {
        let mut quiet = 0;
        while quiet < 5 && self.clock.now() < by {
            let mut bytes = [0; 256];
            match self.port.read(&mut bytes) {
                Ok(1..) => quiet = 0,
                Ok(_) => return Err(self.broke(&io::ErrorKind::BrokenPipe.into())),
                Err(error) if passing(&error) => quiet += 1,
                Err(error) => return Err(self.broke(&error)),
            }
        }
        self.drain();
        Ok(())
    }

    /// Writes a line.
    pub fn write(&mut self, text: &str, by: HostTime) -> Result<(), PortError> {
        let mut bytes = text.as_bytes().to_vec();
        bytes.push(b'\n');
        let mut rest = bytes.as_slice();
        while !rest.is_empty() {
            match self.port.write(rest) {
                Ok(count) => rest = rest.get(count..).unwrap_or_default(),
                Err(error) if passing(&error) => {}
                Err(error) => return Err(self.broke(&error)),
            }
            if !rest.is_empty() && self.clock.now() >= by {
                return Err(self.error(
                    format!("did not take \"{text}\" in time"),
                    "check that it is switched on and its handshake is off",
                ));
            }
        }
        Ok(())
    }

    /// Reads a line, without its end, if one is there or comes in time.
    pub fn read(&mut self, by: HostTime) -> Result<Option<String>, PortError> {
        loop {
            if let Some(end) = self.pending.iter().position(|byte| *byte == b'\n') {
                let line: Vec<u8> = self.pending.drain(..=end).collect();
                return Ok(Some(String::from_utf8_lossy(&line).trim().to_owned()));
            }
            if self.pending.len() > LONGEST {
                self.pending.clear();
                return Err(self.error(
                    format!("sent more than {LONGEST} bytes without an end of line"),
                    "check that the speed in the rig file is the one it is set to",
                ));
            }
            let mut bytes = [0; 256];
            match self.port.read(&mut bytes) {
                Ok(count @ 1..) => self
                    .pending
                    .extend_from_slice(bytes.get(..count).unwrap_or_default()),
                Ok(_) => return Err(self.broke(&io::ErrorKind::BrokenPipe.into())),
                Err(error) if passing(&error) => {}
                Err(error) => return Err(self.broke(&error)),
            }
            if self.clock.now() >= by && !self.pending.contains(&b'\n') {
                return Ok(None);
            }
        }
    }

    /// What has come in of a line that is not complete.
    pub fn incomplete(&self) -> String {
        String::from_utf8_lossy(&self.pending).into_owned()
    }
}

/// Whether an error only says that nothing happened yet.
fn passing(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted
    )
}
