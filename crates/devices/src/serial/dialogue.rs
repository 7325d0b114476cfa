//! Questions and their answers over a line, never one for the other.
//!
//! An instrument answers in the order in which it was asked (IEEE 488.2, 6.1), but an
//! answer may be late, missing, doubled or unasked for. So after anything unexpected,
//! and at the beginning, `*IDN?` is asked: every instrument answers it (IEEE 488.2,
//! 10.14), and its answer is like no other. What comes before that answer belongs to
//! earlier questions; only then is the next one asked.

use super::answer::{is_identity, shown};
use super::line::{self, Heard, Line};
use model::port::{Clock, PortError, Remedy};
use model::time::HostTime;
use serialport::SerialPort;
use std::collections::VecDeque;
use std::sync::Arc;

/// How many of the last lines an instrument's echo is looked for among.
const ECHOED: usize = 16;
/// Under this share of its time a line must fall silent before `*IDN?` is asked.
const SETTLE_WITHIN: f64 = 0.5;

/// An instrument that is told and asked things in lines.
pub(super) struct Dialogue {
    name: String,
    /// Nothing after the connection broke.
    line: Option<Line>,
    /// Where to open it again.
    address: Option<(String, u32)>,
    clock: Arc<dyn Clock>,
    /// Whether the next answer is certain to be the one to the next question.
    in_step: bool,
    /// How many answers to `*IDN?` are still to come.
    identities_due: u32,
    identity: Option<String>,
    /// What was sent last, as an echo would send it back.
    sent: VecDeque<String>,
    /// Whether an echo came since the last question.
    echoed: bool,
}

impl Dialogue {
    /// Opens a port.
    pub fn open(
        name: &str,
        port: &str,
        baud: u32,
        clock: Arc<dyn Clock>,
    ) -> Result<Self, PortError> {
        let line = line::open(name, port, baud, Arc::clone(&clock))?;
        let address = Some((port.to_owned(), baud));
        Ok(Self::new(name, line, address, clock))
    }

    /// Over a port that is open already; it is not opened again when it breaks.
    pub fn over(name: &str, port: Box<dyn SerialPort>, clock: Arc<dyn Clock>) -> Self {
        let line = Line::over(name, port, Arc::clone(&clock));
        Self::new(name, line, None, clock)
    }

    fn new(name: &str, line: Line, address: Option<(String, u32)>, clock: Arc<dyn Clock>) -> Self {
        Self {
            name: name.to_owned(),
            line: Some(line),
            address,
            clock,
            in_step: false,
            identities_due: 0,
            identity: None,
            sent: VecDeque::new(),
            echoed: false,
        }
    }

    pub fn error(&self, what: String, check: &str) -> PortError {
        PortError {
            device: self.name.clone(),
            what,
            check: check.into(),
            remedy: Remedy::Retry,
        }
    }

    pub fn now(&self) -> HostTime {
        self.clock.now()
    }

    /// An answer that made no sense may have been the answer to something else.
    pub fn doubt(&mut self) {
        self.in_step = false;
    }

    /// Does something with the line, opening it when it broke before.
    fn with_line<T>(
        &mut self,
        work: impl FnOnce(&mut Line) -> Result<T, PortError>,
    ) -> Result<T, PortError> {
        let mut line = match self.line.take() {
            Some(line) => line,
            None => self.opened_again()?,
        };
        let outcome = work(&mut line);
        if line.is_broken() {
            self.in_step = false;
        } else {
            self.line = Some(line);
        }
        outcome
    }

    fn opened_again(&mut self) -> Result<Line, PortError> {
        let Some((port, baud)) = &self.address else {
            return Err(self.error(
                "the serial connection broke".into(),
                "check its cable and power",
            ));
        };
        let line = line::open(&self.name, port, *baud, Arc::clone(&self.clock))?;
        // What was asked through the old connection will not be answered through this.
        self.in_step = false;
        self.identities_due = 0;
        self.sent.clear();
        Ok(line)
    }

    /// Tells it something, at once: whatever may still be on its way from it.
    pub fn tell(&mut self, command: &str, by: HostTime) -> Result<(), PortError> {
        let outcome = self.with_line(|line| line.write(command, by));
        if outcome.is_err() {
            self.in_step = false;
        }
        self.sent.truncate(ECHOED - 1);
        self.sent.push_front(command.to_owned());
        outcome
    }

    /// The next line that is no echo of ours.
    fn hear(&mut self, by: HostTime) -> Result<Heard, PortError> {
        loop {
            let heard = self.with_line(|line| line.read(by))?;
            match heard {
                Heard::Line(line) if self.sent.contains(&line) => self.echoed = true,
                other => return Ok(other),
            }
            if self.now() >= by {
                return Ok(Heard::Nothing);
            }
        }
    }

    /// Asks it something.
    pub fn ask(&mut self, query: &str, by: HostTime) -> Result<String, PortError> {
        let waiting = self.with_line(Line::waiting)?;
        if waiting.iter().any(|line| !self.sent.contains(line)) {
            self.in_step = false;
        }
        if !self.in_step {
            self.synchronise(by)?;
        }
        self.in_step = false;
        self.echoed = false;
        self.tell(query, by)?;
        loop {
            match self.hear(by)? {
                // The answer to an earlier *IDN?.
                Heard::Line(line) if self.identity.as_ref() == Some(&line) => {
                    if self.now() >= by {
                        return Err(self.unanswered(query));
                    }
                }
                Heard::Line(line) => {
                    self.in_step = true;
                    return Ok(line);
                }
                Heard::TooLong => return Err(self.too_long(query)),
                Heard::Nothing => return Err(self.unanswered(query)),
            }
        }
    }

    /// Asks who it is, and is in step with it from then on.
    pub fn synchronise(&mut self, by: HostTime) -> Result<String, PortError> {
        const QUERY: &str = "*IDN?";
        self.in_step = false;
        let now = self.now();
        let quiet_by = now + by.since(now) * SETTLE_WITHIN;
        let left = self.with_line(|line| line.settle(quiet_by))?;
        let identities = left.iter().filter(|line| is_identity(line)).count();
        self.identities_due = self
            .identities_due
            .saturating_sub(u32::try_from(identities).unwrap_or(u32::MAX));
        self.identities_due = self.identities_due.saturating_add(1);
        self.echoed = false;
        self.tell(QUERY, by)?;
        let (mut identified, mut misfit) = (false, None);
        loop {
            match self.hear(by)? {
                Heard::Line(line) if is_identity(&line) => {
                    self.identities_due = self.identities_due.saturating_sub(1);
                    if self.identities_due == 0 {
                        return self.known(line);
                    }
                    (identified, misfit) = (true, None);
                }
                Heard::Line(line) => misfit = Some(shown(&line)),
                Heard::TooLong => return Err(self.too_long(QUERY)),
                Heard::Nothing => break,
            }
            if self.now() >= by {
                break;
            }
        }
        if identified {
            // It answers, so what did not come by now was lost.
            self.identities_due = 0;
        }
        Err(match misfit {
            Some(line) => self.error(
                format!("answered {QUERY} with {line}"),
                "check that it speaks SCPI, and that the speed in the rig file is the one it is set to",
            ),
            None => self.unanswered(QUERY),
        })
    }

    fn known(&mut self, identity: String) -> Result<String, PortError> {
        match self.identity.replace(identity.clone()) {
            Some(before) if before != identity => Err(self.error(
                format!(
                    "says that it is {} and said {} before",
                    shown(&identity),
                    shown(&before)
                ),
                "check that the right instrument is at this port",
            )),
            _ => {
                self.in_step = true;
                Ok(identity)
            }
        }
    }

    fn too_long(&self, query: &str) -> PortError {
        self.error(
            format!("answered {query} with thousands of bytes without an end of line"),
            "check that the speed in the rig file is the one it is set to",
        )
    }

    fn unanswered(&self, query: &str) -> PortError {
        let incomplete = self.line.as_ref().map(Line::incomplete).unwrap_or_default();
        if self.echoed && incomplete.trim().is_empty() {
            return self.error(
                format!("sent {query} back and did not answer it"),
                "check that it is switched on, that its echo is off and that its cable is no loop",
            );
        }
        let what = if incomplete.trim().is_empty() {
            format!("did not answer {query} in time")
        } else {
            format!(
                "had answered {query} with {} when its time was over",
                shown(&incomplete)
            )
        };
        self.error(
            what,
            "check that it is switched on, and its speed and remote mode",
        )
    }
}
