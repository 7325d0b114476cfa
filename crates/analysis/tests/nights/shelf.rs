//! A simulated shelf of four units over a night without audio: healthy, or with
//! one fault of a stated size.

use model::document::plan::Plan;
use model::document::rig::Rig;
use model::document::{read_plan, read_rig};
use model::pitch::Note;
use model::quantity::Seconds;
use model::record::{PositionId, ReadingKey, RunHeader, RunRecord, Unit};
use model::result::SuggestionKind;
use model::time::{RunTime, Timestamp};
use simulator::{Bench, PlannedReading};
use std::collections::BTreeMap;

/// From cold: half an hour of a round a minute, then a round every ten for eight
/// hours. G1 is 49 Hz: a note beside the mains, without which hum would not be seen.
pub const PLAN: &str = "
nightbench: plan 1
title: shelf
reference: C4
stages:
  - power_on
  - rounds: {name: warming, notes: {list: [C4, C1, G1, C2, C3, C5, C6, C7, C4]}, every: 1 min, for: 30 min}
  - rounds: {name: night, notes: {list: [C4, C1, G1, C2, C3, C5, C6, C7, C4]}, every: 10 min, for: 8 h}
";
const NOTES: [i16; 9] = [60, 24, 31, 36, 48, 72, 84, 96, 60];

/// The faults, and how large they are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    None,
    /// 3 to 20 cents per octave, either way.
    ScaleOff,
    /// The compensating resistor follows the pair with a time constant of 12 to 30 min.
    CompensationSlow,
    /// A resistor of 0 to 1200 ppm/K where 3300 belong.
    CompensationMissing,
    /// 3 to 8 us lost in every cycle: 11 to 29 cents at C7.
    Droop,
    /// 0.5 to 3 nA where 131 nA flow at C1: 7 to 40 cents there.
    Leakage,
    /// 1 to 3 cents per hour either way, or 4000 to 8000 ppm/K of the reference current.
    ReferenceDrift,
    /// 1 to 3 mV root mean square, each note its own: 1.2 to 3.6 cents.
    SourceSteps,
    /// All four inputs of 100 kilohm on one output of 0.5 to 2 kilohm: -23 to -89
    /// cents per octave.
    Loading,
    /// A triangle with hum 16 to 26 dB below it.
    Hum,
    /// One to three times off by 5 to 30 cents for 11 to 25 minutes.
    Contact,
}

impl Fault {
    pub const ALL: [Self; 10] = [
        Self::ScaleOff,
        Self::CompensationSlow,
        Self::CompensationMissing,
        Self::Droop,
        Self::Leakage,
        Self::ReferenceDrift,
        Self::SourceSteps,
        Self::Loading,
        Self::Hum,
        Self::Contact,
    ];

    /// What the first suggestion must be.
    pub const fn expected(self) -> Option<SuggestionKind> {
        Some(match self {
            Self::None => return None,
            Self::ScaleOff => SuggestionKind::ScaleTrimmer,
            Self::CompensationSlow => SuggestionKind::CompensationSlow,
            Self::CompensationMissing => SuggestionKind::CompensationMissing,
            Self::Droop => SuggestionKind::DroopAtTheTop,
            Self::Leakage => SuggestionKind::LeakageAtTheBottom,
            Self::ReferenceDrift => SuggestionKind::ReferenceCurrent,
            Self::SourceSteps => SuggestionKind::SourceSteps,
            Self::Loading => SuggestionKind::Loading,
            Self::Hum => SuggestionKind::Hum,
            Self::Contact => SuggestionKind::IntermittentContact,
        })
    }

    /// Whether it is one unit's, or all of the rig's.
    pub const fn is_one_units(self) -> bool {
        !matches!(self, Self::None | Self::SourceSteps | Self::Loading)
    }
}

/// A shelf, a plan and what was read.
pub struct Shelf {
    pub plan: Plan,
    pub rig: Rig,
    pub record: RunRecord,
    /// Which unit has the fault.
    pub faulty: PositionId,
}

/// Numbers by seed: SplitMix64 (Steele, Lea, Flood 2014).
struct Dice(u64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((bits ^ (bits >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
    fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.uniform()
    }
    fn sign(&mut self) -> f64 {
        if self.uniform() < 0.5 { -1.0 } else { 1.0 }
    }
}

/// The rig of a seed.
fn rig_text(fault: Fault, seed: u64) -> (String, usize) {
    let mut dice = Dice(seed.wrapping_mul(7919).wrapping_add(fault as u64));
    let faulty = (seed % 4) as usize;
    let mut units = String::new();
    let mut positions = String::new();
    let mut faults = String::new();
    for place in 0..4 {
        let name = format!("bay-{}", place + 1);
        let has = |which: Fault| fault == which && place == faulty;
        let mut scale = dice.between(-0.8, 0.8);
        let mut compensation = dice.between(3250.0, 3400.0);
        let mut lag = dice.between(40.0, 80.0);
        let mut reference = dice.between(50.0, 500.0);
        let mut drift = dice.between(-0.1, 0.1);
        let mut reset = dice.between(0.1, 0.4);
        let mut leakage = dice.between(0.002, 0.01);
        let (mut wave, mut hum) = ("saw", String::new());
        if has(Fault::ScaleOff) {
            scale = dice.sign() * dice.between(3.0, 20.0);
        }
        if has(Fault::CompensationSlow) {
            lag = dice.between(720.0, 1800.0);
        }
        if has(Fault::CompensationMissing) {
            compensation = dice.between(0.0, 1200.0);
        }
        if has(Fault::Droop) {
            reset = dice.between(3.0, 8.0);
        }
        if has(Fault::Leakage) {
            leakage = dice.between(0.5, 3.0);
        }
        if has(Fault::ReferenceDrift) {
            if dice.uniform() < 0.5 {
                drift = dice.sign() * dice.between(1.0, 3.0);
            } else {
                reference = dice.between(4000.0, 8000.0);
            }
        }
        if has(Fault::Hum) {
            wave = "triangle";
            hum = format!("hum: {{level: {} dBFS}}", dice.between(-38.0, -28.0));
        }
        if has(Fault::Contact) {
            for _ in 0..1 + (dice.uniform() * 3.0) as usize {
                faults += &format!(
                    "\n      - loose_contact: {{positions: [{name}], by: {} cents, from: {} s, for: {} s}}",
                    dice.sign() * dice.between(5.0, 30.0),
                    dice.between(7200.0, 26_000.0),
                    dice.between(660.0, 1500.0),
                );
            }
        }
        let (slow, fast) = (dice.between(5.0, 8.0), dice.between(2.5, 4.0));
        units += &format!(
            "
      {name}:
        waveform: {wave}
        trimmers: {{offset: {} cents, scale: {scale} cents/oct}}
        converter: {{trimmed_at: {} degC, compensation: {compensation} ppm/K, compensation_lag: {lag} s, reference_drift: {reference} ppm/K, bulk_resistance: {} ohm}}
        core: {{current_at_1khz: 4 uA, reset_time: {reset} us, leakage: {leakage} nA}}
        warming: [{{time: {} s, rise: {slow} K}}, {{time: {} s, rise: {fast} K}}]
        drift: {drift} cents/h
        phase_noise: {{white: {} ppm, flicker: {} ppm}}
        {hum}",
            dice.between(-6.0, 6.0),
            21.5 + slow + fast + dice.between(-1.0, 1.0),
            dice.between(0.2, 0.6),
            dice.between(240.0, 420.0),
            dice.between(60.0, 90.0),
            dice.between(2.0, 4.0),
            dice.between(3.0, 6.0),
        );
        let channel = if fault == Fault::Loading {
            1
        } else {
            place + 1
        };
        positions += &format!(
            "
  {name}:
    cv: {{sender: keys, channel: {channel}, law: {{volts_per_octave: {{zero: C1 = 0 V}}}}, safe: {{from: 0 V, to: 8 V}}}}
    input: {}
    supply: rack
    input_resistance: 100 kohm",
            place + 1
        );
    }
    let steps = if fault == Fault::SourceSteps {
        dice.between(1.0, 3.0)
    } else {
        0.06
    };
    let output = if fault == Fault::Loading {
        dice.between(500.0, 2000.0)
    } else {
        10.0
    };
    let gain = dice.between(-200.0, 200.0);
    let text = format!(
        "
nightbench: rig 1
name: shelf
wiring:
  simulated:
    seed: {seed}
    room: {{temperature: 21.5 degC, swing: 1.2 K, period: 24 h, wander: 0.12 K, mains: 50 Hz}}
    interfaces:
      keys: {{specimen: {seed}, step_error: {steps} mV, gain_error: {gain} ppm, gain_drift: 8 ppm/K, offset_drift: 12 uV/K, output_resistance: {output} ohm}}
    input: {{rate: 48 kHz, clock_error: 14 ppm, noise: -92 dBFS}}
    units: {units}
    instruments: {{psu: supply, air: thermometer}}
    faults: [{}]
supplies: {{rack: {{by: {{instrument: psu}}, voltage: 12 V, current_limit: 1 A}}}}
positions: {positions}
thermometer: air
bounds: {{sample_clock: 30 ppm, cv_gain: 0.03 %, cv_offset: 2 mV, cv_step: 0.25 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K}}
",
        if faults.is_empty() { String::new() } else { faults.clone() + "\n    " }
    );
    let text = if faults.is_empty() {
        text
    } else {
        text.replace(
            &format!("faults: [{faults}\n    ]"),
            &format!("faults: {faults}"),
        )
    };
    (text, faulty)
}

/// A night of the shelf.
pub fn night(fault: Fault, seed: u64) -> Shelf {
    let (text, faulty) = rig_text(fault, seed);
    let rig = read_rig("rig.yaml", text.as_bytes())
        .unwrap_or_else(|error| panic!("{error:?}\n{text}"))
        .value;
    let plan = read_plan("plan.yaml", PLAN.as_bytes())
        .unwrap_or_else(|error| panic!("{error:?}"))
        .value;
    let power = 60.0;
    let mut planned = Vec::new();
    for position in rig.positions.keys().map(|name| PositionId::new(name)) {
        for (stage, began, every, rounds) in [(1, power, 60.0, 30), (2, power + 1800.0, 600.0, 48)]
        {
            for round in 0..rounds {
                for (slot, note) in (0u16..).zip(NOTES) {
                    planned.push(PlannedReading {
                        key: ReadingKey {
                            stage,
                            round,
                            slot,
                            repeat: 0,
                            attempt: 0,
                            position: position.clone(),
                        },
                        pitch: Note::from_number(note).pitch(),
                        at: RunTime::START
                            + Seconds::of(began + every * f64::from(round) + f64::from(slot) + 0.3),
                        window: Seconds::of(0.5),
                    });
                }
            }
        }
    }
    let header = RunHeader {
        plan_text: String::new(),
        rig_text: String::new(),
        units: rig
            .positions
            .keys()
            .map(|name| (PositionId::new(name), Unit::default()))
            .collect::<BTreeMap<_, _>>(),
        program_version: String::new(),
        seed: Some(seed),
        began: Timestamp::UNIX_EPOCH,
    };
    let bench = Bench::new(&rig).expect("the rig can be simulated");
    let record = bench.record(
        header,
        Some(RunTime::START + Seconds::of(power)),
        &planned,
        0,
    );
    Shelf {
        plan,
        rig,
        record,
        faulty: PositionId::new(&format!("bay-{}", faulty + 1)),
    }
}
