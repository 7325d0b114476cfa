//! Each fault by script, as the program would see it.

use crate::rigs::*;
use model::document::simulated::{Cables, Fault, Hum, UnitModel, Waveform};
use model::pitch::Note;
use model::port::{CaptureError, Doubt, Remedy, Sense, Sensed, Setting};
use model::quantity::*;
use model::time::{Epoch, HostTime, SampleTime, Span, Stop};
use simulator::Bench;

fn seconds(t: f64) -> HostTime {
    HostTime::from_nanoseconds((t * 1e9) as i64)
}

fn with(faults: Vec<Fault>) -> Bench {
    let mut rig = with_supply(rig(&[("a", perfect()), ("b", perfect())]));
    simulated(&mut rig).faults = faults;
    let bench = Bench::new(&rig).unwrap();
    let on = Setting::On {
        voltage: Volts::of(12.0),
        current_limit: Amperes::of(0.5),
    };
    let mut supply = bench.instrument("psu").unwrap();
    supply.set(on, seconds(9.0)).unwrap();
    play(&bench, 1, 60);
    play(&bench, 2, 60);
    bench
}

fn from(t: f64) -> Seconds {
    Seconds::of(t)
}

fn truth(bench: &Bench, name: &str, at: f64) -> Option<f64> {
    let found = bench.truth(&position(name), seconds(at), Seconds::of(0.25));
    found.map(Hertz::get)
}

fn go(bench: &Bench, at: f64) {
    bench
        .clock()
        .sleep_until(seconds(at), &Stop::new())
        .unwrap();
}

const C4: f64 = 261.625_565_300_6;

#[test]
fn a_unit_falls_silent_and_comes_back() {
    let bench = with(vec![Fault::UnitSilent {
        positions: vec!["a".to_owned()],
        from: from(10.0),
        lasts: Some(from(5.0)),
    }]);
    assert!(truth(&bench, "a", 9.0).is_some());
    assert!(truth(&bench, "a", 12.0).is_none());
    assert!(truth(&bench, "b", 12.0).is_some());
    assert!(truth(&bench, "a", 15.0).is_some());
}

#[test]
fn inputs_clip_and_die() {
    let bench = with(vec![
        Fault::InputClips {
            positions: vec!["a".to_owned()],
            gain: Fraction::of(4.0),
            from: from(10.0),
            lasts: Some(from(5.0)),
        },
        Fault::InputDead {
            positions: vec!["b".to_owned()],
            from: from(10.0),
            lasts: Some(from(5.0)),
        },
    ]);
    let mut capture = bench.capture();
    let mut doubts = |at: u64| {
        let span = Span {
            start: SampleTime {
                epoch: Epoch(0),
                index: at * 48_000,
            },
            frames: 4800,
        };
        capture.read(span, &Stop::new()).unwrap().doubts
    };
    assert_eq!(doubts(9), []);
    assert_eq!(
        doubts(11),
        [
            Doubt::Clipped(position("a")),
            Doubt::ExactZeros(position("b"))
        ]
    );
    assert_eq!(doubts(16), []);
}

#[test]
fn a_note_is_not_played_and_the_old_one_sounds_on() {
    let bench = with(vec![Fault::NoteNotPlayed {
        positions: vec!["a".to_owned()],
        from: from(10.0),
        lasts: Some(from(5.0)),
    }]);
    go(&bench, 12.0);
    play(&bench, 1, 72);
    play(&bench, 2, 72);
    assert!(cents(truth(&bench, "a", 13.0).unwrap(), C4).abs() < 1e-3);
    assert!(cents(truth(&bench, "b", 13.0).unwrap(), 2.0 * C4).abs() < 1e-3);
    go(&bench, 16.0);
    assert!(cents(truth(&bench, "a", 16.0).unwrap(), C4).abs() < 1e-3);
    play(&bench, 1, 72);
    assert!(cents(truth(&bench, "a", 17.0).unwrap(), 2.0 * C4).abs() < 1e-3);
}

#[test]
fn portamento_is_left_on() {
    let bench = with(vec![Fault::Portamento {
        positions: vec!["a".to_owned()],
        time: from(0.5),
        from: from(10.0),
        lasts: None,
    }]);
    go(&bench, 12.0);
    play(&bench, 1, 72);
    play(&bench, 2, 72);
    let off = |name: &str, at: f64| cents(truth(&bench, name, at).unwrap(), 2.0 * C4);
    assert!(off("a", 12.5) < -300.0 && off("b", 12.5).abs() < 1e-3);
    assert!(off("a", 20.0).abs() < 1e-2);
}

#[test]
fn the_capture_dies_and_can_be_opened_again() {
    let bench = with(vec![Fault::CaptureDies {
        from: from(10.0),
        lasts: from(30.0),
    }]);
    let mut capture = bench.capture();
    let stop = Stop::new();
    let at = |epoch: u32, index: u64| Span {
        start: SampleTime {
            epoch: Epoch(epoch),
            index,
        },
        frames: 48_000,
    };
    capture.read(at(0, 8 * 48_000), &stop).unwrap();
    let dead = capture.read(at(0, 9 * 48_000 + 24_000), &stop);
    assert!(matches!(dead, Err(CaptureError::Stalled { .. })));
    assert_eq!(bench.clock().now(), seconds(10.5));
    let CaptureError::Device(error) = capture.reopen().unwrap_err() else {
        panic!("a device that is not there");
    };
    assert_eq!(error.remedy, Remedy::Retry);
    let mut attempts = 1;
    let epoch = loop {
        match capture.reopen() {
            Ok(epoch) => break epoch,
            Err(_) => attempts += 1,
        }
        assert!(attempts < 100);
    };
    assert_eq!(epoch, Epoch(1));
    assert!(bench.clock().now() >= seconds(40.0));
    assert!(matches!(
        capture.read(at(0, 0), &stop),
        Err(CaptureError::Interrupted)
    ));
    // The new epoch counts from its opening; its samples are those of the same moments.
    let timeline = capture.timeline();
    let begin = timeline.sample_time(seconds(50.0));
    let later: Vec<f32> = capture.read(at(1, begin.index), &stop).unwrap().channels[0]
        .1
        .to_vec();
    let undisturbed = read(&mut *with(Vec::new()).capture(), 50 * 48_000, 48_000);
    assert!(later == undisturbed["a"]);
}

#[test]
fn a_supply_dips() {
    let bench = with(vec![
        Fault::SupplyDips {
            supply: "rack".to_owned(),
            to: Volts::of(10.0),
            from: from(10.0),
            lasts: from(5.0),
        },
        Fault::SupplyDips {
            supply: "rack".to_owned(),
            to: Volts::of(1.0),
            from: from(20.0),
            lasts: from(2.0),
        },
    ]);
    // Two volts below at 1.5 cents to the volt.
    let off = cents(truth(&bench, "a", 12.0).unwrap(), C4);
    assert!((off + 3.0).abs() < 1e-6, "{off}");
    assert!(cents(truth(&bench, "a", 16.0).unwrap(), C4).abs() < 1e-6);
    assert!(truth(&bench, "a", 21.0).is_none());
    assert!(truth(&bench, "a", 23.0).is_some());
    go(&bench, 12.0);
    let mut supply = bench.instrument("psu").unwrap();
    assert_eq!(
        supply.sense(Sense::Voltage, seconds(99.0)),
        Ok(Sensed::Voltage(Volts::of(10.0)))
    );
}

#[test]
fn units_lock_when_they_are_close() {
    let mut detuned = perfect();
    detuned.trimmers.offset = Cents::of(15.0);
    let mut rig = rig(&[("a", perfect()), ("b", detuned)]);
    simulated(&mut rig).faults = vec![Fault::Locked {
        positions: vec!["a".to_owned(), "b".to_owned()],
        within: Cents::of(40.0),
        from: from(10.0),
        lasts: None,
    }];
    let bench = Bench::new(&rig).unwrap();
    play(&bench, 1, 60);
    play(&bench, 2, 60);
    assert!((cents(truth(&bench, "b", 5.0).unwrap(), C4) - 15.0).abs() < 1e-3);
    assert_eq!(truth(&bench, "b", 12.0), truth(&bench, "a", 12.0));
    go(&bench, 20.0);
    play(&bench, 2, 62);
    assert!((cents(truth(&bench, "b", 21.0).unwrap(), C4) - 215.0).abs() < 1e-3);
}

#[test]
fn cables_are_swapped() {
    for cables in [Cables::Audio, Cables::ControlVoltage] {
        let bench = with(vec![Fault::CablesSwapped {
            between: ["a".to_owned(), "b".to_owned()],
            cables,
            from: from(10.0),
            lasts: None,
        }]);
        go(&bench, 5.0);
        play(&bench, 1, 72);
        assert!(cents(truth(&bench, "a", 6.0).unwrap(), 2.0 * C4).abs() < 1e-3);
        assert!(cents(truth(&bench, "a", 11.0).unwrap(), C4).abs() < 1e-3);
        assert!(cents(truth(&bench, "b", 11.0).unwrap(), 2.0 * C4).abs() < 1e-3);
    }
}

#[test]
fn faults_of_the_capture_do_not_trouble_one_opened_later() {
    let bench = with(vec![Fault::CaptureDies {
        from: from(10.0),
        lasts: from(5.0),
    }]);
    go(&bench, 60.0);
    // Nobody read while it was gone; the stream is dead all the same.
    let mut capture = bench.capture();
    let begin = capture.timeline().sample_time(seconds(61.0));
    let span = Span {
        start: begin,
        frames: 100,
    };
    assert!(capture.read(span, &Stop::new()).is_err());
    assert!(capture.reopen().is_ok());
    let begin = capture.timeline().sample_time(seconds(62.0));
    let span = Span {
        start: begin,
        frames: 100,
    };
    assert!(capture.read(span, &Stop::new()).is_ok());
}

#[test]
fn a_loose_contact_takes_a_unit_off_pitch_and_back() {
    let bench = with(vec![Fault::LooseContact {
        positions: vec!["a".to_owned()],
        by: Cents::of(-15.0),
        from: from(12.0),
        lasts: from(5.0),
    }]);
    let cents = |name: &str, t: f64| {
        let hz = truth(&bench, name, t).unwrap();
        1200.0 * (hz / C4).log2()
    };
    for t in [10.0, 17.5, 30.0] {
        assert!(cents("a", t).abs() < 0.01, "{} at {t}", cents("a", t));
    }
    assert!((cents("a", 14.0) + 15.0).abs() < 0.01);
    assert!(cents("b", 14.0).abs() < 0.01);
    let read = |t: f64| {
        let window = Seconds::of(0.5);
        let note = Note::from_number(60).pitch();
        let found = bench.reading(&position("a"), note, seconds(t), window, 0);
        1200.0 * (found.unwrap().truth.get() / C4).log2()
    };
    assert!((read(14.0) + 15.0).abs() < 0.01 && read(20.0).abs() < 0.01);
}

#[test]
fn hum_is_seen_where_a_line_stands_beside_a_harmonic() {
    let humming = UnitModel {
        waveform: Waveform::Triangle,
        hum: Hum {
            level: Some(Level::of(-34.0)),
            ..Hum::default()
        },
        ..perfect()
    };
    let bench = Bench::new(&rig(&[("a", humming), ("b", perfect())])).unwrap();
    let read = |name: &str, number: i16| {
        let note = Note::from_number(number).pitch();
        bench.reading(&position(name), note, seconds(20.0), Seconds::of(0.5), 0)
    };
    // G1 is 49 Hz, half a turn in this window from the mains; C4 is far from all lines.
    let near = read("a", 31).unwrap();
    assert!(near.hum_near || near.hum_too_near, "{near:?}");
    assert!(!read("a", 60).unwrap().hum_near);
    assert!(!read("b", 31).unwrap().hum_near);
}
