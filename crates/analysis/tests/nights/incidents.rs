//! What happened in the night: a short form of `cargo run --release -p analysis --example
//! incidents`, and what must not change it.

use crate::faulted::{faults, judge};
use crate::night::{EXACT, plan, rig};
use crate::scripted::{Dice, OVERNIGHT, SHORT, SPARSE, Shelf, bay, run};
use analysis::{OffCourse, incidents, unheard};
use model::incident::{Incident, IncidentKind, Whose};
use model::pitch::Note;
use model::quantity::{Cents, HertzDifference, Seconds, VoltDifference};
use model::record::{Event, EventKind, Flag, Flags, Measured, PositionId, RunRecord, State, Trace};
use model::time::{RunTime, Timestamp};

const CHANNELS: [u8; 4] = [1, 2, 3, 4];

fn of(shelf: &Shelf) -> Vec<Incident> {
    incidents(&shelf.plan, &shelf.rig, &shelf.record)
}

#[test]
fn on_a_healthy_shelf_nothing_happens() {
    for table in [OVERNIGHT, SPARSE, SHORT] {
        for seed in 2001..2006 {
            let found = of(&run(seed, table, "[]", CHANNELS));
            assert_eq!(found, [], "{seed}");
        }
    }
}

#[test]
fn what_happened_is_found_with_kind_edges_size_and_owner() {
    for fault in faults() {
        // Four cents are within the scatter of half of these units.
        if fault.size() == Some(4.0) {
            continue;
        }
        for seed in [1000, 1003] {
            if let Err(why) = judge(fault, seed, OVERNIGHT) {
                panic!("{fault:?}, seed {seed}: {why}");
            }
        }
    }
}

const SCRIPT: &str = "[loose_contact: {positions: [bay-2], by: -15 cents, from: 3 h, for: 40 min}, unit_silent: {positions: [bay-2, bay-3], from: 5 h, for: 30 min}, loose_contact: {positions: [bay-4], by: 9 cents, from: 4 h, for: 100 h}]";

#[test]
fn order_and_names_of_positions_change_nothing() {
    let shelf = run(7, OVERNIGHT, SCRIPT, CHANNELS);
    let found = of(&shelf);
    let summary: Vec<(&str, IncidentKind)> = found
        .iter()
        .map(|one| (one.id.position.as_str(), one.kind))
        .collect();
    assert_eq!(
        summary,
        [
            ("bay-2", IncidentKind::Departure),
            ("bay-2", IncidentKind::Silent),
            ("bay-3", IncidentKind::Silent),
            ("bay-4", IncidentKind::Step),
        ]
    );
    let mut shuffled = shelf.record.clone();
    let mut dice = Dice::of(3);
    for last in (1..shuffled.readings.len()).rev() {
        shuffled
            .readings
            .swap(last, (dice.uniform() * last as f64) as usize);
    }
    assert_eq!(incidents(&shelf.plan, &shelf.rig, &shuffled), found);
    // The other way round.
    let turned = |position: &PositionId| {
        let number: usize = position.as_str()[4..].parse().expect("a number");
        bay(5 - number)
    };
    let mut record = shelf.record.clone();
    for reading in &mut record.readings {
        reading.key.position = turned(&reading.key.position);
    }
    let mut others = incidents(&shelf.plan, &shelf.rig, &record);
    for one in &mut others {
        one.id.position = turned(&one.id.position);
        if let Whose::SharedBy(positions) = &mut one.whose {
            *positions = positions.iter().map(turned).collect();
            positions.sort();
        }
    }
    others.sort_by(|a, b| a.id.cmp(&b.id));
    assert_eq!(others, found);
}

#[test]
fn whose_it_is_follows_the_wires() {
    let whose = |script: &str, channels: [u8; 4], record: &dyn Fn(&mut RunRecord)| {
        let mut shelf = run(11, OVERNIGHT, script, channels);
        record(&mut shelf.record);
        let found = of(&shelf);
        assert!(!found.is_empty(), "{script}");
        found[0].whose.clone()
    };
    let as_it_is = |_: &mut RunRecord| {};
    let deaf = "[note_not_played: {positions: [bay-1], from: 3 h, for: 40 min}]";
    // Where another unit hangs on the same output and plays, the output is fine.
    assert_eq!(whose(deaf, [1, 1, 2, 3], &as_it_is), Whose::Unit);
    assert_eq!(whose(deaf, CHANNELS, &as_it_is), Whose::CannotTell);
    let both = "[loose_contact: {positions: [bay-1, bay-2], by: 12 cents, from: 3 h, for: 40 min}]";
    let shared = Whose::SharedBy(vec![bay(1), bay(2)]);
    assert_eq!(whose(both, [1, 1, 2, 3], &as_it_is), shared);
    // A unit by itself.
    let contact = "[loose_contact: {positions: [bay-1], by: 12 cents, from: 3 h, for: 40 min}]";
    let alone = |record: &mut RunRecord| {
        record
            .header
            .units
            .retain(|position, _| *position == bay(1));
        record
            .readings
            .retain(|reading| reading.key.position == bay(1));
    };
    assert_eq!(whose(contact, CHANNELS, &alone), Whose::CannotTell);
    assert_eq!(whose(contact, CHANNELS, &as_it_is), Whose::Unit);
    let busy = |record: &mut RunRecord| {
        for reading in record.readings.iter_mut().skip(500).take(3) {
            reading.measured.flags.insert(Flag::Xrun);
        }
    };
    assert_eq!(whose("[]", CHANNELS, &busy), Whose::Rig);
}

#[test]
fn what_somebody_does_to_a_unit_is_no_incident() {
    let script = "[loose_contact: {positions: [bay-4], by: 9 cents, from: 4 h, for: 100 h}]";
    let mut shelf = run(11, OVERNIGHT, script, CHANNELS);
    assert_eq!(of(&shelf).len(), 1);
    shelf.record.events.push(Event {
        at: RunTime::START + Seconds::of(4.0 * 3600.0),
        wall: Timestamp::UNIX_EPOCH,
        kind: EventKind::Answered,
        stage: None,
        position: None,
        text: "trimmed".to_owned(),
    });
    assert_eq!(of(&shelf), []);
}

#[test]
fn readings_off_the_course_are_marked_and_others_are_not() {
    let shelf = run(7, OVERNIGHT, SCRIPT, CHANNELS);
    for position in (1..=4).map(bay) {
        let off = OffCourse::of(&shelf.plan, &shelf.rig, &shelf.record, &position);
        for reading in &shelf.record.readings {
            if reading.key.position != position {
                continue;
            }
            let t = reading.at.seconds() / 3600.0;
            let away = position == bay(2) && (3.0..3.0 + 40.0 / 60.0).contains(&t);
            let silent = reading.measured.state == State::Silent;
            assert_eq!(
                off.has(reading.at.seconds()),
                away || silent,
                "{position} {t}"
            );
        }
    }
}

#[test]
fn a_contact_that_fails_within_a_hold_is_timed_by_its_windows() {
    let plan = plan(
        "  - hold: {name: held, note: C4, for: 10 min, hop: 1 s}",
        "",
    );
    let rig = rig(EXACT);
    let pitch = Note::from_number(60).pitch();
    let mut dice = Dice::of(5);
    let hz = plan.pitch.frequency(pitch);
    let points = (0..600)
        .map(|window| {
            // Half of window 200 and half of 230.
            let share = match window {
                200 | 230 => 0.5,
                201..230 => 1.0,
                _ => 0.0,
            };
            let cents = 0.2 * dice.uniform() + 6.0 * share;
            Measured {
                state: State::Ok,
                flags: Flags::NONE,
                frequency: Some(hz.shifted(Cents::of(cents))),
                u: Some(HertzDifference::of(0.01)),
                u_noise: None,
                level: None,
            }
        })
        .collect();
    let mut record = crate::night::play(&plan, 0.02, 1, |_, _| 0.0);
    record.traces.push(Trace {
        stage: 0,
        position: PositionId::new("left"),
        chunk: 0,
        asked: pitch,
        residue: VoltDifference::ZERO,
        played: RunTime::START,
        at: RunTime::START + Seconds::of(1.0),
        hop: Seconds::of(1.0),
        points,
    });
    let found = incidents(&plan, &rig, &record);
    let [one] = &found[..] else {
        panic!("{found:?}");
    };
    assert_eq!(one.kind, IncidentKind::Departure);
    let size = one.size.expect("a size");
    assert!((size.cents - 6.0).abs() < 0.4, "{size:?}");
    let until = one.until.expect("it ends");
    assert!((200.0..=202.0).contains(&one.from.bad.seconds()), "{one:?}");
    assert!((230.0..=232.0).contains(&until.bad.seconds()), "{one:?}");
}

#[test]
fn the_longest_stretch_without_a_reading_is_that_between_rounds() {
    let shelf = run(1, OVERNIGHT, "[]", CHANNELS);
    let unheard = unheard(&shelf.record);
    assert_eq!(unheard.len(), 8);
    for (index, one) in unheard.iter().enumerate() {
        assert_eq!(one.position, bay(1 + index / 2));
        // Eight notes, four seconds apart, half a second each.
        let between = [60.0, 600.0][index % 2] - 7.0 * 4.0 - 0.5;
        let found = one.until.seconds_from(one.from);
        assert!((found - between).abs() < 1e-6, "{found}");
    }
}
