//! `import`: a recording that was made elsewhere becomes a run like any other.

use crate::cli::Import;
use crate::exit::Failure;
use crate::going_through::Passage;
use crate::outlet::tell;
use crate::{documents, folders, sound_file};
use model::document::rig::Law;
use model::pitch::PitchStandard;
use model::record::{PositionId, RunHeader, Unit};
use model::time::Timestamp;
use recording::{Astray, ControlVoltage, LARGEST_TABLE, Slot, Source, position, read_notes};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;
use store::Store;

/// At how many volts an input may be at full scale: steps must be seen in it, and no
/// control voltage is higher.
const LEAST_FULL_SCALE: f64 = 0.1;
const MOST_FULL_SCALE: f64 = 100.0;

/// Imports a recording.
pub fn import(arguments: &Import) -> Result<u8, Failure> {
    let units = units(arguments)?;
    let path = &arguments.file;
    let recording = sound_file::open(path)?;
    if !path.is_file() {
        return Err(Failure::input(format!(
            "{}: it is no file on a disk, and an import reads it more than once; save it first",
            path.display()
        )));
    }
    for channel in arguments.channels.iter().chain(&arguments.cv_channel) {
        if *channel > recording.channels() {
            return Err(Failure::input(format!(
                "{}: it has {}, counted from 1, and no channel {channel}",
                path.display(),
                counted(usize::from(recording.channels()), "channel")
            )));
        }
    }
    let law = law(arguments)?;
    let plan = match &arguments.plan {
        Some(path) => Some(documents::read_plan_alone(path)?),
        None => None,
    };
    let standard = plan
        .as_ref()
        .map_or_else(PitchStandard::default, |plan| plan.value.pitch);
    let (notes, notes_from) = notes(arguments, &law, standard)?;
    recording.holds(&notes)?;
    let source = Source {
        file: file_name(path),
        sha256: sha256(path)?,
        channels: arguments.channels.clone(),
        law,
        notes,
        notes_from,
    };
    let count = source.notes.len();
    let import = recording::Import::new(&recording, source, plan, arguments.reference.as_ref())?;
    let mut passage = Passage::new("listening");
    let readings = import.listen(recording, |done, whole| passage.reached(done, whole))?;
    drop(passage);
    let header = RunHeader {
        plan_text: import.plan_text.clone(),
        rig_text: import.rig_text.clone(),
        units,
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        seed: None,
        began: Timestamp::now(),
    };
    let astray = import.astray(&readings);
    let entries = import.entries(readings, header.began);
    let store = Store::open(&folders::store(&arguments.store)?)?;
    let mut writer = store.writer()?;
    // All at once: whoever ends the program before leaves no half of a run behind.
    let id = writer.keep_whole(&header, &entries)?;
    drop(writer);
    tell(format!(
        "run {id}: {} on {} of {}",
        counted(count, "note"),
        counted(arguments.channels.len(), "channel"),
        path.display()
    ));
    for astray in astray {
        tell(format!("remark: {}", went_astray(arguments, astray)));
    }
    crate::running::conclude(&store, &id, arguments.output.format, Ok(()))
}

/// So many of something, in words where it is one.
fn counted(count: usize, what: &str) -> String {
    match count {
        1 => format!("one {what}"),
        _ => format!("{count} {what}s"),
    }
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
        if units.insert(position(*channel), unit.clone()).is_some() {
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

/// How voltage and pitch belong together, as the arguments say.
fn law(arguments: &Import) -> Result<Law, Failure> {
    if let Some(gain) = arguments.hertz_per_volt {
        if gain.get() <= 0.0 {
            return Err(Failure::input("--hertz-per-volt must be above zero"));
        }
        return Ok(Law::HertzPerVolt { gain });
    }
    if arguments.slope.get() <= 0.0 {
        return Err(Failure::input("--slope must be above zero"));
    }
    Ok(Law::VoltsPerOctave {
        slope: arguments.slope,
        zero: arguments.zero.clone(),
    })
}

/// Which note sounded when, and where that is known from.
fn notes(
    arguments: &Import,
    law: &Law,
    standard: PitchStandard,
) -> Result<(Vec<Slot>, String), Failure> {
    if let Some(table) = &arguments.schedule {
        let text = documents::bytes(table, LARGEST_TABLE)?;
        let notes = read_notes(&table.display().to_string(), &text)?;
        return Ok((notes, format!("the table {}", file_name(table))));
    }
    let channel = arguments.cv_channel.ok_or_else(|| {
        Failure::input(
            "say which note sounded when: --schedule NOTES.csv, or --cv-channel with the channel of the recorded control voltage",
        )
    })?;
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
    let control_voltage = ControlVoltage {
        channel,
        full_scale,
        law: law.control_law(),
        standard,
    };
    let mut passage = Passage::new("finding the notes");
    let notes = control_voltage.notes(sound_file::open(&arguments.file)?, |done, whole| {
        passage.reached(done, whole);
    })?;
    Ok((notes, format!("the control voltage on channel {channel}")))
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

/// What to look at where a unit seems to have played other notes than those asked for.
fn went_astray(arguments: &Import, found: Astray) -> String {
    let Astray {
        channel,
        astray,
        of,
    } = found;
    let look = if arguments.cv_channel.is_some() {
        "is the control voltage on its channel turned round, or --cv-full-scale, --slope or --zero another?"
    } else {
        "is it the table of another recording, or one that begins at another moment?"
    };
    format!(
        "channel {channel}: after {astray} of {of} notes the pitch had not moved by what was asked; {look}"
    )
}
