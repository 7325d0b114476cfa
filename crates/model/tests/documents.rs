//! Plans and rigs as a person writes them: those that ship, those with mistakes,
//! and those that are no documents at all.

#![allow(clippy::disallowed_methods, reason = "tests read the shipped files")]

use model::document::plan::Plan;
use model::document::rig::Rig;
use model::document::{Document, DocumentError, LARGEST, Remark, check, read_plan, read_rig};
use proptest::prelude::*;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

const PLAN: &str = include_str!("../../../rigs/plans/overnight.yaml");
const RIG: &str = include_str!("../../../rigs/bench.yaml");

fn folder(name: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../..")
        .join(name);
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| {
            path.extension()
                .is_some_and(|extension| extension == "yaml")
        })
        .collect();
    files.sort();
    assert!(!files.is_empty());
    files
}

fn plan(text: &str) -> Result<(Document<Plan>, Vec<Remark>), DocumentError> {
    let document = read_plan("plan.yaml", text.as_bytes())?;
    let remarks = check::check_plan(&document)?;
    Ok((document, remarks))
}

fn rig(text: &str) -> Result<(Document<Rig>, Vec<Remark>), DocumentError> {
    let document = read_rig("rig.yaml", text.as_bytes())?;
    let remarks = check::check_rig(&document)?;
    Ok((document, remarks))
}

#[test]
fn every_shipped_plan_runs_on_every_shipped_rig() {
    for rig_file in folder("rigs") {
        let name = rig_file.display().to_string();
        let rig =
            read_rig(&name, &std::fs::read(&rig_file).unwrap()).unwrap_or_else(|e| panic!("{e}"));
        let remarks = check::check_rig(&rig).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(remarks, [], "{}", remarks[0]);
        for plan_file in folder("rigs/plans") {
            let name = plan_file.display().to_string();
            let plan = read_plan(&name, &std::fs::read(&plan_file).unwrap())
                .unwrap_or_else(|e| panic!("{e}"));
            let remarks = check::check_plan(&plan).unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(remarks, [], "{}", remarks[0]);
            let cold = PLAN.len() == plan.text.len();
            // A rig without supplies cannot start cold; that is what the check is for.
            let switched = rig
                .value
                .positions
                .values()
                .all(|position| position.supply.is_some());
            match check::check_together(&plan, &rig) {
                Ok(_) => assert!(switched || !cold),
                Err(error) => assert!(cold && !switched, "{error}"),
            }
        }
    }
}

#[test]
fn every_word_is_read() {
    let (plan, remarks) =
        plan(include_str!("every-word-plan.yaml")).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(remarks, []);
    for name in model::result::ResultName::ALL {
        assert!(
            plan.value
                .tolerances
                .iter()
                .any(|tolerance| tolerance.result == name),
            "{name}"
        );
    }
    // A stage that says something of listening keeps the rest of the plan's.
    let Some(model::document::plan::Stage::Alternate(alternate)) = plan.value.stages.last() else {
        panic!("the last stage alternates");
    };
    let listen = alternate.listen.as_ref().unwrap();
    assert_eq!(
        (&listen.settle, listen.repeats),
        (&plan.value.listen.settle, 2)
    );
    assert_ne!(listen.window, plan.value.listen.window);
    let (rig, remarks) = rig(include_str!("every-word-rig.yaml")).unwrap_or_else(|e| panic!("{e}"));
    // C1 = 0 V and C2 = 1 V are the same law, so that a and c may share a channel; it is
    // said that they do.
    let said: Vec<String> = remarks.iter().map(ToString::to_string).collect();
    assert!(
        matches!(said.as_slice(), [one] if one.contains("\"a\" is on the same sender and channel")),
        "{said:?}"
    );
    assert_eq!(rig.value.positions.len(), 3);
    let remarks = check::check_together(&plan, &rig).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(remarks, []);
}

/// A plan with one thing changed, and a name for the mistake.
fn changed(text: &str, from: &str, to: &str) -> String {
    assert!(text.contains(from), "{from}");
    text.replacen(from, to, 1)
}

/// All diagnostics in one place, to be read aloud.
#[test]
fn diagnostics_of_plans() {
    let mistakes = [
        ("an unknown key", "every: 1 min", "evry: 1 min"),
        ("an unknown stage", "- rounds:", "- round:"),
        (
            "an unknown result",
            "result: scale_error",
            "result: scale_eror",
        ),
        ("a key twice", "repeats: 1", "repeats: 1\n  repeats: 2"),
        ("a missing key", "      every: 1 min\n", ""),
        (
            "all keys of a stage missing but its name",
            "      notes: {list: [C4, C1, C2, C3, C5, C6, C7, C4]}\n      every: 10 min\n      for: 690 min ",
            "     ",
        ),
        (
            "keys of a tolerance missing",
            "{result: scale_error, of: night, at: end, allow: {within: 1 cent/oct}}",
            "{at: end}",
        ),
        (
            "a key missing beside a choice",
            "{within: 1 cent, at_most: 2 s}",
            "{}",
        ),
        ("a missing unit", "every: 1 min", "every: 60"),
        ("a wrong unit", "every: 1 min", "every: 1 cent"),
        ("a decimal comma", "{fixed: 500 ms}", "{fixed: \"0,5 s\"}"),
        (
            "a decimal comma in braces",
            "{fixed: 500 ms}",
            "{fixed: 0,5 s}",
        ),
        (
            "a decimal comma in braces, further on",
            "{within: 1 cent, at_most",
            "{within: 0,25 cents, at_most",
        ),
        (
            "a decimal comma in a number",
            "guard_band: 1",
            "guard_band: '0,5'",
        ),
        ("a quoted number", "repeats: 1", "repeats: \"1\""),
        ("not a number", "guard_band: 1", "guard_band: .nan"),
        ("a sharp cut off", "[C4, C1, C2,", "[C4, F #2,"),
        (
            "a sharp cut off at the end of a line",
            "reference: C4 ",
            "reference: F #4 ",
        ),
        ("no note", "[C4, C1, C2,", "[C4, H2,"),
        ("a number for a note", "[C4, C1, C2,", "[C4, 440,"),
        ("a word with settings", "- power_on", "- power_on: {}"),
        ("settings missing", "- cool_down: {for: 2 h}", "- cool_down"),
        ("two stages in one", "  - power_on", "    power_on: now"),
        ("a stage without its settings", "- power_on", "- rounds"),
        ("a list for a word", "- power_on", "- [power_on]"),
        (
            "a list left empty",
            "{list: [C4, C1, C2, C3, C5, C6, C7, C4]}",
            "{list: }",
        ),
        ("zeros in front", "repeats: 1", "repeats: 007"),
        ("nothing written", "every: 1 min", "every:"),
        (
            "a text that is a number",
            "title: One night from cold",
            "title: 2026",
        ),
        ("an alias", "reference: C4", "reference: *c"),
        ("an anchor", "reference: C4", "reference: &c C4"),
        ("a tag", "reference: C4", "reference: !!str C4"),
        ("a merge key", "reference: C4", "<<: {}\nreference: C4"),
        ("a second document", "decision:", "---\ndecision:"),
        (
            "a newer version",
            "nightbench: plan 1",
            "nightbench: plan 2",
        ),
        (
            "a rig for a plan",
            "nightbench: plan 1",
            "nightbench: rig 1",
        ),
        ("no kind", "nightbench: plan 1", "nightbench: 1"),
        ("no header", "nightbench: plan 1\n", ""),
        ("a tab", "  - rounds:", "\t- rounds:"),
        ("a tab between words", "{for: 2 h}", "{for:\t2 h}"),
        ("a bracket left open", "every: 1 min", "every: [1 min"),
        ("a round that does not fit", "every: 1 min", "every: 10 s"),
        ("rounds too short", "for: 30 min", "for: 30 s"),
        ("a plan too long", "for: 690 min", "for: 6900 h"),
        (
            "a plan for ever",
            "cool_down: {for: 2 h}",
            "cool_down: {for: 1e300 h}",
        ),
        ("a pitch standard for ever", "A4 = 440 Hz", "A4 = 1e300 Hz"),
        ("no time", "cool_down: {for: 2 h}", "cool_down: {for: 0 s}"),
        ("a name twice", "name: night", "name: warming"),
        ("no such stage", "of: night, at: end", "of: nights, at: end"),
        (
            "a limit of another dimension",
            "{within: 1 cent/oct}",
            "{within: 1 cent}",
        ),
        (
            "a limit that is no limit",
            "{at_most: 3 cents}",
            "{at_most: 3 bananas}",
        ),
        ("a moment outside", "at: end", "at: 20 h"),
        (
            "units left off",
            "  - power_on                     # t = 0\n",
            "",
        ),
        ("a guard band too wide", "guard_band: 1", "guard_band: 5"),
    ];
    let mut all = String::new();
    for (what, from, to) in mistakes {
        let error = plan(&changed(PLAN, from, to)).expect_err(what);
        all.push_str(&format!("-- {what}\n{error}\n\n"));
    }
    insta::assert_snapshot!(all);
}

#[test]
fn diagnostics_of_rigs() {
    let mistakes = [
        (
            "no such sender",
            "sender: keys\n      channel: 1 ",
            "sender: key\n      channel: 1 ",
        ),
        (
            "no such supply",
            "supply: rack\n    input_resistance: 100 kohm   #",
            "supply: rock\n    input_resistance: 100 kohm   #",
        ),
        (
            "no such instrument",
            "{instrument: bench-supply}",
            "{instrument: bench}",
        ),
        (
            "an instrument of another kind",
            "{instrument: bench-supply}",
            "{instrument: air}",
        ),
        ("no current limit", "    current_limit: 800 mA", "    #"),
        (
            "no voltage and no current limit",
            "    voltage: 12 V\n    current_limit: 800 mA",
            "    #",
        ),
        (
            "nothing said of the control voltage",
            "      sender: keys\n      channel: 2\n      law: {volts_per_octave: {slope: 1 V/oct, zero: C1 = 0 V}}\n",
            "",
        ),
        (
            "a certificate of which little is said",
            "# certificates:\n#   sample_clock: {what: \"frequency counter, own workshop\", number: \"17\", date: 2026-03-01, due: 2027-03-01}",
            "certificates:\n  sample_clock: {due: 2027-03-01}",
        ),
        (
            "a certificate whose day there is not",
            "# certificates:",
            "certificates:\n  thermometer: {what: ice, number: '19', date: 2026-02-30}\n#",
        ),
        (
            "a certificate dated in another form",
            "# certificates:",
            "certificates:\n  thermometer: {what: ice, number: '19', date: 1.3.2026}\n#",
        ),
        (
            "a certificate due before it was made",
            "# certificates:",
            "certificates:\n  thermometer: {what: ice, number: '19', date: 2026-03-01, due: 2025-03-01}\n#",
        ),
        (
            "a certificate without a number",
            "# certificates:",
            "certificates:\n  thermometer: {what: ice, number: '', date: 2026-03-01}\n#",
        ),
        ("one input for two", "input: 2", "input: 1"),
        ("no such input", "input: 2", "input: 3"),
        (
            "two laws on one CV",
            "channel: 2\n      law: {volts_per_octave: {slope: 1 V/oct",
            "channel: 1\n      law: {volts_per_octave: {slope: 1.2 V/oct",
        ),
        (
            "a safe range the wrong way round",
            "safe: {from: 0 V, to: 8 V} #",
            "safe: {from: 8 V, to: 0 V} #",
        ),
        (
            "a channel that MIDI does not have",
            "channel: 2",
            "channel: 17",
        ),
        (
            "a channel that no byte holds",
            "channel: 2",
            "channel: 1700",
        ),
        (
            "a bend range too wide",
            "bend_range: 200 cents",
            "bend_range: 50 semitones",
        ),
        (
            "a pattern without a temperature",
            "(?<celsius>",
            "(?<kelvin>",
        ),
        ("a pattern that is none", "[-0-9.]+)'", "[-0-9.+)'"),
        (
            "one port for two instruments",
            "port: /dev/ttyACM0",
            "port: /dev/ttyUSB0",
        ),
        (
            "a current limit that protects nothing",
            "current_limit: 800 mA",
            "current_limit: 800 A",
        ),
        (
            "a voltage beyond all reason",
            "safe: {from: 0 V, to: 8 V} #",
            "safe: {from: 0 V, to: 1e300 V} #",
        ),
        (
            "a switch that is none",
            "by: {instrument: bench-supply}",
            "by: hand",
        ),
        ("a law without its zero", ", zero: C1 = 0 V", ""),
        ("an audio system that is none", "host: alsa", "host: asla"),
        ("no position", "  right:\n", "  \"left=\":\n"),
        (
            "a plan for a rig",
            "nightbench: rig 1",
            "nightbench: plan 1",
        ),
    ];
    let mut all = String::new();
    for (what, from, to) in mistakes {
        let error = rig(&changed(RIG, from, to)).expect_err(what);
        all.push_str(&format!("-- {what}\n{error}\n\n"));
    }
    insta::assert_snapshot!(all);
}

#[test]
fn diagnostics_of_simulated_rigs() {
    let simulated = include_str!("../../../rigs/simulated.yaml");
    let mistakes = [
        ("no bits", "bits: 16", "bits: 0"),
        ("more bits than there are", "bits: 24", "bits: 99"),
        ("a pulse that is none", "duty: 30 %", "duty: 130 %"),
        (
            "a drive that folds nothing",
            "waveform: triangle",
            "waveform: {folded: {drive: 0.0}}",
        ),
        (
            "an octave switch out of reach",
            "waveform: triangle",
            "waveform: triangle\n        octave_switch: 9",
        ),
        (
            "zeros in front of a number below 0",
            "waveform: triangle",
            "waveform: triangle\n        octave_switch: -007",
        ),
        (
            "a fault of nobody",
            "faults: []",
            "faults: [{unit_silent: {positions: [], from: 0 s}}]",
        ),
        (
            "locked to itself",
            "faults: []",
            "faults: [{locked: {positions: [bay-1], from: 0 s}}]",
        ),
        (
            "swapped with itself",
            "faults: []",
            "faults: [{cables_swapped: {between: [bay-1, bay-1], from: 0 s}}]",
        ),
        (
            "a seed that is too large",
            "seed: 20260302",
            "seed: 99999999999999999999",
        ),
        (
            "a seed far below 0",
            "seed: 20260302",
            "seed: -99999999999999999999",
        ),
    ];
    let mut all = String::new();
    for (what, from, to) in mistakes {
        let error = rig(&changed(simulated, from, to)).expect_err(what);
        all.push_str(&format!("-- {what}\n{error}\n\n"));
    }
    insta::assert_snapshot!(all);
}

/// A whole number that its type cannot hold is told the same range as one that it can.
#[test]
fn ranges_of_whole_numbers_are_those_that_are_allowed() {
    let range = |error: &DocumentError| {
        let said = error.to_string();
        let (_, range) = said
            .split_once("a whole number from ")
            .unwrap_or_else(|| panic!("{said}"));
        let end = range.find([',', '\n']).unwrap_or(range.len());
        range[..end].to_owned()
    };
    let simulated = include_str!("../../../rigs/simulated.yaml");
    let alternating = include_str!("every-word-plan.yaml");
    // The number after "to" is the highest, one more is refused by the check.
    let cases = [
        (PLAN, "repeats: 1", "1 to 1000"),
        (PLAN, "retries: 2", "0 to 20"),
        (alternating, "times: 10", "1 to 1000000"),
        (RIG, "channels: 2", "1 to 64"),
        (RIG, "buffer: 1024", "16 to 65536"),
        (RIG, "baud: 9600", "50 to 12000000"),
        (RIG, "baud: 115200", "50 to 12000000"),
        (simulated, "bits: 16", "4 to 32"),
        (simulated, "bits: 24", "8 to 32"),
    ];
    for (text, from, allowed) in cases {
        let key = from.split(' ').next().unwrap();
        let (_, highest) = allowed.split_once(" to ").unwrap();
        let beyond = highest.parse::<u64>().unwrap() + 1;
        for wrong in [&*beyond.to_string(), "99999999999", "-1"] {
            let text = changed(text, from, &format!("{key} {wrong}"));
            let refused = if text.contains("nightbench: plan") {
                plan(&text).map(|_| ())
            } else {
                rig(&text).map(|_| ())
            };
            assert_eq!(range(&refused.expect_err(key)), allowed, "{key} {wrong}");
        }
    }
}

/// Whatever a number stands for, it is refused with its place where it lies beyond all that
/// can be built; a text or list that is too long likewise.
#[test]
fn what_cannot_be_is_refused_with_its_range() {
    let simulated = include_str!("../../../rigs/simulated.yaml");
    let unit = "waveform: triangle";
    let long = format!("name: {}", "a".repeat(301));
    let name = simulated
        .lines()
        .find(|line| line.starts_with("name:"))
        .unwrap();
    let warming = "[{time: 20 min, rise: 6 K}]";
    let many = format!("[{}]", ["{time: 1 s, rise: 1 K}"; 21].join(", "));
    let noise = "white: 3 ppm, flicker: 4 ppm";
    for (there, wrong, allowed) in [
        (noise, "flicker: 1e9 ppm", "0 ppm to 1 %"),
        (noise, "white: -1 ppm", "0 ppm to 1 %"),
        (
            unit,
            "drift: 1e300 cents/h",
            "-1200 cents/h to 1200 cents/h",
        ),
        (
            unit,
            "per_supply_volt: 1e12 cents",
            "-1200 cents to 1200 cents",
        ),
        ("level: -13 dBFS", "level: 500 dBFS", "-200 dBFS to 20 dBFS"),
        ("reset_time: 0.25 us", "reset_time: 1 s", "0 s to 1 ms"),
        ("step_error: 60 uV", "step_error: 60 V", "0 V to 1 V"),
        (
            "compensation: 900 ppm/K",
            "compensation: 900 %/K",
            "-10000 ppm/K to 10000 ppm/K",
        ),
    ] {
        let error = rig(&changed(simulated, there, wrong)).expect_err(wrong);
        assert!(error.problem.contains(allowed), "{error}");
        assert!(error.place.is_some(), "{error}");
    }
    let error = rig(&changed(simulated, name, &long)).unwrap_err();
    assert!(error.problem.contains("at most 300 characters"), "{error}");
    let error = rig(&changed(simulated, warming, &many)).unwrap_err();
    assert!(error.problem.contains("at most 20 items"), "{error}");
    let far = "law: {volts_per_octave: {zero: C1 = 1e9 V}}";
    let to = format!("{unit}\n        {far}");
    let error = rig(&changed(simulated, unit, &to)).unwrap_err();
    assert!(error.problem.contains("no control voltage"), "{error}");
}

/// A plan whose readings no computer holds, of one unit or of all.
#[test]
fn a_plan_that_cannot_be_held_is_refused() {
    let with = |stages: &str| {
        let head = "nightbench: plan 1\ntitle: long\nreference: C4\nlisten: {settle: {fixed: 0 s}, window: {fixed: 20 ms}, repeats: 1000}\nstages:\n";
        plan(&format!("{head}{stages}"))
    };
    let one = "  - alternate: {name: a, between: [C4, C5], every: 600 s, times: 4000}\n";
    let error = with(one).unwrap_err();
    assert!(error.problem.contains("8000000 readings"), "{error}");
    let hold =
        |name: &str| format!("  - hold: {{name: {name}, note: C4, for: 20 h, hop: 20 ms}}\n");
    let error = with(&(hold("a") + &hold("b"))).unwrap_err();
    assert!(error.problem.contains("7200000 readings"), "{error}");
    assert_eq!(error.path.to_string(), "stages");
    let (many, _) = with(&hold("a")).unwrap();
    let simulated = include_str!("../../../rigs/simulated.yaml");
    let (four, _) = rig(simulated).unwrap();
    assert!(check::check_together(&many, &four).is_ok());
    let more = "positions:\n".to_owned()
        + &(1..=8)
            .map(|n| format!("  p{n}: {{cv: {{sender: keys, channel: {n}, law: {{volts_per_octave: {{zero: C1 = 0 V}}}}, safe: {{from: 0 V, to: 8 V}}}}, input: {n}}}\n"))
            .collect::<String>();
    let eight = format!(
        "nightbench: rig 1\nname: eight\nwiring: {{real: {{senders: {{keys: {{midi: {{port: a}}}}}}, capture: {{device: b, rate: 48 kHz, channels: 8}}}}}}\n{more}"
    );
    let (eight, _) = rig(&eight).unwrap();
    let error = check::check_together(&many, &eight).unwrap_err();
    assert!(error.problem.contains("29 GB"), "{error}");
}

#[test]
fn diagnostics_of_a_plan_on_a_rig() {
    let mut all = String::new();
    let mut both = |what: &str, plan_text: &str, rig_text: &str| {
        let (plan, _) = plan(plan_text).unwrap_or_else(|e| panic!("{e}"));
        let (rig, _) = rig(rig_text).unwrap_or_else(|e| panic!("{e}"));
        match check::check_together(&plan, &rig) {
            Err(error) => all.push_str(&format!("-- {what}\n{error}\n\n")),
            Ok(remarks) => {
                assert!(!remarks.is_empty(), "{what}");
                for remark in remarks {
                    all.push_str(&format!("-- {what}\n{remark}\n\n"));
                }
            }
        }
    };
    let unfed = RIG.replace("    supply: rack\n", "");
    let one_unfed = changed(RIG, "    supply: rack\n", "");
    both(
        "a note above the safe range",
        &changed(PLAN, "C6, C7,", "C6, C10,"),
        RIG,
    );
    both(
        "a note below the safe range",
        &changed(PLAN, "[C4, C1, C2,", "[C4, C0,"),
        RIG,
    );
    both(
        "a note beyond what the audio output reaches",
        PLAN,
        &changed(
            RIG,
            "midi:\n          port: \"USB MIDI\"       # the port's name, or a part that no other port has\n          bend_range: 200 cents  # what the interface bends at full pitch bend",
            "volts: {device: \"USB Audio\", rate: 48 kHz, full_scale: 5 V}",
        ),
    );
    both(
        "a note that MIDI does not have",
        &changed(PLAN, "C6, C7,", "C6, \"A#9\","),
        &RIG.replace("to: 8 V", "to: 10 V"),
    );
    both("a cold start without a switch", PLAN, &unfed);
    both(
        "a power-on without a switch",
        &changed(PLAN, "  - cool_down: {for: 2 h}        #", "  #"),
        &unfed,
    );
    both("a position without a switch", PLAN, &one_unfed);
    let range = "{range: {from: 0 V, to: 5 V, step: 100 cents}}";
    let law = "{slope: 1.2 V/oct, zero: C1 = 0 V}";
    both(
        "a range that differs by position",
        &changed(
            PLAN,
            "{list: [C4, C1, C2, C3, C5, C6, C7, C4]}\n      every: 10 min",
            &format!("{range}\n      every: 10 min"),
        ),
        &changed(RIG, "{slope: 1 V/oct, zero: C1 = 0 V}", law),
    );
    insta::assert_snapshot!(all);
}

#[test]
fn remarks_of_a_plan() {
    let text = changed(PLAN, "[C4, C1, C2, C3, C5, C6, C7, C4]", "[C2, C3, C5]");
    let text = changed(&text, "{fixed: 500 ms}", "{fixed: 100 ms}");
    let text = changed(
        &text,
        "steady_within: 2 cents",
        "steady_within: 2 cents, tuned_at: 20 min",
    );
    let (_, remarks) = plan(&text).unwrap();
    let all: Vec<String> = remarks.iter().map(ToString::to_string).collect();
    insta::assert_snapshot!(all.join("\n\n"));
}

#[test]
fn a_supply_that_was_on_before_the_run_must_be_one() {
    let simulated = include_str!("../../../rigs/simulated.yaml");
    let there = "on_before: {rack: 3 h}";
    for (wrong, said) in [
        ("on_before: {rock: 3 h}", "did you mean rack?"),
        ("on_before: {rack: 0 s}", "cannot have been on for 0 s"),
        ("on_before: {rack: -3 h}", "-3 h"),
        ("on_before: {rack: 1e6 h}", "cannot have been on"),
        ("on_before: {rack: 3}", "has no unit"),
    ] {
        let error = rig(&changed(simulated, there, wrong)).expect_err(wrong);
        let error = error.to_string();
        assert!(
            error.contains(said) && error.contains("rig.yaml:"),
            "{error}"
        );
    }
    let timed = changed(simulated, "by: {instrument: bench-supply}", "by: timer");
    let both = changed(
        &timed,
        there,
        &format!("{there}\n    timers: {{rack: 1 h}}"),
    );
    let error = rig(&both).unwrap_err().to_string();
    assert!(error.contains("say one of the two"), "{error}");
}

#[test]
fn remarks_of_certificates() {
    let with = |from: &str, to: &str| {
        let text = RIG.replace("# certificates:", "certificates:");
        let text = text.replace("#   sample_clock:", "  sample_clock:");
        let text = text.replace("#   control_voltage:", "  control_voltage:");
        let text = text.replace("#   thermometer:", "  thermometer:");
        rig(&changed(&text, from, to)).unwrap_or_else(|e| panic!("{e}"))
    };
    let mut all = String::new();
    let (whole, remarks) = with("certificates:", "certificates:");
    assert_eq!(remarks, []);
    for (what, begins, ends) in [
        ("overdue, of two", "2026-09-02", "2026-09-03"),
        (
            "due on the second day of the run",
            "2026-08-31",
            "2026-09-01",
        ),
        ("due during the run", "2026-09-01", "2026-09-02"),
        ("before they were made", "2026-02-27", "2026-02-28"),
    ] {
        let calibrated = whole.value.is_calibrated(begins);
        all.push_str(&format!("-- {what}: calibrated {calibrated}\n"));
        for remark in check::check_certificates(&whole, begins, ends) {
            all.push_str(&format!("{remark}\n\n"));
        }
    }
    for (what, from, to) in [
        (
            "nothing said of the limits",
            "  cv_gain: 0.5 %\n  cv_offset: 10 mV\n",
            "",
        ),
        ("a thermometer that is not there", "thermometer: air\n", ""),
    ] {
        all.push_str(&format!("-- {what}\n"));
        for remark in with(from, to).1 {
            all.push_str(&format!("{remark}\n\n"));
        }
    }
    insta::assert_snapshot!(all);
}

/// What must be refused whatever it is called, each within a second.
#[test]
fn junk_is_refused_in_good_time() {
    let bomb = format!(
        "nightbench: plan 1\na: &a [x, x]\n{}",
        (0..26)
            .map(|n| format!("b{n}: &b{n} [*a, *a]\n"))
            .collect::<String>()
    );
    let repeated =
        |text: &str, length: usize| text.repeat(length / text.len() + 1)[..length].to_owned();
    let header = "nightbench: plan 1\ntitle: ";
    let junk: Vec<(&str, Vec<u8>)> = vec![
        ("nothing", Vec::new()),
        ("a comment", b"# nothing\n".to_vec()),
        ("a word", b"hello".to_vec()),
        ("too large", vec![b'a'; LARGEST + 1]),
        ("many megabytes", vec![b'['; 20_000_000]),
        ("an alias bomb", bomb.into_bytes()),
        ("deep lists", repeated("[", LARGEST).into_bytes()),
        ("deep mappings", repeated("{a: ", LARGEST).into_bytes()),
        ("deep block lists", repeated("- ", LARGEST).into_bytes()),
        ("deep questions", repeated("? ", LARGEST).into_bytes()),
        (
            "a long line",
            format!("{header}{}", repeated("abc ", 900_000)).into_bytes(),
        ),
        (
            "an open quote",
            format!("{header}\"{}", repeated("abc ", 900_000)).into_bytes(),
        ),
        ("a long key", repeated("k", LARGEST).into_bytes()),
        (
            "many keys",
            (0..80_000)
                .map(|n| format!("k{n}: 1\n"))
                .collect::<String>()
                .into_bytes(),
        ),
        (
            "many items",
            format!("nightbench: plan 1\nstages: [{}]", repeated("1, ", 900_000)).into_bytes(),
        ),
        ("many sharps", repeated("F #4\n", LARGEST).into_bytes()),
        ("many colons", repeated(": ", LARGEST).into_bytes()),
        ("many quotes", repeated("'", LARGEST).into_bytes()),
        ("many anchors", repeated("&a ", LARGEST).into_bytes()),
        ("many tags", repeated("!t ", LARGEST).into_bytes()),
        ("many bars", repeated("|\n", LARGEST).into_bytes()),
        ("many documents", repeated("---\n", LARGEST).into_bytes()),
        (
            "many directives",
            repeated("%YAML 1.2\n", LARGEST).into_bytes(),
        ),
        (
            "many carriage returns",
            repeated("\r", LARGEST).into_bytes(),
        ),
        ("NUL", b"nightbench: plan 1\ntitle: \0".to_vec()),
        (
            "not UTF-8",
            b"nightbench: plan 1\ntitle: caf\xe9\n".to_vec(),
        ),
        ("UTF-16", b"\xff\xfen\0i\0".to_vec()),
        (
            "an escape",
            b"nightbench: plan 1\ntitle: \x1b[31m\n".to_vec(),
        ),
    ];
    for (what, bytes) in junk {
        let begin = Instant::now();
        let error = read_plan("junk.yaml", &bytes).expect_err(what);
        let took = begin.elapsed();
        assert!(took < Duration::from_secs(60), "{what} took {took:?}");
        let text = error.to_string();
        assert!(text.len() < 1500, "{what}: {} bytes of message", text.len());
        assert!(!text.contains('\u{1b}'), "{what}");
    }
}

#[test]
fn a_byte_order_mark_and_windows_lines_do_no_harm() {
    let text = format!("\u{feff}{}", PLAN.replace('\n', "\r\n"));
    let (with, _) = plan(&text).unwrap();
    let (without, _) = plan(PLAN).unwrap();
    assert_eq!(with.value, without.value);
    let error = plan(&changed(&text, "every: 1 min", "every: 1 cent")).unwrap_err();
    let plain = plan(&changed(PLAN, "every: 1 min", "every: 1 cent")).unwrap_err();
    assert_eq!(error, plain);
}

/// What is written from a value reads back to the same value.
#[test]
fn a_value_written_as_json_reads_back() {
    for text in [PLAN, include_str!("every-word-plan.yaml")] {
        let (document, _) = plan(text).unwrap();
        let json = serde_json::to_string_pretty(&document.value).unwrap();
        // JSON is YAML.
        assert_eq!(plan(&json).unwrap().0.value, document.value);
    }
    for text in [
        RIG,
        include_str!("every-word-rig.yaml"),
        include_str!("../../../rigs/simulated.yaml"),
    ] {
        let (document, _) = rig(text).unwrap();
        let json = serde_json::to_string_pretty(&document.value).unwrap();
        assert_eq!(rig(&json).unwrap().0.value, document.value);
    }
}

/// A file with some bytes changed: never a panic, and never a slow answer.
fn mutated(text: &'static str) -> impl Strategy<Value = Vec<u8>> {
    let pieces = proptest::sample::select(vec![
        "[",
        "]",
        "{",
        "}",
        ":",
        ": ",
        "- ",
        "\n",
        "  ",
        "\t",
        "#",
        " #",
        "\"",
        "'",
        "*a",
        "&a ",
        "!t ",
        "|",
        ">",
        "?",
        "? ",
        ",",
        "-",
        "1e999",
        ".nan",
        "0x",
        "é",
        "\u{2028}",
        "<<: ",
        "---\n",
        "...\n",
        "%",
        "@",
        "`",
        "~",
        "null",
        "-5",
        "0 s",
        "1e300 h",
        "C4",
        "F#4",
        "1e-300 cents",
        "99999999999999999999",
    ]);
    let edit = (0..text.len(), 0..12_usize, pieces);
    proptest::collection::vec(edit, 1..6).prop_map(move |edits| {
        let mut bytes = text.as_bytes().to_vec();
        for (at, cut, piece) in edits {
            let at = at.min(bytes.len());
            let until = (at + cut).min(bytes.len());
            bytes.splice(at..until, piece.bytes());
        }
        bytes
    })
}

fn answers(bytes: &[u8]) {
    let begin = Instant::now();
    if let Err(error) = read_plan("p", bytes).and_then(|plan| {
        check::check_plan(&plan)?;
        let rig = read_rig("r", RIG.as_bytes())?;
        check::check_together(&plan, &rig)
    }) {
        let _ = (error.to_string(), error.summary());
    }
    if let Err(error) = read_rig("r", bytes).and_then(|rig| {
        check::check_rig(&rig)?;
        let plan = read_plan("p", PLAN.as_bytes())?;
        check::check_together(&plan, &rig)
    }) {
        let _ = (error.to_string(), error.summary());
    }
    assert!(begin.elapsed() < Duration::from_secs(60));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: ProptestConfig::default().cases * 2, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_mutated_plan_is_read_or_refused(bytes in mutated(PLAN)) {
        answers(&bytes);
    }
    #[test]
    fn a_mutated_rig_is_read_or_refused(bytes in mutated(RIG)) {
        answers(&bytes);
    }
    #[test]
    fn soup_is_refused(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        answers(&bytes);
    }
    #[test]
    fn soup_of_yaml_is_read_or_refused(pieces in proptest::collection::vec("[-?:,\\[\\]{}#&*!|>'\"%@ \n\ta1~.]{1,4}", 0..60)) {
        answers(pieces.concat().as_bytes());
    }
}
