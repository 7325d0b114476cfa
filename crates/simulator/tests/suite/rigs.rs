//! Small rigs for tests.

use model::document::rig::{
    Bounds, Certificates, ControlVoltage, Law, Position, Rig, Role, SafeRange, Supply, SwitchedBy,
    WhenSafe, Wiring,
};
use model::document::simulated::{
    Converter, Core, Input, Interface, PhaseNoise, Room, Simulated, ThermalMass, UnitModel,
};
use model::pitch::{Note, NoteAtVoltage, Pitch};
use model::port::Capture;
use model::quantity::*;
use model::record::PositionId;
use model::time::{Epoch, SampleTime, Span, Stop};
use simulator::Bench;
use std::collections::BTreeMap;

pub fn law() -> Law {
    Law::VoltsPerOctave {
        slope: VoltsPerOctave::of(1.0),
        zero: NoteAtVoltage {
            note: Note::from_number(24),
            voltage: Volts::of(0.0),
        },
    }
}

/// A room that stands still.
pub fn still() -> Room {
    Room {
        temperature: Celsius::of(25.0),
        swing: Kelvin::ZERO,
        wander: Kelvin::ZERO,
        ..Room::default()
    }
}

/// A unit without any fault, at 25 degC inside and out.
pub fn perfect() -> UnitModel {
    UnitModel {
        converter: Converter {
            trimmed_at: Celsius::of(25.0),
            compensation: FractionPerKelvin::of(0.0),
            compensation_lag: Seconds::of(60.0),
            pair_drift: VoltsPerKelvin::of(0.0),
            reference_drift: FractionPerKelvin::of(0.0),
            bulk_resistance: Ohms::of(0.0),
            ..Converter::default()
        },
        core: Core {
            reset_time: Seconds::of(0.0),
            leakage: Amperes::of(0.0),
            ..Core::default()
        },
        warming: Vec::new(),
        phase_noise: PhaseNoise {
            white: Fraction::of(0.0),
            flicker: Fraction::of(0.0),
        },
        ..UnitModel::default()
    }
}

/// An interface without steps and errors.
pub fn plain_interface() -> Interface {
    Interface {
        bits: 32,
        step_error: VoltDifference::of(0.0),
        gain_drift: FractionPerKelvin::of(0.0),
        offset_drift: VoltsPerKelvin::of(0.0),
        warming: Vec::new(),
        output_resistance: Ohms::of(0.0),
        latency: Seconds::of(0.0),
        ..Interface::default()
    }
}

/// An input without noise or steps worth mention.
pub fn quiet_input() -> Input {
    Input {
        noise: Level::of(-400.0),
        ..Input::default()
    }
}

/// A rig of these units, each on its own channel and input, without supplies.
pub fn rig(units: &[(&str, UnitModel)]) -> Rig {
    let positions = units
        .iter()
        .enumerate()
        .map(|(at, (name, _))| {
            let position = Position {
                cv: ControlVoltage {
                    sender: "keys".to_owned(),
                    channel: at as u8 + 1,
                    law: law(),
                    safe: SafeRange {
                        from: Volts::of(0.0),
                        to: Volts::of(10.0),
                    },
                },
                input: at as u16 + 1,
                supply: None,
                input_resistance: None,
            };
            ((*name).to_owned(), position)
        })
        .collect();
    Rig {
        nightbench: "rig 1".to_owned(),
        name: "test".to_owned(),
        wiring: Wiring::Simulated(Simulated {
            seed: 1,
            room: still(),
            interfaces: BTreeMap::from([("keys".to_owned(), plain_interface())]),
            input: quiet_input(),
            units: units
                .iter()
                .map(|(name, unit)| ((*name).to_owned(), unit.clone()))
                .collect(),
            instruments: BTreeMap::new(),
            timers: BTreeMap::new(),
            on_before: BTreeMap::new(),
            faults: Vec::new(),
        }),
        supplies: BTreeMap::new(),
        positions,
        thermometer: None,
        bounds: Bounds::default(),
        certificates: Certificates::default(),
    }
}

pub fn simulated(rig: &mut Rig) -> &mut Simulated {
    match &mut rig.wiring {
        Wiring::Simulated(simulated) => simulated,
        Wiring::Real(_) | Wiring::Recorded(_) => panic!("a simulated rig"),
    }
}

/// Puts all units behind one supply that an instrument switches.
pub fn with_supply(mut rig: Rig) -> Rig {
    rig.supplies.insert(
        "rack".to_owned(),
        Supply {
            by: SwitchedBy::Instrument("psu".to_owned()),
            voltage: Some(Volts::of(12.0)),
            current_limit: Some(Amperes::of(1.0)),
            when_safe: WhenSafe::Off,
            when_lost: None,
        },
    );
    for position in rig.positions.values_mut() {
        position.supply = Some("rack".to_owned());
    }
    rig.thermometer = Some("air".to_owned());
    simulated(&mut rig).instruments = BTreeMap::from([
        ("psu".to_owned(), Role::Supply),
        ("air".to_owned(), Role::Thermometer),
    ]);
    rig
}

/// A unit that warms, wanders and jitters.
pub fn lively() -> UnitModel {
    UnitModel {
        converter: Converter {
            trimmed_at: Celsius::of(30.0),
            ..Converter::default()
        },
        warming: vec![
            ThermalMass {
                time: Seconds::of(300.0),
                rise: Kelvin::of(6.0),
            },
            ThermalMass {
                time: Seconds::of(60.0),
                rise: Kelvin::of(3.0),
            },
        ],
        ..UnitModel::default()
    }
}

pub fn position(name: &str) -> PositionId {
    PositionId::new(name)
}

pub fn note(number: i16) -> Pitch {
    Note::from_number(number).pitch()
}

/// Plays a note on a channel, the old one released first.
pub fn play(bench: &Bench, channel: u8, number: u8) {
    use sender::Wire;
    let mut wire = bench.wire("keys").unwrap();
    wire.send(&[0xb0 | (channel - 1), 123, 0]).unwrap();
    wire.send(&[0x90 | (channel - 1), number, 100]).unwrap();
}

/// Reads `frames` from frame `index` of epoch 0.
pub fn read(capture: &mut dyn Capture, index: u64, frames: u64) -> BTreeMap<String, Vec<f32>> {
    let span = Span {
        start: SampleTime {
            epoch: Epoch(0),
            index,
        },
        frames,
    };
    let window = capture.read(span, &Stop::new()).unwrap();
    window
        .channels
        .iter()
        .map(|(id, samples)| (id.as_str().to_owned(), samples.to_vec()))
        .collect()
}

/// The frequency of a saw from its rising zero crossings, in cycles per sample.
/// Exact while half a period is longer than the reach of an edge (32 samples).
pub fn crossings(samples: &[f32]) -> f64 {
    let found: Vec<f64> = samples
        .windows(2)
        .enumerate()
        .filter(|(_, pair)| pair[0] < 0.0 && pair[1] >= 0.0 && pair[1] - pair[0] < 0.1)
        .map(|(at, pair)| {
            at as f64 + f64::from(-pair[0]) / (f64::from(pair[1]) - f64::from(pair[0]))
        })
        .collect();
    (found.len() - 1) as f64 / (found[found.len() - 1] - found[0])
}

pub fn cents(one: f64, other: f64) -> f64 {
    1200.0 * (one / other).log2()
}
