//! Quantities: one type per dimension, finite by construction, with only the
//! arithmetic that means something.
//!
//! In YAML a quantity is a string with its unit (`"500 ms"`, `"1 cent/oct"`);
//! [`text`] reads and writes that form. In records and machine-readable output
//! it is a bare number whose key names the unit; [`shown`] is for people.

mod any;
mod serial;
pub mod shown;
pub mod text;

pub use any::{AnyQuantity, Dimension};
pub use text::QuantityError;

/// The number offered was NaN or infinite, or outside what the quantity allows.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{value} is not a possible {quantity}")]
pub struct NotPossible {
    /// What was offered.
    pub value: f64,
    /// Which quantity refused it.
    pub quantity: &'static str,
}

/// What every quantity can do: be made from and turned into its base unit, and
/// name the units it may be written in.
pub trait Quantity: Copy + Sized {
    /// The name used in messages, such as "frequency".
    const NAME: &'static str;
    /// Accepted units, each with its size in base units; the first is the base unit.
    const UNITS: &'static [(&'static str, f64)];
    /// An example that would be accepted, for messages.
    const EXAMPLE: &'static str;
    /// Makes the quantity from a number of base units.
    ///
    /// # Errors
    /// When the number is NaN, infinite or outside the quantity's range.
    fn new(value: f64) -> Result<Self, NotPossible>;
    /// The number of base units.
    fn get(self) -> f64;
}

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $words:literal, $example:literal, [$(($unit:literal, $size:expr)),+ $(,)?] $(, $check:expr)?) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// A value known to the programmer.
            ///
            /// # Panics
            /// When the value is not possible; meant for constants, where that
            /// is a compile error.
            #[must_use]
            pub const fn of(value: f64) -> Self {
                assert!(value.is_finite());
                Self(value)
            }
            /// The number of base units.
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }
            /// Makes the quantity from a number of base units.
            ///
            /// # Errors
            /// When the number is NaN, infinite or outside the quantity's range.
            pub fn new(value: f64) -> Result<Self, NotPossible> {
                let possible = value.is_finite() $(&& { let check: fn(f64) -> bool = $check; check(value) })?;
                if possible { Ok(Self(value)) } else { Err(NotPossible { value, quantity: $words }) }
            }
        }
        impl Quantity for $name {
            const NAME: &'static str = $words;
            const UNITS: &'static [(&'static str, f64)] = &[$(($unit, $size)),+];
            const EXAMPLE: &'static str = $example;
            fn new(value: f64) -> Result<Self, NotPossible> {
                Self::new(value)
            }
            fn get(self) -> f64 {
                self.0
            }
        }
        serial::text_form!($name);
    };
}

/// Sums, differences, negation and scaling, for quantities that form a line
/// through zero (differences, intervals, durations).
macro_rules! additive {
    ($($name:ident),+) => {$(
        impl $name {
            /// Nothing of it.
            pub const ZERO: Self = Self(0.0);
            /// Its size without its sign.
            #[must_use]
            pub fn abs(self) -> Self { Self(self.0.abs()) }
        }
        impl std::ops::Add for $name { type Output = Self; fn add(self, other: Self) -> Self { Self(self.0 + other.0) } }
        impl std::ops::Sub for $name { type Output = Self; fn sub(self, other: Self) -> Self { Self(self.0 - other.0) } }
        impl std::ops::Neg for $name { type Output = Self; fn neg(self) -> Self { Self(-self.0) } }
        impl std::ops::Mul<f64> for $name { type Output = Self; fn mul(self, by: f64) -> Self { Self(self.0 * by) } }
        impl std::ops::Div<f64> for $name { type Output = Self; fn div(self, by: f64) -> Self { Self(self.0 / by) } }
        impl std::ops::Div for $name { type Output = f64; fn div(self, by: Self) -> f64 { self.0 / by.0 } }
    )+};
}

quantity! {
    /// A frequency, in hertz, above zero. Two frequencies compare as an interval
    /// ([`Hertz::cents_from`]); they are never added.
    Hertz, "frequency", "440 Hz", [("Hz", 1.0), ("kHz", 1e3), ("mHz", 1e-3), ("MHz", 1e6)], |v| v > 0.0
}
quantity! {
    /// A difference of frequencies or an uncertainty of one, in hertz.
    HertzDifference, "frequency difference", "0.2 Hz", [("Hz", 1.0), ("mHz", 1e-3), ("kHz", 1e3)]
}
quantity! {
    /// An interval, in cents: 1200 to the octave.
    Cents, "interval", "3 cents", [("cents", 1.0), ("cent", 1.0), ("octaves", 1200.0), ("octave", 1200.0), ("oct", 1200.0), ("semitones", 100.0), ("semitone", 100.0)]
}
quantity! {
    /// A scale error, in cents per octave.
    CentsPerOctave, "scale error", "1 cent/oct", [("cents/oct", 1.0), ("cent/oct", 1.0)]
}
quantity! {
    /// What a volt of supply does to a pitch, in cents per volt.
    CentsPerVolt, "supply sensitivity", "2 cents/V", [("cents/V", 1.0), ("cent/V", 1.0)]
}
quantity! {
    /// What a kelvin does to a pitch, in cents per kelvin.
    CentsPerKelvin, "temperature coefficient of a pitch", "0.5 cents/K", [("cents/K", 1.0), ("cent/K", 1.0)]
}
quantity! {
    /// What a kelvin does to a scale, in cents per octave per kelvin.
    CentsPerOctavePerKelvin, "temperature coefficient of a scale", "0.1 cents/oct/K", [("cents/oct/K", 1.0), ("cent/oct/K", 1.0)]
}
quantity! {
    /// A rate of drift, in cents per hour.
    CentsPerHour, "drift rate", "0.5 cents/h", [("cents/h", 1.0), ("cent/h", 1.0), ("cents/min", 60.0), ("cent/min", 60.0)]
}
quantity! {
    /// A voltage against ground, in volts.
    Volts, "voltage", "5 V", [("V", 1.0), ("mV", 1e-3)]
}
quantity! {
    /// A difference of voltages or an uncertainty of one, in volts.
    VoltDifference, "voltage difference", "3 mV", [("V", 1.0), ("mV", 1e-3), ("uV", 1e-6)]
}
quantity! {
    /// A slope of a control law, in volts per octave, above zero.
    VoltsPerOctave, "slope", "1 V/oct", [("V/oct", 1.0), ("mV/oct", 1e-3)], |v| v > 0.0
}
quantity! {
    /// A slope of a linear control law, in hertz per volt, above zero.
    HertzPerVolt, "slope", "130.8 Hz/V", [("Hz/V", 1.0), ("kHz/V", 1e3)], |v| v > 0.0
}
quantity! {
    /// A length of time, in seconds. Points in time are in [`crate::time`].
    Seconds, "duration", "500 ms", [("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("min", 60.0), ("h", 3600.0)], |v| v >= 0.0
}
quantity! {
    /// A current, in amperes, not below zero.
    Amperes, "current", "800 mA", [("A", 1.0), ("mA", 1e-3), ("uA", 1e-6), ("nA", 1e-9), ("pA", 1e-12)], |v| v >= 0.0
}
quantity! {
    /// A resistance, in ohms, not below zero.
    Ohms, "resistance", "100 kohm", [("ohm", 1.0), ("kohm", 1e3), ("Mohm", 1e6)], |v| v >= 0.0
}
quantity! {
    /// A capacitance of heat, in joules per kelvin, above zero.
    JoulesPerKelvin, "heat capacity", "40 J/K", [("J/K", 1.0)], |v| v > 0.0
}
quantity! {
    /// A temperature, in degrees Celsius.
    Celsius, "temperature", "21 degC", [("degC", 1.0), ("°C", 1.0)], |v| v >= -273.15
}
quantity! {
    /// A difference of temperatures, in kelvin.
    Kelvin, "temperature difference", "2 K", [("K", 1.0), ("mK", 1e-3)]
}
quantity! {
    /// A small ratio, as a fraction; written in percent or parts per million.
    Fraction, "fraction", "50 ppm", [("ppm", 1e-6), ("%", 1e-2)]
}
quantity! {
    /// A temperature coefficient, as a fraction per kelvin.
    FractionPerKelvin, "temperature coefficient", "3300 ppm/K", [("ppm/K", 1e-6), ("%/K", 1e-2)]
}
quantity! {
    /// A drift of a voltage with temperature, in volts per kelvin.
    VoltsPerKelvin, "voltage drift", "10 uV/K", [("uV/K", 1e-6), ("mV/K", 1e-3), ("V/K", 1.0)]
}
quantity! {
    /// A level against full scale, in dBFS (a full-scale sine has an rms level of -3.01 dBFS).
    Level, "level", "-12 dBFS", [("dBFS", 1.0)]
}
quantity! {
    /// An amount of storage, in bytes.
    Bytes, "storage size", "500 MB", [("B", 1.0), ("kB", 1e3), ("MB", 1e6), ("GB", 1e9)], |v| v >= 0.0
}

/// The number of base units of a quantity of any kind; units of one name have one size.
pub(crate) fn base_value(written: &str) -> Option<f64> {
    let (number, unit) = text::split(written)?;
    [
        Hertz::UNITS,
        Cents::UNITS,
        CentsPerOctave::UNITS,
        CentsPerHour::UNITS,
        VoltDifference::UNITS,
        VoltsPerOctave::UNITS,
        HertzPerVolt::UNITS,
        Seconds::UNITS,
        Amperes::UNITS,
        Ohms::UNITS,
        Celsius::UNITS,
        Kelvin::UNITS,
        Fraction::UNITS,
        FractionPerKelvin::UNITS,
        VoltsPerKelvin::UNITS,
        Level::UNITS,
        Bytes::UNITS,
    ]
    .into_iter()
    .flatten()
    .find(|(name, _)| *name == unit)
    .map(|(_, size)| number * size)
}

additive!(
    HertzDifference,
    Cents,
    CentsPerOctave,
    CentsPerHour,
    VoltDifference,
    Seconds,
    Kelvin,
    Fraction
);

impl Hertz {
    /// The interval from `reference` up to this frequency.
    #[must_use]
    pub fn cents_from(self, reference: Self) -> Cents {
        Cents(1200.0 * (self.0 / reference.0).log2())
    }
    /// The frequency an interval away.
    #[must_use]
    pub fn shifted(self, by: Cents) -> Self {
        Self(self.0 * (by.0 / 1200.0).exp2())
    }
    /// How long one cycle takes.
    #[must_use]
    pub fn period(self) -> Seconds {
        Seconds(1.0 / self.0)
    }
}

impl HertzDifference {
    /// What this small difference is in cents at `frequency`.
    #[must_use]
    pub fn cents_at(self, frequency: Hertz) -> Cents {
        Cents(self.0 / frequency.0 * 1200.0 / std::f64::consts::LN_2)
    }
}

impl std::ops::Sub for Volts {
    type Output = VoltDifference;
    fn sub(self, other: Self) -> VoltDifference {
        VoltDifference(self.0 - other.0)
    }
}

impl std::ops::Add<VoltDifference> for Volts {
    type Output = Self;
    fn add(self, by: VoltDifference) -> Self {
        Self(self.0 + by.0)
    }
}

impl std::ops::Sub for Celsius {
    type Output = Kelvin;
    fn sub(self, other: Self) -> Kelvin {
        Kelvin(self.0 - other.0)
    }
}

impl Seconds {
    /// The length in whole nanoseconds, rounded.
    #[must_use]
    pub fn nanoseconds(self) -> i64 {
        (self.0 * 1e9).round() as i64
    }
    /// The length of a number of nanoseconds.
    #[must_use]
    pub fn from_nanoseconds(nanoseconds: i64) -> Self {
        Self(nanoseconds.max(0) as f64 * 1e-9)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_that_is_no_number_is_refused() {
        assert!(Hertz::new(f64::NAN).is_err());
        assert!(Volts::new(f64::INFINITY).is_err());
        assert!(Hertz::new(0.0).is_err());
        assert!(Celsius::new(-300.0).is_err());
    }

    #[test]
    fn an_octave_is_1200_cents_and_shifts_back() {
        let a = Hertz::of(440.0);
        assert_eq!(Hertz::of(880.0).cents_from(a), Cents::of(1200.0));
        assert!((a.shifted(Cents::of(702.0)).cents_from(a).get() - 702.0).abs() < 1e-9);
    }
}
