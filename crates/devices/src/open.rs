//! From a rig file to open devices.

use crate::audio::output::open_volts;
use crate::{RealClock, audio, midi, serial};
use model::document::rig::{self, Rig, Wiring};
use model::port::{Capture, Clock, Instrument, PortError, Remedy};
use model::record::PositionId;
use sender::Sink;
use std::collections::BTreeMap;
use std::sync::Arc;

/// The devices of a rig, open.
pub struct Devices {
    /// The machine's clock.
    pub clock: Arc<dyn Clock>,
    /// What plays the notes, for [`sender::Sender::new`].
    pub sinks: BTreeMap<String, Sink>,
    /// What listens.
    pub capture: Box<dyn Capture>,
    /// Supplies, thermometers, meters, by the names of the rig.
    pub instruments: BTreeMap<String, Box<dyn Instrument>>,
}

impl std::fmt::Debug for Devices {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Devices")
            .field("sinks", &self.sinks)
            .field("instruments", &self.instruments.keys())
            .finish_non_exhaustive()
    }
}

/// Opens all devices of a real rig, and of its audio inputs those of `positions`.
/// Nothing is switched, and nothing is sent yet.
///
/// # Errors
/// When one of them cannot be opened, or the rig is simulated.
pub fn open(rig: &Rig, positions: &[PositionId]) -> Result<Devices, PortError> {
    let Wiring::Real(real) = &rig.wiring else {
        return Err(PortError {
            device: rig.name.clone(),
            what: "is a simulated rig, without devices".into(),
            check: "write `real:` under `wiring:` in the rig file".into(),
            remedy: Remedy::Abort,
        });
    };
    let clock: Arc<dyn Clock> = Arc::new(RealClock);
    let mut sinks = BTreeMap::new();
    for (name, sender) in &real.senders {
        sinks.insert(
            name.clone(),
            open_sink(sender, outputs_of(rig, name), &clock)?,
        );
    }
    let mut instruments = BTreeMap::new();
    for (name, device) in &real.instruments {
        instruments.insert(name.clone(), open_instrument(name, device, &clock)?);
    }
    let mut inputs = BTreeMap::new();
    for id in positions {
        let position = rig.positions.get(id.as_str()).ok_or_else(|| PortError {
            device: rig.name.clone(),
            what: format!("has no position called \"{id}\""),
            check: "check the names of the positions".into(),
            remedy: Remedy::Abort,
        })?;
        inputs.insert(id.clone(), position.input);
    }
    let capture = audio::capture::open_capture(&real.capture, &inputs, Arc::clone(&clock))?;
    Ok(Devices {
        clock,
        sinks,
        capture,
        instruments,
    })
}

/// The highest output of a sender that a rig uses.
fn outputs_of(rig: &Rig, sender: &str) -> u8 {
    rig.positions
        .values()
        .filter(|position| position.cv.sender == sender)
        .map(|position| position.cv.channel)
        .max()
        .unwrap_or(1)
}

/// Opens what a sender of a rig ends in; `outputs` is the highest output in use.
///
/// # Errors
/// When it cannot be opened.
pub fn open_sink(
    sender: &rig::Sender,
    outputs: u8,
    clock: &Arc<dyn Clock>,
) -> Result<Sink, PortError> {
    Ok(match sender {
        rig::Sender::Midi { port, bend_range } => Sink::Wire {
            wire: midi::open(port)?,
            bend_range: *bend_range,
        },
        rig::Sender::Volts {
            device,
            rate,
            full_scale,
        } => Sink::Volts(open_volts(
            device,
            *rate,
            *full_scale,
            outputs,
            Arc::clone(clock),
        )?),
    })
}

/// Opens an instrument of a rig; `name` is what the rig calls it.
///
/// # Errors
/// When its port cannot be opened.
pub fn open_instrument(
    name: &str,
    device: &rig::InstrumentDevice,
    clock: &Arc<dyn Clock>,
) -> Result<Box<dyn Instrument>, PortError> {
    match device {
        rig::InstrumentDevice::Scpi { port, baud, role } => {
            serial::open_scpi(name, port, *baud, *role, Arc::clone(clock))
        }
        rig::InstrumentDevice::Lines {
            port,
            baud,
            pattern,
        } => serial::open_lines(name, port, *baud, pattern, Arc::clone(clock)),
    }
}
