//! What a place of a document demands: of keys that a mapping must have the library names
//! the first that is missing, and of a number the range of its type; the JSON Schema of the
//! document knows all keys, and the range that is allowed. So a range stands in one place,
//! at the field, and both the schema and the reader take it from there.

use super::limits;
use super::path::{Path, Step};
use super::tree::{Content, Node};
use serde_json::Value;

/// How many references and alternatives are followed one after another; our schemas
/// need three.
const DEEPEST: usize = 32;

/// The keys that must stand in the mapping at a path and do not, in the order of the
/// schema. `first` is the one that the library misses: the first of them, or the only
/// one if the schema does not lead there.
pub(super) fn missing(schema: &Value, root: &Node, path: &Path, first: &str) -> Vec<String> {
    let written = |key: &str| match root.at(path).map(|node| &node.content) {
        Some(Content::Mapping(entries)) => entries.iter().any(|entry| entry.key == key),
        _ => false,
    };
    let reached = reached(schema, path);
    let mut all = reached.iter().map(|place| required(place));
    let found = all.find(|required| required.contains(&first));
    found.map_or_else(
        || vec![first.to_owned()],
        |required| {
            let missing = required.into_iter().filter(|key| !written(key));
            missing.map(str::to_owned).collect()
        },
    )
}

/// The lowest and the highest whole number that can stand at a path, where the schema says
/// both.
pub(super) fn limits(schema: &Value, path: &Path) -> Option<(i64, i64)> {
    reached(schema, path).into_iter().find_map(|place| {
        let limit = |key: &str| place.get(key).and_then(Value::as_i64);
        Some((limit("minimum")?, limit("maximum")?))
    })
}

/// A number that the schema does not allow.
pub(super) struct Beyond {
    pub path: Path,
    /// What is expected there, in words.
    pub expected: String,
}

/// The first number beyond the limits that the schema sets to it. `kept` is the document
/// as it was understood, in JSON.
pub(super) fn beyond(schema: &Value, root: &Node, kept: &Value) -> Option<Beyond> {
    let top = followed(schema, vec![schema]);
    beyond_at(schema, &top, root, kept, &Path::root())
}

fn beyond_at(
    schema: &Value,
    here: &[&Value],
    node: &Node,
    kept: &Value,
    path: &Path,
) -> Option<Beyond> {
    let deeper = |step: Step, node: &Node, kept: &Value| {
        let below = here.iter().filter_map(|place| child(place, &step));
        let below = followed(schema, below.collect());
        beyond_at(schema, &below, node, kept, &path.then(step))
    };
    match (&node.content, kept) {
        (Content::Mapping(entries), Value::Object(kept)) => {
            too_many(here, "maxProperties", entries.len(), "entries", path).or_else(|| {
                entries.iter().find_map(|entry| {
                    let kept = kept.get(&entry.key)?;
                    deeper(entry.key.as_str().into(), &entry.value, kept)
                })
            })
        }
        (Content::List(items), Value::Array(kept)) => {
            too_many(here, "maxItems", items.len(), "items", path).or_else(|| {
                let mut both = items.iter().zip(kept).enumerate();
                both.find_map(|(index, (node, kept))| deeper(index.into(), node, kept))
            })
        }
        (Content::Scalar { .. }, Value::String(kept)) => {
            let beyond = |expected| Beyond {
                path: path.clone(),
                expected,
            };
            let quantity = here.iter().find_map(|place| limits::beyond(place, kept));
            quantity
                .map(beyond)
                .or_else(|| too_many(here, "maxLength", kept.chars().count(), "characters", path))
        }
        (Content::Scalar { .. }, Value::Number(kept)) => {
            let number = kept.as_f64()?;
            let limit = |key: &str| here.iter().find_map(|place| place.get(key)?.as_f64());
            let (low, high) = (limit("minimum"), limit("maximum"));
            let within =
                low.is_none_or(|low| low <= number) && high.is_none_or(|high| number <= high);
            let whole = if kept.is_f64() { "" } else { "whole " };
            let range = match (low, high) {
                (Some(low), Some(high)) => format!("from {low} to {high}"),
                (Some(low), None) => format!("from {low}"),
                (None, Some(high)) => format!("up to {high}"),
                (None, None) => return None,
            };
            (!within).then(|| Beyond {
                path: path.clone(),
                expected: format!("a {whole}number {range}"),
            })
        }
        _ => None,
    }
}

/// A text, list or mapping that is longer than the schema allows.
fn too_many(here: &[&Value], key: &str, many: usize, what: &str, path: &Path) -> Option<Beyond> {
    let most = here.iter().find_map(|place| place.get(key)?.as_u64())?;
    (many as u64 > most).then(|| Beyond {
        path: path.clone(),
        expected: format!("at most {most} {what}"),
    })
}

/// The schemas of what stands at a path, references and alternatives followed.
fn reached<'a>(schema: &'a Value, path: &Path) -> Vec<&'a Value> {
    let mut all = followed(schema, vec![schema]);
    for step in path.steps() {
        let below = all.iter().filter_map(|place| child(place, step));
        all = followed(schema, below.collect());
    }
    all
}

fn followed<'a>(schema: &'a Value, places: Vec<&'a Value>) -> Vec<&'a Value> {
    let mut all = Vec::new();
    for place in places {
        collect(schema, place, DEEPEST, &mut |place| all.push(place));
    }
    all
}

/// Calls with a schema, what it refers to, and its alternatives.
fn collect<'a>(root: &'a Value, place: &'a Value, depth: usize, found: &mut impl FnMut(&'a Value)) {
    let Some(depth) = depth.checked_sub(1) else {
        return;
    };
    found(place);
    let reference = place.get("$ref").and_then(Value::as_str);
    if let Some(name) = reference.and_then(|path| path.strip_prefix("#/$defs/"))
        && let Some(definition) = root.get("$defs").and_then(|all| all.get(name))
    {
        collect(root, definition, depth, found);
    }
    for alternatives in ["oneOf", "anyOf", "allOf"] {
        for one in place
            .get(alternatives)
            .and_then(Value::as_array)
            .into_iter()
            .flatten()
        {
            collect(root, one, depth, found);
        }
    }
}

/// The schema of what a step leads to.
fn child<'a>(place: &'a Value, step: &Step) -> Option<&'a Value> {
    match step {
        Step::Key(key) => place
            .get("properties")
            .and_then(|properties| properties.get(key))
            .or_else(|| place.get("additionalProperties")),
        Step::Index(index) => place
            .get("prefixItems")
            .and_then(|items| items.get(*index))
            .or_else(|| place.get("items")),
    }
}

/// The keys that a schema requires, in its order.
fn required(place: &Value) -> Vec<&str> {
    let keys = place.get("required").and_then(Value::as_array);
    keys.into_iter()
        .flatten()
        .filter_map(Value::as_str)
        .collect()
}
