//! Nights without audio: a unit is a formula, a reading that formula plus noise.

use analysis::{Analysis, analyse};
use model::document::plan::{Order, Plan, Stage};
use model::document::rig::Rig;
use model::document::{read_plan, read_rig};
use model::pitch::Pitch;
use model::quantity::{Cents, Hertz, HertzDifference, Seconds, VoltDifference};
use model::record::{
    Conditions, Event, EventKind, Flags, Measured, PositionId, Reading, ReadingKey, RunHeader,
    RunId, RunRecord, State, Unit,
};
use model::result::{Outcome, ResultName};
use model::time::{RunTime, Timestamp};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::collections::BTreeMap;

/// A rig without any error of its own, unless `bounds` says otherwise.
pub fn rig(bounds: &str) -> Rig {
    let text = format!(
        r#"
nightbench: rig 1
name: test
wiring:
  real:
    senders: {{keys: {{midi: {{port: keys}}}}}}
    capture: {{device: input, rate: 48 kHz, channels: 2}}
positions:
  left:
    cv: {{sender: keys, channel: 1, law: {{volts_per_octave: {{slope: 1 V/oct, zero: C1 = 0 V}}}}, safe: {{from: 0 V, to: 8 V}}}}
    input: 1
bounds: {{{bounds}}}
"#
    );
    read_rig("rig.yaml", text.as_bytes())
        .expect("the rig reads")
        .value
}

/// Bounds of a rig that has been calibrated beyond doubt.
pub const EXACT: &str = "sample_clock: 0 ppm, cv_gain: 0 %, cv_offset: 0 mV, cv_step: 0 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K";

pub fn plan(stages: &str, tolerances: &str) -> Plan {
    let text = format!(
        "nightbench: plan 1\ntitle: test\nreference: C4\nstages:\n{stages}\ntolerances: [{tolerances}]\n"
    );
    read_plan("plan.yaml", text.as_bytes())
        .expect("the plan reads")
        .value
}

/// The usual night: half an hour of a round a minute, then a round every ten.
pub const NIGHT: &str = "
  - power_on
  - rounds: {name: warming, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 1 min, for: 30 min}
  - rounds: {name: night, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 10 min, for: 8 h}";

pub struct Random(ChaCha8Rng);

impl Random {
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }
    pub fn uniform(&mut self) -> f64 {
        ((self.0.next_u64() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }
    pub fn bits(&mut self) -> u64 {
        self.0.next_u64()
    }
    pub fn normal(&mut self) -> f64 {
        // The sum of twelve is near enough to normal for any test here.
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// A reading to come.
pub struct Slot {
    pub t: f64,
    /// Octaves above the reference note.
    pub x: f64,
}

fn event(at: f64, kind: EventKind, stage: Option<u16>) -> Event {
    Event {
        at: RunTime::START + Seconds::of(at),
        wall: Timestamp::UNIX_EPOCH,
        kind,
        stage,
        position: None,
        text: format!("{kind:?}"),
    }
}

pub fn reading(
    key: ReadingKey,
    pitch: Pitch,
    t: f64,
    cents: f64,
    u: f64,
    standard_hz: f64,
) -> Reading {
    let hz = Hertz::of(standard_hz).shifted(Cents::of(cents));
    Reading {
        key,
        asked: pitch,
        residue: VoltDifference::ZERO,
        played: RunTime::START + Seconds::of(t - 1.0),
        at: RunTime::START + Seconds::of(t),
        window: Seconds::of(0.5),
        measured: Measured {
            state: State::Ok,
            flags: Flags::NONE,
            frequency: Some(hz),
            u: Some(HertzDifference::of(
                hz.get() * u * std::f64::consts::LN_2 / 1200.0,
            )),
            u_noise: Some(HertzDifference::of(
                hz.get() * u * std::f64::consts::LN_2 / 1200.0,
            )),
            level: None,
        },
        conditions: Conditions::default(),
    }
}

/// Plays a plan: `cents(t since the run began, slot, random)` is the whole
/// deviation of a reading, `u` what the meter says of it. Four seconds a note.
pub fn play(
    plan: &Plan,
    u: f64,
    seed: u64,
    mut cents: impl FnMut(&Slot, &mut Random) -> f64,
) -> RunRecord {
    let mut random = Random::new(seed);
    let position = PositionId::new("left");
    let law = rig(EXACT).positions["left"].cv.law.control_law();
    let reference = plan.reference.pitch(plan.pitch, law);
    let mut record = RunRecord {
        id: RunId::new("test"),
        header: RunHeader {
            plan_text: String::new(),
            rig_text: String::new(),
            units: BTreeMap::from([(position.clone(), Unit::default())]),
            program_version: String::new(),
            seed: Some(seed),
            began: Timestamp::UNIX_EPOCH,
        },
        readings: Vec::new(),
        traces: Vec::new(),
        gaps: Vec::new(),
        events: Vec::new(),
    };
    let mut now = 0.0;
    for (index, stage) in (0u16..).zip(&plan.stages) {
        record
            .events
            .push(event(now, EventKind::StageBegan, Some(index)));
        let (notes, order, every, rounds) = match stage {
            Stage::PowerOn => {
                record
                    .events
                    .push(event(now, EventKind::PowerOn, Some(index)));
                continue;
            }
            Stage::Rounds(r) => (
                &r.notes,
                r.order.clone(),
                r.every.get(),
                (r.lasts / r.every).round() as u32,
            ),
            Stage::Sweep(s) => (&s.notes, s.order.clone(), 0.0, 1),
            _ => continue,
        };
        let mut notes: Vec<Pitch> = notes
            .expand(plan.pitch, law)
            .into_iter()
            .map(|named| named.pitch)
            .collect();
        if matches!(order, Some(Order::UpThenDown)) {
            let back: Vec<Pitch> = notes.iter().rev().skip(1).copied().collect();
            notes.extend(back);
        }
        for round in 0..rounds {
            for (slot, pitch) in (0u16..).zip(&notes) {
                let t = now + f64::from(slot) * 4.0 + 2.0;
                let x = pitch.cents_from(reference).get() / 1200.0;
                let off = cents(&Slot { t: t + 0.25, x }, &mut random);
                let key = ReadingKey {
                    stage: index,
                    round,
                    slot,
                    repeat: 0,
                    attempt: 0,
                    position: position.clone(),
                };
                let hz = plan.pitch.frequency(*pitch).get();
                record.readings.push(reading(key, *pitch, t, off, u, hz));
            }
            now += if every > 0.0 {
                every
            } else {
                notes.len() as f64 * 4.0
            };
        }
    }
    record.events.push(event(now, EventKind::RunEnded, None));
    record
}

pub fn outcome<'a>(analysis: &'a Analysis, stage: &str, name: ResultName) -> &'a Outcome {
    analysis
        .outcomes
        .iter()
        .find(|outcome| outcome.stage == stage && outcome.name == name)
        .unwrap_or_else(|| panic!("no outcome {name} of {stage}"))
}

pub fn analysed(plan: &Plan, record: &RunRecord) -> Analysis {
    analyse(plan, &rig(EXACT), record)
}
