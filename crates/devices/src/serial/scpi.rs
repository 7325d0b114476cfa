//! Instruments that speak SCPI: supplies, thermometers, voltmeters.
//!
//! Sources: SCPI-1999 (MEASure, SOURce, OUTPut, SYSTem:ERRor) and IEEE 488.2 (`*CLS`).

use super::answer::{error_number, number, shown, switch_state};
use super::dialogue::Dialogue;
use model::document::rig::Role;
use model::port::{Clock, Confirmed, Instrument, PortError, Remedy, Sense, Sensed, Setting};
use model::quantity::{Amperes, Celsius, Seconds, Volts};
use model::time::{HostTime, Stop};
use serialport::SerialPort;
use std::sync::Arc;

/// How many entries of the error queue are read; more than any queue is long.
const QUEUE: usize = 32;
/// A setting read back may differ so much from what was asked, as a part of it...
const SETTING_OFF: f64 = 0.01;
/// ...or as so many volts or amperes: the resolution of simple supplies.
const SETTING_STEP: f64 = 0.011;

/// How long after "on" it must be certain that all is well, at most; then comes "off".
const LOOKED_WITHIN: Seconds = Seconds::of(1.2);
/// How long switching off is tried, at most. A supply that has not confirmed it by then
/// needs a hand, and others may be waiting to be switched off.
const OFF_WITHIN: Seconds = Seconds::of(2.0);
/// How long switching off is tried at least, however late it is.
const OFF_AT_LEAST: Seconds = Seconds::of(0.6);
/// The share of a deadline that each of the two may have.
const SHARE: f64 = 0.3;
/// How long a port that cannot be opened or written to is left alone.
const PAUSE: Seconds = Seconds::of(0.1);

const OFF: &str = "OUTP OFF";
/// What is said of a supply begins with this when nobody knows whether it was switched
/// off. That is what an error of [`Instrument::make_safe`] says in any case.
const MAY_BE_ON: &str = "OUTPUT MAY STILL BE ON";
const BY_HAND: &str = "switch it off by hand, now";

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
    let dialogue = Dialogue::open(name, port, baud, Arc::clone(&clock))?;
    Ok(Box::new(Scpi {
        role,
        dialogue,
        clock,
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
    let dialogue = Dialogue::over(name, port, Arc::clone(&clock));
    Box::new(Scpi {
        role,
        dialogue,
        clock,
    })
}

struct Scpi {
    role: Role,
    dialogue: Dialogue,
    clock: Arc<dyn Clock>,
}

impl Scpi {
    fn error(&self, what: String, check: &str) -> PortError {
        self.dialogue.error(what, check)
    }

    fn number(&mut self, query: &str, by: HostTime) -> Result<f64, PortError> {
        let answer = self.dialogue.ask(query, by)?;
        number(&answer).map_err(|what| {
            self.dialogue.doubt();
            self.error(
                format!("answered {query} with {}, {what}", shown(&answer)),
                "check its sensor, its range and its settings",
            )
        })
    }

    /// Reads the error queue empty; the first error in it is ours to tell.
    fn check_errors(&mut self, after: &str, by: HostTime) -> Result<(), PortError> {
        let mut first = None;
        for _ in 0..QUEUE {
            let answer = self.dialogue.ask("SYST:ERR?", by)?;
            match error_number(&answer) {
                Some(0) => break,
                Some(_) => {
                    first.get_or_insert(answer);
                }
                None => {
                    self.dialogue.doubt();
                    return Err(self.error(
                        format!("answered SYST:ERR? with {}", shown(&answer)),
                        "check that it speaks SCPI",
                    ));
                }
            }
        }
        match first {
            None => Ok(()),
            Some(error) => Err(self.error(
                format!("reports an error after {after}: {}", shown(&error)),
                "check its limits, and that it is in remote mode",
            )),
        }
    }

    /// Sets a value and returns what was read back.
    fn set_value(
        &mut self,
        header: &str,
        value: f64,
        unit: &str,
        by: HostTime,
    ) -> Result<f64, PortError> {
        let command = format!("{header} {value:.4}");
        self.dialogue.tell(&command, by)?;
        self.check_errors(&command, by)?;
        let got = self.number(&format!("{header}?"), by)?;
        if (got - value).abs() > (SETTING_OFF * value.abs()).max(SETTING_STEP) {
            return Err(self.error(
                format!("was told {command} and stands at {got} {unit}"),
                "check its range and its own limits; the output was not switched on",
            ));
        }
        Ok(got)
    }

    /// Asks whether the output is in the state it was told to be in.
    fn look(&mut self, told: &str, on: bool, by: HostTime) -> Result<(), PortError> {
        let answer = self.dialogue.ask("OUTP?", by)?;
        if switch_state(&answer) == Some(on) {
            return Ok(());
        }
        self.dialogue.doubt();
        Err(self.error(
            format!("was told {told} and answers OUTP? with {}", shown(&answer)),
            "look at the supply itself",
        ))
    }

    /// Limits first, as the output may be on already; then on. Whatever goes wrong from
    /// the moment "on" is sent ends with "off", for which time is left. Returns the limit
    /// that was read back.
    fn on(&mut self, voltage: Volts, limit: Amperes, by: HostTime) -> Result<f64, PortError> {
        let share = by.since(self.clock.now()).get() * SHARE;
        let off_within = Seconds::of(share.min(OFF_WITHIN.get()));
        let looked_within = Seconds::of(share.min(LOOKED_WITHIN.get()));
        let limited_by = by - off_within - looked_within;
        // Old errors are not about this.
        self.dialogue.tell("*CLS", limited_by)?;
        let limit = self.set_value("CURR", limit.get(), "A", limited_by)?;
        self.set_value("VOLT", voltage.get(), "V", limited_by)?;

        let looked_by = self.clock.now() + looked_within;
        let outcome = self
            .dialogue
            .tell("OUTP ON", looked_by)
            .and_then(|()| self.look("OUTP ON", true, looked_by))
            .and_then(|()| self.check_errors("OUTP ON", looked_by));
        let Err(error) = outcome else {
            return Ok(limit);
        };
        let by = self.clock.now() + off_within;
        Err(match self.off(by) {
            Ok(()) => PortError {
                what: format!("{}; its output was switched off again", error.what),
                ..error
            },
            Err(still_on) => PortError {
                what: format!(
                    "{MAY_BE_ON}: {}; before that it {}",
                    still_on.what, error.what
                ),
                ..still_on
            },
        })
    }

    /// Sends "off" at once and asks afterwards; sends it again when that is not confirmed
    /// or the port must be opened first.
    fn off(&mut self, by: HostTime) -> Result<(), PortError> {
        let begun = self.clock.now();
        let by = by.min(begun + OFF_WITHIN).max(begun + OFF_AT_LEAST);
        let mut sent = 0;
        loop {
            let now = self.clock.now();
            let half = now + by.since(now) / 2.0;
            let failure = match self.dialogue.tell(OFF, half) {
                Ok(()) => {
                    sent += 1;
                    match self.look(OFF, false, if sent == 1 { half } else { by }) {
                        Ok(()) => return Ok(()),
                        Err(error) => error,
                    }
                }
                Err(error) => error,
            };
            if sent == 2 || self.clock.now() >= by {
                let told = if sent == 0 {
                    "could not be told"
                } else {
                    "was told"
                };
                return Err(self.error(
                    format!("{told} {OFF} and did not confirm it; {}", failure.what),
                    BY_HAND,
                ));
            }
            let pause = self.clock.now() + PAUSE;
            let _ = self.clock.sleep_until(pause.min(by), &Stop::new());
        }
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
        self.dialogue.synchronise(by)
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
            Sense::Output => {
                self.only_supplies()?;
                let answer = self.dialogue.ask("OUTP?", by)?;
                switch_state(&answer).map(Sensed::Output).ok_or_else(|| {
                    self.dialogue.doubt();
                    self.error(
                        format!("answered OUTP? with {}", shown(&answer)),
                        "look at the supply itself: whether its output is on is not certain",
                    )
                })
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

    fn set(&mut self, setting: Setting, by: HostTime) -> Result<Confirmed, PortError> {
        self.only_supplies()?;
        match setting {
            Setting::On {
                voltage,
                current_limit,
            } => {
                let limit = self.on(voltage, current_limit, by)?;
                Ok(Confirmed {
                    current_limit: Amperes::new(limit).ok(),
                })
            }
            Setting::Off => match self.off(by) {
                Ok(()) => Ok(Confirmed::default()),
                Err(error) => Err(PortError {
                    what: format!("{MAY_BE_ON}: {}", error.what),
                    ..error
                }),
            },
        }
    }

    fn send_off(&mut self) {
        if self.role == Role::Supply {
            // That it failed is said by what follows, which sends it again.
            let _ = self.dialogue.tell(OFF, self.clock.now());
        }
    }

    fn make_safe(&mut self, by: HostTime) -> Result<(), PortError> {
        if self.role == Role::Supply {
            self.off(by)
        } else {
            Ok(())
        }
    }
}
