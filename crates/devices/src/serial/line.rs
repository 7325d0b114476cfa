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
/// A port is quiet when so many glances saw nothing: a tenth of a second.
const QUIET_GLANCES: u8 = 5;
/// How often a port is read, at most, to see what has come in already.
const AT_ONCE: u8 = 16;

/// What came of waiting for a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Heard {
    /// A line, without its end.
    Line(String),
    /// More than anybody sends, without an end; up to its end it is passed over.
    TooLong,
    /// Nothing that is complete.
    Nothing,
}

/// An open serial port.
pub(crate) struct Line {
    name: String,
    port: Box<dyn SerialPort>,
    clock: Arc<dyn Clock>,
    /// Read, but not yet taken.
    pending: Vec<u8>,
    /// The line that comes in is too long, and the rest of it is passed over.
    overlong: bool,
    /// The last line that was written was given up in its middle.
    mid_line: bool,
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
            overlong: false,
            mid_line: false,
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

    /// Waits a glance at most for bytes; says whether any came.
    fn fill(&mut self) -> Result<bool, PortError> {
        let mut bytes = [0; 1024];
        match self.port.read(&mut bytes) {
            Ok(count @ 1..) => {
                self.pending
                    .extend_from_slice(bytes.get(..count).unwrap_or_default());
                Ok(true)
            }
            Ok(_) => Err(self.broke(&io::ErrorKind::BrokenPipe.into())),
            Err(error) if passing(&error) => Ok(false),
            Err(error) => Err(self.broke(&error)),
        }
    }

    /// The next complete line that has come in. Line feed, carriage return and both in
    /// either order end a line, so what is empty is none.
    fn take_line(&mut self) -> Heard {
        while let Some(end) = self
            .pending
            .iter()
            .position(|byte| matches!(byte, b'\n' | b'\r'))
        {
            let line: Vec<u8> = self.pending.drain(..=end).collect();
            // The end of a line that was too long is no line.
            let tail = std::mem::take(&mut self.overlong);
            let text = String::from_utf8_lossy(&line).trim().to_owned();
            if !tail && !text.is_empty() {
                return Heard::Line(text);
            }
        }
        if self.pending.len() > LONGEST {
            self.pending.clear();
            if !std::mem::replace(&mut self.overlong, true) {
                return Heard::TooLong;
            }
        }
        Heard::Nothing
    }

    /// Reads a line, without its end, if one is there or comes in time.
    pub fn read(&mut self, by: HostTime) -> Result<Heard, PortError> {
        let mut over = false;
        loop {
            match self.take_line() {
                Heard::Nothing if !over => {}
                heard => return Ok(heard),
            }
            // What comes at the last moment is still looked at, but once only.
            over = self.clock.now() >= by;
            self.fill()?;
        }
    }

    /// What has come in already, without waiting: lines, and last what has no end yet.
    pub fn waiting(&mut self) -> Result<Vec<String>, PortError> {
        let mut lines = Vec::new();
        for _ in 0..AT_ONCE {
            match self.port.bytes_to_read() {
                Ok(0) => break,
                Ok(_) => self.fill()?,
                Err(error) => return Err(self.broke(&error.into())),
            };
        }
        while let Heard::Line(line) = self.take_line() {
            lines.push(line);
        }
        let rest = self.incomplete();
        if self.overlong || !rest.trim().is_empty() {
            lines.push(rest);
        }
        Ok(lines)
    }

    /// Takes what comes in until nothing has come for a tenth of a second, and forgets
    /// what then has no end. At most a hundred lines are returned.
    pub fn settle(&mut self, by: HostTime) -> Result<Vec<String>, PortError> {
        let mut lines = Vec::new();
        let mut quiet = 0;
        while quiet < QUIET_GLANCES && self.clock.now() < by {
            quiet = if self.fill()? { 0 } else { quiet + 1 };
            loop {
                match self.take_line() {
                    Heard::Line(line) if lines.len() < 100 => lines.push(line),
                    Heard::Line(_) | Heard::TooLong => {}
                    Heard::Nothing => break,
                }
            }
        }
        self.pending.clear();
        self.overlong = false;
        Ok(lines)
    }

    /// Writes a line. The first attempt is made even when its time is over.
    pub fn write(&mut self, text: &str, by: HostTime) -> Result<(), PortError> {
        // Half a line that was given up must not swallow this one.
        let end_of_last = if self.mid_line { "\n" } else { "" };
        let bytes = format!("{end_of_last}{text}\n").into_bytes();
        let mut rest = bytes.as_slice();
        while !rest.is_empty() {
            match self.port.write(rest) {
                Ok(count) => rest = rest.get(count..).unwrap_or_default(),
                Err(error) if passing(&error) => {}
                Err(error) => return Err(self.broke(&error)),
            }
            if !rest.is_empty() && self.clock.now() >= by {
                self.mid_line = self.mid_line || rest.len() < bytes.len();
                return Err(self.error(
                    format!("did not take \"{text}\" in time"),
                    "check that it is switched on and its handshake is off",
                ));
            }
        }
        self.mid_line = false;
        Ok(())
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
