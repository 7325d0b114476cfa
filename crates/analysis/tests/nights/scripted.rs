//! Simulated shelves on which nothing happens but what a script says: four units with
//! warm-ups of 10 to 60 cents in a room that swings, with white and flicker noise and a
//! random walk, read without audio.

use model::document::plan::Plan;
use model::document::rig::Rig;
use model::document::{read_plan, read_rig};
use model::pitch::Note;
use model::quantity::{Cents, Seconds};
use model::record::{PositionId, ReadingKey, RunHeader, RunRecord, Unit};
use model::time::{RunTime, Timestamp};
use simulator::{Bench, PlannedReading};

/// When the supply comes on, in seconds of the run.
pub const POWER: f64 = 60.0;
/// From one note to the next, and the length of a window, in seconds.
const NOTE: f64 = 4.0;
pub const WINDOW: f64 = 0.5;

/// A plan of rounds: every so many seconds so many times, for each stage.
#[derive(Debug, Clone, Copy)]
pub struct Timetable {
    pub notes: &'static [i16],
    pub stages: &'static [(f64, u32)],
    /// Whether the unit is switched on for it; else it has been on for long.
    pub from_cold: bool,
}

/// As the plan that ships, eight hours of it.
pub const OVERNIGHT: Timetable = Timetable {
    notes: &[60, 24, 36, 48, 72, 84, 96, 60],
    stages: &[(60.0, 30), (600.0, 48)],
    from_cold: true,
};
/// Rounds so far apart that a transient comes and goes between two.
pub const SPARSE: Timetable = Timetable {
    notes: &[60, 36, 48, 72, 84, 60],
    stages: &[(600.0, 84)],
    from_cold: true,
};
/// An hour and a half on a warm unit.
pub const SHORT: Timetable = Timetable {
    notes: &[60, 48, 72],
    stages: &[(300.0, 18)],
    from_cold: false,
};

/// A shelf, a plan and what was read.
pub struct Shelf {
    pub plan: Plan,
    pub rig: Rig,
    pub record: RunRecord,
}

/// Numbers by seed: SplitMix64 (Steele, Lea, Flood 2014).
pub struct Dice(u64);

impl Dice {
    pub fn of(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x1d8e_4e27_c47d_124f)
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
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// Positions "bay-1" to "bay-4".
pub fn bay(number: usize) -> PositionId {
    PositionId::new(&format!("bay-{number}"))
}

fn rig_text(seed: u64, faults: &str, channels: [u8; 4], from_cold: bool) -> String {
    let mut dice = Dice::of(seed);
    let (mut units, mut positions) = (String::new(), String::new());
    for (bay, channel) in (1..=4).zip(channels) {
        let (slow, fast) = (dice.between(3.0, 8.0), dice.between(1.0, 4.0));
        // The warm-up of the reference note is that of the reference current: 1731 cents for
        // a relative change of one.
        let warm_up = dice.between(10.0, 60.0);
        let reference = warm_up / (slow + fast) / 1731.0 * 1e6;
        let wave = ["saw", "triangle", "{pulse: {duty: 30 %}}"][(dice.uniform() * 3.0) as usize];
        let hum = if dice.uniform() < 0.25 {
            format!("hum: {{level: {} dBFS}}", dice.between(-80.0, -65.0))
        } else {
            String::new()
        };
        units += &format!(
            "
      bay-{bay}:
        waveform: {wave}
        trimmers: {{offset: {} cents, scale: {} cents/oct}}
        converter: {{trimmed_at: {} degC, compensation: {} ppm/K, compensation_lag: {} s, reference_drift: {reference} ppm/K, bulk_resistance: {} ohm}}
        core: {{current_at_1khz: 20 uA, reset_time: {} us, leakage: {} nA}}
        warming: [{{time: {} s, rise: {slow} K}}, {{time: {} s, rise: {fast} K}}]
        drift: {} cents/h
        phase_noise: {{white: {} ppm, flicker: {} ppm}}
        {hum}",
            dice.between(-6.0, 6.0),
            dice.between(-2.0, 2.0),
            21.5 + slow + fast + dice.between(-2.0, 2.0),
            dice.between(2600.0, 3500.0),
            dice.between(20.0, 200.0),
            dice.between(0.1, 0.8),
            dice.between(0.1, 3.0),
            dice.between(0.002, 1.0),
            dice.between(240.0, 600.0),
            dice.between(30.0, 120.0),
            dice.between(-0.3, 0.3),
            dice.between(1.0, 5.0).exp2(),
            dice.between(0.0, 5.0).exp2(),
        );
        positions += &format!(
            "
  bay-{bay}:
    cv: {{sender: keys, channel: {channel}, law: {{volts_per_octave: {{zero: C1 = 0 V}}}}, safe: {{from: 0 V, to: 8 V}}}}
    input: {bay}
    supply: rack
    input_resistance: 100 kohm"
        );
    }
    let before = if from_cold {
        ""
    } else {
        "on_before: {rack: 6 h}"
    };
    format!(
        "
nightbench: rig 1
name: shelf
wiring:
  simulated:
    seed: {seed}
    room: {{temperature: 21.5 degC, swing: {} K, period: {} h, wander: {} K, mains: 50 Hz}}
    interfaces:
      keys: {{specimen: {seed}, step_error: 0.06 mV, gain_error: 100 ppm, gain_drift: 8 ppm/K, offset_drift: 12 uV/K, output_resistance: 10 ohm}}
    input: {{rate: 48 kHz, clock_error: 14 ppm, noise: -92 dBFS}}
    {before}
    units: {units}
    instruments: {{psu: supply, air: thermometer}}
    faults: {faults}
supplies: {{rack: {{by: {{instrument: psu}}, voltage: 12 V, current_limit: 1 A}}}}
positions: {positions}
thermometer: air
",
        dice.between(0.0, 5.0),
        dice.between(8.0, 24.0),
        dice.between(0.05, 0.3),
    )
}

fn plan_of(table: Timetable) -> Plan {
    let names: Vec<String> = table
        .notes
        .iter()
        .map(|note| format!("C{}", note / 12 - 1))
        .collect();
    let mut text = "nightbench: plan 1\ntitle: shelf\nreference: C4\nstages:\n".to_owned();
    if table.from_cold {
        text += "  - power_on\n";
    }
    for (number, (every, rounds)) in table.stages.iter().enumerate() {
        text += &format!(
            "  - rounds: {{name: stage-{number}, notes: {{list: [{}]}}, every: {every} s, for: {} s}}\n",
            names.join(", "),
            every * f64::from(*rounds),
        );
    }
    read_plan("plan.yaml", text.as_bytes())
        .unwrap_or_else(|error| panic!("{error:?}"))
        .value
}

/// A run of a shelf, with faults in the rig file's own words (`[]` for none), the channels
/// that feed the four units, and a random walk of up to a cent per square-root hour.
pub fn run(seed: u64, table: Timetable, faults: &str, channels: [u8; 4]) -> Shelf {
    let text = rig_text(seed, faults, channels, table.from_cold);
    let rig = read_rig("rig.yaml", text.as_bytes())
        .unwrap_or_else(|error| panic!("{error:?}\n{text}"))
        .value;
    let mut planned = Vec::new();
    for position in rig.positions.keys().map(|name| PositionId::new(name)) {
        let mut began = POWER;
        let first = u16::from(table.from_cold);
        for (stage, (every, rounds)) in (first..).zip(table.stages) {
            for round in 0..*rounds {
                for (slot, note) in (0u16..).zip(table.notes) {
                    let after = every * f64::from(round) + NOTE * f64::from(slot) + 2.0;
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
                        at: RunTime::START + Seconds::of(began + after),
                        window: Seconds::of(WINDOW),
                    });
                }
            }
            began += every * f64::from(*rounds);
        }
    }
    let header = RunHeader {
        plan_text: String::new(),
        rig_text: String::new(),
        units: (1..=4)
            .map(|number| (bay(number), Unit::default()))
            .collect(),
        program_version: String::new(),
        seed: Some(seed),
        began: Timestamp::UNIX_EPOCH,
    };
    let bench = Bench::new(&rig).expect("the rig can be simulated");
    let on = table.from_cold.then(|| RunTime::START + Seconds::of(POWER));
    let mut record = bench.record(header, on, &planned, 0);
    wander(&mut record, seed);
    Shelf {
        plan: plan_of(table),
        rig,
        record,
    }
}

/// A random walk of each unit, all notes alike.
fn wander(record: &mut RunRecord, seed: u64) {
    for number in 1..=4 {
        let mut dice = Dice::of(seed * 4 + number as u64);
        let rate = dice.between(0.0, 1.0);
        let (mut now, mut off) = (0.0, 0.0);
        let unit = bay(number);
        let mut own: Vec<_> = record
            .readings
            .iter_mut()
            .filter(|reading| reading.key.position == unit)
            .collect();
        own.sort_by_key(|reading| reading.at);
        for reading in own {
            let t = reading.at.seconds();
            off += rate * ((t - now) / 3600.0).sqrt() * dice.normal();
            now = t;
            let frequency = &mut reading.measured.frequency;
            *frequency = frequency.map(|frequency| frequency.shifted(Cents::of(off)));
        }
    }
}
