//! `compare`: runs held against each other.

use crate::cli::{Compare, Format};
use crate::exit::Failure;
use crate::outlet::tell;
use crate::output;
use crate::reading::{self, Known};
use crate::written::write_file;
use std::collections::BTreeSet;

/// Says how the units of runs differ.
pub fn compare(arguments: &Compare) -> Result<u8, Failure> {
    let library = reading::library(&arguments.store)?;
    let runs = arguments
        .runs
        .iter()
        .map(|run| Known::of(&library, run))
        .collect::<Result<Vec<Known>, Failure>>()?;
    let mut seen = BTreeSet::new();
    for known in &runs {
        if !seen.insert(known.record.id.clone()) {
            return Err(Failure::input(format!(
                "run {} is named twice; a run is not compared with itself",
                known.record.id
            )));
        }
    }
    if let [only] = runs.as_slice()
        && only.record.header.units.len() < 2
    {
        return Err(Failure::input(format!(
            "run {} has a single unit, and there is nothing to compare it with; name another run",
            only.record.id
        )));
    }
    let views: Vec<report::RunView<'_>> = runs.iter().map(Known::view).collect();
    if let Some(path) = &arguments.out {
        write_file(path, report::comparison_html(&views))?;
    }
    let text = match arguments.output.format {
        Format::Text => report::comparison_text(&views),
        Format::Json => format!("{}\n", report::comparison_json(&views)),
    };
    output::print(&text)?;
    if let Some(path) = &arguments.out {
        tell(path.display());
    }
    Ok(0)
}
