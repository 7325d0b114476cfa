//! A simulated shelf of one to four units over a night without audio: healthy, or with
//! faults of a stated kind and strength.

pub mod faults;

pub use faults::{Answer, Fault, Kind};

use model::document::plan::Plan;
use model::document::rig::{Rig, Wiring};
use model::document::simulated::Simulated;
use model::document::{read_plan, read_rig};
use model::pitch::Note;
use model::quantity::Seconds;
use model::record::{PositionId, ReadingKey, RunHeader, RunRecord, Unit};
use model::result::Suggestion;
use model::time::{RunTime, Timestamp};
use simulator::{Bench, PlannedReading};
use std::collections::BTreeMap;

/// When the supply comes on, in seconds of the run.
const POWER: f64 = 60.0;
/// From one note to the next.
const NOTE: f64 = 1.0;

/// What is played: the notes of a round, and each stage's seconds from one round to the
/// next and how many.
struct Timetable {
    notes: &'static [i16],
    stages: &'static [(f64, u32)],
}

/// G1 is 49 Hz: a note beside the mains, without which hum would not be seen.
const TIMETABLES: [Timetable; 4] = [
    Timetable {
        notes: &[60, 24, 31, 36, 48, 72, 84, 96, 60],
        stages: &[(60.0, 30), (600.0, 48)],
    },
    // As the plan that ships, for eight hours.
    Timetable {
        notes: &[60, 24, 36, 48, 72, 84, 96, 60],
        stages: &[(60.0, 30), (600.0, 45)],
    },
    // More readings of the warm-up than of the night.
    Timetable {
        notes: &[60, 24, 31, 36, 48, 72, 84, 96, 60],
        stages: &[(60.0, 90), (600.0, 39)],
    },
    // Up and down.
    Timetable {
        notes: &[60, 24, 31, 36, 48, 72, 84, 96, 84, 72, 48, 36, 31, 24, 60],
        stages: &[(120.0, 20), (600.0, 45)],
    },
];

/// A shelf, a plan and what was read.
pub struct Shelf {
    pub plan: Plan,
    pub rig: Rig,
    pub record: RunRecord,
    /// What is wrong, with whom.
    pub faults: Vec<Fault>,
}

/// Numbers by seed: SplitMix64 (Steele, Lea, Flood 2014).
pub struct Dice(u64);

impl Dice {
    pub const fn of(seed: u64) -> Self {
        Self(seed.wrapping_mul(7919))
    }
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((bits ^ (bits >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
    pub fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.uniform()
    }
    pub fn sign(&mut self) -> f64 {
        if self.uniform() < 0.5 { -1.0 } else { 1.0 }
    }
}

/// "bay-1" and so on.
fn bay(place: usize) -> String {
    format!("bay-{}", place + 1)
}

/// The rig of a seed with so many healthy units.
fn healthy(seed: u64, count: usize) -> Rig {
    let mut dice = Dice::of(seed);
    let (mut units, mut positions) = (String::new(), String::new());
    for place in 0..count {
        let name = bay(place);
        let (slow, fast) = (dice.between(5.0, 8.0), dice.between(2.5, 4.0));
        units += &format!(
            "
      {name}:
        waveform: saw
        trimmers: {{offset: {} cents, scale: {} cents/oct}}
        converter: {{trimmed_at: {} degC, compensation: {} ppm/K, compensation_lag: {} s, reference_drift: {} ppm/K, bulk_resistance: {} ohm}}
        core: {{current_at_1khz: 4 uA, reset_time: {} us, leakage: {} nA}}
        warming: [{{time: {} s, rise: {slow} K}}, {{time: {} s, rise: {fast} K}}]
        drift: {} cents/h
        phase_noise: {{white: {} ppm, flicker: {} ppm}}",
            dice.between(-6.0, 6.0),
            dice.between(-0.8, 0.8),
            21.5 + slow + fast + dice.between(-1.0, 1.0),
            dice.between(3250.0, 3400.0),
            dice.between(40.0, 80.0),
            dice.between(50.0, 500.0),
            dice.between(0.2, 0.6),
            dice.between(0.1, 0.4),
            dice.between(0.002, 0.01),
            dice.between(240.0, 420.0),
            dice.between(60.0, 90.0),
            dice.between(-0.1, 0.1),
            dice.between(2.0, 4.0),
            dice.between(3.0, 6.0),
        );
        let channel = place + 1;
        positions += &format!(
            "
  {name}:
    cv: {{sender: keys, channel: {channel}, law: {{volts_per_octave: {{zero: C1 = 0 V}}}}, safe: {{from: 0 V, to: 8 V}}}}
    input: {channel}
    supply: rack
    input_resistance: 100 kohm"
        );
    }
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
      keys: {{specimen: {seed}, step_error: 0.06 mV, gain_error: {gain} ppm, gain_drift: 8 ppm/K, offset_drift: 12 uV/K, output_resistance: 10 ohm}}
    input: {{rate: 48 kHz, clock_error: 14 ppm, noise: -92 dBFS}}
    units: {units}
    instruments: {{psu: supply, air: thermometer}}
supplies: {{rack: {{by: {{instrument: psu}}, voltage: 12 V, current_limit: 1 A}}}}
positions: {positions}
thermometer: air
bounds: {{sample_clock: 30 ppm, cv_gain: 0.03 %, cv_offset: 2 mV, cv_step: 0.25 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K}}
"
    );
    read_rig("rig.yaml", text.as_bytes())
        .unwrap_or_else(|error| panic!("{error:?}\n{text}"))
        .value
}

/// The simulation of a rig.
fn simulated(rig: &mut Rig) -> &mut Simulated {
    match &mut rig.wiring {
        Wiring::Simulated(simulated) => simulated,
        _ => panic!("a simulated rig"),
    }
}

fn plan(table: &Timetable) -> Plan {
    let names: Vec<String> = table
        .notes
        .iter()
        .map(|number| model::document::notes::name_of(Note::from_number(*number).pitch()))
        .collect();
    let mut text =
        "nightbench: plan 1\ntitle: shelf\nreference: C4\nstages:\n  - power_on\n".to_owned();
    for (name, (every, rounds)) in ["warming", "night"].iter().zip(table.stages) {
        text += &format!(
            "  - rounds: {{name: {name}, notes: {{list: [{}]}}, every: {every} s, for: {} s}}\n",
            names.join(", "),
            every * f64::from(*rounds)
        );
    }
    read_plan("plan.yaml", text.as_bytes())
        .unwrap_or_else(|error| panic!("{error:?}"))
        .value
}

fn planned(table: &Timetable, positions: &[PositionId]) -> Vec<PlannedReading> {
    let mut planned = Vec::new();
    for position in positions {
        let mut began = POWER;
        for (stage, (every, rounds)) in (1u16..).zip(table.stages) {
            for round in 0..*rounds {
                for (slot, note) in (0u16..).zip(table.notes) {
                    let at = began + every * f64::from(round) + NOTE * f64::from(slot) + 0.3;
                    planned.push(PlannedReading {
                        key: ReadingKey {
                            stage,
                            round,
                            slot,
                            repeat: 0,
                            attempt: 0,
                            position: position.clone(),
                        },
                        pitch: Note::from_number(*note).pitch(),
                        at: RunTime::START + Seconds::of(at),
                        window: Seconds::of(0.5),
                    });
                }
            }
            began += every * f64::from(*rounds);
        }
    }
    planned
}

/// A night of the shelf with faults of these kinds and strengths (0 to 2). The seed decides
/// how many units there are, what is played, and who has what.
pub fn night(kinds: &[(Kind, usize)], seed: u64) -> Shelf {
    let counts = [4, 4, 3, 4, 2, 4, 1, 4, 4, 3];
    let least = kinds.iter().map(|(kind, _)| kind.least_units()).max();
    let count = counts[(seed % 10) as usize].max(least.unwrap_or(1));
    let up_and_down = kinds.iter().any(|(kind, _)| kind.needs_up_and_down());
    let table = if up_and_down {
        3
    } else {
        (seed / 2 % 4) as usize
    };
    let table = &TIMETABLES[table];
    let mut rig = healthy(seed, count);
    let mut dice = Dice::of(seed ^ 0x5eed);
    let mut place = (seed % count as u64) as usize;
    let mut faults = Vec::new();
    for (kind, strength) in kinds {
        faults.push(Fault::new(*kind, *strength, place, count));
        // The second is another unit's, or the same one's.
        place = (place + usize::from(dice.uniform() < 0.5)) % count;
    }
    for fault in &faults {
        fault.make(&mut rig, &mut dice);
    }
    let plan = plan(table);
    let positions: Vec<PositionId> = rig
        .positions
        .keys()
        .map(|name| PositionId::new(name))
        .collect();
    let header = RunHeader {
        plan_text: String::new(),
        rig_text: String::new(),
        units: positions
            .iter()
            .map(|position| (position.clone(), Unit::default()))
            .collect::<BTreeMap<_, _>>(),
        program_version: String::new(),
        seed: Some(seed),
        began: Timestamp::UNIX_EPOCH,
    };
    let bench = Bench::new(&rig).expect("the rig can be simulated");
    let on = Some(RunTime::START + Seconds::of(POWER));
    let mut record = bench.record(header, on, &planned(table, &positions), 0);
    for fault in &faults {
        fault.edit(&mut record.readings, table.notes);
    }
    Shelf {
        plan,
        rig,
        record,
        faults,
    }
}

impl Shelf {
    /// What is suggested, and what that is worth: wrong if any of it is.
    pub fn judged(&self) -> (Vec<Suggestion>, Answer) {
        let found = analysis::suggest(&self.plan, &self.rig, &self.record);
        let is_right = |one: &Suggestion| self.faults.iter().any(|fault| fault.explains(one));
        let answer = if found.is_empty() {
            Answer::Silent
        } else if found.iter().all(is_right) {
            Answer::Right
        } else {
            Answer::Wrong
        };
        (found, answer)
    }
}
