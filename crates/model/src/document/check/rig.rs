//! Whether a rig makes sense by itself.

use super::super::error::DocumentError;
use super::super::path::Path;
use super::super::rig::{
    Bounds, ControlVoltage, InstrumentDevice, Law, Position, Rig, Role, SafeRange, Sender,
    SwitchedBy, Wiring,
};
use super::super::source::Document;
use super::{Checked, Checker, at, simulated};
use crate::pitch::{Note, PitchStandard};
use crate::quantity::{Quantity, VoltDifference};
use std::collections::BTreeMap;

/// The highest voltage, either way, that any CV or supply of a rig may have.
/// Well above what synthesizers use (common practice, no source): a misplaced
/// decimal point is what it is meant to catch.
pub(super) const HIGHEST_CV: f64 = 20.0;
const HIGHEST_SUPPLY: f64 = 60.0;
/// The highest current limit, in amperes. A rack takes a few (common practice, no
/// source); what lets more through protects nothing.
const HIGHEST_CURRENT: f64 = 30.0;
/// Channels of one audio stream.
pub(super) const MOST_CHANNELS: u64 = 64;

/// Checks a rig by itself.
///
/// # Errors
/// The first [`DocumentError`].
pub fn check_rig(document: &Document<Rig>) -> Checked {
    let rig = &document.value;
    let mut check = Checker::new(document);
    check.require(
        !rig.name.trim().is_empty(),
        &at!["name"],
        || "the rig has no name".to_owned(),
        || "a rig is locked by its name while it is in use".to_owned(),
    )?;
    match &rig.wiring {
        Wiring::Real(real) => check.real(real, &at!["wiring", "real"])?,
        Wiring::Simulated(world) => simulated::check(&check, world)?,
        Wiring::Recorded(_) => {}
    }
    check.supplies()?;
    check.positions()?;
    check.thermometer()?;
    check.bounds(&rig.bounds)?;
    check.certificates()?;
    Ok(check.remarks)
}

/// The names of the instruments of a rig, and what each is for.
fn instruments(rig: &Rig) -> BTreeMap<&str, Role> {
    match &rig.wiring {
        Wiring::Real(real) => real
            .instruments
            .iter()
            .map(|(name, instrument)| {
                let role = match instrument {
                    InstrumentDevice::Scpi { role, .. } => *role,
                    InstrumentDevice::Lines { .. } => Role::Thermometer,
                };
                (name.as_str(), role)
            })
            .collect(),
        Wiring::Simulated(simulated) => simulated
            .instruments
            .iter()
            .map(|(name, role)| (name.as_str(), *role))
            .collect(),
        Wiring::Recorded(_) => BTreeMap::new(),
    }
}

const fn role_word(role: Role) -> &'static str {
    match role {
        Role::Supply => "supply",
        Role::Thermometer => "thermometer",
        Role::Voltmeter => "voltmeter",
    }
}

/// How many outputs a sender has, and what they are.
fn outputs(rig: &Rig, sender: &str) -> (u64, &'static str) {
    match &rig.wiring {
        Wiring::Real(real) if matches!(real.senders.get(sender), Some(Sender::Volts { .. })) => {
            (MOST_CHANNELS, "output")
        }
        _ => (16, "MIDI channel"),
    }
}

/// Whether two laws give the same voltages, however they are written. Lines that
/// meet in two points are one; the third tells a line from a curve.
fn same_law(one: &Law, other: &Law) -> bool {
    [24, 60, 96].into_iter().all(|number| {
        let pitch = Note::from_number(number).pitch();
        let [one, other] =
            [one, other].map(|law| law.control_law().voltage(pitch, PitchStandard::default()));
        (one - other).abs() < VoltDifference::of(1e-9)
    })
}

impl Checker<'_, Rig> {
    /// A name that messages, files and the command line can carry.
    pub(super) fn name(&self, name: &str, path: &Path, what: &str) -> Result<(), DocumentError> {
        let good = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.' | ' ');
        if !name.trim().is_empty() && name.chars().count() <= 40 && name.chars().all(good) {
            return Ok(());
        }
        let problem = format!("this cannot be the name of a {what}");
        let advice =
            "use letters, digits, \"-\", \"_\" and \".\", at most 40 characters".to_owned();
        Err(self.document.error_at_key(path, problem, Some(advice)))
    }

    fn supplies(&mut self) -> Result<(), DocumentError> {
        let rig = &self.document.value;
        let instruments = instruments(rig);
        let mut taken: BTreeMap<&str, &str> = BTreeMap::new();
        for (name, supply) in &rig.supplies {
            let path = at!["supplies", name];
            self.name(name, &path, "supply")?;
            if let Some(voltage) = supply.voltage {
                self.require(
                    voltage.get().abs() > 0.0 && voltage.get().abs() <= HIGHEST_SUPPLY,
                    &path.then("voltage"),
                    || format!("{voltage} is not a possible supply voltage"),
                    || format!("expected at most {HIGHEST_SUPPLY} V; nothing higher is switched"),
                )?;
            }
            if let Some(limit) = supply.current_limit {
                self.require(
                    limit.get() > 0.0,
                    &path.then("current_limit"),
                    || format!("a current limit of {limit} lets nothing through"),
                    || "expected what the units need and a little more".to_owned(),
                )?;
                self.require(
                    limit.get() <= HIGHEST_CURRENT,
                    &path.then("current_limit"),
                    || format!("a current limit of {limit} protects nothing"),
                    || format!("expected what the units need and a little more, at most {HIGHEST_CURRENT} A"),
                )?;
            }
            if let SwitchedBy::Instrument(instrument) = &supply.by {
                let by = path.then("by").then("instrument");
                self.known(instrument, instruments.keys().copied(), &by, "instrument")?;
                let role = instruments.get(instrument.as_str()).copied();
                self.require(
                    role == Some(Role::Supply),
                    &by,
                    || {
                        let role = role.map_or("nothing", role_word);
                        format!("the instrument \"{instrument}\" is a {role}, not a supply")
                    },
                    || "give it the role supply, or name another".to_owned(),
                )?;
                let missing = match (supply.current_limit, supply.voltage) {
                    (Some(_), Some(_)) => "",
                    (None, Some(_)) => "\"current_limit\" is",
                    (Some(_), None) => "\"voltage\" is",
                    (None, None) => "\"current_limit\" and \"voltage\" are",
                };
                self.require(
                    missing.is_empty(),
                    &path,
                    || format!("the supply \"{name}\" is switched by an instrument, and {missing} missing"),
                    || "no supply is switched without a voltage and a current limit".to_owned(),
                )?;
                if let Some(other) = taken.insert(instrument, name) {
                    let problem =
                        format!("the supply \"{other}\" is already switched by \"{instrument}\"");
                    let advice =
                        "an instrument switches one supply; several positions may share it"
                            .to_owned();
                    return Err(self.document.error(&by, problem, Some(advice)));
                }
            }
            let used = rig
                .positions
                .values()
                .any(|position| position.supply.as_ref() == Some(name));
            if !used {
                self.remark(
                    &path,
                    format!("no position is fed by the supply \"{name}\""),
                    "it will not be switched; name it under \"supply\" of the positions it feeds",
                );
            }
        }
        Ok(())
    }

    fn positions(&mut self) -> Result<(), DocumentError> {
        let rig = &self.document.value;
        self.require(
            !rig.positions.is_empty(),
            &at!["positions"],
            || "there is no position".to_owned(),
            || "describe at least one place where a unit is patched".to_owned(),
        )?;
        for (name, position) in &rig.positions {
            let path = at!["positions", name];
            self.name(name, &path, "position")?;
            self.position(position, &path)?;
        }
        let positions: Vec<(&String, &Position)> = rig.positions.iter().collect();
        for (index, (name, position)) in positions.iter().enumerate() {
            for (earlier, other) in &positions[..index] {
                self.pair((earlier, other), (name, position))?;
            }
            let shared = positions[..index].iter().find(|(_, other)| {
                other.cv.sender == position.cv.sender && other.cv.channel == position.cv.channel
            });
            if let Some((earlier, _)) = shared {
                let path = at!["positions", name.as_str(), "cv", "channel"];
                self.remark(
                    &path,
                    format!("the position \"{earlier}\" is on the same sender and channel"),
                    "both then play the same notes from one CV through a multiple, and each input loads it for the other; if they have a CV each, give each its own channel",
                );
            }
        }
        Ok(())
    }

    fn position(&self, position: &Position, path: &Path) -> Result<(), DocumentError> {
        let rig = &self.document.value;
        self.control_voltage(&position.cv, &path.then("cv"))?;
        let input = path.then("input");
        match &rig.wiring {
            Wiring::Real(real) => {
                let channels = real.capture.channels;
                self.require(
                    (1..=channels).contains(&position.input),
                    &input,
                    || format!("the capture device has no input {}", position.input),
                    || {
                        format!(
                            "its {channels} channels count from 1; see wiring.real.capture.channels"
                        )
                    },
                )?;
            }
            Wiring::Simulated(_) => self.in_range(
                position.input.into(),
                1..=MOST_CHANNELS,
                &input,
                "audio input",
            )?,
            Wiring::Recorded(recorded) => self.in_range(
                position.input.into(),
                1..=u64::from(recorded.channels),
                &input,
                "channel of the recording",
            )?,
        }
        if let Some(supply) = &position.supply {
            let names = rig.supplies.keys().map(String::as_str);
            self.known(supply, names, &path.then("supply"), "supply")?;
        }
        if let Some(resistance) = position.input_resistance {
            self.require(
                resistance.get() >= 100.0,
                &path.then("input_resistance"),
                || format!("{resistance} is too little for a CV input"),
                || "expected 100 ohm or more; 100 kohm is usual".to_owned(),
            )?;
        }
        Ok(())
    }

    fn control_voltage(&self, cv: &ControlVoltage, path: &Path) -> Result<(), DocumentError> {
        let rig = &self.document.value;
        let sender = path.then("sender");
        match &rig.wiring {
            Wiring::Real(real) => {
                self.known(
                    &cv.sender,
                    real.senders.keys().map(String::as_str),
                    &sender,
                    "sender",
                )?;
            }
            Wiring::Simulated(simulated) => {
                let names = simulated.interfaces.keys().map(String::as_str);
                self.known(&cv.sender, names, &sender, "interface")?;
            }
            // Whatever played then is not there now.
            Wiring::Recorded(_) => {}
        }
        let (highest, what) = outputs(rig, &cv.sender);
        self.in_range(cv.channel.into(), 1..=highest, &path.then("channel"), what)?;
        self.law(&cv.law, &path.then("law"))?;
        self.safe(cv.safe, &path.then("safe"))
    }

    pub(super) fn law(&self, law: &Law, path: &Path) -> Result<(), DocumentError> {
        match law {
            Law::VoltsPerOctave { slope, zero } => {
                let path = path.then("volts_per_octave");
                self.require(
                    (0.01..=10.0).contains(&slope.get()),
                    &path.then("slope"),
                    || format!("{slope} is not a possible slope"),
                    || "expected 0.01 V/oct to 10 V/oct; 1 V/oct is usual".to_owned(),
                )?;
                self.require(
                    zero.voltage.get().abs() <= HIGHEST_CV,
                    &path.then("zero"),
                    || format!("{} is no control voltage", zero.voltage),
                    || format!("expected at most {HIGHEST_CV} V either way"),
                )
            }
            Law::HertzPerVolt { gain } => self.require(
                (0.1..=1e5).contains(&gain.get()),
                &path.then("hertz_per_volt").then("gain"),
                || format!("{gain} is not a possible gain"),
                || "expected 0.1 Hz/V to 100 kHz/V".to_owned(),
            ),
        }
    }

    fn safe(&self, safe: SafeRange, path: &Path) -> Result<(), DocumentError> {
        self.require(
            safe.from < safe.to,
            &path.then("to"),
            || format!("nothing lies between {} and {}", safe.from, safe.to),
            || "\"from\" is the lowest voltage, \"to\" the highest".to_owned(),
        )?;
        for (key, end) in [("from", safe.from), ("to", safe.to)] {
            self.require(
                end.get().abs() <= HIGHEST_CV,
                &path.then(key),
                || format!("{end} is no safe control voltage"),
                || format!("at most {HIGHEST_CV} V either way; see what the unit's maker allows"),
            )?;
        }
        Ok(())
    }

    /// What two positions may not share, or must.
    fn pair(
        &self,
        (earlier, other): (&str, &Position),
        (name, position): (&str, &Position),
    ) -> Result<(), DocumentError> {
        let path = at!["positions", name];
        self.require(
            other.input != position.input,
            &path.then("input"),
            || {
                format!(
                    "the position \"{earlier}\" is already heard by input {}",
                    position.input
                )
            },
            || "each position needs an input of its own".to_owned(),
        )?;
        let shared =
            other.cv.sender == position.cv.sender && other.cv.channel == position.cv.channel;
        let cv = path.then("cv");
        for (key, same) in [
            ("law", same_law(&other.cv.law, &position.cv.law)),
            ("safe", other.cv.safe == position.cv.safe),
        ] {
            self.require(
                !shared || same,
                &cv.then(key),
                || {
                    let law = if key == "law" { "control law" } else { "safe range" };
                    format!("the position \"{earlier}\" is on the same sender and channel with another {law}")
                },
                || "one CV has one law and one safe range; use another channel, or make them alike".to_owned(),
            )?;
        }
        Ok(())
    }

    fn thermometer(&self) -> Result<(), DocumentError> {
        let rig = &self.document.value;
        let Some(name) = &rig.thermometer else {
            return Ok(());
        };
        let path = at!["thermometer"];
        let instruments = instruments(rig);
        self.known(name, instruments.keys().copied(), &path, "instrument")?;
        let role = instruments.get(name.as_str()).copied();
        self.require(
            role == Some(Role::Thermometer),
            &path,
            || {
                let role = role.map_or("nothing", role_word);
                format!("the instrument \"{name}\" is a {role}, not a thermometer")
            },
            || "give it the role thermometer, or name another".to_owned(),
        )
    }

    fn bounds(&self, bounds: &Bounds) -> Result<(), DocumentError> {
        let path = at!["bounds"];
        // A field under its own name, the most it may be, and what to write instead.
        macro_rules! bound {
            ($field:ident, $most:expr, $example:expr) => {
                (
                    stringify!($field),
                    bounds.$field.get(),
                    bounds.$field.to_string(),
                    $most,
                    $example,
                )
            };
        }
        for (key, bound, text, most, example) in [
            bound!(sample_clock, 0.01, "50 ppm"),
            bound!(cv_gain, 0.2, "0.5 %"),
            bound!(cv_offset, 1.0, VoltDifference::EXAMPLE),
            bound!(cv_step, 1.0, VoltDifference::EXAMPLE),
            bound!(cv_gain_drift, 0.2, "0.1 %"),
            bound!(cv_offset_drift, 1.0, VoltDifference::EXAMPLE),
            bound!(cv_output_resistance, 1e5, "1 kohm"),
            bound!(cv_session, 0.2, "0.1 %"),
            bound!(thermometer, 20.0, "0.5 K"),
        ] {
            self.require(
                (0.0..=most).contains(&bound),
                &path.then(key),
                || format!("{text} is not a possible bound"),
                || format!("expected how far off the rig is at worst, like \"{example}\""),
            )?;
        }
        Ok(())
    }
}
