//! The bench behind the ports: time, notes, supplies, the operator, and being
//! taken up again.

use crate::rigs::*;
use model::document::rig::{SwitchedBy, Wiring};
use model::document::simulated::Fault;
use model::port::{CaptureError, Sense, Sensed, Setting};
use model::quantity::*;
use model::record::*;
use model::time::{Epoch, HostTime, RunTime, SampleTime, Span, Stop, StopReason, Timestamp};
use sender::{VoltOutput, Wire};
use simulator::{Bench, PlannedReading, SimulatorError};
use std::collections::BTreeMap;

fn seconds(t: f64) -> HostTime {
    HostTime::from_nanoseconds((t * 1e9) as i64)
}

fn span(index: u64, frames: u64) -> Span {
    Span {
        start: SampleTime {
            epoch: Epoch(0),
            index,
        },
        frames,
    }
}

#[test]
fn time_moves_only_when_waited_for() {
    let bench = Bench::new(&rig(&[("a", perfect())])).unwrap();
    let clock = bench.clock();
    let mut capture = bench.capture();
    let stop = Stop::new();
    assert_eq!(clock.now(), seconds(0.0));
    clock.sleep_until(seconds(3600.0), &stop).unwrap();
    assert_eq!(clock.now(), seconds(3600.0));
    clock.sleep_until(seconds(10.0), &stop).unwrap();
    assert_eq!(clock.now(), seconds(3600.0));
    // A span ahead takes the time to its end; one behind takes none.
    let ahead = capture.timeline().sample_time(seconds(3700.0));
    assert_eq!(ahead.index, 3700 * 48_000);
    capture.read(span(ahead.index, 48_000), &stop).unwrap();
    assert_eq!(clock.now(), seconds(3701.0));
    capture
        .read(span(ahead.index - 48_000, 48_000), &stop)
        .unwrap();
    assert_eq!(clock.now(), seconds(3701.0));
    assert_eq!(
        capture
            .read(span(3000 * 48_000, 48_000), &stop)
            .unwrap_err(),
        CaptureError::Overwritten
    );
    assert!(matches!(
        capture.read(span(u64::MAX - 5, 3), &stop),
        Err(CaptureError::Device(_))
    ));
    assert_eq!(clock.now(), seconds(3701.0));
    stop.raise(StopReason::Asked);
    assert!(clock.sleep_until(seconds(9999.0), &stop).is_err());
    assert!(matches!(
        capture.read(ahead_span(), &stop),
        Err(CaptureError::Cancelled(_))
    ));
}

fn ahead_span() -> Span {
    span(1, 1)
}

#[test]
fn a_bare_oscillator_sounds_on_and_its_pitch_follows_the_note() {
    let bench = Bench::new(&rig(&[("a", perfect())])).unwrap();
    let mut capture = bench.capture();
    let mut wire = bench.wire("keys").unwrap();
    let mut heard = |from: f64| {
        let samples = read(&mut *capture, (from * 48_000.0) as u64, 24_000);
        crossings(&samples["a"]) * 48_000.0
    };
    wire.send(&[0x90, 57, 100]).unwrap();
    assert!(cents(heard(0.5), 220.0).abs() < 1e-3);
    // Note off, all notes off: the voltage is held.
    wire.send(&[0x80, 57, 0]).unwrap();
    wire.send(&[0xb0, 123, 0]).unwrap();
    assert!(cents(heard(1.5), 220.0).abs() < 1e-3);
    // Bent by half of 200 cents, then by RPN 0 of 1200.
    wire.send(&[0xe0, 0, 0x60]).unwrap();
    assert!(cents(heard(2.5), 220.0 * 2_f64.powf(1.0 / 12.0)).abs() < 1e-3);
    for message in [[0xb0, 101, 0], [0xb0, 100, 0], [0xb0, 6, 12], [0xb0, 38, 0]] {
        wire.send(&message).unwrap();
    }
    assert!(cents(heard(3.5), 220.0 * 2_f64.sqrt()).abs() < 1e-3);
    // The same by voltage.
    let mut volts = bench.volts("keys").unwrap();
    let reached = volts.set(1, Volts::of(2.75)).unwrap();
    assert!((reached.get() - 2.75).abs() < 1e-8);
    assert!(cents(heard(4.5), 220.0).abs() < 1e-3);
    assert!(bench.wire("no such").is_err() && bench.volts("no such").is_err());
}

#[test]
fn a_note_is_reached_by_slewing() {
    let mut rig = rig(&[("a", perfect())]);
    let interface = simulated(&mut rig).interfaces.get_mut("keys").unwrap();
    interface.slew = Seconds::of(0.05);
    let bench = Bench::new(&rig).unwrap();
    play(&bench, 1, 45);
    let stop = Stop::new();
    bench.clock().sleep_until(seconds(10.0), &stop).unwrap();
    play(&bench, 1, 57);
    // v(t) = 2.75 - exp(-t/50 ms), so the distance halves every 34.657 ms (ln 2 tau).
    for (after, octaves) in [
        (0.05, (-1.0_f64).exp()),
        (0.1, (-2.0_f64).exp()),
        (0.2, (-4.0_f64).exp()),
    ] {
        let width = 1.0 / 64.0;
        let truth = bench
            .truth(
                &position("a"),
                seconds(10.0 + after - width / 2.0),
                Seconds::of(width),
            )
            .unwrap();
        let off = cents(truth.get(), 220.0) / 1200.0;
        assert!(
            (off + octaves).abs() < 0.01 * octaves + 1e-4,
            "{after}: {off}"
        );
    }
    let truth = bench
        .truth(&position("a"), seconds(12.0), Seconds::of(0.5))
        .unwrap();
    // A step of the 32-bit converter is 3e-6 cents.
    assert!(cents(truth.get(), 220.0).abs() < 1e-5);
}

#[test]
fn supplies_switch_what_stands_behind_them() {
    let rig = with_supply(rig(&[("a", lively()), ("b", lively())]));
    let bench = Bench::new(&rig).unwrap();
    let mut supply = bench.instrument("psu").unwrap();
    let mut air = bench.instrument("air").unwrap();
    let by = seconds(1e6);
    play(&bench, 1, 60);
    let mut capture = bench.capture();
    let loud = |samples: &[f32]| samples.iter().any(|s| s.abs() > 0.01);
    assert!(!loud(&read(&mut *capture, 0, 4800)["a"]));
    let on = Setting::On {
        voltage: Volts::of(12.0),
        current_limit: Amperes::of(0.5),
    };
    supply.set(on, by).unwrap();
    assert!(loud(&read(&mut *capture, 48_000, 4800)["a"]));
    assert_eq!(
        supply.sense(Sense::Voltage, by),
        Ok(Sensed::Voltage(Volts::of(12.0)))
    );
    assert_eq!(
        supply.sense(Sense::Current, by),
        Ok(Sensed::Current(Amperes::of(0.09)))
    );
    assert_eq!(
        air.sense(Sense::Temperature, by),
        Ok(Sensed::Temperature(Celsius::of(25.0)))
    );
    assert!(air.sense(Sense::Voltage, by).is_err());
    assert!(air.set(Setting::Off, by).is_err());
    // A limit below what the units take: the voltage gives way.
    supply
        .set(
            Setting::On {
                voltage: Volts::of(12.0),
                current_limit: Amperes::of(0.03),
            },
            by,
        )
        .unwrap();
    assert_eq!(
        supply.sense(Sense::Voltage, by),
        Ok(Sensed::Voltage(Volts::of(4.0)))
    );
    assert!(!loud(&read(&mut *capture, 96_000, 4800)["a"]));
    supply.set(on, by).unwrap();
    supply.make_safe(by).unwrap();
    assert!(!loud(&read(&mut *capture, 144_000, 4800)["b"]));
    assert!(bench.instrument("no such").is_none());
}

#[test]
fn the_operator_switches_what_is_switched_by_hand() {
    let mut rig = with_supply(rig(&[("a", perfect())]));
    rig.supplies.get_mut("rack").unwrap().by = SwitchedBy::Operator;
    let bench = Bench::new(&rig).unwrap();
    play(&bench, 1, 60);
    let mut operator = bench.operator();
    let mut ask = |text: &str| {
        operator.ask(text);
        operator.answer(&Stop::new()).unwrap()
    };
    let sounds = |at: f64| {
        bench
            .truth(&position("a"), seconds(at), Seconds::of(0.1))
            .is_some()
    };
    assert_eq!(ask("Is the sun shining on the shelf?").as_deref(), Some(""));
    assert!(!sounds(0.0));
    ask("Switch the supply \"rack\" on now (positions a), then confirm.");
    assert!(sounds(0.0));
    bench
        .clock()
        .sleep_until(seconds(5.0), &Stop::new())
        .unwrap();
    ask("Switch the supply \"rack\" off now (positions a), then confirm.");
    assert!(sounds(4.0) && !sounds(5.0));
}

#[test]
fn a_timer_switches_by_itself() {
    let mut rig = with_supply(rig(&[("a", perfect())]));
    rig.supplies.get_mut("rack").unwrap().by = SwitchedBy::Timer;
    simulated(&mut rig)
        .timers
        .insert("rack".to_owned(), Seconds::of(60.0));
    let bench = Bench::new(&rig).unwrap();
    let sounds = |at: f64| {
        bench
            .truth(&position("a"), seconds(at), Seconds::of(0.1))
            .is_some()
    };
    assert!(!sounds(59.0) && sounds(60.0));
}

fn header() -> RunHeader {
    RunHeader {
        plan_text: String::new(),
        rig_text: String::new(),
        units: BTreeMap::new(),
        program_version: String::new(),
        seed: None,
        began: Timestamp::UNIX_EPOCH,
    }
}

fn record(events: Vec<Event>, readings: Vec<Reading>) -> RunRecord {
    RunRecord {
        id: RunId::new("x"),
        header: header(),
        readings,
        traces: Vec::new(),
        gaps: Vec::new(),
        events,
    }
}

#[test]
fn taken_up_again_it_goes_on_as_if_nothing_had_been() {
    let mut rig = with_supply(rig(&[("a", lively()), ("b", lively())]));
    simulated(&mut rig).input.clock_error = Fraction::of(23e-6);
    let by = seconds(1e6);
    let stop = Stop::new();
    let on = Setting::On {
        voltage: Volts::of(12.0),
        current_limit: Amperes::of(0.5),
    };
    // One bench without a break: on, a note, off, on, notes; then a hold goes on
    // and another note follows.
    let whole = Bench::new(&rig).unwrap();
    let clock = whole.clock();
    let mut supply = whole.instrument("psu").unwrap();
    supply.set(on, by).unwrap();
    clock.sleep_until(seconds(500.0), &stop).unwrap();
    supply.set(Setting::Off, by).unwrap();
    clock.sleep_until(seconds(700.0), &stop).unwrap();
    supply.set(on, by).unwrap();
    clock.sleep_until(seconds(1000.0), &stop).unwrap();
    play(&whole, 1, 60);
    play(&whole, 2, 48);
    let mut capture = whole.capture();
    read(&mut *capture, 1001 * 48_000, 24_000);
    let rest = |bench: &Bench| {
        let mut capture = bench.capture();
        let held = read(&mut *capture, 1001 * 48_000 + 24_000, 48_000);
        play(bench, 1, 72);
        play(bench, 2, 55);
        let next = read(&mut *capture, 1002 * 48_000 + 24_000, 48_000);
        (held, next, bench.clock().now())
    };
    // Another one, restored from what the first would have left behind.
    let event = |at: f64, kind| Event {
        at: RunTime::from_nanoseconds((at * 1e9) as i64),
        wall: Timestamp::UNIX_EPOCH,
        kind,
        stage: None,
        position: None,
        text: String::new(),
    };
    let reading = |name: &str, number: i16| Reading {
        key: ReadingKey {
            stage: 0,
            round: 0,
            slot: 0,
            repeat: 0,
            attempt: 0,
            position: position(name),
        },
        asked: note(number),
        residue: VoltDifference::ZERO,
        played: RunTime::from_nanoseconds(1_000_000_000_000),
        at: RunTime::from_nanoseconds(1_001_000_000_000),
        window: Seconds::of(0.5),
        measured: Measured {
            state: State::Ok,
            flags: Flags::NONE,
            frequency: None,
            u: None,
            u_noise: None,
            level: None,
        },
        conditions: Conditions::default(),
    };
    let record = record(
        vec![
            event(0.0, EventKind::PowerOn),
            event(500.0, EventKind::PowerOff),
            event(700.0, EventKind::PowerOn),
        ],
        vec![reading("a", 60), reading("b", 48)],
    );
    let again = Bench::new(&rig).unwrap();
    again.restore(&record);
    assert_eq!(again.clock().now(), clock.now());
    assert_eq!(again.clock().wall(), clock.wall());
    assert!(rest(&whole) == rest(&again));
}

#[test]
fn the_reading_level_form_agrees_with_the_audio() {
    let mut rig = with_supply(rig(&[("a", lively())]));
    simulated(&mut rig).input.noise = Level::of(-90.0);
    let bench = Bench::new(&rig).unwrap();
    let plan: Vec<PlannedReading> = [(60, 100.0), (84, 900.0), (36, 1000.0), (60, 5000.0)]
        .into_iter()
        .enumerate()
        .map(|(slot, (number, at))| PlannedReading {
            key: ReadingKey {
                stage: 0,
                round: 0,
                slot: slot as u16,
                repeat: 0,
                attempt: 0,
                position: position("a"),
            },
            pitch: note(number),
            at: RunTime::from_nanoseconds((at * 1e9) as i64),
            window: Seconds::of(0.5),
        })
        .collect();
    let record = bench.record(header(), Some(RunTime::START), &plan, 0);
    let audio = Bench::new(&rig).unwrap();
    let on = Setting::On {
        voltage: Volts::of(12.0),
        current_limit: Amperes::of(0.5),
    };
    audio
        .instrument("psu")
        .unwrap()
        .set(on, seconds(1.0))
        .unwrap();
    for reading in &record.readings {
        let at = HostTime::from_nanoseconds(reading.at.nanoseconds());
        audio
            .clock()
            .sleep_until(at - Seconds::of(1.0), &Stop::new())
            .unwrap();
        play(&audio, 1, reading.asked.note_number() as u8);
        let truth = audio.truth(&position("a"), at, reading.window).unwrap();
        let found = reading.measured.frequency.unwrap();
        let u = reading.measured.u.unwrap().cents_at(found).get();
        let off = cents(found.get(), truth.get());
        assert!(off.abs() < 4.0 * u + 3e-4, "{off} {u}");
    }
    // Another draw: another meter noise, the same truth.
    let other = bench.reading(
        &position("a"),
        note(60),
        seconds(100.0),
        Seconds::of(0.5),
        1,
    );
    let first = bench.reading(
        &position("a"),
        note(60),
        seconds(100.0),
        Seconds::of(0.5),
        0,
    );
    let (other, first) = (other.unwrap(), first.unwrap());
    assert_eq!(other.truth, first.truth);
    assert_ne!(other.measured, first.measured);
}

#[test]
fn what_is_not_there_is_named() {
    let mut one = rig(&[("a", perfect())]);
    one.positions.get_mut("a").unwrap().cv.sender = "kys".to_owned();
    let error = Bench::new(&one).unwrap_err();
    assert!(
        error.to_string().contains("positions.a.cv.sender"),
        "{error}"
    );
    let mut two = rig(&[("a", perfect())]);
    if let Wiring::Simulated(simulated) = &mut two.wiring {
        simulated.units.clear();
    }
    assert!(matches!(
        Bench::new(&two),
        Err(SimulatorError::Missing { .. })
    ));
}

#[test]
fn the_meter_of_the_reading_level_form_is_near_the_bound() {
    // Cramer-Rao bound of half a second of saw at 40 dB, harmonics up to half the
    // rate: 1.0e-4, 5.1e-5, 2.5e-5 cents at 110, 440, 1760 Hz. Here 1.1 times its
    // variance and harmonics up to 0.45 of the rate: 10 % more.
    let mut rig = rig(&[("a", perfect())]);
    simulated(&mut rig).input.noise = Level::of(-52.0);
    let bench = Bench::new(&rig).unwrap();
    for (number, bound) in [(45, 1.0e-4), (69, 5.1e-5), (93, 2.5e-5)] {
        let draws: Vec<_> = (0..400)
            .map(|draw| {
                let half = Seconds::of(0.5);
                bench
                    .reading(&position("a"), note(number), seconds(10.0), half, draw)
                    .unwrap()
            })
            .collect();
        let u = draws[0].u.cents_at(draws[0].truth).get();
        assert!((u / bound - 1.1).abs() < 0.06, "{number}: {u}");
        let square: f64 = draws
            .iter()
            .map(|draw| cents(draw.measured.get(), draw.truth.get()).powi(2))
            .sum();
        let scatter = (square / 400.0).sqrt();
        assert!((scatter / u - 1.0).abs() < 0.15, "{scatter} {u}");
    }
}

#[test]
fn wherever_a_run_is_cut_its_rest_is_the_same() {
    // A run of forty notes with a supply that dips, notes that are not played, a
    // portamento and a capture that dies; cut after every note and taken up again
    // from nothing but its record.
    let mut rig = with_supply(rig(&[("a", lively()), ("b", lively())]));
    let both = || vec!["a".to_owned(), "b".to_owned()];
    let world = simulated(&mut rig);
    world.input.noise = Level::of(-90.0);
    world.input.clock_error = Fraction::of(-31e-6);
    world
        .interfaces
        .insert("keys".to_owned(), Default::default());
    world.faults = vec![
        Fault::SupplyDips {
            supply: "rack".to_owned(),
            to: Volts::of(9.0),
            from: Seconds::of(130.0),
            lasts: Seconds::of(30.0),
        },
        Fault::NoteNotPlayed {
            positions: vec!["b".to_owned()],
            from: Seconds::of(200.0),
            lasts: Some(Seconds::of(45.0)),
        },
        Fault::Portamento {
            positions: both(),
            time: Seconds::of(0.3),
            from: Seconds::of(260.0),
            lasts: Some(Seconds::of(40.0)),
        },
        Fault::CaptureDies {
            from: Seconds::of(320.0),
            lasts: Seconds::of(4.0),
        },
        Fault::Locked {
            positions: both(),
            within: Cents::of(50.0),
            from: Seconds::of(350.0),
            lasts: None,
        },
    ];
    let on = Setting::On {
        voltage: Volts::of(12.0),
        current_limit: Amperes::of(0.5),
    };
    let stop = Stop::new();
    let number = |at: usize| 36 + (at * 17 % 49) as u8;
    // One note: when it was played, where its window began, what was heard.
    type Heard = (HostTime, HostTime, Vec<Vec<f32>>);
    let one = |bench: &Bench, capture: &mut dyn model::port::Capture, at: usize| -> Heard {
        let clock = bench.clock();
        // Due every ten seconds, or at once after the note before where that is later.
        clock.sleep_until(seconds(at as f64 * 10.0), &stop).unwrap();
        loop {
            let played = clock.now();
            play(bench, 1, number(at));
            play(bench, 2, number(at));
            let timeline = capture.timeline();
            let span = Span {
                start: timeline.sample_time(played + Seconds::of(0.25)),
                frames: 24_000,
            };
            match capture.read(span, &stop) {
                Ok(window) => {
                    let heard = window.channels.iter().map(|(_, s)| s.to_vec()).collect();
                    return (played, timeline.host_time(span.start), heard);
                }
                Err(CaptureError::Stalled { .. }) => while capture.reopen().is_err() {},
                Err(error) => panic!("{error}"),
            }
        }
    };
    let whole = Bench::new(&rig).unwrap();
    whole
        .instrument("psu")
        .unwrap()
        .set(on, seconds(9.0))
        .unwrap();
    let mut capture = whole.capture();
    let all: Vec<Heard> = (0..40).map(|at| one(&whole, &mut *capture, at)).collect();
    let run = |time: HostTime| RunTime::from_nanoseconds(time.nanoseconds());
    for cut in 1..40 {
        let readings = (0..cut)
            .flat_map(|at: usize| ["a", "b"].map(|name| (at, name)))
            .map(|(at, name)| Reading {
                key: ReadingKey {
                    stage: 0,
                    round: 0,
                    slot: at as u16,
                    repeat: 0,
                    attempt: 0,
                    position: position(name),
                },
                asked: note(i16::from(number(at))),
                residue: VoltDifference::ZERO,
                played: run(all[at].0),
                at: run(all[at].1),
                window: Seconds::of(0.5),
                measured: Measured {
                    state: State::Ok,
                    flags: Flags::NONE,
                    frequency: None,
                    u: None,
                    u_noise: None,
                    level: None,
                },
                conditions: Conditions::default(),
            })
            .collect();
        let events = vec![Event {
            at: RunTime::START,
            wall: Timestamp::UNIX_EPOCH,
            kind: EventKind::PowerOn,
            stage: None,
            position: None,
            text: String::new(),
        }];
        let again = Bench::new(&rig).unwrap();
        again.restore(&record(events, readings));
        let mut capture = again.capture();
        for (at, before) in all.iter().enumerate().skip(cut).take(4) {
            let heard = one(&again, &mut *capture, at);
            assert!(heard == *before, "note {at} after a cut at {cut}");
        }
    }
}

#[test]
fn a_hold_goes_on_in_phase() {
    // Taken up again from the pieces of a hold: the samples that follow are those of
    // the hold that was never cut.
    let mut rig = rig(&[("a", lively())]);
    simulated(&mut rig)
        .interfaces
        .insert("keys".to_owned(), Default::default());
    let whole = Bench::new(&rig).unwrap();
    let stop = Stop::new();
    whole.clock().sleep_until(seconds(3.0), &stop).unwrap();
    play(&whole, 1, 57);
    let mut capture = whole.capture();
    for piece in 0..20 {
        read(&mut *capture, (5 + piece) * 48_000, 48_000);
    }
    let mut record = record(Vec::new(), Vec::new());
    record.traces = (0..2)
        .map(|chunk| Trace {
            stage: 0,
            position: position("a"),
            chunk,
            asked: note(57),
            residue: VoltDifference::ZERO,
            played: RunTime::from_nanoseconds(3_000_000_000),
            at: RunTime::from_nanoseconds(5_000_000_000 + i64::from(chunk) * 10_000_000_000),
            hop: Seconds::of(1.0),
            points: vec![
                Measured {
                    state: State::Silent,
                    flags: Flags::NONE,
                    frequency: None,
                    u: None,
                    u_noise: None,
                    level: None,
                };
                10
            ],
        })
        .collect();
    let again = Bench::new(&rig).unwrap();
    again.restore(&record);
    assert_eq!(again.clock().now(), whole.clock().now());
    // As a sender does when it is opened and the hold is taken up: the same note again.
    play(&again, 1, 57);
    let expected = read(&mut *capture, 25 * 48_000, 48_000);
    assert!(read(&mut *again.capture(), 25 * 48_000, 48_000) == expected);
}

proptest::proptest! {
    /// Whatever a rig file says, a bench is made or refused, and what it gives is a
    /// number.
    #[test]
    fn extreme_units_neither_panic_nor_give_nonsense(
        celsius in -273.15_f64..1e6,
        rise in -1e6_f64..1e6,
        time in 0.0_f64..1e9,
        compensation in -1e3_f64..1e3,
        drift in -1e3_f64..1e3,
        ohms in 0.0_f64..1e9,
        amperes in 0.0_f64..1e3,
        leak in 0.0_f64..1.0,
        reset in 0.0_f64..10.0,
        high_end in 0.0_f64..10.0,
        scale in -1e6_f64..1e6,
        level in -400.0_f64..100.0,
        volts in -1e3_f64..1e3,
        number in 0_u8..128,
    ) {
        let mut unit = lively();
        unit.converter.trimmed_at = Celsius::of(celsius);
        unit.warming[0].rise = Kelvin::of(rise);
        unit.warming[1].time = Seconds::of(time);
        unit.converter.compensation = FractionPerKelvin::of(compensation);
        unit.converter.compensation_lag = Seconds::of(time);
        unit.converter.reference_drift = FractionPerKelvin::of(drift);
        unit.converter.bulk_resistance = Ohms::of(ohms);
        unit.core.current_at_1khz = Amperes::of(amperes);
        unit.core.leakage = Amperes::of(leak);
        unit.core.reset_time = Seconds::of(reset);
        unit.trimmers.high_end = Seconds::of(high_end);
        unit.trimmers.scale = CentsPerOctave::of(scale);
        unit.level = Level::of(level);
        unit.input_resistance = Ohms::of(ohms);
        let mut rig = rig(&[("a", unit)]);
        let interface = simulated(&mut rig).interfaces.get_mut("keys").unwrap();
        interface.lowest = Volts::of(volts);
        interface.highest = Volts::of(-volts);
        let bench = Bench::new(&rig).unwrap();
        play(&bench, 1, number);
        let samples = read(&mut *bench.capture(), 1000, 500);
        proptest::prop_assert!(samples["a"].iter().all(|s| s.is_finite() && s.abs() <= 1.0));
        let truth = bench.truth(&position("a"), seconds(1.0), Seconds::of(0.1));
        proptest::prop_assert!(truth.is_some_and(|hz| hz.get() > 0.0 && hz.get() < 2e6));
    }
}
