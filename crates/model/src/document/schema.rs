//! JSON Schemas (draft 2020-12) of the two kinds of document, for editors.

use super::limits;
use super::plan::Plan;
use super::rig::Rig;
use schemars::generate::SchemaSettings;
use serde_json::{Value, json};

/// The JSON Schema of a plan.
///
/// It takes what [`super::read_plan`] takes, but for the words of notes and other
/// texts with an inner form; what [`super::check`] says is beyond it.
#[must_use]
pub fn plan_schema() -> Value {
    schema::<Plan>("Nightbench plan", "plan 1")
}

/// The JSON Schema of a rig; see [`plan_schema`].
#[must_use]
pub fn rig_schema() -> Value {
    schema::<Rig>("Nightbench rig", "rig 1")
}

/// The schema of a type with the limits of its places.
pub(super) fn of<T: schemars::JsonSchema>() -> Value {
    limited(schemars::schema_for!(T).to_value())
}

fn limited(mut schema: Value) -> Value {
    limits::write_into(&mut schema);
    schema
}

fn schema<T: schemars::JsonSchema>(title: &str, header: &str) -> Value {
    let generator = SchemaSettings::draft2020_12().into_generator();
    let mut schema = limited(generator.into_root_schema_for::<T>().to_value());
    schema["title"] = json!(title);
    schema["properties"]["nightbench"]["const"] = json!(header);
    schema
}
