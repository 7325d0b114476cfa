//! The text form of quantities for serde, and what a schema says of it.

/// Implements `Serialize`, `Deserialize`, `JsonSchema`, `Display` and `FromStr`
/// in the form of [`super::text`].
macro_rules! text_form {
    ($name:ident) => {
        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(&crate::quantity::text::write(*self))
            }
        }
        impl std::str::FromStr for $name {
            type Err = crate::quantity::text::QuantityError;
            fn from_str(text: &str) -> Result<Self, Self::Err> {
                crate::quantity::text::read(text)
            }
        }
        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_str(&crate::quantity::text::write(*self))
            }
        }
        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                deserializer.deserialize_any(crate::quantity::serial::TextVisitor::<Self>(
                    std::marker::PhantomData,
                ))
            }
        }
        impl schemars::JsonSchema for $name {
            fn inline_schema() -> bool {
                true
            }
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }
            fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
                crate::quantity::serial::schema::<Self>()
            }
        }
    };
}
pub(super) use text_form;

use super::{Quantity, text};
use schemars::{Schema, json_schema};
use std::marker::PhantomData;

/// Takes a string with a unit, and answers a bare number with what is missing.
pub(super) struct TextVisitor<Q>(pub PhantomData<Q>);

impl<Q: Quantity> serde::de::Visitor<'_> for TextVisitor<Q> {
    type Value = Q;

    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let vowel = Q::NAME.starts_with(['a', 'e', 'i', 'o', 'u']);
        let article = if vowel { "an" } else { "a" };
        let (name, example) = (Q::NAME, Q::EXAMPLE);
        write!(f, "{article} {name} with its unit, like \"{example}\"")
    }
    fn visit_str<E: serde::de::Error>(self, value: &str) -> Result<Q, E> {
        text::read(value).map_err(E::custom)
    }
    fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Q, E> {
        self.visit_str(&value.to_string())
    }
    fn visit_i64<E: serde::de::Error>(self, value: i64) -> Result<Q, E> {
        self.visit_str(&value.to_string())
    }
    fn visit_u64<E: serde::de::Error>(self, value: u64) -> Result<Q, E> {
        self.visit_str(&value.to_string())
    }
}

/// A string that is a number and one of the quantity's units.
pub(super) fn schema<Q: Quantity>() -> Schema {
    let units: Vec<String> = Q::UNITS
        .iter()
        .map(|(unit, _)| unit.replace('.', "\\."))
        .collect();
    json_schema!({
        "type": "string",
        "description": format!("A {} with its unit, like \"{}\".", Q::NAME, Q::EXAMPLE),
        "pattern": format!("^\\s*[-+]?[0-9]*\\.?[0-9]+([eE][-+]?[0-9]+)?\\s*({})\\s*$", units.join("|")),
        "examples": [Q::EXAMPLE],
    })
}
