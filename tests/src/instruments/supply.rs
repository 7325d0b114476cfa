//! A supply of one output, as its commands see it.
//!
//! The commands and the forms of the answers are those of SCPI-1999 (SOURce, OUTPut,
//! MEASure, SYSTem:ERRor) and IEEE 488.2 (`*IDN?`, `*CLS`).

use std::collections::VecDeque;

/// The error queue holds so many entries, the last of them being that it ran over.
const QUEUE: usize = 16;
const MOST_VOLTS: f64 = 32.0;
const MOST_AMPERES: f64 = 5.0;

/// What a supply is set to and what hangs on it.
#[derive(Debug, Clone)]
pub struct Supply {
    /// The voltage it is set to.
    pub volts: f64,
    /// Its current limit.
    pub amperes: f64,
    /// Whether its output is on.
    pub on: bool,
    /// What hangs on its output, in ohms.
    pub load: f64,
    /// A voltage that it delivers whatever it is set to: its regulator is broken.
    pub runaway: Option<f64>,
    errors: VecDeque<(i32, &'static str)>,
}

impl Default for Supply {
    /// Just switched on: nothing set, the output off, a few units on it.
    fn default() -> Self {
        Self {
            volts: 0.0,
            amperes: 0.0,
            on: false,
            load: 100.0,
            runaway: None,
            errors: VecDeque::new(),
        }
    }
}

impl Supply {
    /// Carries out a line and answers it, if it is a question.
    pub fn hear(&mut self, line: &str) -> Option<String> {
        let (header, argument) = line.split_once(' ').unwrap_or((line, ""));
        match (header, argument) {
            ("*IDN?", "") => return Some("Workshop,Supply 1,0,1.0".into()),
            ("*CLS", "") => self.errors.clear(),
            ("SYST:ERR?", "") => {
                let (code, text) = self.errors.pop_front().unwrap_or((0, "No error"));
                return Some(format!("{code:+},\"{text}\""));
            }
            ("VOLT", value) => self.set(value, MOST_VOLTS, |supply| &mut supply.volts),
            ("CURR", value) => self.set(value, MOST_AMPERES, |supply| &mut supply.amperes),
            ("OUTP", "ON" | "1") => self.on = true,
            ("OUTP", "OFF" | "0") => self.on = false,
            ("VOLT?", "") => return Some(format!("{:+.8E}", self.volts)),
            ("CURR?", "") => return Some(format!("{:.3}", self.amperes)),
            ("OUTP?", "") => return Some(u8::from(self.on).to_string()),
            ("MEAS:VOLT?", "") => return Some(format!("{:.3}", self.output().0)),
            ("MEAS:CURR?", "") => return Some(format!("{:.4E}", self.output().1)),
            _ => self.report(-113, "Undefined header"),
        }
        None
    }

    fn set(&mut self, value: &str, most: f64, of: impl FnOnce(&mut Self) -> &mut f64) {
        match value.parse::<f64>() {
            Ok(value) if (0.0..=most).contains(&value) => *of(self) = value,
            Ok(_) => self.report(-222, "Data out of range"),
            Err(_) => self.report(-104, "Data type error"),
        }
    }

    /// Puts an entry into the error queue.
    pub fn report(&mut self, code: i32, text: &'static str) {
        match self.errors.len() {
            QUEUE => {
                self.errors.pop_back();
                self.errors.push_back((-350, "Queue overflow"));
            }
            _ => self.errors.push_back((code, text)),
        }
    }

    /// Volts and amperes at the output.
    #[must_use]
    pub fn output(&self) -> (f64, f64) {
        if !self.on {
            return (0.0, 0.0);
        }
        let volts = self
            .runaway
            .unwrap_or_else(|| self.volts.min(self.amperes * self.load));
        (volts, volts / self.load)
    }
}
