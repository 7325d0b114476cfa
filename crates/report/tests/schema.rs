//! What `show`, `export`, `compare` and `batch` print as JSON is what their schemas say.

mod specimen;

use analysis::batch::{BatchRun, batch};
use model::record::RunId;
use report::{BatchView, RunView};
use serde_json::{Value, json};
use specimen::{CHARACTERS, PLAN, RIG, Specimen};

/// Why a value is not valid, by the keywords of JSON Schema (draft 2020-12) that our schema
/// uses; any other is an error, so that nothing goes unchecked.
fn wrong(schema: &Value, root: &Value, value: &Value, at: &str) -> Option<String> {
    let keywords = schema.as_object().expect("a schema is an object");
    keywords.iter().find_map(|(keyword, says)| {
        let ok = match keyword.as_str() {
            "$schema" | "$defs" | "title" | "description" | "format" | "examples" | "default" => {
                true
            }
            "$ref" => {
                let name = says.as_str().unwrap().strip_prefix("#/$defs/").unwrap();
                return wrong(&root["$defs"][name], root, value, at);
            }
            "type" => match says {
                Value::Array(types) => types.iter().any(|one| is_a(one, value)),
                one => is_a(one, value),
            },
            "const" => value == says,
            "enum" => says.as_array().unwrap().contains(value),
            "anyOf" | "oneOf" => {
                let fitting = says
                    .as_array()
                    .unwrap()
                    .iter()
                    .filter(|one| wrong(one, root, value, at).is_none())
                    .count();
                fitting == 1 || (keyword == "anyOf" && fitting > 1)
            }
            "properties" => {
                return value.as_object().and_then(|object| {
                    says.as_object().unwrap().iter().find_map(|(key, schema)| {
                        let inner = object.get(key)?;
                        wrong(schema, root, inner, &format!("{at}.{key}"))
                    })
                });
            }
            "required" => value.as_object().is_none_or(|object| {
                says.as_array()
                    .unwrap()
                    .iter()
                    .all(|key| object.contains_key(key.as_str().unwrap()))
            }),
            "additionalProperties" => match says {
                Value::Bool(false) => value.as_object().is_none_or(|object| {
                    let known = keywords["properties"].as_object().unwrap();
                    object.keys().all(|key| known.contains_key(key))
                }),
                inner => {
                    return value.as_object().and_then(|object| {
                        object.iter().find_map(|(key, value)| {
                            wrong(inner, root, value, &format!("{at}.{key}"))
                        })
                    });
                }
            },
            "items" => {
                return value.as_array().and_then(|items| {
                    items
                        .iter()
                        .enumerate()
                        .find_map(|(n, item)| wrong(says, root, item, &format!("{at}[{n}]")))
                });
            }
            "pattern" => true, // the inner form of quantities, which the model's tests hold
            "minimum" => value
                .as_f64()
                .is_none_or(|value| value >= says.as_f64().unwrap()),
            "maximum" => value
                .as_f64()
                .is_none_or(|value| value <= says.as_f64().unwrap()),
            other => panic!("the keyword {other} is not checked here"),
        };
        (!ok).then(|| format!("{at}: {keyword} {says}: {value}"))
    })
}

fn is_a(kind: &Value, value: &Value) -> bool {
    match kind.as_str().unwrap() {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "string" => value.is_string(),
        "number" => value.is_number(),
        "integer" => value.is_u64() || value.is_i64(),
        "array" => value.is_array(),
        "object" => value.is_object(),
        other => panic!("{other}"),
    }
}

#[test]
fn what_is_printed_of_a_run_is_what_the_schemas_say() {
    let run = Specimen::night(&CHARACTERS);
    let mut damaged = run.view();
    damaged.damage = Some("reading 7 is missing");
    let views = [run.view(), damaged];
    let results = report::results_schema();
    holds(&results, &views.map(|view| report::results_json(&view)));
    holds(
        &report::export_schema(),
        &views.map(|view| report::export_json(&view)),
    );
    // And the check does find what is wrong, too much or missing.
    let printed = report::results_json(&run.view());
    for (pointer, wrong_value) in [
        ("/nightbench", json!("results 0")),
        ("/units/0/results/0/name", json!("no_such_result")),
        ("/units/0/results/0/u", json!("0.1")),
        ("/units/0/finding", json!("maybe")),
        ("/units/0/results/0", json!({})),
        ("/units/0/unit", json!({"serial": "A-1", "colour": "blue"})),
    ] {
        let mut changed = printed.clone();
        *changed.pointer_mut(pointer).unwrap() = wrong_value;
        assert!(
            wrong(&results, &results, &changed, "").is_some(),
            "{pointer}"
        );
    }
}

/// Fails unless documents are as the schema says.
fn holds(schema: &Value, documents: &[Value]) {
    for document in documents {
        assert_eq!(wrong(schema, schema, document, ""), None);
    }
}

const SWEEP: &str = "\
nightbench: plan 1
title: Sweep
reference: C4
stages:
  - rounds: {name: warming, notes: {list: [C4, C2, C6, C4]}, every: 1 min, for: 12 min}
  - sweep: {name: tracking, notes: {range: {from: C2, to: C7, step: 600 cents}}}
tolerances:
  - {result: scale_error, of: tracking, allow: {within: 4 cents/oct}}
  - {result: excursion, of: warming, at: end, allow: {at_most: 20 cents}}
";

/// A run of four units, under another name.
fn named(run: &str, rig: &str, serials: [String; 4]) -> Specimen {
    let rig = RIG.replace("north shelf", rig);
    let mut characters = CHARACTERS;
    for (place, character) in characters.iter_mut().enumerate() {
        // No two runs are alike.
        let nudge: u32 = run
            .bytes()
            .chain(serials[place].bytes())
            .map(u32::from)
            .sum();
        character.scale += f64::from(nudge % 17) * 0.05;
    }
    let mut specimen = Specimen::of(SWEEP, &rig, &characters);
    specimen.record.id = RunId::new(run);
    for (unit, serial) in specimen.record.header.units.values_mut().zip(serials) {
        unit.serial = serial;
        unit.job = Some("J-8".to_owned());
        unit.notes = Some("all of one series".to_owned());
    }
    specimen.analysed_again()
}

#[test]
fn a_comparison_is_what_its_schema_says() {
    let schema = report::comparison_schema();
    let [before, mut after] = ["1aaa", "2bbb"].map(|id| {
        let mut run = Specimen::of(PLAN, RIG, &CHARACTERS[..2]);
        run.record.id = RunId::new(id);
        for unit in run.record.header.units.values_mut() {
            unit.job = Some("J-7".to_owned());
            unit.notes = Some("new capacitor".to_owned());
        }
        run
    });
    for reading in &mut after.record.readings {
        reading.conditions.air = model::quantity::Celsius::new(24.0).ok();
    }
    let after = after.analysed_again();
    let mut elsewhere = Specimen::of(PLAN, &RIG.replace("north", "south"), &CHARACTERS[..1]);
    elsewhere.record.id = RunId::new("3ccc");
    let documents = [
        report::comparison_json(&[before.view(), after.view(), elsewhere.view()]),
        report::comparison_json(&[before.view()]),
        report::comparison_json(&[]),
    ];
    let kinds: Vec<&Value> = documents[0]["pairs"]
        .as_array()
        .unwrap()
        .iter()
        .map(|pair| &pair["kind"])
        .collect();
    assert_eq!(
        kinds,
        ["before_and_after", "before_and_after", "rig_against_rig"]
    );
    // Of two units nothing rises or falls, and of what one of them never reaches it is said.
    let sentences = |document: &Value| document["pairs"][0]["sentences"].to_string();
    let units = sentences(&documents[1]);
    assert!(
        units.contains("No difference can be told of")
            && !["rose", "fell", "change"]
                .iter()
                .any(|word| units.contains(word)),
        "{units}"
    );
    assert!(units.contains("Ready after: A-0117 "), "{units}");
    holds(&schema, &documents);
}

#[test]
fn a_batch_and_a_study_are_what_their_schema_says() {
    let schema = report::batch_schema();
    let serials = |first: usize| [0, 1, 2, 3].map(|place| format!("S-{}", first + place));
    let taken = |runs: &[Specimen]| {
        let members: Vec<BatchRun<'_>> = runs
            .iter()
            .map(|run| BatchRun {
                plan: &run.plan,
                rig: &run.rig,
                record: &run.record,
                analysis: &run.analysis,
            })
            .collect();
        let batch = batch(&members).unwrap();
        let views: Vec<RunView<'_>> = runs.iter().map(Specimen::view).collect();
        report::batch_json(&BatchView {
            runs: &views,
            batch: &batch,
        })
    };
    // One unit in four leaks, and over five octaves has no scale error: 30 of 40 have.
    let many: Vec<Specimen> = (0..10)
        .map(|n| named(&format!("run-{n}"), "north shelf", serials(n * 4)))
        .collect();
    let again: Vec<Specimen> = ["north", "south"]
        .into_iter()
        .flat_map(|rig| [0, 1].map(|n| named(&format!("{rig}-{n}"), rig, serials(0))))
        .collect();
    let documents = [taken(&many), taken(&again), taken(&many[..1])];
    assert_eq!(documents[0]["kind"], "batch");
    assert_eq!(documents[1]["kind"], "study");
    holds(&schema, &documents);
}
