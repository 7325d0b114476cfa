//! What every number, text and list of a document may be: one table for the reader, the
//! JSON Schema and whoever asks. The limits are those of what can be built and bought, wide
//! of it by a factor or more (common practice, no source); they are there so that a slip of
//! the keyboard is found before it takes a night or all memory.

use crate::quantity;
use serde_json::{Value, json};

/// A limit of one place.
enum Limit {
    /// A quantity with its unit, from and to.
    From(&'static str, &'static str),
    /// The same, where a check has better words for what lies outside.
    Checked(&'static str, &'static str),
    /// A number, where the type does not say it.
    Number(f64, f64),
    /// So many characters at most.
    Text(u64),
    /// So many items at most, where a check has better words for more.
    ItemsChecked(u64),
    /// So many items of a list, or entries of a mapping, at most.
    Items(u64),
}

use Limit::{Checked, From, Items, ItemsChecked, Number, Text};

/// No run lasts longer than a plan may, and what happened before it began is long past.
const LONGEST: &str = "720 h";
/// What a rig file may name of each: far more than hang on one computer.
const MOST_PARTS: u64 = 64;

/// Type and field, words of alternatives between them; `*` is any item or entry.
const TABLE: &[(&str, Limit)] = &[
    // A plan.
    ("Plan.title", Text(300)),
    ("Plan.stages", ItemsChecked(200)),
    ("Plan.tolerances", ItemsChecked(500)),
    ("Settle.fixed", Checked("0 s", "600 s")),
    ("Settle.until_steady.within", From("0 cents", "1200 cents")),
    ("Settle.until_steady.at_most", Checked("0 s", "600 s")),
    ("WindowLength.fixed", Checked("20 ms", "600 s")),
    (
        "WindowLength.until_uncertainty.reaches",
        From("0 cents", "100 cents"),
    ),
    (
        "WindowLength.until_uncertainty.at_most",
        Checked("20 ms", "600 s"),
    ),
    ("Evidence.flagged.budget", From("0 B", "100000 GB")),
    ("Evidence.all.budget", From("0 B", "100000 GB")),
    ("Stage.cool_down.for", Checked("0 s", LONGEST)),
    ("Stage.wait.for", Checked("0 s", LONGEST)),
    ("Stage.ask.question", Text(1000)),
    ("Rounds.name", Text(80)),
    ("Rounds.every", Checked("0 s", LONGEST)),
    ("Rounds.for", Checked("0 s", LONGEST)),
    ("Sweep.name", Text(80)),
    ("Hold.name", Text(80)),
    ("Hold.for", Checked("0 s", LONGEST)),
    ("Hold.hop", Checked("20 ms", "600 s")),
    ("Alternate.name", Text(80)),
    ("Alternate.every", Checked("0 s", LONGEST)),
    ("Tune.within", From("0 cents", "1200 cents")),
    ("Tune.at_most", Checked("0 s", LONGEST)),
    ("Notes.list", ItemsChecked(2000)),
    ("Notes.range.step", From("0 cents", "12000 cents")),
    ("Tolerance.of", Text(80)),
    ("Meaning.steady_within", From("0 cents", "1200 cents")),
    ("Meaning.stay", Checked("0 s", LONGEST)),
    ("Meaning.tuned_at", Checked("0 s", LONGEST)),
    ("Meaning.over", From("0 s", LONGEST)),
    // A rig.
    ("Rig.name", Text(300)),
    ("Rig.supplies", Items(MOST_PARTS)),
    ("Rig.positions", Items(MOST_PARTS)),
    ("Rig.thermometer", Text(40)),
    ("Recorded.file", Text(300)),
    ("Recorded.sha256", Text(64)),
    ("Recorded.rate", From("1 Hz", "1 MHz")),
    ("Recorded.lasts", From("0 s", "100000 h")),
    ("Recorded.notes_from", Text(1000)),
    ("Real.senders", Items(MOST_PARTS)),
    ("Real.instruments", Items(MOST_PARTS)),
    ("Sender.midi.port", Text(200)),
    ("Sender.midi.bend_range", Checked("1 cents", "4800 cents")),
    ("Sender.volts.device", Text(200)),
    ("Sender.volts.rate", Checked("8 kHz", "1 MHz")),
    ("Sender.volts.full_scale", Checked("0 V", "20 V")),
    ("CaptureDevice.device", Text(200)),
    ("CaptureDevice.host", Text(40)),
    ("CaptureDevice.rate", Checked("8 kHz", "1 MHz")),
    ("InstrumentDevice.scpi.port", Text(200)),
    ("InstrumentDevice.lines.port", Text(200)),
    ("InstrumentDevice.lines.pattern", Text(500)),
    ("Supply.voltage", Checked("-60 V", "60 V")),
    ("Supply.current_limit", Checked("0 A", "30 A")),
    ("SwitchedBy.instrument", Text(40)),
    ("Position.supply", Text(40)),
    ("Position.input_resistance", From("0 ohm", "1000 Mohm")),
    ("ControlVoltage.sender", Text(40)),
    (
        "Law.volts_per_octave.slope",
        Checked("0.01 V/oct", "10 V/oct"),
    ),
    ("Law.hertz_per_volt.gain", Checked("0.1 Hz/V", "100 kHz/V")),
    ("SafeRange.from", Checked("-20 V", "20 V")),
    ("SafeRange.to", Checked("-20 V", "20 V")),
    ("Bounds.sample_clock", Checked("0 ppm", "1 %")),
    ("Bounds.cv_gain", Checked("0 %", "20 %")),
    ("Bounds.cv_offset", Checked("0 V", "1 V")),
    ("Bounds.cv_step", Checked("0 V", "1 V")),
    ("Bounds.cv_gain_drift", Checked("0 %", "20 %")),
    ("Bounds.cv_offset_drift", Checked("0 V", "1 V")),
    ("Bounds.cv_output_resistance", Checked("0 ohm", "100 kohm")),
    ("Bounds.cv_session", Checked("0 %", "20 %")),
    ("Bounds.thermometer", Checked("0 K", "20 K")),
    ("Certificate.what", Text(300)),
    ("Certificate.number", Text(100)),
    ("Certificate.date", Text(100)),
    ("Certificate.due", Text(100)),
    ("Certificate.as_found", Text(1000)),
    ("Certificate.as_left", Text(1000)),
    // A simulation.
    ("Simulated.interfaces", Items(MOST_PARTS)),
    ("Simulated.units", Items(MOST_PARTS)),
    ("Simulated.instruments", Items(MOST_PARTS)),
    ("Simulated.timers", Items(MOST_PARTS)),
    ("Simulated.timers.*", From("0 s", "8760 h")),
    ("Simulated.on_before", Items(MOST_PARTS)),
    ("Simulated.on_before.*", Checked("0 s", "1000 h")),
    ("Simulated.faults", Items(1000)),
    ("Room.temperature", From("-40 degC", "85 degC")),
    ("Room.swing", From("-50 K", "50 K")),
    ("Room.period", From("1 s", "8760 h")),
    ("Room.wander", From("0 K", "50 K")),
    ("Room.mains", From("1 Hz", "1 kHz")),
    ("ThermalMass.time", From("0 s", "1000 h")),
    ("ThermalMass.rise", From("-200 K", "200 K")),
    ("Interface.lowest", From("-20 V", "20 V")),
    ("Interface.highest", From("-20 V", "20 V")),
    ("Interface.bend_range", From("0 cents", "4800 cents")),
    ("Interface.step_error", From("0 V", "1 V")),
    ("Interface.gain_error", From("-50 %", "50 %")),
    ("Interface.offset_error", From("-10 V", "10 V")),
    ("Interface.gain_drift", From("-1 %/K", "1 %/K")),
    ("Interface.offset_drift", From("-100 mV/K", "100 mV/K")),
    ("Interface.adjusted_at", From("-40 degC", "85 degC")),
    ("Interface.warming", Items(20)),
    ("Interface.on_before", From("0 s", "1000 h")),
    ("Interface.latency", From("0 s", "10 s")),
    ("Interface.slew", From("0 s", "600 s")),
    ("Interface.output_resistance", From("0 ohm", "1 Mohm")),
    ("Input.rate", Checked("8 kHz", "1 MHz")),
    ("Input.clock_error", From("-10 %", "10 %")),
    ("Input.noise", From("-200 dBFS", "0 dBFS")),
    ("Input.gain", From("0 %", "10000 %")),
    ("UnitModel.warming", Items(20)),
    ("UnitModel.drift", From("-1200 cents/h", "1200 cents/h")),
    (
        "UnitModel.per_supply_volt",
        From("-1200 cents", "1200 cents"),
    ),
    ("UnitModel.supply_current", From("0 A", "30 A")),
    ("UnitModel.level", From("-200 dBFS", "20 dBFS")),
    ("UnitModel.input_resistance", From("1 ohm", "1000 Mohm")),
    ("Trimmers.offset", From("-12000 cents", "12000 cents")),
    ("Trimmers.scale", From("-600 cents/oct", "600 cents/oct")),
    ("Trimmers.high_end", From("0 s", "1 ms")),
    ("Converter.trimmed_at", From("-40 degC", "85 degC")),
    (
        "Converter.compensation",
        From("-10000 ppm/K", "10000 ppm/K"),
    ),
    ("Converter.compensation_lag", From("0 s", "1000 h")),
    ("Converter.compensation_contact", From("0 %", "100 %")),
    ("Converter.pair_drift", From("-10 mV/K", "10 mV/K")),
    (
        "Converter.reference_drift",
        From("-10000 ppm/K", "10000 ppm/K"),
    ),
    ("Converter.bulk_resistance", From("0 ohm", "10 kohm")),
    ("Core.current_at_1khz", From("1 nA", "100 mA")),
    ("Core.reset_time", From("0 s", "1 ms")),
    ("Core.leakage", From("0 A", "1 mA")),
    ("Core.bias", From("0 A", "1 mA")),
    ("Core.leakage_doubles_every", From("1 K", "1000 K")),
    ("PhaseNoise.white", From("0 ppm", "1 %")),
    ("PhaseNoise.flicker", From("0 ppm", "1 %")),
    ("Hum.level", From("-200 dBFS", "20 dBFS")),
    ("Hum.bend", From("-1200 cents", "1200 cents")),
    ("Hum.swell", From("-100 %", "100 %")),
    ("Waveform.pulse.duty", Checked("1 %", "99 %")),
    ("Waveform.folded.asymmetry", Number(-10.0, 10.0)),
    ("Fault.unit_silent.positions", Items(MOST_PARTS)),
    ("Fault.unit_silent.from", From("0 s", "8760 h")),
    ("Fault.unit_silent.for", From("0 s", "8760 h")),
    ("Fault.input_dead.positions", Items(MOST_PARTS)),
    ("Fault.input_dead.from", From("0 s", "8760 h")),
    ("Fault.input_dead.for", From("0 s", "8760 h")),
    ("Fault.input_clips.positions", Items(MOST_PARTS)),
    ("Fault.input_clips.gain", From("0 %", "100000 %")),
    ("Fault.input_clips.from", From("0 s", "8760 h")),
    ("Fault.input_clips.for", From("0 s", "8760 h")),
    ("Fault.note_not_played.positions", Items(MOST_PARTS)),
    ("Fault.note_not_played.from", From("0 s", "8760 h")),
    ("Fault.note_not_played.for", From("0 s", "8760 h")),
    ("Fault.portamento.positions", Items(MOST_PARTS)),
    ("Fault.portamento.time", From("0 s", "1 h")),
    ("Fault.portamento.from", From("0 s", "8760 h")),
    ("Fault.portamento.for", From("0 s", "8760 h")),
    ("Fault.capture_dies.from", From("0 s", "8760 h")),
    ("Fault.capture_dies.for", From("0 s", "8760 h")),
    ("Fault.supply_dips.supply", Text(40)),
    ("Fault.supply_dips.to", From("-60 V", "60 V")),
    ("Fault.supply_dips.from", From("0 s", "8760 h")),
    ("Fault.supply_dips.for", From("0 s", "8760 h")),
    ("Fault.supply_stands.supply", Text(40)),
    ("Fault.supply_stands.at", From("-60 V", "60 V")),
    ("Fault.supply_stands.from", From("0 s", "8760 h")),
    ("Fault.supply_stands.for", From("0 s", "8760 h")),
    ("Fault.instrument_silent.instrument", Text(40)),
    ("Fault.instrument_silent.from", From("0 s", "8760 h")),
    ("Fault.instrument_silent.for", From("0 s", "8760 h")),
    ("Fault.instrument_stutters.instrument", Text(40)),
    ("Fault.instrument_stutters.from", From("0 s", "8760 h")),
    ("Fault.instrument_stutters.for", From("0 s", "8760 h")),
    ("Fault.thermometer_reads.instrument", Text(40)),
    // Shown, not felt: a broken sensor may show anything.
    (
        "Fault.thermometer_reads.temperature",
        From("-273 degC", "1000000000 degC"),
    ),
    ("Fault.thermometer_reads.from", From("0 s", "8760 h")),
    ("Fault.thermometer_reads.for", From("0 s", "8760 h")),
    ("Fault.locked.positions", Items(MOST_PARTS)),
    ("Fault.locked.within", From("0 cents", "1200 cents")),
    ("Fault.locked.from", From("0 s", "8760 h")),
    ("Fault.locked.for", From("0 s", "8760 h")),
    ("Fault.loose_contact.positions", Items(MOST_PARTS)),
    (
        "Fault.loose_contact.by",
        From("-12000 cents", "12000 cents"),
    ),
    ("Fault.loose_contact.from", From("0 s", "8760 h")),
    ("Fault.loose_contact.for", From("0 s", "8760 h")),
    ("Fault.cables_swapped.from", From("0 s", "8760 h")),
    ("Fault.cables_swapped.for", From("0 s", "8760 h")),
];

/// Writes the limits into the JSON Schema of a document: for quantities as `x-least` and
/// `x-most`, with their units, and in the description. A row of the other kind of document
/// finds nothing here.
pub(super) fn write_into(schema: &mut Value) {
    for (place, limit) in TABLE {
        let Some(found) = at(schema, place).and_then(Value::as_object_mut) else {
            continue;
        };
        let keys = match limit {
            From(least, most) | Checked(least, most) => {
                let said = found.get("description").and_then(Value::as_str);
                let said = said.map_or_else(String::new, |said| format!("{said} "));
                let range = format!("{said}From {least} to {most}.");
                found.insert("description".to_owned(), json!(range));
                if matches!(limit, Checked(..)) {
                    vec![("x-checked", json!(true))]
                } else {
                    Vec::new()
                }
                .into_iter()
                .chain([("x-least", json!(least)), ("x-most", json!(most))])
                .collect()
            }
            Number(least, most) => vec![("minimum", json!(least)), ("maximum", json!(most))],
            Text(most) => vec![("maxLength", json!(most))],
            Items(most) | ItemsChecked(most) => {
                let is_list = found.get("items").is_some();
                let key = if is_list { "maxItems" } else { "maxProperties" };
                vec![(key, json!(most))]
            }
        };
        for (key, value) in keys {
            found.insert(key.to_owned(), value);
        }
    }
}

/// The schema of a place of the table.
fn at<'a>(schema: &'a mut Value, place: &str) -> Option<&'a mut Value> {
    let mut steps = place.split('.');
    let first = steps.next()?;
    let is_root = schema.get("title").and_then(Value::as_str) == Some(first);
    let mut here = if is_root {
        schema
    } else {
        schema.get_mut("$defs")?.get_mut(first)?
    };
    for step in steps {
        here = below(here, step)?;
    }
    Some(here)
}

fn below<'a>(schema: &'a mut Value, step: &str) -> Option<&'a mut Value> {
    if step == "*" {
        return schema.get_mut("additionalProperties");
    }
    let has = |schema: &Value| schema.pointer(&format!("/properties/{step}")).is_some();
    if has(schema) {
        return schema.get_mut("properties")?.get_mut(step);
    }
    let ways = schema.get_mut("oneOf")?.as_array_mut()?;
    let way = ways.iter_mut().find(|way| has(way))?;
    way.get_mut("properties")?.get_mut(step)
}

/// What a quantity may be at a place whose schema this is, if it is beyond it.
pub(super) fn beyond(schema: &Value, written: &str) -> Option<String> {
    if schema.get("x-checked").is_some() {
        return None;
    }
    let limit = |key: &str| schema.get(key).and_then(Value::as_str);
    let (least, most) = (limit("x-least")?, limit("x-most")?);
    let [value, low, high] = [written, least, most].map(quantity::base_value);
    (value? < low? || value? > high?).then(|| format!("{least} to {most}"))
}

#[cfg(test)]
mod tests {
    use super::super::schema::{plan_schema, rig_schema};
    use super::*;

    fn schemas() -> [Value; 2] {
        [("Plan", plan_schema()), ("Rig", rig_schema())].map(|(title, mut schema)| {
            schema["title"] = json!(title);
            schema
        })
    }

    #[test]
    fn every_row_has_its_place_and_can_be_read() {
        let mut both = schemas();
        for (place, limit) in TABLE {
            assert!(
                both.iter_mut().any(|schema| at(schema, place).is_some()),
                "{place}"
            );
            if let From(least, most) | Checked(least, most) = limit {
                let [least, most] = [least, most].map(|text| quantity::base_value(text).unwrap());
                assert!(least < most, "{place}");
            }
        }
    }

    /// Whoever adds a field says what it may be.
    #[test]
    fn every_number_text_and_list_has_a_limit() {
        fn look(schema: &Value, at: &str, missing: &mut Vec<String>) {
            let has = |key: &str| schema.get(key).is_some();
            let kind = |name: &str| match &schema["type"] {
                Value::Array(kinds) => kinds.iter().any(|kind| kind == name),
                kind => kind == name,
            };
            let limited = has("maximum")
                || has("x-most")
                || has("maxLength")
                || has("maxItems")
                || has("maxProperties")
                || has("enum")
                || has("const");
            let needs = kind("string") || kind("number") || kind("integer") || kind("array");
            let is_map = schema["additionalProperties"].is_object();
            if (needs || is_map) && !limited {
                missing.push(at.to_owned());
            }
            if let Some(properties) = schema["properties"].as_object() {
                for (key, schema) in properties {
                    look(schema, &format!("{at}.{key}"), missing);
                }
            }
            for ways in ["oneOf", "anyOf"] {
                for way in schema[ways].as_array().into_iter().flatten() {
                    look(way, at, missing);
                }
            }
        }
        let mut missing = Vec::new();
        for schema in schemas() {
            look(&schema, schema["title"].as_str().unwrap(), &mut missing);
            for (name, schema) in schema["$defs"].as_object().unwrap() {
                look(schema, name, &mut missing);
            }
        }
        missing.sort();
        missing.dedup();
        assert_eq!(missing, EXEMPT, "say in the table what these may be");
    }

    /// Seeds are any number; notes, moments and limits of tolerances have forms of their
    /// own, which the checks hold against what is played.
    const EXEMPT: [&str; 17] = [
        "Allow.at_least",
        "Allow.at_most",
        "Allow.between.from",
        "Allow.between.to",
        "Allow.within",
        "Converter.pivot",
        "Hold.note",
        "Interface.specimen",
        "Law.volts_per_octave.zero",
        "Notes.range.from",
        "Notes.range.to",
        "Order.random.seed",
        "Plan.pitch",
        "Plan.reference",
        "Simulated.seed",
        "Tolerance.at",
        "Tune.note",
    ];
}
