//! The JSON Schemas take what the reader takes, and refuse what it refuses.
//!
//! The validator below knows the keywords of draft 2020-12 that our schemas use,
//! and fails on any other, so that nothing goes unchecked.

#![allow(clippy::disallowed_methods, reason = "tests read the shipped files")]

use model::document::{plan_schema, read_plan, read_rig, rig_schema};
use proptest::prelude::*;
use serde_json::{Map, Value, json};
use std::cell::RefCell;
use std::collections::{BTreeSet, HashMap};
use std::path::Path;
use std::sync::LazyLock;

/// Whether a value is valid (JSON Schema Validation, draft 2020-12).
fn valid(schema: &Value, root: &Value, value: &Value) -> bool {
    let Some(keywords) = schema.as_object() else {
        return schema
            .as_bool()
            .expect("a schema is an object or a boolean");
    };
    keywords
        .iter()
        .all(|(keyword, says)| match keyword.as_str() {
            "$schema" | "$defs" | "title" | "description" | "default" | "examples" | "format" => {
                true
            }
            "$ref" => {
                let name = says.as_str().unwrap().strip_prefix("#/$defs/").unwrap();
                valid(&root["$defs"][name], root, value)
            }
            "type" => match says {
                Value::Array(types) => types.iter().any(|one| is_a(one, value)),
                one => is_a(one, value),
            },
            "const" => value == says,
            "enum" => says.as_array().unwrap().contains(value),
            "anyOf" => says
                .as_array()
                .unwrap()
                .iter()
                .any(|one| valid(one, root, value)),
            "oneOf" => {
                says.as_array()
                    .unwrap()
                    .iter()
                    .filter(|one| valid(one, root, value))
                    .count()
                    == 1
            }
            "allOf" => says
                .as_array()
                .unwrap()
                .iter()
                .all(|one| valid(one, root, value)),
            "properties" => value.as_object().is_none_or(|object| {
                says.as_object().unwrap().iter().all(|(key, schema)| {
                    object
                        .get(key)
                        .is_none_or(|value| valid(schema, root, value))
                })
            }),
            "required" => value.as_object().is_none_or(|object| {
                says.as_array()
                    .unwrap()
                    .iter()
                    .all(|key| object.contains_key(key.as_str().unwrap()))
            }),
            "additionalProperties" => value.as_object().is_none_or(|object| {
                let known = keywords.get("properties").and_then(Value::as_object);
                object
                    .iter()
                    .filter(|(key, _)| known.is_none_or(|known| !known.contains_key(*key)))
                    .all(|(_, value)| valid(says, root, value))
            }),
            "items" => value
                .as_array()
                .is_none_or(|items| items.iter().all(|item| valid(says, root, item))),
            "minItems" => value
                .as_array()
                .is_none_or(|items| items.len() as u64 >= says.as_u64().unwrap()),
            "maxItems" => value
                .as_array()
                .is_none_or(|items| items.len() as u64 <= says.as_u64().unwrap()),
            "minimum" => value
                .as_f64()
                .is_none_or(|number| number >= says.as_f64().unwrap()),
            "maximum" => value
                .as_f64()
                .is_none_or(|number| number <= says.as_f64().unwrap()),
            "maxProperties" => value
                .as_object()
                .is_none_or(|object| object.len() as u64 <= says.as_u64().unwrap()),
            "maxLength" => value
                .as_str()
                .is_none_or(|text| text.chars().count() as u64 <= says.as_u64().unwrap()),
            // Limits of quantities, which are texts to a validator; `document::limits` and
            // the test below hold them.
            "x-least" | "x-most" | "x-checked" => true,
            "pattern" => value
                .as_str()
                .is_none_or(|text| matches(says.as_str().unwrap(), text)),
            other => panic!("the validator of this test does not know {other}"),
        })
}

fn matches(pattern: &str, text: &str) -> bool {
    thread_local!(static COMPILED: RefCell<HashMap<String, regex::Regex>> = RefCell::default());
    COMPILED.with_borrow_mut(|compiled| {
        compiled
            .entry(pattern.to_owned())
            .or_insert_with(|| regex::Regex::new(pattern).unwrap())
            .is_match(text)
    })
}

fn is_a(kind: &Value, value: &Value) -> bool {
    match kind.as_str().unwrap() {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "string" => value.is_string(),
        "number" => value.is_number(),
        "integer" => value.is_i64() || value.is_u64(),
        "array" => value.is_array(),
        "object" => value.is_object(),
        other => panic!("{other}"),
    }
}

fn shipped(folder: &str) -> Vec<Value> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../..")
        .join(folder);
    let mut files: Vec<_> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| {
            path.extension()
                .is_some_and(|extension| extension == "yaml")
        })
        .collect();
    files.sort();
    let every_word = if folder.ends_with("plans") {
        "every-word-plan.yaml"
    } else {
        "every-word-rig.yaml"
    };
    files.push(
        Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests")
            .join(every_word),
    );
    files
        .iter()
        .map(|file| serde_yaml::from_str(&std::fs::read_to_string(file).unwrap()).unwrap())
        .collect()
}

/// JSON is YAML, so the reader takes it as it is.
fn plan_is_read(value: &Value) -> Result<(), String> {
    let read = read_plan("plan.json", value.to_string().as_bytes());
    read.map(|_| ()).map_err(|error| error.to_string())
}

fn rig_is_read(value: &Value) -> Result<(), String> {
    let read = read_rig("rig.json", value.to_string().as_bytes());
    read.map(|_| ()).map_err(|error| error.to_string())
}

#[test]
fn shipped_files_are_valid() {
    let (plan, rig) = (plan_schema(), rig_schema());
    for value in shipped("rigs/plans") {
        assert!(valid(&plan, &plan, &value), "{value}");
        assert_eq!(plan_is_read(&value), Ok(()));
        assert!(!valid(&rig, &rig, &value));
    }
    for value in shipped("rigs") {
        assert!(valid(&rig, &rig, &value), "{value}");
        assert_eq!(rig_is_read(&value), Ok(()));
        assert!(!valid(&plan, &plan, &value));
    }
}

#[test]
fn both_say_which_draft_they_are_in() {
    for schema in [plan_schema(), rig_schema()] {
        assert_eq!(
            schema["$schema"],
            "https://json-schema.org/draft/2020-12/schema"
        );
    }
    // A stage without settings is a word alone.
    let schema = plan_schema();
    let stage = &schema["$defs"]["Stage"];
    assert!(valid(stage, &schema, &json!("power_on")));
    assert!(!valid(stage, &schema, &json!({"power_on": null})));
    assert!(!valid(stage, &schema, &json!("rounds")));
}

/// Every value of a document, in a fixed order.
fn places(value: &Value, at: String, all: &mut Vec<String>) {
    match value {
        Value::Object(object) => {
            for (key, value) in object {
                places(value, format!("{at}/{key}"), all);
            }
        }
        Value::Array(items) => {
            for (index, value) in items.iter().enumerate() {
                places(value, format!("{at}/{index}"), all);
            }
        }
        _ => {}
    }
    all.push(at);
}

/// A place but for the numbers of list items and the names that the writer chose.
fn without_names(place: &str) -> String {
    const NAMED: [&str; 7] = [
        "instruments",
        "interfaces",
        "positions",
        "senders",
        "supplies",
        "timers",
        "units",
    ];
    let mut above = "";
    let steps = place.split('/').map(|step| {
        let chosen = NAMED.contains(&above) || step.parse::<usize>().is_ok();
        above = step;
        if chosen { "*" } else { step }
    });
    steps.collect::<Vec<_>>().join("/")
}

#[derive(Debug, Clone)]
enum Change {
    Replace(Value),
    Remove,
    AddKey,
}

/// What may stand in the place of anything.
fn replacements() -> Vec<Change> {
    [
        json!(null),
        json!(true),
        json!(9),
        json!(-1),
        json!(1.5),
        json!([]),
        json!({}),
        json!({"nightbench": "plan 1"}),
    ]
    .map(Change::Replace)
    .into_iter()
    .chain([Change::Remove, Change::AddKey])
    .collect()
}

/// The ends of every range that a number has, and what lies beyond them.
fn numbers() -> Vec<Change> {
    let ends = [
        0, 1, 2, 3, 4, 7, 8, 9, 15, 16, 20, 21, 32, 33, 49, 50, 64, 65, 127, 128, 255, 256, 1000,
        1001, 65_535, 65_536, 65_537, 1_000_000, 1_000_001, 12_000_000, 12_000_001,
    ];
    let ends = ends.into_iter().chain([u32::MAX.into(), i64::MAX]);
    let whole = ends.flat_map(|number| [json!(number), json!(-number)]);
    let others = [0.05, 0.1, 3.5, 8.5, -0.5, 1e300, -1e300].map(Value::from);
    whole
        .chain(others)
        .chain([json!(u64::MAX)])
        .map(Change::Replace)
        .collect()
}

/// Texts: some have an inner form that only the reader knows, so it may refuse more of them.
fn texts() -> Vec<Change> {
    [
        "", "null", "9", "surprise", "power_on", "C4", "440 Hz", "1 V", "2 h", "5 %",
    ]
    .map(|text| Change::Replace(json!(text)))
    .to_vec()
}

fn change(document: &mut Value, place: &str, change: &Change) {
    let Some(target) = document.pointer_mut(place) else {
        return;
    };
    match change {
        Change::Replace(value) => *target = value.clone(),
        Change::AddKey => {
            if let Some(object) = target.as_object_mut() {
                object.insert("surprise".to_owned(), json!("C4"));
            }
        }
        Change::Remove => {
            let Some((above, last)) = place.rsplit_once('/') else {
                return;
            };
            match document.pointer_mut(above) {
                Some(Value::Object(object)) => {
                    object.remove(last);
                }
                Some(Value::Array(items)) => {
                    items.remove(last.parse().unwrap());
                }
                _ => {}
            }
        }
    }
}

/// One kind of document: examples that hold every word, the schema, the reader.
struct Kind {
    documents: Vec<Value>,
    schema: Value,
    read: fn(&Value) -> Result<(), String>,
}

static PLANS: LazyLock<Kind> = LazyLock::new(|| Kind {
    documents: shipped("rigs/plans"),
    schema: plan_schema(),
    read: plan_is_read,
});
static RIGS: LazyLock<Kind> = LazyLock::new(|| Kind {
    documents: shipped("rigs"),
    schema: rig_schema(),
    read: rig_is_read,
});

impl Kind {
    fn valid(&self, document: &Value) -> bool {
        valid(&self.schema, &self.schema, document)
    }

    /// Where schema and reader disagree about a document.
    fn disagreement(&self, document: &Value) -> Option<String> {
        let said = (self.read)(document);
        let valid = self.valid(document);
        (valid != said.is_ok()).then(|| format!("valid: {valid}, the reader says {said:?}"))
    }

    /// Changes every place of the documents in every way, and collects what disagrees.
    fn walked(&self, changes: &[Change], reader_may_refuse_more: bool) -> Vec<String> {
        let mut wrong = Vec::new();
        let mut tried = 0;
        // A place is tried once, however many documents have it, in the smallest of them.
        let mut seen = BTreeSet::new();
        let mut documents: Vec<&Value> = self.documents.iter().collect();
        documents.sort_by_key(|document| document.to_string().len());
        for document in documents {
            let mut all = Vec::new();
            places(document, String::new(), &mut all);
            for place in &all {
                if !seen.insert(without_names(place)) {
                    continue;
                }
                let is_number = document.pointer(place).is_some_and(Value::is_number);
                let numbers = if is_number && !reader_may_refuse_more {
                    numbers()
                } else {
                    Vec::new()
                };
                for how in changes.iter().chain(&numbers) {
                    let mut changed = document.clone();
                    change(&mut changed, place, how);
                    tried += 1;
                    if reader_may_refuse_more && !self.valid(&changed) {
                        if (self.read)(&changed).is_ok() {
                            wrong.push(format!("{how:?} at {place}: the reader takes it"));
                        }
                    } else if !reader_may_refuse_more {
                        let found = self.disagreement(&changed);
                        wrong.extend(found.map(|found| format!("{how:?} at {place}: {found}")));
                    }
                }
            }
        }
        println!("{tried} documents tried");
        wrong
    }
}

#[test]
fn schema_and_reader_agree_wherever_a_plan_is_changed() {
    let wrong = PLANS.walked(&replacements(), false);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn schema_and_reader_agree_wherever_a_rig_is_changed() {
    let wrong = RIGS.walked(&replacements(), false);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_schema_takes_every_text_that_the_reader_takes() {
    for kind in [&*PLANS, &*RIGS] {
        let wrong = kind.walked(&texts(), true);
        assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    }
}

/// A number of any size, or one of the changes above.
fn any_change() -> impl Strategy<Value = Change> {
    prop_oneof![
        any::<i64>().prop_map(|number| Change::Replace(json!(number))),
        (-100_000..100_000_i64).prop_map(|number| Change::Replace(json!(number))),
        (-10.0..10.0_f64).prop_map(|number| Change::Replace(json!(number))),
        proptest::sample::select(replacements()),
    ]
}

/// Two changes at once.
fn agree(kind: &Kind, which: usize, changes: &[(usize, Change)]) {
    let mut document = kind.documents[which % kind.documents.len()].clone();
    let mut made = Vec::new();
    for (at, how) in changes {
        let mut all = Vec::new();
        places(&document, String::new(), &mut all);
        let place = &all[at % all.len()];
        change(&mut document, place, how);
        made.push(format!("{how:?} at {place}"));
    }
    if let Some(found) = kind.disagreement(&document) {
        panic!("{}: {found}", made.join(", "));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn schema_and_reader_agree_on_plans(
        which: usize,
        changes in prop::collection::vec((any::<usize>(), any_change()), 1..3),
    ) {
        agree(&PLANS, which, &changes);
    }
    #[test]
    fn schema_and_reader_agree_on_rigs(
        which: usize,
        changes in prop::collection::vec((any::<usize>(), any_change()), 1..3),
    ) {
        agree(&RIGS, which, &changes);
    }
}

/// The validator itself, on examples of JSON Schema 2020-12, section 10.3.
#[test]
fn the_validator_refuses() {
    let schema = json!({"type": "object", "properties": {"a": {"type": "integer", "minimum": 1}},
        "required": ["a"], "additionalProperties": false});
    let object = |pairs: &[(&str, i64)]| {
        let map: Map<String, Value> = pairs
            .iter()
            .map(|(key, number)| ((*key).to_owned(), json!(number)))
            .collect();
        Value::Object(map)
    };
    assert!(valid(&schema, &schema, &object(&[("a", 1)])));
    assert!(!valid(&schema, &schema, &object(&[("a", 0)])));
    assert!(!valid(&schema, &schema, &object(&[])));
    assert!(!valid(&schema, &schema, &object(&[("a", 1), ("b", 1)])));
    let either = json!({"oneOf": [{"type": "integer"}, {"minimum": 2}]});
    assert!(valid(&either, &either, &json!(1)));
    assert!(!valid(&either, &either, &json!(3)));
}
