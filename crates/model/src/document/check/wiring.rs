//! Whether the devices of a real rig are described as such devices can be.

use super::super::error::DocumentError;
use super::super::path::Path;
use super::super::rig::{CaptureDevice, InstrumentDevice, Real, Rig, Sender};
use super::Checker;
use super::rig::{HIGHEST_CV, MOST_CHANNELS};
use crate::quantity::{Cents, Hertz};
use crate::time::SampleRate;
use regex::Regex;
use std::collections::BTreeMap;

/// The widest bend that is asked of an interface, in semitones.
const WIDEST_BEND: f64 = 48.0;
impl Checker<'_, Rig> {
    fn filled(&self, text: &str, path: &Path, what: &str) -> Result<(), DocumentError> {
        self.require(
            !text.trim().is_empty(),
            path,
            || format!("{what} has no name here"),
            || "\"nightbench ports\" lists what this machine has".to_owned(),
        )
    }

    pub(super) fn real(&mut self, real: &Real, path: &Path) -> Result<(), DocumentError> {
        self.require(
            !real.senders.is_empty(),
            &path.then("senders"),
            || "there is no sender".to_owned(),
            || "describe what plays the notes".to_owned(),
        )?;
        for (name, sender) in &real.senders {
            let path = path.then("senders").then(name);
            self.name(name, &path, "sender")?;
            self.sender(sender, &path)?;
        }
        self.capture(&real.capture, &path.then("capture"))?;
        let mut taken: BTreeMap<&str, &str> = BTreeMap::new();
        for (name, instrument) in &real.instruments {
            let path = path.then("instruments").then(name);
            self.name(name, &path, "instrument")?;
            self.instrument(instrument, &path)?;
            let (kind, port) = match instrument {
                InstrumentDevice::Scpi { port, .. } => ("scpi", port),
                InstrumentDevice::Lines { port, .. } => ("lines", port),
            };
            if let Some(other) = taken.insert(port, name) {
                let problem = format!("the instrument \"{other}\" is on the port {port} already");
                let advice = "a serial port serves one instrument; \"nightbench ports\" lists what this machine has".to_owned();
                let port = path.then(kind).then("port");
                return Err(self.document.error(&port, problem, Some(advice)));
            }
        }
        Ok(())
    }

    fn sender(&self, sender: &Sender, path: &Path) -> Result<(), DocumentError> {
        match sender {
            Sender::Midi { port, bend_range } => {
                let path = path.then("midi");
                self.filled(port, &path.then("port"), "the MIDI port")?;
                let cents = bend_range.get();
                self.require(
                    (1.0..=WIDEST_BEND * 100.0).contains(&cents) && cents.fract() == 0.0,
                    &path.then("bend_range"),
                    || format!("{bend_range} is not a possible bend range"),
                    || {
                        format!(
                            "expected whole cents, up to {WIDEST_BEND} semitones; {} is usual",
                            Cents::of(200.0)
                        )
                    },
                )
            }
            Sender::Volts {
                device,
                rate,
                full_scale,
            } => {
                let path = path.then("volts");
                self.filled(device, &path.then("device"), "the audio device")?;
                self.rate(*rate, &path.then("rate"))?;
                self.require(
                    full_scale.get() > 0.0 && full_scale.get() <= HIGHEST_CV,
                    &path.then("full_scale"),
                    || format!("{full_scale} is not a possible voltage at full scale"),
                    || format!("expected more than 0 V and at most {HIGHEST_CV} V"),
                )
            }
        }
    }

    pub(super) fn rate(&self, rate: Hertz, path: &Path) -> Result<(), DocumentError> {
        self.require(
            SampleRate::new(rate).is_some() && rate.get() >= 8e3 && rate.get().fract() == 0.0,
            path,
            || format!("{rate} is not a possible sample rate"),
            || "expected 8 kHz to 1 MHz, in whole hertz; 48 kHz is usual".to_owned(),
        )
    }

    fn capture(&self, capture: &CaptureDevice, path: &Path) -> Result<(), DocumentError> {
        self.filled(&capture.device, &path.then("device"), "the audio device")?;
        if let Some(host) = &capture.host {
            self.known(
                host,
                ["alsa", "jack"].into_iter(),
                &path.then("host"),
                "audio system",
            )?;
        }
        self.rate(capture.rate, &path.then("rate"))?;
        self.in_range(
            capture.channels.into(),
            1..=MOST_CHANNELS,
            &path.then("channels"),
            "number of channels",
        )?;
        if let Some(buffer) = capture.buffer {
            self.in_range(
                buffer.into(),
                16..=65_536,
                &path.then("buffer"),
                "size of a buffer",
            )?;
        }
        Ok(())
    }

    fn instrument(&self, instrument: &InstrumentDevice, path: &Path) -> Result<(), DocumentError> {
        let (kind, port, baud) = match instrument {
            InstrumentDevice::Scpi { port, baud, .. } => ("scpi", port, baud),
            InstrumentDevice::Lines { port, baud, .. } => ("lines", port, baud),
        };
        let path = path.then(kind);
        self.filled(port, &path.then("port"), "the serial port")?;
        self.in_range(
            (*baud).into(),
            50..=12_000_000,
            &path.then("baud"),
            "speed of a serial port",
        )?;
        if let InstrumentDevice::Lines { pattern, .. } = instrument {
            let regex = Regex::new(pattern).map_err(|error| {
                // The library draws the pattern first, and says in its last line why.
                let why = error.to_string();
                let why = why.lines().last().unwrap_or("");
                let why = why.strip_prefix("error: ").unwrap_or(why);
                self.document.error(
                    &path.then("pattern"),
                    format!("the pattern is no regular expression: {why}"),
                    Some("write it like 'T=(?<celsius>[-0-9.]+)'".to_owned()),
                )
            })?;
            self.require(
                regex
                    .capture_names()
                    .flatten()
                    .any(|group| group == "celsius"),
                &path.then("pattern"),
                || "the pattern has no group \"celsius\"".to_owned(),
                || "mark the number in it, as in 'T=(?<celsius>[-0-9.]+)'".to_owned(),
            )?;
        }
        Ok(())
    }
}
