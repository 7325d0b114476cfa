//! What can be wrong with a shelf, in three strengths, and which suggestions are right then.
//!
//! What the simulator cannot make without audio is edited into the readings (a note short of
//! where it was going, hysteresis). A wave that changes, a trimmer that slips as it is turned,
//! a unit that detunes another one through its supply, and a thermometer in the wrong place
//! cannot be made.

use super::{Dice, bay, simulated};
use model::document::rig::{Law, Rig};
use model::document::simulated::{self as sim, UnitModel};
use model::pitch::{Note, NoteAtVoltage};
use model::quantity::{
    Amperes, Cents, CentsPerHour, CentsPerOctave, Fraction, FractionPerKelvin, HertzPerVolt,
    Kelvin, Level, Ohms, Seconds, VoltDifference, Volts, VoltsPerKelvin, VoltsPerOctave,
};
use model::record::{PositionId, Reading};
use model::result::{Suggestion, SuggestionKind as Suggested};

/// What is worth what is suggested.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    Right,
    Silent,
    Wrong,
}

/// The kinds of fault. Their strengths stand with [`Fault::make`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    ScaleWide,
    ScaleNarrow,
    HighEndUnder,
    HighEndOver,
    BulkResistance,
    Leak,
    BiasCurrent,
    CompensationMissing,
    CompensationOverdone,
    CompensationLate,
    CompensationLoose,
    ReferenceTemperature,
    ReferenceDrift,
    PairDrift,
    ContactShort,
    ContactLong,
    NoisyPot,
    JumpUp,
    JumpDown,
    HumBeside,
    HumBends,
    Jitter,
    Flicker,
    LockedUnits,
    SlowSettling,
    Hysteresis,
    SlowWarmUp,
    GainHigh,
    GainLow,
    InterfaceSteps,
    InterfaceOffset,
    ClampedTop,
    ClampedBottom,
    InterfaceWarms,
    LoadedAll,
    LoadedPair,
    OtherLaw,
    RangeSwitch,
    DeadUnit,
    RoomSwings,
    RoomWanders,
    SupplyDips,
    SupplyMoves,
    NotPlayed,
    Clipped,
    CaptureLost,
    CablesSwapped,
}

use Kind as K;

impl Kind {
    pub const ALL: [Self; 47] = [
        K::ScaleWide,
        K::ScaleNarrow,
        K::HighEndUnder,
        K::HighEndOver,
        K::BulkResistance,
        K::Leak,
        K::BiasCurrent,
        K::CompensationMissing,
        K::CompensationOverdone,
        K::CompensationLate,
        K::CompensationLoose,
        K::ReferenceTemperature,
        K::ReferenceDrift,
        K::PairDrift,
        K::ContactShort,
        K::ContactLong,
        K::NoisyPot,
        K::JumpUp,
        K::JumpDown,
        K::HumBeside,
        K::HumBends,
        K::Jitter,
        K::Flicker,
        K::LockedUnits,
        K::SlowSettling,
        K::Hysteresis,
        K::SlowWarmUp,
        K::GainHigh,
        K::GainLow,
        K::InterfaceSteps,
        K::InterfaceOffset,
        K::ClampedTop,
        K::ClampedBottom,
        K::InterfaceWarms,
        K::LoadedAll,
        K::LoadedPair,
        K::OtherLaw,
        K::RangeSwitch,
        K::DeadUnit,
        K::RoomSwings,
        K::RoomWanders,
        K::SupplyDips,
        K::SupplyMoves,
        K::NotPlayed,
        K::Clipped,
        K::CaptureLost,
        K::CablesSwapped,
    ];

    /// How many units it takes.
    pub const fn least_units(self) -> usize {
        match self {
            K::LockedUnits | K::LoadedAll | K::CablesSwapped => 2,
            K::LoadedPair => 4,
            _ => 1,
        }
    }

    /// Whether it shows only where notes are come to from both sides.
    pub const fn needs_up_and_down(self) -> bool {
        matches!(self, K::SlowSettling | K::Hysteresis)
    }

    /// Which suggestions are right; of what none is, silence is.
    const fn right(self) -> &'static [Suggested] {
        use Suggested as S;
        match self {
            K::ScaleWide | K::ScaleNarrow => &[S::ScaleTrimmer],
            K::HighEndUnder | K::BulkResistance => &[S::DroopAtTheTop],
            K::HighEndOver => &[S::TopOverdone],
            K::Leak | K::BiasCurrent => &[S::LeakageAtTheBottom],
            K::CompensationMissing | K::CompensationOverdone => &[S::CompensationMissing],
            K::CompensationLate => &[S::CompensationSlow],
            K::CompensationLoose => &[S::CompensationMissing, S::CompensationSlow],
            K::ReferenceTemperature | K::ReferenceDrift | K::PairDrift => &[S::ReferenceCurrent],
            K::ContactShort | K::ContactLong | K::JumpUp | K::JumpDown => &[S::IntermittentContact],
            K::NoisyPot => &[S::IntermittentContact, S::Unsteady],
            K::HumBeside => &[S::Hum],
            K::HumBends => &[S::Hum, S::Unsteady],
            K::Jitter | K::Flicker => &[S::Unsteady],
            K::LockedUnits => &[S::LockedUnits],
            K::SlowSettling | K::Hysteresis => &[S::UpAndDown],
            K::GainHigh | K::GainLow => &[S::InterfaceGain],
            K::InterfaceSteps => &[S::SourceSteps],
            K::ClampedTop | K::ClampedBottom => &[S::SourceSteps],
            K::LoadedAll | K::LoadedPair => &[S::Loading],
            K::InterfaceWarms | K::RoomSwings | K::RoomWanders | K::SupplyDips | K::SupplyMoves => {
                &[S::MovingTogether]
            }
            K::OtherLaw => &[S::OtherLaw],
            // Two octaves up every core loses more in each cycle.
            K::RangeSwitch => &[S::DroopAtTheTop],
            K::SlowWarmUp
            | K::InterfaceOffset
            | K::DeadUnit
            | K::NotPlayed
            | K::Clipped
            | K::CaptureLost
            | K::CablesSwapped => &[],
        }
    }
}

/// A fault of a shelf.
pub struct Fault {
    pub kind: Kind,
    strength: usize,
    /// Who has it: one unit, the units of a pair, or all.
    having: Vec<String>,
}

impl Fault {
    pub fn new(kind: Kind, strength: usize, place: usize, count: usize) -> Self {
        let one = vec![bay(place)];
        let having = match kind {
            K::LockedUnits | K::LoadedPair | K::CablesSwapped => {
                vec![bay(place), bay((place + 1) % count)]
            }
            K::GainHigh
            | K::GainLow
            | K::InterfaceSteps
            | K::InterfaceOffset
            | K::ClampedTop
            | K::ClampedBottom
            | K::InterfaceWarms
            | K::LoadedAll
            | K::RoomSwings
            | K::RoomWanders
            | K::SupplyDips
            | K::SupplyMoves
            | K::CaptureLost => (0..count).map(bay).collect(),
            _ => one,
        };
        Self {
            kind,
            strength,
            having,
        }
    }

    /// Whether a suggestion is right: its kind, or what it says it may be as well, and
    /// whose it is. Of a fault of all units, most of them will do.
    pub fn explains(&self, suggestion: &Suggestion) -> bool {
        let doubt = suggestion.doubt.as_ref();
        let others = doubt.map_or(&[][..], |doubt| doubt.others());
        let names = |kind: &Suggested| *kind == suggestion.kind || others.contains(kind);
        let mut having: Vec<PositionId> = self
            .having
            .iter()
            .map(|name| PositionId::new(name))
            .collect();
        having.sort();
        let all = having.len() > 2 || self.kind.right() == [Suggested::MovingTogether];
        let whose = if all {
            suggestion.positions.len() * 4 >= having.len() * 3
        } else {
            let mut positions = suggestion.positions.clone();
            positions.sort();
            positions == having
        };
        self.kind.right().iter().any(names) && whose
    }

    /// Puts it into the rig.
    pub fn make(&self, rig: &mut Rig, dice: &mut Dice) {
        let of = |three: [f64; 3]| three[self.strength];
        match self.kind {
            K::LoadedAll | K::LoadedPair => {
                let channel = rig.positions[&self.having[0]].cv.channel;
                for name in &self.having {
                    if let Some(position) = rig.positions.get_mut(name) {
                        position.cv.channel = channel;
                    }
                }
                self.interface(rig).output_resistance = Ohms::of(of([500.0, 1000.0, 2000.0]));
            }
            K::GainHigh => self.interface(rig).gain_error = Fraction::of(of([0.003, 0.01, 0.03])),
            K::GainLow => self.interface(rig).gain_error = Fraction::of(of([-0.003, -0.01, -0.03])),
            K::InterfaceSteps => {
                self.interface(rig).step_error = VoltDifference::of(of([0.8e-3, 1.6e-3, 3e-3]));
            }
            K::InterfaceOffset => {
                self.interface(rig).offset_error = VoltDifference::of(of([0.01, -0.04, 0.15]));
            }
            // C7 needs 6 V, C6 5 V; C1 0 V, G1 0.58 V.
            K::ClampedTop => self.interface(rig).highest = Volts::of(of([5.98, 5.8, 5.3])),
            K::ClampedBottom => self.interface(rig).lowest = Volts::of(of([0.02, 0.2, 0.5])),
            K::InterfaceWarms => {
                let interface = self.interface(rig);
                interface.on_before = Seconds::ZERO;
                interface.offset_drift = VoltsPerKelvin::of(of([0.5e-3, 1e-3, 2e-3]));
                for mass in &mut interface.warming {
                    mass.time = Seconds::of(7200.0);
                }
            }
            K::RoomSwings => simulated(rig).room.swing = Kelvin::of(of([5.0, 8.0, 12.0])),
            K::RoomWanders => simulated(rig).room.wander = Kelvin::of(of([0.5, 1.0, 2.0])),
            K::SupplyDips | K::SupplyMoves => {
                for unit in simulated(rig).units.values_mut() {
                    unit.per_supply_volt = Cents::of(dice.between(4.0, 7.0));
                }
                let fault = self.scripted(dice);
                simulated(rig).faults.extend(fault);
            }
            _ => {
                for fault in self.scripted(dice) {
                    simulated(rig).faults.push(fault);
                }
                for name in &self.having {
                    if let Some(unit) = simulated(rig).units.get_mut(name) {
                        self.unit(unit, dice);
                    }
                }
            }
        }
    }

    fn interface<'a>(&self, rig: &'a mut Rig) -> &'a mut sim::Interface {
        let interface = simulated(rig).interfaces.get_mut("keys");
        interface.expect("the interface")
    }

    /// What is wrong inside a unit.
    fn unit(&self, unit: &mut UnitModel, dice: &mut Dice) {
        let mut of = |three: [f64; 3]| three[self.strength] * dice.between(0.85, 1.15);
        let (converter, core) = (&mut unit.converter, &mut unit.core);
        match self.kind {
            K::ScaleWide => unit.trimmers.scale = CentsPerOctave::of(of([3.0, 8.0, 20.0])),
            K::ScaleNarrow => unit.trimmers.scale = CentsPerOctave::of(of([-3.0, -8.0, -20.0])),
            K::HighEndUnder => core.reset_time = Seconds::of(of([2.5e-6, 5e-6, 10e-6])),
            K::HighEndOver => unit.trimmers.high_end = Seconds::of(of([2e-6, 4e-6, 8e-6])),
            K::BulkResistance => converter.bulk_resistance = Ohms::of(of([20.0, 40.0, 80.0])),
            // 131 nA flow at C1.
            K::Leak => core.leakage = Amperes::of(of([0.5e-9, 1.5e-9, 4e-9])),
            K::BiasCurrent => core.bias = Amperes::of(of([0.5e-9, 1.5e-9, 4e-9])),
            K::CompensationMissing => {
                converter.compensation = FractionPerKelvin::of(of([1500e-6, 800e-6, 0.0]));
            }
            K::CompensationOverdone => {
                converter.compensation = FractionPerKelvin::of(of([5200e-6, 6000e-6, 7000e-6]));
            }
            K::CompensationLate => {
                converter.compensation_lag = Seconds::of(of([750.0, 1200.0, 2000.0]));
            }
            K::CompensationLoose => {
                converter.compensation_contact = Fraction::of(of([0.6, 0.3, 0.0]))
            }
            K::ReferenceTemperature => {
                converter.reference_drift = FractionPerKelvin::of(of([4000e-6, 6000e-6, 9000e-6]));
            }
            K::ReferenceDrift => unit.drift = CentsPerHour::of(of([1.0, -2.0, 3.0])),
            K::PairDrift => converter.pair_drift = VoltsPerKelvin::of(of([200e-6, 400e-6, 800e-6])),
            K::HumBeside => {
                unit.waveform = sim::Waveform::Triangle;
                unit.hum.level = Some(Level::of([-38.0, -33.0, -28.0][self.strength]));
            }
            K::HumBends => unit.hum.bend = Cents::of(of([20.0, 60.0, 200.0])),
            K::Jitter => unit.phase_noise.white = Fraction::of(of([300e-6, 800e-6, 2000e-6])),
            K::Flicker => unit.phase_noise.flicker = Fraction::of(of([300e-6, 800e-6, 2000e-6])),
            K::SlowWarmUp => {
                converter.reference_drift = FractionPerKelvin::of(1000e-6);
                unit.warming[0].time = Seconds::of(of([1800.0, 3600.0, 7200.0]));
            }
            K::OtherLaw => {
                unit.law = match self.strength {
                    0 => Law::VoltsPerOctave {
                        slope: VoltsPerOctave::of(1.2),
                        zero: zero(),
                    },
                    1 => Law::VoltsPerOctave {
                        slope: VoltsPerOctave::of(0.9),
                        zero: zero(),
                    },
                    _ => Law::HertzPerVolt {
                        gain: HertzPerVolt::of(80.0),
                    },
                }
            }
            K::RangeSwitch => unit.octave_switch = [1, -1, 2][self.strength],
            _ => {}
        }
    }

    /// What goes wrong at a time.
    fn scripted(&self, dice: &mut Dice) -> Vec<sim::Fault> {
        let positions = self.having.clone();
        let of = |three: [f64; 3]| three[self.strength];
        let contact = |by: f64, from: f64, lasts: f64| sim::Fault::LooseContact {
            positions: self.having.clone(),
            by: Cents::of(by),
            from: Seconds::of(from),
            lasts: Seconds::of(lasts),
        };
        let from = Seconds::of(dice.between(8_000.0, 24_000.0));
        let lasts = Seconds::of(of([1800.0, 5400.0, 1e6]));
        let sized = dice.sign() * of([5.0, 12.0, 30.0]) * dice.between(0.85, 1.15);
        let some = Some(lasts);
        match self.kind {
            K::ContactShort => (0..1 + (dice.uniform() * 3.0) as usize)
                .map(|_| {
                    let from = dice.between(7200.0, 26_000.0);
                    contact(sized, from, dice.between(660.0, 1500.0))
                })
                .collect(),
            K::ContactLong => {
                let lasts = dice.between(2200.0, 2800.0);
                vec![contact(sized, dice.between(7200.0, 22_000.0), lasts)]
            }
            K::NoisyPot => (0..25)
                .map(|place| {
                    let from = 2000.0 + 1000.0 * f64::from(place) + dice.between(0.0, 300.0);
                    let by = of([3.0, 8.0, 20.0]) * dice.between(-1.0, 1.0);
                    contact(by, from, dice.between(100.0, 700.0))
                })
                .collect(),
            K::JumpUp => vec![contact(of([4.0, 10.0, 30.0]), from.get(), 1e6)],
            K::JumpDown => vec![contact(of([-4.0, -10.0, -30.0]), from.get(), 1e6)],
            K::LockedUnits => vec![sim::Fault::Locked {
                positions,
                within: Cents::of(40.0),
                from: Seconds::of([20_000.0, 10_000.0, 0.0][self.strength]),
                lasts: Some(Seconds::of(of([3600.0, 10_800.0, 1e6]))),
            }],
            K::DeadUnit => vec![sim::Fault::UnitSilent {
                positions,
                from: Seconds::of(of([20_000.0, 8_000.0, 0.0])),
                lasts: Some(Seconds::of(of([2400.0, 1e6, 1e6]))),
            }],
            K::NotPlayed => vec![sim::Fault::NoteNotPlayed {
                positions,
                from,
                lasts: some,
            }],
            K::Clipped => vec![sim::Fault::InputClips {
                positions,
                gain: Fraction::of(4.0),
                from,
                lasts: some,
            }],
            K::CaptureLost => vec![sim::Fault::CaptureDies {
                from,
                lasts: Seconds::of(of([600.0, 2400.0, 7200.0])),
            }],
            K::CablesSwapped => vec![sim::Fault::CablesSwapped {
                between: [positions[0].clone(), positions[1].clone()],
                cables: sim::Cables::Audio,
                from,
                lasts: some,
            }],
            K::SupplyDips => vec![sim::Fault::SupplyDips {
                supply: "rack".to_owned(),
                to: Volts::of(of([11.0, 9.5, 8.0])),
                from,
                lasts: Seconds::of(1500.0),
            }],
            K::SupplyMoves => vec![sim::Fault::SupplyStands {
                supply: "rack".to_owned(),
                at: Volts::of(of([12.7, 13.5, 15.0])),
                from,
                lasts: None,
            }],
            _ => Vec::new(),
        }
    }

    /// Changes what was read of the units that have it.
    pub fn edit(&self, readings: &mut [Reading], notes: &[i16]) {
        if !self.kind.needs_up_and_down() {
            return;
        }
        for reading in readings {
            if !self
                .having
                .iter()
                .any(|name| name == reading.key.position.as_str())
            {
                continue;
            }
            let slot = usize::from(reading.key.slot);
            let before = notes[slot.checked_sub(1).unwrap_or(notes.len() - 1)];
            let interval = 100.0 * f64::from(before - notes[slot]);
            let off = match self.kind {
                // What is left of the way to the note.
                K::SlowSettling => interval * [6e-4, 2e-3, 6e-3][self.strength],
                _ if interval == 0.0 => 0.0,
                _ => [0.6, 2.0, 6.0][self.strength] * interval.signum(),
            };
            let measured = &mut reading.measured;
            measured.frequency = measured.frequency.map(|hz| hz.shifted(Cents::of(off)));
        }
    }
}

fn zero() -> NoteAtVoltage {
    NoteAtVoltage {
        note: Note::from_number(24),
        voltage: Volts::of(0.0),
    }
}
