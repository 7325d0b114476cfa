//! `import`: a recording that was made elsewhere becomes a run like any other.

use crate::cli::Import;
use crate::control_voltage::StepFinder;
use crate::documents;
use crate::exit::Failure;
use crate::folders;
use crate::going_through::Passage;
use crate::imported::{self, Laid, Source};
use crate::outlet::tell;
use crate::recording::Recording;
use crate::slots::{self, Slot, counted, number};
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::pitch::{ControlLaw, Pitch};
use model::quantity::{Seconds, VoltDifference};
use model::record::{
    Conditions, Entry, Event, EventKind, Flag, PositionId, Reading, ReadingKey, RunHeader, State,
    Unit,
};
use model::time::{RunTime, Timestamp};
use orchestrator::RecordedEar;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;
use store::Store;

/// The next note may begin a little before its time, seconds.
const BEFORE_NEXT: f64 = 0.02;

/// At how many volts an input may be at full scale: steps must be seen in it, and no
/// control voltage is higher.
const LEAST_FULL_SCALE: f64 = 0.1;
const MOST_FULL_SCALE: f64 = 100.0;

/// Imports a recording.
pub fn import(arguments: &Import) -> Result<u8, Failure> {
    let units = units(arguments)?;
    let path = &arguments.file;
    let name = path.display().to_string();
    let recording = Recording::open(path)?;
    for channel in arguments.channels.iter().chain(&arguments.cv_channel) {
        if *channel > recording.channels() {
            return Err(Failure::input(format!(
                "{name}: it has {}, counted from 1, and no channel {channel}",
                counted(usize::from(recording.channels()), "channel")
            )));
        }
    }
    let law = imported::law(arguments)?;
    let plan = match &arguments.plan {
        Some(path) => Some(documents::read_plan_alone(path)?),
        None => None,
    };
    let standard = plan
        .as_ref()
        .map_or_else(model::pitch::PitchStandard::default, |plan| {
            plan.value.pitch
        });
    let (notes, notes_from) = match (&arguments.schedule, arguments.cv_channel) {
        (Some(table), _) => {
            let text = documents::bytes(table, slots::LARGEST)?;
            let notes = slots::read(&table.display().to_string(), &text)?;
            (notes, format!("the table {}", file_name(table)))
        }
        (None, Some(channel)) => (
            control_voltage(arguments, channel, law.control_law(), standard)?,
            format!("the control voltage on channel {channel}"),
        ),
        (None, None) => {
            return Err(Failure::input(
                "say which note sounded when: --schedule NOTES.csv, or --cv-channel with the channel of the recorded control voltage",
            ));
        }
    };
    let rate = recording.rate();
    let known = recording.frames_left().map(|frames| rate.duration(frames));
    if let Some(lasts) = known {
        refuse_past_the_end(arguments, &notes, lasts)?;
    }
    let source = Source {
        file: file_name(path),
        sha256: sha256(path)?,
        rate,
        channels: recording.channels(),
        lasts: known.unwrap_or_else(|| Seconds::of(notes.last().map_or(0.0, Slot::end))),
        notes_from,
    };
    let rig_text = imported::rig_text(&source, &law, &arguments.channels);
    let rig = model::document::read_rig("the recording", rig_text.as_bytes())
        .map_err(Failure::rig)?
        .value;
    let (plan_text, plan) = match plan {
        Some(plan) => (plan.text.clone(), plan.value),
        None => {
            let text = imported::plan_text(&source, &notes, arguments.reference.as_ref(), &law)?;
            let plan = model::document::read_plan("the recording's plan", text.as_bytes())
                .map_err(Failure::rig)?;
            (text, plan.value)
        }
    };
    let laid = imported::lay_out(&plan, &notes, law.control_law())?;
    let readings = listen(
        recording,
        &plan,
        law.control_law(),
        &notes,
        &laid,
        arguments,
    )?;
    let began = Timestamp::now();
    let header = RunHeader {
        plan_text,
        rig_text,
        units,
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        seed: None,
        began,
    };
    keep(arguments, &header, &plan, &rig, readings, &laid, &notes)
}

fn file_name(path: &Path) -> String {
    path.file_name().map_or_else(
        || path.display().to_string(),
        |name| name.to_string_lossy().into_owned(),
    )
}

/// A position for each channel, with its unit.
fn units(arguments: &Import) -> Result<BTreeMap<PositionId, Unit>, Failure> {
    if arguments.channels.len() != arguments.units.len() {
        return Err(Failure::input(format!(
            "{} and {} do not go together: each --channel C needs its --unit SERIAL",
            times(arguments.channels.len(), "--channel"),
            times(arguments.units.len(), "--unit"),
        )));
    }
    let mut units = BTreeMap::new();
    for (channel, unit) in arguments.channels.iter().zip(&arguments.units) {
        documents::once(&unit.serial, units.values())?;
        if units
            .insert(imported::position(*channel), unit.clone())
            .is_some()
        {
            return Err(Failure::input(format!(
                "--channel {channel} is given twice"
            )));
        }
        if arguments.cv_channel == Some(*channel) {
            return Err(Failure::input(format!(
                "channel {channel} cannot hold both the unit {} and the control voltage",
                unit.serial
            )));
        }
    }
    Ok(units)
}

fn times(count: usize, what: &str) -> String {
    format!("{count} {what}")
}

/// Finds the notes in the recorded control voltage.
fn control_voltage(
    arguments: &Import,
    channel: u16,
    law: ControlLaw,
    standard: model::pitch::PitchStandard,
) -> Result<Vec<Slot>, Failure> {
    let name = arguments.file.display().to_string();
    let full_scale = arguments.cv_full_scale.ok_or_else(|| {
        Failure::input(
            "say at how many volts the channel of the control voltage is at full scale: --cv-full-scale 10V",
        )
    })?;
    if !(LEAST_FULL_SCALE..=MOST_FULL_SCALE).contains(&full_scale.get()) {
        return Err(Failure::input(format!(
            "--cv-full-scale {full_scale}: expected from {LEAST_FULL_SCALE} to {MOST_FULL_SCALE} V, what a voltage must be for a sample of 1.0; if the channel is turned round, turn it back in the recording"
        )));
    }
    let mut recording = Recording::open(&arguments.file)?;
    let mut finder = StepFinder::new(recording.rate(), full_scale);
    let mut passage = Passage::new("finding the notes");
    let frames = recording.frames_left();
    let mut heard = 0.0;
    let mut piece = vec![Vec::new(); usize::from(recording.channels())];
    loop {
        for channel in &mut piece {
            channel.clear();
        }
        let got = recording.next(&mut piece)?;
        if got == 0 {
            break;
        }
        heard += got as f64;
        passage.reached(heard, frames.map_or(f64::INFINITY, |frames| frames as f64));
        if let Some(samples) = piece.get(usize::from(channel) - 1) {
            finder.push(samples);
        }
    }
    finder.finish(&name, channel, law, standard)
}

fn refuse_past_the_end(arguments: &Import, notes: &[Slot], lasts: Seconds) -> Result<(), Failure> {
    let Some(late) = notes.iter().find(|slot| slot.end() > lasts.get() + 2e-3) else {
        return Ok(());
    };
    Err(Failure::input(format!(
        "{}: this note lasts until {} s, and {} ends after {} s; leave it out, or is it the table of another recording?",
        late.place,
        number(late.end()),
        arguments.file.display(),
        number(lasts.get())
    )))
}

/// The SHA-256 of a file of any length.
fn sha256(path: &Path) -> Result<String, Failure> {
    let unreadable =
        |error| Failure::input(format!("{}: it cannot be read: {error}", path.display()));
    let file = File::open(path).map_err(unreadable)?;
    let size = file.metadata().map_err(unreadable)?.len();
    let mut file = BufReader::new(file);
    let mut hash = Sha256::new();
    let mut passage = Passage::new("reading the file through");
    let mut read = 0.0;
    let mut piece = vec![0; 1 << 16];
    loop {
        let got = file.read(&mut piece).map_err(unreadable)?;
        if got == 0 {
            break;
        }
        hash.update(&piece[..got]);
        read += got as f64;
        passage.reached(read, size as f64);
    }
    Ok(hash
        .finalize()
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect())
}

/// Measures every note of every channel.
fn listen(
    mut recording: Recording<BufReader<File>>,
    plan: &Plan,
    law: ControlLaw,
    notes: &[Slot],
    laid: &[Laid],
    arguments: &Import,
) -> Result<Vec<Reading>, Failure> {
    let rate = recording.rate();
    let frames = |seconds: f64| (seconds.max(0.0) * rate.get()).round() as u64;
    let positions: Vec<PositionId> = arguments
        .channels
        .iter()
        .map(|channel| imported::position(*channel))
        .collect();
    let mut ear = RecordedEar::new(rate, plan.pitch, &positions);
    let mut readings = Vec::new();
    let mut piece = vec![Vec::new(); usize::from(recording.channels())];
    let mut held: Vec<Vec<f32>> = vec![Vec::new(); arguments.channels.len()];
    let mut piece_from = 0u64;
    let mut piece_frames = 0u64;
    let mut passage = Passage::new("listening");
    let end = notes.last().map_or(0.0, Slot::end);
    for (slot, laid) in notes.iter().zip(laid) {
        let listen = plan.stages[usize::from(laid.stage)].listen(plan);
        let longest = listen.settle.longest().get() + listen.window.longest().get() + 1.0;
        let whole = (slot.lasts - BEFORE_NEXT)
            .max(slot.lasts * 0.9)
            .min(longest);
        let (from, to) = (frames(slot.start), frames(slot.start + whole));
        for channel in &mut held {
            channel.clear();
        }
        loop {
            let begins = from.max(piece_from).min(piece_from + piece_frames);
            let ends = to.clamp(begins, piece_from + piece_frames);
            let (a, b) = ((begins - piece_from) as usize, (ends - piece_from) as usize);
            for (held, channel) in held.iter_mut().zip(&arguments.channels) {
                held.extend_from_slice(&piece[usize::from(*channel) - 1][a..b]);
            }
            if piece_from + piece_frames >= to {
                break;
            }
            for channel in &mut piece {
                channel.clear();
            }
            piece_from += piece_frames;
            piece_frames = recording.next(&mut piece)? as u64;
            if piece_frames == 0 {
                refuse_past_the_end(arguments, notes, rate.duration(piece_from))?;
                break;
            }
        }
        let asked: Pitch = slot.asked.pitch(plan.pitch, law);
        passage.reached(slot.start, end);
        let residue = slot.measured.map_or(VoltDifference::of(0.0), |measured| {
            law.voltage(asked, plan.pitch) - measured
        });
        let played = RunTime::START + Seconds::of(slot.start);
        let heard = ear.note(asked, &held, listen).map_err(Failure::rig)?;
        let at = played + rate.duration(heard.begins);
        let window = rate.duration(heard.frames);
        let mut together: Vec<Reading> = heard
            .measured
            .into_iter()
            .map(|(position, measured)| Reading {
                key: ReadingKey {
                    stage: laid.stage,
                    round: laid.round,
                    slot: laid.slot,
                    repeat: 0,
                    attempt: 0,
                    position,
                },
                asked,
                residue,
                played,
                at,
                window,
                measured,
                conditions: Conditions::default(),
            })
            .collect();
        ear.flag_locked(&mut together);
        for reading in &together {
            ear.remember(reading);
        }
        readings.extend(together);
    }
    Ok(readings)
}

/// What to look at where a unit seems to have played other notes than those asked for.
fn went_astray(arguments: &Import, readings: &[Reading]) -> Vec<String> {
    let mut said = Vec::new();
    for channel in &arguments.channels {
        let position = imported::position(*channel);
        let of_it = readings.iter().filter(|of| of.key.position == position);
        let (mut all, mut astray) = (0, 0);
        for Reading { measured, .. } in of_it {
            all += 1;
            if measured.state == State::NotPlayed || measured.flags.contains(Flag::WrongInterval) {
                astray += 1;
            }
        }
        // The first note has none before it.
        if astray * 2 >= all && astray > 1 {
            said.push(format!(
                "channel {channel}: after {astray} of {all} notes the pitch had not moved by what was asked; {}",
                if arguments.cv_channel.is_some() {
                    "is the control voltage on its channel turned round, or --cv-full-scale, --slope or --zero another?"
                } else {
                    "is it the table of another recording, or one that begins at another moment?"
                }
            ));
        }
    }
    said
}

/// Writes the run down and says what came of it.
fn keep(
    arguments: &Import,
    header: &RunHeader,
    plan: &Plan,
    rig: &Rig,
    readings: Vec<Reading>,
    laid: &[Laid],
    notes: &[Slot],
) -> Result<u8, Failure> {
    let event = |at: f64, kind: EventKind, stage: Option<u16>, text: String| {
        Entry::Event(Event {
            at: RunTime::START + Seconds::of(at),
            wall: header.began,
            kind,
            stage,
            position: None,
            text,
        })
    };
    let mut entries = vec![event(
        0.0,
        EventKind::Remark,
        None,
        format!("imported: {}", rig.name),
    )];
    let end = notes.last().map_or(0.0, Slot::end);
    let mut stages: BTreeMap<u16, (f64, f64)> = BTreeMap::new();
    for (slot, laid) in notes.iter().zip(laid) {
        let span = stages.entry(laid.stage).or_insert((slot.start, slot.end()));
        span.1 = slot.end();
    }
    for (stage, (from, to)) in &stages {
        let name = plan.stages[usize::from(*stage)].name().to_owned();
        entries.push(event(
            *from,
            EventKind::StageBegan,
            Some(*stage),
            name.clone(),
        ));
        entries.push(event(*to, EventKind::StageEnded, Some(*stage), name));
    }
    let astray = went_astray(arguments, &readings);
    entries.extend(readings.into_iter().map(Entry::Reading));
    entries.push(event(
        end,
        EventKind::RunEnded,
        None,
        "the recording was imported".to_owned(),
    ));
    let store = Store::open(&folders::store(&arguments.store)?)?;
    let mut writer = store.writer()?;
    // All at once: whoever ends the program before leaves no half of a run behind.
    let id = writer.keep_whole(header, &entries)?;
    drop(writer);
    tell(format!(
        "run {id}: {} on {} of {}",
        counted(notes.len(), "note"),
        counted(arguments.channels.len(), "channel"),
        arguments.file.display()
    ));
    for said in astray {
        tell(format!("remark: {said}"));
    }
    crate::running::conclude(&store, &id, arguments.output.format, Ok(()))
}
