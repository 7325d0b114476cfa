//! Thermometers that print a line of text now and then.

use super::line::{self, Heard, Line};
use model::port::{Clock, Confirmed, Instrument, PortError, Remedy, Sense, Sensed, Setting};
use model::quantity::{Celsius, Seconds};
use model::time::{HostTime, Stop, StopReason};
use regex::Regex;
use serialport::SerialPort;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

/// A temperature older than this is none.
const STALE: Seconds = Seconds::of(60.0);
/// How long the reading thread waits at a time; it heeds its end in between.
const GLANCE: Seconds = Seconds::of(0.2);
/// How long it leaves a broken connection alone before it tries again.
const PAUSE: Seconds = Seconds::of(2.0);

/// Opens a thermometer that prints lines, of which the group `celsius` of the
/// regular expression `pattern` is the temperature. `name` is what the rig calls it.
///
/// # Errors
/// When the pattern is wrong or the port cannot be opened.
pub fn open_lines(
    name: &str,
    port: &str,
    baud: u32,
    pattern: &str,
    clock: Arc<dyn Clock>,
) -> Result<Box<dyn Instrument>, PortError> {
    let pattern = compiled(name, pattern)?;
    let line = line::open(name, port, baud, Arc::clone(&clock))?;
    let again = (port.to_owned(), baud);
    Ok(Box::new(Printed::start(
        name,
        line,
        Some(again),
        pattern,
        clock,
    )?))
}

/// The same over a port that is open already.
///
/// # Errors
/// When the pattern is wrong.
pub fn over(
    name: &str,
    port: Box<dyn SerialPort>,
    pattern: &str,
    clock: Arc<dyn Clock>,
) -> Result<Box<dyn Instrument>, PortError> {
    let pattern = compiled(name, pattern)?;
    let line = Line::over(name, port, Arc::clone(&clock));
    Ok(Box::new(Printed::start(name, line, None, pattern, clock)?))
}

fn compiled(name: &str, pattern: &str) -> Result<Regex, PortError> {
    let wrong = |what: String| PortError {
        device: name.to_owned(),
        what,
        check: "write the pattern like 'T=(?<celsius>[-0-9.]+)'".into(),
        remedy: Remedy::Abort,
    };
    let regex = Regex::new(pattern)
        .map_err(|error| wrong(format!("the pattern of its lines is wrong: {error}")))?;
    if regex
        .capture_names()
        .flatten()
        .any(|group| group == "celsius")
    {
        Ok(regex)
    } else {
        Err(wrong(
            "the pattern of its lines has no group \"celsius\"".into(),
        ))
    }
}

/// What the reading thread has found.
#[derive(Default)]
struct Latest {
    value: Option<(Celsius, HostTime)>,
    /// The last line that did not fit.
    misfit: Option<String>,
    broken: Option<PortError>,
}

struct Printed {
    name: String,
    latest: Arc<Mutex<Latest>>,
    clock: Arc<dyn Clock>,
    opened: HostTime,
    end: Stop,
    thread: Option<JoinHandle<()>>,
}

impl Printed {
    fn start(
        name: &str,
        line: Line,
        again: Option<(String, u32)>,
        pattern: Regex,
        clock: Arc<dyn Clock>,
    ) -> Result<Self, PortError> {
        let latest = Arc::new(Mutex::new(Latest::default()));
        let end = Stop::new();
        let reader = Reader {
            name: name.to_owned(),
            again,
            pattern,
            latest: Arc::clone(&latest),
            clock: Arc::clone(&clock),
            end: end.clone(),
        };
        // The lines must be read all the time: a full buffer keeps the old ones.
        let thread = std::thread::Builder::new()
            .name(format!("lines of {name}"))
            .spawn(move || reader.run(line))
            .map_err(|error| PortError {
                device: name.to_owned(),
                what: format!("no thread could be started to read its lines: {error}"),
                check: "check how many threads this system allows".into(),
                remedy: Remedy::Retry,
            })?;
        Ok(Self {
            name: name.to_owned(),
            latest,
            opened: clock.now(),
            clock,
            end,
            thread: Some(thread),
        })
    }

    /// The newest temperature. It is waited for only while the first may still come: the
    /// lines are read all the time, so of one that fell silent enough is known.
    fn newest(&self, by: HostTime) -> Result<Celsius, PortError> {
        loop {
            let now = self.clock.now();
            let (may_come, why) = {
                let latest = self.latest.lock().unwrap_or_else(PoisonError::into_inner);
                match &latest.value {
                    Some((value, at)) if now.since(*at) <= STALE => return Ok(*value),
                    _ => {}
                }
                let may_come = latest.value.is_none()
                    && latest.broken.is_none()
                    && now.since(self.opened) <= STALE;
                let why = latest.broken.clone().unwrap_or_else(|| PortError {
                    device: self.name.clone(),
                    what: match (&latest.misfit, &latest.value) {
                        (Some(line), _) => format!(
                            "prints lines that its pattern does not fit, such as \"{}\"",
                            line.escape_debug()
                        ),
                        (None, Some(_)) => {
                            format!("has printed no temperature for {} s", STALE.get())
                        }
                        (None, None) => "has printed nothing in time".into(),
                    },
                    check: "check its cable, its speed and its pattern in the rig file".into(),
                    remedy: Remedy::Retry,
                });
                (may_come, why)
            };
            if now >= by || !may_come {
                return Err(why);
            }
            let _ = self.clock.sleep_until(now + GLANCE / 4.0, &self.end);
        }
    }
}

struct Reader {
    name: String,
    again: Option<(String, u32)>,
    pattern: Regex,
    latest: Arc<Mutex<Latest>>,
    clock: Arc<dyn Clock>,
    end: Stop,
}

impl Reader {
    fn run(self, line: Line) {
        let mut line = Some(line);
        while self.end.check().is_ok() {
            let Some(open) = &mut line else {
                if self
                    .clock
                    .sleep_until(self.clock.now() + PAUSE, &self.end)
                    .is_err()
                {
                    return;
                }
                let Some((port, baud)) = &self.again else {
                    return;
                };
                match line::open(&self.name, port, *baud, Arc::clone(&self.clock)) {
                    Ok(opened) => line = Some(opened),
                    Err(error) => self.note(|latest| latest.broken = Some(error)),
                }
                continue;
            };
            match open.read(self.clock.now() + GLANCE) {
                Ok(Heard::Line(text)) => self.take(&text),
                Ok(Heard::TooLong) => self.note(|latest| {
                    latest.broken = Some(PortError {
                        device: self.name.clone(),
                        what: "prints thousands of bytes without an end of line".into(),
                        check: "check that the speed in the rig file is the one it is set to"
                            .into(),
                        remedy: Remedy::Retry,
                    });
                }),
                Ok(Heard::Nothing) => {}
                Err(error) => {
                    self.note(|latest| latest.broken = Some(error));
                    if open.is_broken() {
                        line = None;
                    }
                }
            }
        }
    }

    fn take(&self, text: &str) {
        if text.is_empty() {
            return;
        }
        let value = self
            .pattern
            .captures(text)
            .and_then(|groups| groups.name("celsius")?.as_str().trim().parse::<f64>().ok())
            .and_then(|value| Celsius::new(value).ok());
        let now = self.clock.now();
        self.note(|latest| match value {
            Some(value) => {
                *latest = Latest {
                    value: Some((value, now)),
                    ..Latest::default()
                };
            }
            None => latest.misfit = Some(text.chars().take(80).collect()),
        });
    }

    fn note(&self, change: impl FnOnce(&mut Latest)) {
        change(&mut self.latest.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

impl Instrument for Printed {
    fn identify(&mut self, by: HostTime) -> Result<String, PortError> {
        let value = self.newest(by)?;
        Ok(format!("a thermometer that prints lines, now {value}"))
    }

    fn sense(&mut self, what: Sense, by: HostTime) -> Result<Sensed, PortError> {
        if what != Sense::Temperature {
            return Err(PortError {
                device: self.name.clone(),
                what: "knows temperatures only".into(),
                check: "check what the rig file uses it for".into(),
                remedy: Remedy::Abort,
            });
        }
        self.newest(by).map(Sensed::Temperature)
    }

    fn set(&mut self, _: Setting, _: HostTime) -> Result<Confirmed, PortError> {
        Err(PortError {
            device: self.name.clone(),
            what: "only prints, and cannot be switched".into(),
            check: "check the supplies in the rig file".into(),
            remedy: Remedy::Abort,
        })
    }

    fn make_safe(&mut self, _: HostTime) -> Result<(), PortError> {
        Ok(())
    }
}

impl Drop for Printed {
    fn drop(&mut self) {
        self.end.raise(StopReason::Asked);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
