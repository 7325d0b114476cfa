//! Plays notes through a rig's sender and measures them from its capture, with
//! nothing of the orchestrator in between: the ports alone, for the tests on real
//! ports, which give it its audio server by environment.
//!
//! Arguments: a rig file (JSON), the position that counts frames ("none" for
//! none), seconds to listen to each note, then note numbers. On standard output a
//! JSON object a line: `{"note":60.0,"position":"left","t_ns":...,"frames":24000,
//! "counter":[first,lost],"hz":...,"u_hz":...,"doubts":0,"residue_v":...,
//! "mean":...}`. When a device fails everything is opened anew and the note is
//! played again; that is told by the lines `{"trouble":...,"t_ns":...}` and
//! `{"recovered_ns":...}`.

use meter::Meter;
use model::document::rig::{Rig, Wiring};
use model::pitch::{Pitch, PitchStandard};
use model::port::{Capture, Clock, NoteOut};
use model::quantity::Seconds;
use model::record::PositionId;
use model::time::{Span, Stop};
use serde_json::json;
use std::error::Error;
use std::sync::Arc;

/// After a note is sent, so long is waited before it is listened to.
const SETTLE: Seconds = Seconds::of(0.25);
const WINDOW: Seconds = Seconds::of(0.5);
/// So long it is tried to open devices anew that failed.
const PATIENCE: Seconds = Seconds::of(100.0);

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [file, counter, listen, notes @ ..] = arguments.as_slice() else {
        return Err("arguments: RIG COUNTER SECONDS NOTE ...".into());
    };
    let rig: Rig = serde_json::from_slice(&std::fs::read(file)?)?;
    let Wiring::Real(_) = &rig.wiring else {
        return Err("the rig is not real".into());
    };
    let positions: Vec<PositionId> = rig
        .positions
        .keys()
        .map(|name| PositionId::new(name))
        .collect();
    let mut devices = devices::open(&rig, &positions)?;
    let clock = Arc::clone(&devices.clock);
    let mut sender = sender::Sender::new(
        &rig.positions,
        devices.sinks,
        PitchStandard::default(),
        Arc::clone(&clock),
    )?;
    let listen = Seconds::new(listen.parse()?)?;
    for note in notes {
        let pitch = Pitch::new(note.parse()?)?;
        let targets: Vec<(PositionId, Pitch)> = positions
            .iter()
            .filter(|position| position.as_str() != counter)
            .map(|position| (position.clone(), pitch))
            .collect();
        while let Err(error) = one_note(
            &mut sender,
            devices.capture.as_mut(),
            &targets,
            counter,
            listen,
        ) {
            println!(
                "{}",
                json!({"trouble": error.to_string(), "t_ns": clock.now().nanoseconds()})
            );
            recover(&mut sender, devices.capture.as_mut(), clock.as_ref())?;
            println!("{}", json!({"recovered_ns": clock.now().nanoseconds()}));
        }
    }
    sender.silence()?;
    Ok(())
}

/// Opens everything anew until it works.
fn recover(
    sender: &mut sender::Sender,
    capture: &mut dyn Capture,
    clock: &dyn Clock,
) -> Result<(), Box<dyn Error>> {
    let give_up = clock.now() + PATIENCE;
    loop {
        let opened = capture.reopen().map_err(Box::<dyn Error>::from);
        match opened.and_then(|_| Ok(sender.present()?)) {
            Ok(()) => return Ok(()),
            Err(error) if clock.now() > give_up => return Err(error),
            Err(_) => clock.sleep_until(clock.now() + SETTLE, &Stop::new())?,
        }
    }
}

/// Plays a note and measures it, window after window.
fn one_note(
    sender: &mut sender::Sender,
    capture: &mut dyn Capture,
    targets: &[(PositionId, Pitch)],
    counter: &str,
    listen: Seconds,
) -> Result<(), Box<dyn Error>> {
    let stop = Stop::new();
    sender.present()?;
    let played = sender.play(targets)?;
    let after = played
        .iter()
        .map(|one| one.at)
        .max()
        .ok_or("nothing played")?;
    let timeline = capture.timeline();
    let rate = timeline.rate;
    let mut meter = Meter::new(rate);
    let mut span = Span {
        start: timeline.sample_time(after + timeline.jitter + SETTLE),
        frames: rate.frames(WINDOW),
    };
    let end = span.start.index + rate.frames(listen);
    while span.end().index <= end {
        let at = capture.timeline().host_time(span.start);
        let window = capture.read(span, &stop)?;
        let counted = window
            .channels
            .iter()
            .find(|(position, _)| position.as_str() == counter)
            .map(|(_, samples)| count(samples));
        for one in &played {
            let samples = window
                .channels
                .iter()
                .find(|(position, _)| *position == one.position)
                .map_or(&[][..], |(_, samples)| samples);
            let estimate = meter.estimate(samples);
            let sum: f64 = samples.iter().map(|sample| f64::from(*sample)).sum();
            println!(
                "{}",
                json!({
                    "note": one.asked.note_number(),
                    "position": one.position.as_str(),
                    "t_ns": at.nanoseconds(),
                    "epoch": span.start.epoch.0,
                    "index": span.start.index,
                    "frames": span.frames,
                    "counter": counted,
                    "state": estimate.state,
                    "hz": estimate.frequency.map(|hz| hz.get()),
                    "u_hz": estimate.u.map(|hz| hz.get()),
                    "doubts": window.doubts.len(),
                    "residue_v": one.residue.get(),
                    "mean": sum / samples.len() as f64,
                })
            );
        }
        span = span.then(rate.frames(WINDOW));
    }
    Ok(())
}

/// The frame that a counter's samples begin with, and how often the count did not
/// go up by one.
fn count(samples: &[f32]) -> [u64; 2] {
    let counts: Vec<u64> = samples
        .iter()
        .map(|sample| (f64::from(*sample) * f64::from(1 << 23)).round() as u64)
        .collect();
    let wrong = counts
        .windows(2)
        .filter(|pair| pair[1] != (pair[0] + 1) % (1 << 22))
        .count();
    [counts.first().copied().unwrap_or(0), wrong as u64]
}
