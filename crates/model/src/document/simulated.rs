//! The simulated side of a rig: what stands in for wires, voltages and units.

use crate::quantity::{Celsius, Hertz};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A simulation of a rig's devices and of the units in its positions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Simulated {
    /// Everything that is random follows from this.
    pub seed: u64,
    /// The room.
    #[serde(default)]
    pub room: Room,
    /// The MIDI-to-CV interfaces, by the names that positions use as senders.
    pub interfaces: BTreeMap<String, Interface>,
    /// The audio input.
    #[serde(default)]
    pub input: Input,
    /// The unit in each position.
    pub units: BTreeMap<String, UnitModel>,
    /// Instruments, by the names that supplies and thermometer use.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub instruments: BTreeMap<String, super::rig::Role>,
    /// What goes wrong, and when.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<Fault>,
}

/// The room.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Room {
    /// Its temperature when the run begins.
    pub temperature: Celsius,
}

impl Default for Room {
    fn default() -> Self {
        Self {
            temperature: Celsius::of(21.0),
        }
    }
}

/// A MIDI-to-CV interface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema, Default)]
#[serde(deny_unknown_fields, default)]
pub struct Interface {}

/// The audio input.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Input {
    /// Its rate.
    pub rate: Hertz,
}

impl Default for Input {
    fn default() -> Self {
        Self {
            rate: Hertz::of(48_000.0),
        }
    }
}

/// A unit with physics.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema, Default)]
#[serde(deny_unknown_fields, default)]
pub struct UnitModel {}

/// Something that goes wrong.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Fault {}
