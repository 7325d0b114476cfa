use model::pitch::Pitch;
use model::quantity::{
    Celsius, Hertz, HertzDifference, Level, Quantity, Seconds, VoltDifference, Volts,
};
use model::record::{
    Conditions, Entry, Event, EventKind, Flag, Flags, Gap, Measured, PositionId, Reading,
    ReadingKey, RunHeader, RunRecord, State, Trace, Unit,
};
use model::time::{RunTime, Timestamp};
use proptest::collection::{btree_map, vec};
use proptest::num::f64::{NEGATIVE, NORMAL, POSITIVE, SUBNORMAL, ZERO};
use proptest::option;
use proptest::prelude::*;
use proptest::sample::select;

/// Any value the quantity can have, the zeros of both signs and the smallest
/// numbers there are among them.
fn quantity<Q: Quantity + std::fmt::Debug>() -> impl Strategy<Value = Q> {
    (POSITIVE | NEGATIVE | NORMAL | SUBNORMAL | ZERO)
        .prop_filter_map("a possible value", |value| Q::new(value).ok())
}

fn text() -> impl Strategy<Value = String> {
    prop_oneof![any::<String>(), Just("the supply was off".to_owned())]
}

fn position() -> impl Strategy<Value = PositionId> {
    select(vec!["left", "right", "Ü 'x' \u{0} /../", ""]).prop_map(PositionId::new)
}

fn run_time() -> impl Strategy<Value = RunTime> {
    prop_oneof![any::<i64>(), 0..50_000_000_000_000i64].prop_map(RunTime::from_nanoseconds)
}

fn wall() -> impl Strategy<Value = Timestamp> {
    (Timestamp::MIN.as_nanosecond()..=Timestamp::MAX.as_nanosecond())
        .prop_map(|at| Timestamp::from_nanosecond(at).unwrap())
}

fn measured() -> impl Strategy<Value = Measured> {
    (
        select(&State::ALL[..]),
        vec(select(&Flag::ALL[..]), 0..4),
        option::of(quantity::<Hertz>()),
        option::of(quantity::<HertzDifference>()),
        option::of(quantity::<HertzDifference>()),
        option::of(quantity::<Level>()),
    )
        .prop_map(|(state, flags, frequency, u, u_noise, level)| Measured {
            state,
            flags: flags.into_iter().collect::<Flags>(),
            frequency,
            u,
            u_noise,
            level,
        })
}

fn pitch() -> impl Strategy<Value = Pitch> {
    (POSITIVE | NEGATIVE | NORMAL | SUBNORMAL | ZERO).prop_map(|number| Pitch::new(number).unwrap())
}

/// Few enough keys that some come twice.
fn key() -> impl Strategy<Value = ReadingKey> {
    (
        0..2u16,
        select(vec![0, 1, u32::MAX]),
        select(vec![0, u16::MAX]),
        0..2u16,
        0..2u16,
        position(),
    )
        .prop_map(
            |(stage, round, slot, repeat, attempt, position)| ReadingKey {
                stage,
                round,
                slot,
                repeat,
                attempt,
                position,
            },
        )
}

fn reading() -> impl Strategy<Value = Reading> {
    (
        key(),
        (pitch(), quantity::<VoltDifference>()),
        (run_time(), run_time(), quantity::<Seconds>()),
        measured(),
        (
            option::of(quantity::<Celsius>()),
            option::of(quantity::<Volts>()),
        ),
    )
        .prop_map(
            |(key, (asked, residue), (played, at, window), measured, (air, supply))| Reading {
                key,
                asked,
                residue,
                played,
                at,
                window,
                measured,
                conditions: Conditions { air, supply },
            },
        )
}

fn trace() -> impl Strategy<Value = Trace> {
    (
        (0..2u16, position(), select(vec![0, 1, 2, u32::MAX])),
        (pitch(), quantity::<VoltDifference>()),
        (run_time(), run_time(), quantity::<Seconds>()),
        vec(measured(), 0..5),
    )
        .prop_map(
            |((stage, position, chunk), (asked, residue), (played, at, hop), points)| Trace {
                stage,
                position,
                chunk,
                asked,
                residue,
                played,
                at,
                hop,
                points,
            },
        )
}

fn gap() -> impl Strategy<Value = Gap> {
    (
        any::<u16>(),
        any::<u32>(),
        option::of(any::<u16>()),
        option::of(position()),
        run_time(),
        text(),
    )
        .prop_map(|(stage, round, slot, position, at, reason)| Gap {
            stage,
            round,
            slot,
            position,
            at,
            reason,
        })
}

fn event() -> impl Strategy<Value = Event> {
    (
        run_time(),
        wall(),
        select(&EventKind::ALL[..]),
        option::of(any::<u16>()),
        option::of(position()),
        text(),
    )
        .prop_map(|(at, wall, kind, stage, position, text)| Event {
            at,
            wall,
            kind,
            stage,
            position,
            text,
        })
}

/// Any entry.
pub fn entry() -> impl Strategy<Value = Entry> {
    prop_oneof![
        4 => reading().prop_map(Entry::Reading),
        2 => trace().prop_map(Entry::Trace),
        1 => gap().prop_map(Entry::Gap),
        2 => event().prop_map(Entry::Event),
    ]
}

/// Any header.
pub fn header() -> impl Strategy<Value = RunHeader> {
    let unit = (
        text(),
        option::of(text()),
        option::of(text()),
        btree_map(text(), text(), 0..3),
    )
        .prop_map(|(serial, model, job, settings)| Unit {
            serial,
            notes: model.clone(),
            revision: job.clone(),
            model,
            job,
            settings,
        });
    (
        (text(), text(), text()),
        btree_map(position(), unit, 0..3),
        option::of(any::<u64>()),
        wall(),
    )
        .prop_map(
            |((plan_text, rig_text, program_version), units, seed, began)| RunHeader {
                plan_text,
                rig_text,
                units,
                program_version,
                seed,
                began,
            },
        )
}

/// A header whose run identifier depends on `plan`.
pub fn header_of(plan: &str) -> RunHeader {
    RunHeader {
        plan_text: plan.into(),
        rig_text: "nightbench: rig 1".into(),
        units: [(
            PositionId::new("left"),
            Unit {
                serial: "A-7".into(),
                ..Unit::default()
            },
        )]
        .into(),
        program_version: "0.1.0".into(),
        seed: Some(u64::MAX),
        began: Timestamp::UNIX_EPOCH,
    }
}

/// The readings of a note on four positions, as one commit of a night has them.
pub fn note(round: u32, slot: u16) -> Vec<Entry> {
    ["a", "b", "c", "d"]
        .map(|name| {
            Entry::Reading(Reading {
                key: ReadingKey {
                    stage: 3,
                    round,
                    slot,
                    repeat: 0,
                    attempt: 0,
                    position: PositionId::new(name),
                },
                asked: Pitch::new(60.0).unwrap(),
                residue: VoltDifference::of(1e-4),
                played: RunTime::from_nanoseconds(i64::from(round) * 1_000_000_000),
                at: RunTime::from_nanoseconds(i64::from(round) * 1_000_000_000 + 300_000_000),
                window: Seconds::of(0.5),
                measured: Measured {
                    state: State::Ok,
                    flags: Flags::NONE,
                    frequency: Some(Hertz::of(261.6 + f64::from(round) * 1e-7)),
                    u: Some(HertzDifference::of(3e-4)),
                    u_noise: None,
                    level: Some(Level::of(-12.1)),
                },
                conditions: Conditions::default(),
            })
        })
        .into()
}

/// What a record says, bit for bit: unlike `==` this tells the zeros apart.
pub fn bits(what: &impl std::fmt::Debug) -> String {
    format!("{what:?}")
}

/// The record that a list of entries makes.
pub fn record_of(id: &str, header: &RunHeader, entries: &[Entry]) -> RunRecord {
    let mut record = RunRecord {
        id: model::record::RunId::new(id),
        header: header.clone(),
        readings: Vec::new(),
        traces: Vec::new(),
        gaps: Vec::new(),
        events: Vec::new(),
    };
    for entry in entries {
        match entry.clone() {
            Entry::Reading(reading) => record.readings.push(reading),
            Entry::Trace(trace) => record.traces.push(trace),
            Entry::Gap(gap) => record.gaps.push(gap),
            Entry::Event(event) => record.events.push(event),
        }
    }
    record
}
