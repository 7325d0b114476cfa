//! Everything that stands on the simulated bench and does not change.

use crate::SimulatorError;
use crate::converter::loading;
use crate::fault::{Script, instrument, names};
use crate::interface::Interface;
use crate::noise::Source;
use crate::oscillator::Oscillator;
use crate::thermal::Room;
use crate::waveform::Wave;
use model::document::rig::{Rig, SwitchedBy, Wiring};
use model::document::simulated::{Input, Simulated};
use model::record::PositionId;
use model::time::SampleRate;
use std::collections::BTreeMap;
use std::sync::Arc;

/// An output of an interface: sender and channel.
pub type OutputId = (String, u8);

/// A position and the unit in it.
#[derive(Debug)]
pub struct Place {
    /// The position.
    pub id: PositionId,
    /// The output that feeds it.
    pub output: OutputId,
    /// The supply behind it.
    pub supply: Option<String>,
    /// The unit, at its own control voltage.
    pub oscillator: Oscillator,
    /// The shape of its wave.
    pub wave: Wave,
    /// Its root mean square at the input, full scale at one.
    pub size: f64,
    /// Hum beside it, root mean square.
    pub hum: f64,
    /// How its amplitude swings with the mains.
    pub swell: f64,
    /// The noise of the input that hears it.
    pub noise: Source,
    /// How a pitch and a voltage belong together, as the rig has it.
    pub law: model::pitch::ControlLaw,
}

/// A supply.
#[derive(Debug, Clone)]
pub struct Feed {
    /// Its voltage.
    pub nominal: f64,
    /// The current all its units take.
    pub demand: f64,
    /// The voltage it comes on at: its own, or less where its limit is too low.
    pub comes_on_at: f64,
    /// The instrument that switches it, if one does.
    pub instrument: Option<String>,
    /// For how long it had been on when the run began, in nanoseconds, if it had.
    pub on_before: Option<i64>,
    /// Whether a mains timer switches it, and when.
    pub timer: Option<i64>,
}

/// What does not change.
#[derive(Debug)]
pub struct World {
    /// The seed everything random follows from.
    pub seed: u64,
    /// The air.
    pub room: Arc<Room>,
    /// Frequency of the mains.
    pub mains: f64,
    /// Positions, in the rig's order.
    pub places: Vec<Place>,
    /// Interfaces, by sender.
    pub interfaces: BTreeMap<String, Arc<Interface>>,
    /// Supplies.
    pub feeds: BTreeMap<String, Feed>,
    /// Instruments and what they are for.
    pub instruments: BTreeMap<String, model::document::rig::Role>,
    /// The audio input.
    pub input: Input,
    /// Its nominal rate.
    pub sample_rate: SampleRate,
    /// What goes wrong.
    pub script: Script,
}

impl World {
    /// The world of a rig.
    ///
    /// # Errors
    /// When the rig is not a simulated one or names something that is not there.
    pub fn new(rig: &Rig) -> Result<Self, SimulatorError> {
        let Wiring::Simulated(simulated) = &rig.wiring else {
            return Err(SimulatorError::NotSimulated(rig.name.clone()));
        };
        check(rig, simulated)?;
        let rate = simulated.input.rate;
        let sample_rate = SampleRate::new(rate)
            .filter(|_| simulated.input.clock_error.get().abs() <= 0.1)
            .ok_or(SimulatorError::BadRate(rate.get()))?;
        let seed = simulated.seed;
        let room = Arc::new(Room::new(&simulated.room, seed));
        let interfaces: BTreeMap<String, Arc<Interface>> = simulated
            .interfaces
            .iter()
            .map(|(name, model)| (name.clone(), Arc::new(Interface::new(name, model))))
            .collect();
        let script = Script::new(&simulated.faults);
        let mut places = Vec::new();
        for (name, position) in &rig.positions {
            let unit = &simulated.units[name];
            let output = (position.cv.sender.clone(), position.cv.channel);
            let interface = Arc::clone(&interfaces[&position.cv.sender]);
            // All inputs on one output load it together.
            let shared = rig
                .positions
                .iter()
                .filter(|(_, other)| {
                    other.cv.sender == position.cv.sender && other.cv.channel == position.cv.channel
                })
                .map(|(other, _)| simulated.units[other].input_resistance.get());
            let left = loading(interface.output_resistance, shared);
            places.push(Place {
                id: PositionId::new(name),
                output,
                supply: position.supply.clone(),
                oscillator: Oscillator::new(
                    name,
                    unit,
                    Arc::clone(&room),
                    interface,
                    left,
                    simulated.room.mains.get(),
                    seed,
                )
                .with_loose_contacts(script.loose(name)),
                wave: Wave::new(unit.waveform),
                size: root_mean_square(unit.level.get()),
                hum: unit
                    .hum
                    .level
                    .map_or(0.0, |level| root_mean_square(level.get())),
                swell: unit.hum.swell.get(),
                noise: Source::new(seed, "input").part(Source::new(seed, name).bits(0)),
                law: position.cv.law.control_law(),
            });
        }
        let feeds = rig
            .supplies
            .iter()
            .map(|(name, supply)| {
                let demand: f64 = rig
                    .positions
                    .iter()
                    .filter(|(_, position)| position.supply.as_ref() == Some(name))
                    .map(|(position, _)| simulated.units[position].supply_current.get())
                    .sum();
                let nominal = supply.voltage.map_or(12.0, |voltage| voltage.get());
                let limit = supply.current_limit.map(|limit| limit.get());
                let feed = Feed {
                    nominal,
                    demand,
                    comes_on_at: limited(nominal, limit, demand),
                    instrument: match &supply.by {
                        SwitchedBy::Instrument(instrument) => Some(instrument.clone()),
                        SwitchedBy::Operator | SwitchedBy::Timer => None,
                    },
                    on_before: simulated
                        .on_before
                        .get(name)
                        .map(|before| before.nanoseconds()),
                    timer: matches!(supply.by, SwitchedBy::Timer).then(|| {
                        simulated
                            .timers
                            .get(name)
                            .map_or(0, |after| after.nanoseconds())
                    }),
                };
                (name.clone(), feed)
            })
            .collect();
        Ok(Self {
            seed,
            room,
            mains: simulated.room.mains.get(),
            places,
            interfaces,
            feeds,
            instruments: simulated.instruments.clone(),
            input: simulated.input.clone(),
            sample_rate,
            script,
        })
    }

    /// Frames in a second of virtual time, which the input's own clock counts.
    #[must_use]
    pub fn rate(&self) -> f64 {
        self.sample_rate.get()
    }

    /// What the input finds of a frequency, less one: a clock that is fast by e
    /// finds 1 / (1 + e) of it.
    #[must_use]
    pub fn clock_effect(&self) -> f64 {
        let error = self.input.clock_error.get();
        -error / (1.0 + error)
    }

    /// The place of a position.
    #[must_use]
    pub fn place(&self, name: &str) -> Option<&Place> {
        self.places.iter().find(|place| place.id.as_str() == name)
    }

    /// The positions that hang on an output.
    pub fn on_output<'a>(&'a self, output: &'a OutputId) -> impl Iterator<Item = &'a Place> {
        self.places
            .iter()
            .filter(move |place| place.output == *output)
    }
}

/// At its current limit a supply gives up voltage.
pub(crate) fn limited(voltage: f64, limit: Option<f64>, demand: f64) -> f64 {
    match limit {
        Some(limit) if demand > limit => voltage * limit / demand,
        _ => voltage,
    }
}

/// The rms of a level against full scale, where a full-scale sine is at -3.01 dBFS.
fn root_mean_square(dbfs: f64) -> f64 {
    libm::pow(10.0, dbfs / 20.0)
}

/// Whether everything that is named is there.
fn check(rig: &Rig, simulated: &Simulated) -> Result<(), SimulatorError> {
    let missing = |field: String, name: &str, kind: &'static str| {
        Err(SimulatorError::Missing {
            field,
            name: name.to_owned(),
            kind,
        })
    };
    for (name, position) in &rig.positions {
        if !simulated.units.contains_key(name) {
            return missing(
                "wiring.simulated.units".to_owned(),
                name,
                "unit for position",
            );
        }
        if !simulated.interfaces.contains_key(&position.cv.sender) {
            let field = format!("positions.{name}.cv.sender");
            return missing(field, &position.cv.sender, "interface");
        }
        if let Some(supply) = &position.supply
            && !rig.supplies.contains_key(supply)
        {
            return missing(format!("positions.{name}.supply"), supply, "supply");
        }
    }
    if let Some(name) = simulated
        .units
        .keys()
        .find(|name| !rig.positions.contains_key(*name))
    {
        return missing("wiring.simulated.units".to_owned(), name, "position");
    }
    for (name, supply) in &rig.supplies {
        if let SwitchedBy::Instrument(instrument) = &supply.by
            && !simulated.instruments.contains_key(instrument)
        {
            return missing(format!("supplies.{name}.by"), instrument, "instrument");
        }
    }
    if let Some(thermometer) = &rig.thermometer
        && !simulated.instruments.contains_key(thermometer)
    {
        return missing("thermometer".to_owned(), thermometer, "instrument");
    }
    for (index, fault) in simulated.faults.iter().enumerate() {
        let field = format!("wiring.simulated.faults[{index}]");
        let (positions, supply) = names(fault);
        for name in positions {
            if !rig.positions.contains_key(name) {
                return missing(field, name, "position");
            }
        }
        if let Some(name) = instrument(fault)
            && !simulated.instruments.contains_key(name)
        {
            return missing(field, name, "instrument");
        }
        if let Some(supply) = supply
            && !rig.supplies.contains_key(supply)
        {
            return missing(field, supply, "supply");
        }
    }
    if let Some(timer) = simulated
        .timers
        .keys()
        .find(|name| !rig.supplies.contains_key(*name))
    {
        return missing("wiring.simulated.timers".to_owned(), timer, "supply");
    }
    Ok(())
}
