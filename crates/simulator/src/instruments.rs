//! Supplies and the thermometer of the bench.

use crate::bench::Inner;
use crate::world::limited;
use model::document::rig::Role;
use model::port::{Confirmed, Instrument, PortError, Remedy, Sense, Sensed, Setting};
use model::quantity::{Amperes, Celsius, Volts};
use model::time::HostTime;
use std::sync::Arc;

/// An instrument of the bench. It answers at once, or by its script not at all: a question
/// then takes no time, as it is asked beside the measuring; a command takes all it has.
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

    fn no_answer(&self) -> PortError {
        PortError {
            device: self.name.clone(),
            what: "did not answer in time".to_owned(),
            check: "check that it is switched on, and its cable".to_owned(),
            remedy: Remedy::Retry,
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
                let volts = shared.logs.supply_voltage(world, name, shared.now).abs();
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
        let now = self.bench.lock().now;
        let script = &self.bench.world.script;
        if script.instrument_silent(&self.name, now) || script.stutters(&self.name, now) {
            return Err(self.no_answer());
        }
        match (self.role, what) {
            (Role::Thermometer, Sense::Temperature) => {
                let t = now as f64 * 1e-9;
                let shown = script
                    .thermometer_reads(&self.name, now)
                    .unwrap_or_else(|| self.bench.world.room.celsius(t));
                // A sensor with steps of a hundredth of a kelvin.
                let celsius = (shown * 100.0).round() / 100.0;
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
            (Role::Supply, Sense::Output) => {
                let shared = self.bench.lock();
                let on = |name: &String| shared.logs.switched_to(name, now) != 0.0;
                Ok(Sensed::Output(self.supplies().iter().any(on)))
            }
            _ => Err(self.cannot("it cannot measure that")),
        }
    }

    fn set(&mut self, setting: Setting, by: HostTime) -> Result<Confirmed, PortError> {
        if self.role != Role::Supply {
            return Err(self.cannot("it has no output to switch"));
        }
        let now = self.bench.lock().now;
        if self.bench.world.script.instrument_silent(&self.name, now) {
            let _ = self.bench.pass(by.nanoseconds(), None);
            return Err(self.no_answer());
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
        Ok(Confirmed {
            current_limit: match setting {
                Setting::On { current_limit, .. } => Some(current_limit),
                Setting::Off => None,
            },
        })
    }

    fn make_safe(&mut self, by: HostTime) -> Result<(), PortError> {
        if self.role == Role::Supply {
            self.set(Setting::Off, by).map(|_| ())
        } else {
            Ok(())
        }
    }
}
