//! Instruments that speak SCPI: supplies, thermometers, voltmeters.
//!
//! Sources: IEEE 488.2 (`*IDN?`, number formats NR1 to NR3), SCPI-1999 (MEASure,
//! SOURce, OUTPut, SYSTem:ERRor; 9.9E37 for infinity, 9.91E37 for no number).

use super::line::{self, Line};
use model::document::rig::Role;
use model::port::{Clock, Instrument, PortError, Remedy, Sense, Sensed, Setting};
use model::quantity::{Amperes, Celsius, Seconds, Volts};
use model::time::HostTime;
use serialport::SerialPort;
use std::sync::Arc;

/// How many entries of the error queue are read; more than any queue is long.
const QUEUE: usize = 32;
/// A setting read back may differ so much from what was asked, as a part of it...
const SETTING_OFF: f64 = 0.01;
/// ...or as so many volts or amperes: the resolution of simple supplies.
const SETTING_STEP: f64 = 0.011;

/// Opens an instrument that speaks SCPI over a serial port. `name` is what the rig
/// calls it. The port is opened now; the instrument is first spoken to later.
///
/// # Errors
/// When the port cannot be opened.
pub fn open_scpi(
    name: &str,
    port: &str,
    baud: u32,
    role: Role,
    clock: Arc<dyn Clock>,
) -> Result<Box<dyn Instrument>, PortError> {
    let line = line::open(name, port, baud, Arc::clone(&clock))?;
    Ok(Box::new(Scpi {
        name: name.to_owned(),
        role,
        line: Some(line),
        address: Some((port.to_owned(), baud)),
        clock,
        out_of_step: false,
    }))
}

/// The same over a port that is open already; it is not opened again when it
/// breaks.
#[must_use]
pub fn over(
    name: &str,
    port: Box<dyn SerialPort>,
    role: Role,
    clock: Arc<dyn Clock>,
) -> Box<dyn Instrument> {
    Box::new(Scpi {
        name: name.to_owned(),
        role,
        line: Some(Line::over(name, port, Arc::clone(&clock))),
        address: None,
        clock,
        out_of_step: false,
    })
}

struct Scpi {
    name: String,
    role: Role,
    /// Nothing after the connection broke.
    line: Option<Line>,
    /// Where to open it again.
    address: Option<(String, u32)>,
    clock: Arc<dyn Clock>,
    /// An answer did not come in time and may come yet.
    out_of_step: bool,
}

impl Scpi {
    fn error(&self, what: String, check: &str) -> PortError {
        PortError {
            device: self.name.clone(),
            what,
            check: check.into(),
            remedy: Remedy::Retry,
        }
    }

    /// Does something with the line; a line that breaks is let go.
    fn with_line<T>(
        &mut self,
        by: HostTime,
        work: impl FnOnce(&mut Line) -> Result<T, PortError>,
    ) -> Result<T, PortError> {
        if self.line.is_none() {
            let (port, baud) = self.address.clone().ok_or_else(|| {
                self.error(
                    "the serial connection broke".into(),
                    "check its cable and power",
                )
            })?;
            self.line = Some(line::open(
                &self.name,
                &port,
                baud,
                Arc::clone(&self.clock),
            )?);
        }
        let Some(line) = &mut self.line else {
            return Err(self.error("is not connected".into(), "check its cable"));
        };
        let outcome = if self.out_of_step {
            line.drain_until_quiet(by)
        } else {
            line.drain();
            Ok(())
        };
        let outcome = outcome.and_then(|()| work(line));
        self.out_of_step = outcome.is_err();
        if line.is_broken() {
            self.line = None;
        }
        outcome
    }

    fn tell(&mut self, command: &str, by: HostTime) -> Result<(), PortError> {
        self.with_line(by, |line| line.write(command, by))
    }

    fn ask(&mut self, query: &str, by: HostTime) -> Result<String, PortError> {
        let name = self.name.clone();
        self.with_line(by, |line| {
            line.write(query, by)?;
            let answer = line.read(by)?;
            answer.ok_or_else(|| PortError {
                device: name,
                what: match line.incomplete() {
                    none if none.is_empty() => format!("did not answer {query} in time"),
                    some => format!(
                        "had answered {query} with \"{}\" when its time was over",
                        some.escape_debug()
                    ),
                },
                check: "check that it is switched on, and its speed and remote mode".into(),
                remedy: Remedy::Retry,
            })
        })
    }

    fn number(&mut self, query: &str, by: HostTime) -> Result<f64, PortError> {
        let answer = self.ask(query, by)?;
        number(&answer).map_err(|what| {
            self.error(
                format!(
                    "answered {query} with \"{}\", {what}",
                    answer.escape_debug()
                ),
                "check its sensor, its range and its settings",
            )
        })
    }

    /// Reads the error queue empty; the first error in it is ours to tell.
    fn check_errors(&mut self, after: &str, by: HostTime) -> Result<(), PortError> {
        let mut first = None;
        for _ in 0..QUEUE {
            let answer = self.ask("SYST:ERR?", by)?;
            let code = answer.split(',').next().unwrap_or_default().trim();
            match code.parse::<i32>() {
                Ok(0) => break,
                Ok(_) => {
                    first.get_or_insert(answer);
                }
                Err(_) => {
                    return Err(self.error(
                        format!("answered SYST:ERR? with \"{}\"", answer.escape_debug()),
                        "check that it speaks SCPI",
                    ));
                }
            }
        }
        match first {
            None => Ok(()),
            Some(error) => Err(self.error(
                format!("reports an error after {after}: {error}"),
                "check its limits, and that it is in remote mode",
            )),
        }
    }

    /// Sets a value and reads it back.
    fn set_value(
        &mut self,
        header: &str,
        value: f64,
        unit: &str,
        by: HostTime,
    ) -> Result<(), PortError> {
        let command = format!("{header} {value:.4}");
        self.tell(&command, by)?;
        self.check_errors(&command, by)?;
        let got = self.number(&format!("{header}?"), by)?;
        if (got - value).abs() > (SETTING_OFF * value.abs()).max(SETTING_STEP) {
            return Err(self.error(
                format!("was told {command} and stands at {got} {unit}"),
                "check its range and its own limits; the output was not switched on",
            ));
        }
        Ok(())
    }

    fn switch(&mut self, on: bool, by: HostTime) -> Result<(), PortError> {
        let command = if on { "OUTP ON" } else { "OUTP OFF" };
        self.tell(command, by)?;
        let answer = self.ask("OUTP?", by)?;
        if switch_state(&answer) != Some(on) {
            return Err(self.error(
                format!(
                    "was told {command} and answers OUTP? with \"{}\"",
                    answer.escape_debug()
                ),
                "look at the supply itself: whether its output is on is not certain",
            ));
        }
        self.check_errors(command, by)
    }

    fn only_supplies(&self) -> Result<(), PortError> {
        if self.role == Role::Supply {
            return Ok(());
        }
        Err(PortError {
            remedy: Remedy::Abort,
            ..self.error(
                "is not a supply, and cannot be switched".into(),
                "check its role in the rig file",
            )
        })
    }
}

impl Instrument for Scpi {
    fn identify(&mut self, by: HostTime) -> Result<String, PortError> {
        let answer = self.ask("*IDN?", by)?;
        let printable = answer.chars().all(|letter| (' '..='~').contains(&letter));
        if answer.is_empty() || !printable {
            return Err(self.error(
                format!("answered *IDN? with \"{}\"", answer.escape_debug()),
                "check that the speed in the rig file is the one it is set to",
            ));
        }
        Ok(answer)
    }

    fn sense(&mut self, what: Sense, by: HostTime) -> Result<Sensed, PortError> {
        let impossible = |this: &Self, value: f64| {
            this.error(
                format!("reads {value}, which cannot be"),
                "check its sensor and its settings",
            )
        };
        match what {
            Sense::Temperature => {
                let value = self.number("MEAS:TEMP?", by)?;
                Celsius::new(value)
                    .map(Sensed::Temperature)
                    .map_err(|_| impossible(self, value))
            }
            Sense::Voltage => {
                let value = self.number("MEAS:VOLT?", by)?;
                Volts::new(value)
                    .map(Sensed::Voltage)
                    .map_err(|_| impossible(self, value))
            }
            Sense::Current => {
                let value = self.number("MEAS:CURR?", by)?;
                // An idle output may read a few counts below nought.
                let shown = if (-0.1..0.0).contains(&value) {
                    0.0
                } else {
                    value
                };
                Amperes::new(shown)
                    .map(Sensed::Current)
                    .map_err(|_| impossible(self, value))
            }
        }
    }

    fn set(&mut self, setting: Setting, by: HostTime) -> Result<(), PortError> {
        self.only_supplies()?;
        match setting {
            Setting::On {
                voltage,
                current_limit,
            } => {
                // Old errors are not about this.
                self.tell("*CLS", by)?;
                // The limit first: the output may be on already.
                self.set_value("CURR", current_limit.get(), "A", by)?;
                self.set_value("VOLT", voltage.get(), "V", by)?;
                self.switch(true, by)
            }
            Setting::Off => self.switch(false, by),
        }
    }

    fn make_safe(&mut self, by: HostTime) -> Result<(), PortError> {
        if self.role != Role::Supply {
            return Ok(());
        }
        // What stands in the error queue does not keep the output on.
        let attempt = |this: &mut Self, by| -> Result<(), PortError> {
            this.tell("OUTP OFF", by)?;
            let answer = this.ask("OUTP?", by)?;
            if switch_state(&answer) == Some(false) {
                return Ok(());
            }
            Err(this.error(
                format!(
                    "answers OUTP? with \"{}\" after OUTP OFF",
                    answer.escape_debug()
                ),
                "switch it off by hand, now",
            ))
        };
        let now = self.clock.now();
        let half = now + by.since(now) / 2.0;
        attempt(self, half)
            .or_else(|_| attempt(self, by))
            .map_err(|mut error| {
                error.check = "the supply may still be on: switch it off by hand".into();
                error
            })
    }
}

/// Reads a number in any of the forms NR1 to NR3.
///
/// 9.9E37, -9.9E37 and 9.91E37 stand for infinities and for no number at all; they
/// are known by a window about them, as 9.91E37 is larger than 9.9E37.
fn number(text: &str) -> Result<f64, &'static str> {
    let text = text.trim();
    let plain = !text.is_empty()
        && text
            .bytes()
            .all(|byte| byte.is_ascii_digit() || b"+-.eE".contains(&byte));
    let value: f64 = match text.parse() {
        Ok(value) if plain => value,
        _ => return Err("which is no number"),
    };
    if (9.85e37..9.95e37).contains(&value.abs()) {
        return Err("which stands for an overload or for no reading");
    }
    if value.is_finite() {
        Ok(value)
    } else {
        Err("which is beyond all numbers")
    }
}

/// Reads a switch's state: 1 or 0, ON or OFF.
fn switch_state(text: &str) -> Option<bool> {
    match text.trim().trim_start_matches('+') {
        on if on == "1" || on.eq_ignore_ascii_case("on") => Some(true),
        off if off == "0" || off.eq_ignore_ascii_case("off") => Some(false),
        _ => None,
    }
}

/// How long an instrument may take over one answer, for callers without a reason
/// to choose otherwise.
pub const USUAL_PATIENCE: Seconds = Seconds::of(3.0);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_all_forms_and_no_sentinel_among_them() {
        // Forms: IEEE 488.2 8.7.2 to 8.7.4. Sentinels: SCPI-1999 volume 1, 7.2.1,
        // in the spellings that instruments use.
        for (text, value) in [
            ("-12345", -12345.0),
            ("+1.2345", 1.2345),
            ("1.2345E-03", 1.2345e-3),
            (" +2.15000000E+01\r", 21.5),
            ("9.9E36", 9.9e36),
        ] {
            assert_eq!(number(text), Ok(value), "{text}");
        }
        for text in [
            "9.9E37",
            "+9.90000000E+37",
            "9.91e37",
            "9.91000E+37",
            "-9.91000E+37",
            "-9.9E37",
            "",
            "nan",
            "inf",
            "1e999",
            "21.5 C",
            "1,5",
            "OVLD",
        ] {
            assert!(number(text).is_err(), "{text}");
        }
    }
}
