//! `store check` and `store copy`.

use crate::cli::{Keeping, StoreCheck, StoreCopy};
use crate::exit::{self, Failure};
use crate::{output, reading};
use store::{Checked, CheckedRun};

/// Looks after a store.
pub fn keep(command: &Keeping) -> Result<u8, Failure> {
    match command {
        Keeping::Check(arguments) => check(arguments),
        Keeping::Copy(arguments) => copy(arguments),
    }
}

fn check(arguments: &StoreCheck) -> Result<u8, Failure> {
    let checked = reading::library(&arguments.store)?.check(arguments.run.as_deref())?;
    output::print(&said_of(&checked))?;
    Ok(code(&checked))
}

fn copy(arguments: &StoreCopy) -> Result<u8, Failure> {
    let checked = reading::library(&arguments.store)?.copy_to(&arguments.to)?;
    let text = format!("{}{}\n", said_of(&checked), arguments.to.display());
    output::print(&text)?;
    Ok(code(&checked))
}

fn code(checked: &Checked) -> u8 {
    if checked.is_whole() {
        0
    } else {
        exit::INCOMPLETE
    }
}

fn said_of(checked: &Checked) -> String {
    let mut text: String = checked.runs.iter().map(line).collect();
    for fault in &checked.faults {
        text += &format!("the database is damaged: {fault}\n");
    }
    if checked.runs.is_empty() && checked.faults.is_empty() {
        text += "there are no runs in the store\n";
    }
    text
}

fn line(run: &CheckedRun) -> String {
    let id = &run.id;
    match (&run.damage, run.sealed) {
        (Some(damage), _) => format!("{id:<11} damaged: {damage}\n"),
        (None, sealed) => {
            let sealed = sealed.map_or_else(String::new, |entries| {
                format!("; its first {entries} entries are sealed as they were found when the store was brought up to date")
            });
            format!(
                "{id:<11} whole: {} readings, {} recordings{sealed}\n",
                run.readings, run.recordings
            )
        }
    }
}
