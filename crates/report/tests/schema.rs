//! What `show` prints as JSON is what its schema says: everything in it, nothing beside it.

mod specimen;

use serde_json::{Value, json};
use specimen::{CHARACTERS, Specimen};

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
fn what_is_printed_is_what_the_schema_says() {
    let schema = report::results_schema();
    let printed = {
        let run = Specimen::night(&CHARACTERS);
        report::results_json(&run.view())
    };
    assert_eq!(wrong(&schema, &schema, &printed, ""), None);
    assert!(
        printed["units"]
            .as_array()
            .is_some_and(|units| !units.is_empty())
    );
    // The shape that programs rely on.
    let result = &printed["units"][0]["results"][0];
    for key in [
        "name", "value", "u", "low", "high", "unit", "stage", "t_s", "why_not",
    ] {
        assert!(result.get(key).is_some(), "{key}");
    }
    // And the check does find what is wrong.
    for (pointer, wrong_value) in [
        ("/nightbench", json!("results 2")),
        ("/units/0/results/0/name", json!("no_such_result")),
        ("/units/0/results/0/u", json!("0.1")),
        ("/units/0/finding", json!("maybe")),
    ] {
        let mut changed = printed.clone();
        *changed.pointer_mut(pointer).unwrap() = wrong_value;
        assert!(wrong(&schema, &schema, &changed, "").is_some(), "{pointer}");
    }
    let mut more = printed.clone();
    more["units"][0]["results"][0]["colour"] = json!("blue");
    assert!(wrong(&schema, &schema, &more, "").is_some());
    let mut less = printed;
    less["units"][0]["results"][0]
        .as_object_mut()
        .unwrap()
        .remove("u");
    assert!(wrong(&schema, &schema, &less, "").is_some());
}
