//! Plans and rigs from files and from what a run kept.

use crate::certified;
use crate::exit::Failure;
use crate::outlet::tell;
use model::document::plan::Plan;
use model::document::rig::{Rig, Wiring};
use model::document::{Document, LARGEST, check, read_plan, read_rig};
use model::record::{PositionId, RunHeader, Unit};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, ErrorKind, Read};
use std::path::Path;
use std::sync::mpsc::channel;
use std::time::Duration;

/// For so long a pipe or a device may keep a person waiting for its end.
const PATIENCE: Duration = Duration::from_secs(3);

/// A file's bytes, `largest` and one more at most, or a sentence about why there
/// are none. A pipe is read, too; what never ends is given up.
///
/// # Errors
/// When it cannot be read, or does not come to its end.
pub fn bytes(path: &Path, largest: usize) -> Result<Vec<u8>, Failure> {
    let refuse = |why: String| Failure::input(format!("{}: {why}", path.display()));
    let read = if path.metadata().is_ok_and(|about| !about.is_file()) {
        let (send, bytes) = channel();
        let owned = path.to_owned();
        // A pipe that nobody writes into already keeps whoever opens it.
        std::thread::spawn(move || send.send(beginning(&owned, largest)));
        bytes.recv_timeout(PATIENCE).map_err(|_| {
            refuse(format!(
                "it is no file on a disk, and did not come to its end within {} s",
                PATIENCE.as_secs()
            ))
        })?
    } else {
        beginning(path, largest)
    };
    read.map_err(|error| {
        refuse(match error.kind() {
            ErrorKind::NotFound => "there is no such file".to_owned(),
            ErrorKind::IsADirectory => "it is a folder".to_owned(),
            _ => format!("it cannot be read: {error}"),
        })
    })
}

fn beginning(path: &Path, largest: usize) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let enough = u64::try_from(largest).unwrap_or(u64::MAX).saturating_add(1);
    File::open(path)?.take(enough).read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Reads a plan and a rig from files, with all checks of each and of both together.
pub fn read_both(plan: &Path, rig: &Path) -> Result<(Document<Plan>, Document<Rig>), Failure> {
    let plan_document =
        read_plan(&plan.display().to_string(), &bytes(plan, LARGEST)?).map_err(Failure::input)?;
    let rig_document =
        read_rig(&rig.display().to_string(), &bytes(rig, LARGEST)?).map_err(Failure::input)?;
    let mut remarks = check::check_plan(&plan_document).map_err(Failure::input)?;
    remarks.extend(check::check_rig(&rig_document).map_err(Failure::input)?);
    remarks.extend(check::check_together(&plan_document, &rig_document).map_err(Failure::input)?);
    remarks.extend(certified::remarks(&plan_document.value, &rig_document));
    for remark in remarks {
        tell(remark);
    }
    Ok((plan_document, rig_document))
}

/// Reads a plan from a file, with all checks of it alone.
pub fn read_plan_alone(plan: &Path) -> Result<Document<Plan>, Failure> {
    let document =
        read_plan(&plan.display().to_string(), &bytes(plan, LARGEST)?).map_err(Failure::input)?;
    for remark in check::check_plan(&document).map_err(Failure::input)? {
        tell(remark);
    }
    Ok(document)
}

/// The plan and the rig that a run was begun with.
pub fn kept(header: &RunHeader) -> Result<(Plan, Rig), Failure> {
    let plan = read_plan("the run's plan", header.plan_text.as_bytes()).map_err(Failure::rig)?;
    let rig = read_rig("the run's rig", header.rig_text.as_bytes()).map_err(Failure::rig)?;
    let mut rig = rig.value;
    if let (Wiring::Simulated(simulated), Some(seed)) = (&mut rig.wiring, header.seed) {
        simulated.seed = seed;
    }
    Ok((plan.value, rig))
}

/// A serial number stands for one unit: runs are held against each other by it.
///
/// # Errors
/// When it is among those that were named before.
pub fn once<'a>(serial: &str, mut others: impl Iterator<Item = &'a Unit>) -> Result<(), Failure> {
    if others.any(|other| other.serial == serial) {
        return Err(Failure::input(format!(
            "--unit: the serial number {serial} is given twice, and runs are compared by it; for two outputs of one unit write {serial}-a and {serial}-b"
        )));
    }
    Ok(())
}

/// The units by position; on a simulated rig every position holds one unless said.
pub fn units(rig: &Rig, named: &[(String, Unit)]) -> Result<BTreeMap<PositionId, Unit>, Failure> {
    let known: Vec<&str> = rig.positions.keys().map(String::as_str).collect();
    let mut units = BTreeMap::new();
    for (position, unit) in named {
        if !rig.positions.contains_key(position) {
            return Err(Failure::input(format!(
                "--unit {position}={}: the rig \"{}\" has no position \"{position}\"; it has {}",
                unit.serial,
                rig.name,
                known.join(", ")
            )));
        }
        let id = PositionId::new(position);
        if units.contains_key(&id) {
            return Err(Failure::input(format!("--unit {position} is given twice")));
        }
        once(&unit.serial, units.values())?;
        units.insert(id, unit.clone());
    }
    if units.is_empty() && matches!(rig.wiring, Wiring::Simulated(_)) {
        for position in rig.positions.keys() {
            let unit = Unit {
                serial: format!("simulated {position}"),
                ..Unit::default()
            };
            units.insert(PositionId::new(position), unit);
        }
    }
    if units.is_empty() {
        return Err(Failure::input(format!(
            "say which unit is in which position, for example --unit {}=SERIAL; the rig \"{}\" has the positions {}",
            known.first().unwrap_or(&"left"),
            rig.name,
            known.join(", ")
        )));
    }
    Ok(units)
}
