//! A night that never was: four units of four characters as a finished run, for
//! tests and for looking at the page. The deviations are simple formulas, the
//! noise is a hash; everything else is what the program itself would keep.

// Each test binary uses its own part of this.
#![allow(dead_code)]

use analysis::{Analysis, analyse};
use model::document::notes::playing_order;
use model::document::plan::{Plan, Stage};
use model::document::rig::Rig;
use model::document::{read_plan, read_rig};
use model::pitch::Pitch;
use model::quantity::{
    Celsius, Cents, Hertz, HertzDifference, Level, Seconds, VoltDifference, Volts,
};
use model::record::{
    Conditions, Event, EventKind, Flag, Flags, Gap, Measured, PositionId, Reading, ReadingKey,
    RunHeader, RunId, RunRecord, State, Trace, Unit,
};
use model::time::{RunTime, Timestamp};
use report::RunView;
use std::collections::BTreeMap;

pub const PLAN: &str = "\
nightbench: plan 1
title: One night from cold, then a fine sweep
pitch: A4 = 440 Hz
reference: C4
listen:
  settle: {fixed: 1 s}
  window: {fixed: 500 ms}
stages:
  - cool_down: {for: 2 h}
  - power_on
  - rounds:
      name: warming
      notes: {list: [C4, C2, C3, C5, C6, C7, C4]}
      every: 1 min
      for: 30 min
  - rounds:
      name: night
      notes: {list: [C4, C2, C3, C5, C6, C7, C4]}
      every: 10 min
      for: 690 min
  - sweep:
      name: fine tracking
      notes: {range: {from: C2, to: C7, step: 100 cents}}
      order: up_then_down
  - hold: {name: quiet hour, note: C4, for: 30 min, hop: 1 s}
tolerances:
  - {result: scale_error, of: night, at: end, allow: {within: 2 cents/oct}}
  - {result: warm_up_time, of: warming, allow: {at_most: 45 min}, meaning: {steady_within: 2 cents}}
  - {result: error_left_after_trimming, of: night, allow: {at_most: 5 cents}}
";

pub const RIG: &str = "\
nightbench: rig 1
name: north shelf
wiring:
  real:
    senders:
      keys: {midi: {port: \"USB MIDI 1\", bend_range: 200 cents}}
    capture: {device: \"USB Audio\", rate: 48 kHz, channels: 4, buffer: 1024}
supplies:
  rack: {by: operator, voltage: 12 V}
positions:
  a: {cv: {sender: keys, channel: 1, law: {volts_per_octave: {zero: C1 = 0 V}}, safe: {from: 0 V, to: 8 V}}, input: 1, supply: rack}
  b: {cv: {sender: keys, channel: 2, law: {volts_per_octave: {zero: C1 = 0 V}}, safe: {from: 0 V, to: 8 V}}, input: 2, supply: rack}
  c: {cv: {sender: keys, channel: 3, law: {volts_per_octave: {zero: C1 = 0 V}}, safe: {from: 0 V, to: 8 V}}, input: 3, supply: rack}
  d: {cv: {sender: keys, channel: 4, law: {volts_per_octave: {zero: C1 = 0 V}}, safe: {from: 0 V, to: 8 V}}, input: 4, supply: rack}
bounds: {sample_clock: 20 ppm, cv_gain: 0.05 %, cv_offset: 2 mV, cv_step: 0.3 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K}
";

/// What a unit does.
#[derive(Clone, Copy)]
pub struct Character {
    pub serial: &'static str,
    pub model: Option<&'static str>,
    /// Cents by which the offset moves as it warms.
    pub warming: f64,
    /// With which time constant, in minutes.
    pub minutes: f64,
    /// Cents per octave when warm, and how much more when cold.
    pub scale: f64,
    pub scale_cold: f64,
    /// Cents at one octave above the reference frequency per unit of ratio.
    pub high: f64,
    pub low: f64,
    /// Cents per kelvin of room.
    pub room: f64,
    pub noise: f64,
}

const HEALTHY: Character = Character {
    serial: "A-0117",
    model: Some("two-core oscillator"),
    warming: 14.0,
    minutes: 9.0,
    scale: 0.3,
    scale_cold: 0.8,
    high: -0.05,
    low: 0.01,
    room: 0.5,
    noise: 0.05,
};

pub const CHARACTERS: [Character; 4] = [
    HEALTHY,
    Character {
        serial: "A-0118",
        warming: -46.0,
        minutes: 40.0,
        scale: 3.8,
        scale_cold: 9.0,
        room: 2.4,
        noise: 0.2,
        ..HEALTHY
    },
    Character {
        serial: "prototype 3",
        model: None,
        high: -1.9,
        scale: -0.4,
        ..HEALTHY
    },
    Character {
        serial: "B-2041",
        low: 3.1,
        warming: 22.0,
        scale: 0.9,
        ..HEALTHY
    },
];

/// A number in -1..1 that is noise to look at and the same every time.
fn noise(seed: u64) -> f64 {
    let mut x = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5851_f42d_4c95_7f2d;
    let mut sum = 0.0;
    for _ in 0..4 {
        x ^= x >> 30;
        x = x.wrapping_mul(0xbf58_476d_1ce4_e5b9);
        x ^= x >> 27;
        sum += (x >> 11) as f64 / (1u64 << 53) as f64 - 0.5;
    }
    sum
}

impl Character {
    fn cents(&self, pitch: Pitch, minutes: f64, room: f64, seed: u64) -> f64 {
        let x = (pitch.note_number() - 60.0) / 12.0;
        let cold = (-minutes / self.minutes).exp();
        let u = x.exp2();
        self.warming * (1.0 - cold) - self.warming * 0.8
            + (self.scale + self.scale_cold * cold) * x
            + self.high * (u - 1.0)
            + self.low * (1.0 / u - 1.0)
            + self.room * (room - 21.0)
            + self.noise * noise(seed)
    }
}

pub struct Specimen {
    pub plan: Plan,
    pub rig: Rig,
    pub record: RunRecord,
    pub analysis: Analysis,
}

impl Specimen {
    pub fn view(&self) -> RunView<'_> {
        RunView {
            plan: &self.plan,
            rig: &self.rig,
            record: &self.record,
            analysis: &self.analysis,
            day: "2026-01-10",
            damage: None,
        }
    }

    /// The night of these units. A gap and a few doubtful readings are in it.
    pub fn night(characters: &[Character]) -> Self {
        Self::of(PLAN, RIG, characters)
    }

    pub fn of(plan_text: &str, rig_text: &str, characters: &[Character]) -> Self {
        let plan = read_plan("plan.yaml", plan_text.as_bytes()).unwrap().value;
        let rig = read_rig("rig.yaml", rig_text.as_bytes()).unwrap().value;
        let record = record(&plan, &rig, plan_text, rig_text, characters);
        let analysis = analyse(&plan, &rig, &record);
        Self {
            plan,
            rig,
            record,
            analysis,
        }
    }

    pub fn analysed_again(mut self) -> Self {
        self.analysis = analyse(&self.plan, &self.rig, &self.record);
        self
    }
}

fn at(seconds: f64) -> RunTime {
    RunTime::START + Seconds::of(seconds)
}

fn record(
    plan: &Plan,
    rig: &Rig,
    plan_text: &str,
    rig_text: &str,
    characters: &[Character],
) -> RunRecord {
    let began: Timestamp = "2026-01-10T20:15:00Z".parse().unwrap();
    let positions: Vec<PositionId> = rig
        .positions
        .keys()
        .map(|name| PositionId::new(name))
        .collect();
    let units: BTreeMap<_, _> = positions
        .iter()
        .zip(characters)
        .map(|(position, character)| {
            (
                position.clone(),
                Unit {
                    serial: character.serial.to_owned(),
                    model: character.model.map(str::to_owned),
                    revision: Some("C".to_owned()),
                    job: None,
                    settings: [("waveform".to_owned(), "saw".to_owned())].into(),
                    notes: None,
                },
            )
        })
        .collect();
    let mut record = RunRecord {
        id: RunId::new("5f3a91c2"),
        header: RunHeader {
            plan_text: plan_text.to_owned(),
            rig_text: rig_text.to_owned(),
            units,
            program_version: "0.1.0".to_owned(),
            seed: Some(7),
            began,
        },
        readings: Vec::new(),
        traces: Vec::new(),
        gaps: Vec::new(),
        events: Vec::new(),
    };
    let mut now = 0.0;
    let mut power_on = 0.0;
    let event = |record: &mut RunRecord,
                 now: f64,
                 kind,
                 stage,
                 position: Option<&PositionId>,
                 text: &str| {
        record.events.push(Event {
            at: at(now),
            wall: began,
            kind,
            stage,
            position: position.cloned(),
            text: text.to_owned(),
        });
    };
    event(
        &mut record,
        0.0,
        EventKind::SessionOpened,
        None,
        None,
        "begun",
    );
    for (stage, doing) in (0u16..).zip(&plan.stages) {
        event(
            &mut record,
            now,
            EventKind::StageBegan,
            Some(stage),
            None,
            doing.name(),
        );
        match doing {
            Stage::CoolDown { lasts } | Stage::Wait { lasts } => now += lasts.get(),
            Stage::PowerOn => {
                power_on = now;
                for position in positions.iter().take(characters.len()) {
                    event(
                        &mut record,
                        now,
                        EventKind::PowerOn,
                        Some(stage),
                        Some(position),
                        "supply \"rack\" switched on by hand",
                    );
                }
            }
            Stage::Rounds(rounds) => {
                let count = (rounds.lasts.get() / rounds.every.get()).round() as u32;
                for round in 0..count {
                    let due = now + f64::from(round) * rounds.every.get();
                    if rounds.name == "night" && (31..34).contains(&round) {
                        record.gaps.push(Gap {
                            stage,
                            round,
                            slot: None,
                            position: None,
                            at: at(due),
                            reason: "the audio device was gone".to_owned(),
                        });
                        continue;
                    }
                    notes(
                        plan,
                        rig,
                        &mut record,
                        &positions,
                        characters,
                        stage,
                        round,
                        due,
                        power_on,
                    );
                }
                now += rounds.lasts.get();
            }
            Stage::Sweep(_) => {
                let slots = notes(
                    plan,
                    rig,
                    &mut record,
                    &positions,
                    characters,
                    stage,
                    0,
                    now,
                    power_on,
                );
                now += slots as f64 * 2.0;
            }
            Stage::Hold(hold) => {
                held(
                    rig,
                    &mut record,
                    &positions,
                    characters,
                    stage,
                    now,
                    power_on,
                    hold.lasts.get(),
                );
                now += hold.lasts.get();
            }
            _ => {}
        }
        event(
            &mut record,
            now,
            EventKind::StageEnded,
            Some(stage),
            None,
            doing.name(),
        );
    }
    event(
        &mut record,
        now,
        EventKind::RunEnded,
        None,
        None,
        "all stages are done",
    );
    event(
        &mut record,
        now,
        EventKind::SessionClosed,
        None,
        None,
        "closed",
    );
    record
}

fn room(now: f64) -> f64 {
    21.5 - 1.8 * ((now / 3600.0 - 3.0) / 14.0 * std::f64::consts::PI).sin()
}

fn measured(asked_hz: Hertz, cents: f64, seed: u64) -> Measured {
    let frequency = asked_hz.shifted(Cents::of(cents));
    let flags = if seed % 211 == 7 {
        Flags::NONE.with(Flag::HumNear)
    } else {
        Flags::NONE
    };
    Measured {
        state: State::Ok,
        flags,
        frequency: Some(frequency),
        u: Some(HertzDifference::of(frequency.get() * 8e-6)),
        u_noise: Some(HertzDifference::of(frequency.get() * 8e-6)),
        level: Some(Level::of(-11.5 + 0.1 * noise(seed))),
    }
}

#[allow(clippy::too_many_arguments)]
fn notes(
    plan: &Plan,
    rig: &Rig,
    record: &mut RunRecord,
    positions: &[PositionId],
    characters: &[Character],
    stage: u16,
    round: u32,
    due: f64,
    power_on: f64,
) -> usize {
    let mut slots = 0;
    for (place, (position, character)) in positions.iter().zip(characters).enumerate() {
        let law = rig.positions[position.as_str()].cv.law.control_law();
        let (notes, order) = match &plan.stages[usize::from(stage)] {
            Stage::Rounds(rounds) => (&rounds.notes, rounds.order.as_ref()),
            Stage::Sweep(sweep) => (&sweep.notes, sweep.order.as_ref()),
            _ => continue,
        };
        let expanded = notes.expand(plan.pitch, law);
        let reference = plan.reference.pitch(plan.pitch, law);
        let order = playing_order(order, notes, &expanded, reference, round);
        slots = order.len();
        for (slot, index) in (0u16..).zip(order) {
            let note = &expanded[index];
            let start = due + f64::from(slot) * 2.0 + 1.0;
            let seed = (u64::from(stage) << 40)
                ^ (u64::from(round) << 20)
                ^ (u64::from(slot) << 8)
                ^ place as u64;
            let cents = character.cents(note.pitch, (start - power_on) / 60.0, room(start), seed);
            record.readings.push(Reading {
                key: ReadingKey {
                    stage,
                    round,
                    slot,
                    repeat: 0,
                    attempt: 0,
                    position: position.clone(),
                },
                asked: note.pitch,
                residue: VoltDifference::of(0.0),
                played: at(start - 1.0),
                at: at(start),
                window: Seconds::of(0.5),
                measured: measured(plan.pitch.frequency(note.pitch), cents, seed),
                conditions: Conditions {
                    air: Some(Celsius::of((room(start) * 10.0).round() / 10.0)),
                    supply: Some(Volts::of(12.01)),
                },
            });
        }
    }
    slots
}

#[allow(clippy::too_many_arguments)]
fn held(
    _rig: &Rig,
    record: &mut RunRecord,
    positions: &[PositionId],
    characters: &[Character],
    stage: u16,
    now: f64,
    power_on: f64,
    lasts: f64,
) {
    let pitch = Pitch::new(60.0).unwrap();
    let hz = model::pitch::PitchStandard::default().frequency(pitch);
    for (place, (position, character)) in positions.iter().zip(characters).enumerate() {
        for chunk in 0..(lasts / 10.0) as u32 {
            let start = now + f64::from(chunk) * 10.0;
            let points = (0..10u32)
                .map(|index| {
                    let t = start + f64::from(index);
                    let seed = 0xabcd_0000 ^ (u64::from(chunk * 10 + index) << 8) ^ place as u64;
                    measured(
                        hz,
                        character.cents(pitch, (t - power_on) / 60.0, room(t), seed),
                        seed,
                    )
                })
                .collect();
            record.traces.push(Trace {
                stage,
                position: position.clone(),
                chunk,
                asked: pitch,
                residue: VoltDifference::of(0.0),
                played: at(now),
                at: at(start),
                hop: Seconds::of(1.0),
                points,
            });
        }
    }
}
