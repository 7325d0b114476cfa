//! What a place of a document demands: of keys that a mapping must have the library names
//! the first that is missing, and of a whole number the range of its type; the JSON Schema
//! of the document knows all keys, and the range that is allowed.

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

/// The schemas of what stands at a path, references and alternatives followed.
fn reached<'a>(schema: &'a Value, path: &Path) -> Vec<&'a Value> {
    let followed = |places: Vec<&'a Value>| {
        let mut all = Vec::new();
        for place in places {
            collect(schema, place, DEEPEST, &mut |place| all.push(place));
        }
        all
    };
    let mut all = followed(vec![schema]);
    for step in path.steps() {
        all = followed(all.iter().filter_map(|place| child(place, step)).collect());
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
