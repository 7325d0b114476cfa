//! A quantity whose dimension is only known once its unit has been read, for
//! the limits of tolerances.

use super::{
    Cents, CentsPerHour, CentsPerKelvin, CentsPerOctave, CentsPerOctavePerKelvin, CentsPerVolt,
    Fraction, HertzDifference, Kelvin, Quantity, QuantityError, Seconds, VoltDifference, text,
};
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// The dimensions a result can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Dimension {
    /// Cents.
    Interval,
    /// Cents per octave.
    ScaleError,
    /// Cents per hour.
    DriftRate,
    /// Seconds.
    Duration,
    /// A fraction of one.
    Fraction,
    /// Kelvin.
    TemperatureDifference,
    /// Octaves from the lowest note of a range to the highest; written as an interval.
    Range,
    /// Beats per second.
    BeatRate,
    /// Cents per volt of supply.
    SupplySensitivity,
    /// Cents per kelvin.
    OffsetPerKelvin,
    /// Cents per octave per kelvin.
    ScalePerKelvin,
    /// Volts.
    Voltage,
}

impl Dimension {
    /// The unit in which results of this dimension are stated and stored.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Interval => "cents",
            Self::ScaleError => "cents/oct",
            Self::DriftRate => "cents/h",
            Self::Duration => "s",
            Self::Fraction => "1",
            Self::TemperatureDifference => "K",
            Self::Range => "oct",
            Self::BeatRate => "Hz",
            Self::SupplySensitivity => "cents/V",
            Self::OffsetPerKelvin => "cents/K",
            Self::ScalePerKelvin => "cents/oct/K",
            Self::Voltage => "V",
        }
    }
    /// An example of how a limit of this dimension is written.
    #[must_use]
    pub const fn example(self) -> &'static str {
        match self {
            Self::Interval => Cents::EXAMPLE,
            Self::ScaleError => CentsPerOctave::EXAMPLE,
            Self::DriftRate => CentsPerHour::EXAMPLE,
            Self::Duration => "45 min",
            Self::Fraction => "95 %",
            Self::TemperatureDifference => Kelvin::EXAMPLE,
            Self::Range => "4 octaves",
            Self::BeatRate => "1 Hz",
            Self::SupplySensitivity => CentsPerVolt::EXAMPLE,
            Self::OffsetPerKelvin => CentsPerKelvin::EXAMPLE,
            Self::ScalePerKelvin => CentsPerOctavePerKelvin::EXAMPLE,
            Self::Voltage => VoltDifference::EXAMPLE,
        }
    }
}

/// A number with a dimension, as written in a tolerance.
#[derive(Debug, Clone, PartialEq)]
pub struct AnyQuantity {
    /// What it is a quantity of.
    pub dimension: Dimension,
    /// Its value in [`Dimension::unit`].
    pub value: f64,
    /// As it was written, for reports.
    pub text: String,
}

impl AnyQuantity {
    /// Its value as a limit of a dimension, in [`Dimension::unit`]; `None` when it is
    /// of another one. An interval may stand for the octaves of a range.
    #[must_use]
    pub fn value_as(&self, dimension: Dimension) -> Option<f64> {
        match (self.dimension, dimension) {
            (own, asked) if own == asked => Some(self.value),
            (Dimension::Interval, Dimension::Range) => Some(self.value / 1200.0),
            _ => None,
        }
    }

    /// Reads a quantity of any dimension that a result can have.
    ///
    /// # Errors
    /// [`QuantityError`] when the text has no number, no unit or an unknown one.
    pub fn read(written: &str) -> Result<Self, QuantityError> {
        let attempts = [
            (
                Dimension::Interval,
                text::read::<Cents>(written).map(Cents::get),
            ),
            (
                Dimension::ScaleError,
                text::read::<CentsPerOctave>(written).map(CentsPerOctave::get),
            ),
            (
                Dimension::DriftRate,
                text::read::<CentsPerHour>(written).map(CentsPerHour::get),
            ),
            (
                Dimension::Duration,
                text::read::<Seconds>(written).map(Seconds::get),
            ),
            (
                Dimension::Fraction,
                text::read::<Fraction>(written).map(Fraction::get),
            ),
            (
                Dimension::TemperatureDifference,
                text::read::<Kelvin>(written).map(Kelvin::get),
            ),
            (
                Dimension::BeatRate,
                text::read::<HertzDifference>(written).map(HertzDifference::get),
            ),
            (
                Dimension::SupplySensitivity,
                text::read::<CentsPerVolt>(written).map(CentsPerVolt::get),
            ),
            (
                Dimension::OffsetPerKelvin,
                text::read::<CentsPerKelvin>(written).map(CentsPerKelvin::get),
            ),
            (
                Dimension::ScalePerKelvin,
                text::read::<CentsPerOctavePerKelvin>(written).map(CentsPerOctavePerKelvin::get),
            ),
            (
                Dimension::Voltage,
                text::read::<VoltDifference>(written).map(VoltDifference::get),
            ),
        ];
        let mut first_error = None;
        for (dimension, attempt) in attempts {
            match attempt {
                Ok(value) => {
                    return Ok(Self {
                        dimension,
                        value,
                        text: written.trim().to_owned(),
                    });
                }
                Err(QuantityError::WrongUnit { unit, .. }) => {
                    first_error.get_or_insert(QuantityError::WrongUnit {
                        unit,
                        quantity: "limit",
                        example: "3 cents",
                        units: "cents, octaves, cents/oct, cents/h, s, min, h, %, K, Hz, V, cents/V, cents/K, cents/oct/K".to_owned(),
                    });
                }
                Err(error) => return Err(error),
            }
        }
        Err(first_error.unwrap_or(QuantityError::NotPossible {
            text: written.to_owned(),
            quantity: "limit",
        }))
    }
}

impl std::fmt::Display for AnyQuantity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(&self.text)
    }
}

impl Serialize for AnyQuantity {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.text)
    }
}

impl<'de> Deserialize<'de> for AnyQuantity {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Visitor;
        impl serde::de::Visitor<'_> for Visitor {
            type Value = AnyQuantity;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a limit with its unit, like \"3 cents\"")
            }
            fn visit_str<E: serde::de::Error>(self, value: &str) -> Result<AnyQuantity, E> {
                AnyQuantity::read(value).map_err(E::custom)
            }
            fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<AnyQuantity, E> {
                self.visit_str(&value.to_string())
            }
            fn visit_i64<E: serde::de::Error>(self, value: i64) -> Result<AnyQuantity, E> {
                self.visit_str(&value.to_string())
            }
            fn visit_u64<E: serde::de::Error>(self, value: u64) -> Result<AnyQuantity, E> {
                self.visit_str(&value.to_string())
            }
        }
        deserializer.deserialize_any(Visitor)
    }
}

impl JsonSchema for AnyQuantity {
    fn inline_schema() -> bool {
        true
    }
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Limit".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "description": "A limit with the unit of its result, like \"3 cents\", \"1 cent/oct\", \"45 min\".",
            "pattern": "^\\s*[-+]?[0-9]*\\.?[0-9]+([eE][-+]?[0-9]+)?\\s*[^0-9\\s].*$",
        })
    }
}
