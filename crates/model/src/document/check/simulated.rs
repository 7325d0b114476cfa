//! Whether the simulated side of a rig fits the rest of it. What is physically possible of
//! each number, the reader says (`document::limits`).

use super::super::error::DocumentError;
use super::super::path::Path;
use super::super::rig::{Rig, SwitchedBy, Wiring};
use super::super::simulated::{Fault, Simulated, UnitModel, Waveform};
use super::{Checker, at};
use crate::quantity::Seconds;
use std::collections::BTreeSet;
use std::mem::discriminant;

/// Whatever has been on for longer has long been warm.
const LONGEST_ON: Seconds = Seconds::of(1000.0 * 3600.0);

/// What the bits of are meant, for messages.
const CONVERTER: &str = "number of bits of a converter";

pub(super) fn check(check: &Checker<'_, Rig>, simulated: &Simulated) -> Result<(), DocumentError> {
    let rig = &check.document.value;
    let top = at!["wiring", "simulated"];
    let positions = || rig.positions.keys().map(String::as_str);
    for name in simulated.units.keys() {
        if !rig.positions.contains_key(name) {
            check.known(name, positions(), &top.then("units").then(name), "position")?;
        }
    }
    for name in rig.positions.keys() {
        check.require(
            simulated.units.contains_key(name),
            &top.then("units"),
            || format!("no unit is described for the position \"{name}\""),
            || {
                format!(
                    "every position of a simulated rig holds one; \"{name}: {{}}\" is a healthy one"
                )
            },
        )?;
    }
    for (name, position) in &rig.positions {
        let Some(unit) = simulated.units.get(name) else {
            continue;
        };
        check.require(
            discriminant(&unit.law) == discriminant(&position.cv.law),
            &top.then("units").then(name).then("law"),
            || format!("the unit follows another kind of control law than the position \"{name}\""),
            || "both follow volts_per_octave, or both hertz_per_volt".to_owned(),
        )?;
        if let Some(interface) = simulated.interfaces.get(&position.cv.sender) {
            check.require(
                discriminant(&interface.law) == discriminant(&position.cv.law),
                &top.then("interfaces").then(&position.cv.sender).then("law"),
                || format!("the interface follows another kind of control law than the position \"{name}\""),
                || "both follow volts_per_octave, or both hertz_per_volt".to_owned(),
            )?;
        }
    }
    for (name, interface) in &simulated.interfaces {
        check.require(
            interface.lowest < interface.highest,
            &top.then("interfaces").then(name).then("highest"),
            || {
                format!(
                    "nothing lies between {} and {}",
                    interface.lowest, interface.highest
                )
            },
            || "\"lowest\" must lie below \"highest\"".to_owned(),
        )?;
        check.law(
            &interface.law,
            &top.then("interfaces").then(name).then("law"),
        )?;
        let bits = top.then("interfaces").then(name).then("bits");
        check.in_range(interface.bits.into(), 4..=32, &bits, CONVERTER)?;
    }
    let input = top.then("input");
    check.rate(simulated.input.rate, &input.then("rate"))?;
    let bits = input.then("bits");
    check.in_range(simulated.input.bits.into(), 8..=32, &bits, CONVERTER)?;
    for (name, unit) in &simulated.units {
        check.law(&unit.law, &top.then("units").then(name).then("law"))?;
        unit_can_be(check, unit, &top.then("units").then(name))?;
    }
    for name in simulated.timers.keys() {
        let path = top.then("timers").then(name);
        let timed = rig
            .supplies
            .iter()
            .filter(|(_, supply)| supply.by == SwitchedBy::Timer)
            .map(|(name, _)| name.as_str());
        check.known(name, timed, &path, "supply with a timer")?;
    }
    for (name, before) in &simulated.on_before {
        let path = top.then("on_before").then(name);
        let supplies = rig.supplies.keys().map(String::as_str);
        check.known(name, supplies, &path, "supply")?;
        check.require(
            !simulated.timers.contains_key(name),
            &path,
            || format!("the timer of the supply \"{name}\" switches on during the run"),
            || {
                "say one of the two: when its timer switches on, or how long it has been on"
                    .to_owned()
            },
        )?;
        check.require(
            before.get() > 0.0 && *before <= LONGEST_ON,
            &path,
            || format!("a supply cannot have been on for {before} before the run"),
            || format!("expected up to {LONGEST_ON}; leave it out where it was off"),
        )?;
    }
    for (index, fault) in simulated.faults.iter().enumerate() {
        fault_fits(check, fault, &top.then("faults").then(index))?;
    }
    Ok(())
}

/// What the simulator would otherwise take for the nearest thing that it can do.
fn unit_can_be(
    check: &Checker<'_, Rig>,
    unit: &UnitModel,
    path: &Path,
) -> Result<(), DocumentError> {
    check.require(
        unit.octave_switch.abs() <= 8,
        &path.then("octave_switch"),
        || format!("no octave switch stands at {} octaves", unit.octave_switch),
        || "expected a whole number from -8 to 8".to_owned(),
    )?;
    let waveform = path.then("waveform");
    match unit.waveform {
        Waveform::Pulse { duty } => check.require(
            (0.01..=0.99).contains(&duty.get()),
            &waveform.then("pulse").then("duty"),
            || format!("{duty} is not a possible duty cycle"),
            || "expected 1 % to 99 %".to_owned(),
        ),
        Waveform::Folded { drive, .. } => check.require(
            (0.1..=8.0).contains(&drive),
            &waveform.then("folded").then("drive"),
            || format!("{drive} is not a possible drive of a folding shaper"),
            || "expected a number from 0.1 to 8".to_owned(),
        ),
        Waveform::Saw | Waveform::Triangle | Waveform::Sine => Ok(()),
    }
}

fn fault_fits(check: &Checker<'_, Rig>, fault: &Fault, path: &Path) -> Result<(), DocumentError> {
    let rig = &check.document.value;
    let supplies = || rig.supplies.keys().map(String::as_str);
    let known_instrument = |instrument: &str, word: &str| {
        let Wiring::Simulated(simulated) = &rig.wiring else {
            return Ok(());
        };
        let path = path.then(word).then("instrument");
        let names = simulated.instruments.keys().map(String::as_str);
        check.known(instrument, names, &path, "instrument")
    };
    let (word, key, named): (&str, &str, &[String]) = match fault {
        Fault::UnitSilent { positions, .. } => ("unit_silent", "positions", positions),
        Fault::InputDead { positions, .. } => ("input_dead", "positions", positions),
        Fault::InputClips { positions, .. } => ("input_clips", "positions", positions),
        Fault::NoteNotPlayed { positions, .. } => ("note_not_played", "positions", positions),
        Fault::Portamento { positions, .. } => ("portamento", "positions", positions),
        Fault::Locked { positions, .. } => ("locked", "positions", positions),
        Fault::LooseContact { positions, .. } => ("loose_contact", "positions", positions),
        Fault::CablesSwapped { between, .. } => ("cables_swapped", "between", between),
        Fault::CaptureDies { .. } => return Ok(()),
        Fault::SupplyDips { supply, .. } => {
            let path = path.then("supply_dips").then("supply");
            return check.known(supply, supplies(), &path, "supply");
        }
        Fault::SupplyStands { supply, .. } => {
            let path = path.then("supply_stands").then("supply");
            return check.known(supply, supplies(), &path, "supply");
        }
        Fault::InstrumentSilent { instrument, .. } => {
            return known_instrument(instrument, "instrument_silent");
        }
        Fault::InstrumentStutters { instrument, .. } => {
            return known_instrument(instrument, "instrument_stutters");
        }
        Fault::ThermometerReads { instrument, .. } => {
            return known_instrument(instrument, "thermometer_reads");
        }
    };
    let path = path.then(word).then(key);
    let fewest = match fault {
        Fault::Locked { .. } | Fault::CablesSwapped { .. } => 2,
        _ => 1,
    };
    let different: BTreeSet<&String> = named.iter().collect();
    check.require(
        different.len() >= fewest,
        &path,
        || {
            if fewest == 1 {
                "no position is named here".to_owned()
            } else {
                "two different positions are needed here".to_owned()
            }
        },
        || "write their names, like [left, right]".to_owned(),
    )?;
    for (index, name) in named.iter().enumerate() {
        let names = rig.positions.keys().map(String::as_str);
        check.known(name, names, &path.then(index), "position")?;
    }
    Ok(())
}
