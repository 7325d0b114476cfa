//! Supplies and the thermometer of the bench.

use crate::bench::Inner;
use crate::world::limited;
use model::document::rig::Role;
use model::port::{Instrument, PortError, Remedy, Sense, Sensed, Setting};
use model::quantity::{Amperes, Celsius, Volts};
use model::time::HostTime;
use std::sync::Arc;

/// An instrument of the bench. It answers at once.
pub struct SimulatedInstrument {
    bench: Arc<Inner>,
    name: String,
    role: Role,
}

impl SimulatedInstrument {
    pub(crate) fn new(bench: Arc<Inner>, name: &str, role: Role) -> Self {
        Self {
            bench,
            name: name.to_owned(),
            role,
        }
    }

    fn cannot(&self, what: &str) -> PortError {
        PortError {
            device: self.name.clone(),
            what: what.to_owned(),
            check: "see which role the rig file gives it".to_owned(),
            remedy: Remedy::Skip,
        }
    }

    /// The supplies of units that this instrument switches.
    fn supplies(&self) -> Vec<String> {
        self.bench
            .world
            .feeds
            .iter()
            .filter(|(_, feed)| feed.instrument.as_deref() == Some(&self.name))
            .map(|(name, _)| name.clone())
            .collect()
    }

    fn output(&self) -> (f64, f64) {
        let world = &self.bench.world;
        let shared = self.bench.lock();
        let supplies = self.supplies();
        let voltage = supplies.first().map_or(0.0, |name| {
            shared.logs.supply_voltage(world, name, shared.now)
        });
        let current = supplies
            .iter()
            .filter_map(|name| {
                let feed = world.feeds.get(name)?;
                let volts = shared.logs.supply_voltage(world, name, shared.now);
                Some(feed.demand * (volts / feed.nominal.abs().max(1e-3)))
            })
            .sum();
        (voltage, current)
    }
}

impl Instrument for SimulatedInstrument {
    fn identify(&mut self, _by: HostTime) -> Result<String, PortError> {
        Ok(match self.role {
            Role::Supply => "simulated supply",
            Role::Thermometer => "simulated thermometer",
            Role::Voltmeter => "simulated voltmeter",
        }
        .to_owned())
    }

    fn sense(&mut self, what: Sense, _by: HostTime) -> Result<Sensed, PortError> {
        match (self.role, what) {
            (Role::Thermometer, Sense::Temperature) => {
                let t = self.bench.lock().now as f64 * 1e-9;
                // A sensor with steps of a hundredth of a kelvin.
                let celsius = (self.bench.world.room.celsius(t) * 100.0).round() / 100.0;
                Celsius::new(celsius)
                    .map(Sensed::Temperature)
                    .map_err(|_| self.cannot("no temperature came"))
            }
            (Role::Supply | Role::Voltmeter, Sense::Voltage) => {
                let millivolts = (self.output().0 * 1000.0).round() / 1000.0;
                Volts::new(millivolts)
                    .map(Sensed::Voltage)
                    .map_err(|_| self.cannot("no voltage came"))
            }
            (Role::Supply, Sense::Current) => {
                let milliamperes = (self.output().1 * 1000.0).round() / 1000.0;
                Amperes::new(milliamperes.max(0.0))
                    .map(Sensed::Current)
                    .map_err(|_| self.cannot("no current came"))
            }
            _ => Err(self.cannot("it cannot measure that")),
        }
    }

    fn set(&mut self, setting: Setting, _by: HostTime) -> Result<(), PortError> {
        if self.role != Role::Supply {
            return Err(self.cannot("it has no output to switch"));
        }
        let world = &self.bench.world;
        let supplies = self.supplies();
        let demand: f64 = supplies
            .iter()
            .filter_map(|name| world.feeds.get(name))
            .map(|feed| feed.demand)
            .sum();
        let mut shared = self.bench.lock();
        let now = shared.now;
        for supply in &supplies {
            let volts = match setting {
                Setting::Off => 0.0,
                Setting::On {
                    voltage,
                    current_limit,
                } => limited(voltage.get(), Some(current_limit.get()), demand),
            };
            shared.logs.switch(world, supply, now, volts);
        }
        Ok(())
    }

    fn make_safe(&mut self, by: HostTime) -> Result<(), PortError> {
        if self.role == Role::Supply {
            self.set(Setting::Off, by)
        } else {
            Ok(())
        }
    }
}
