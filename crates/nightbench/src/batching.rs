//! `batch`: many runs taken together.

use crate::cli::{Batch, Format};
use crate::documents;
use crate::exit::{self, Failure};
use crate::outlet::tell;
use crate::output;
use crate::reading::{self, Known};
use crate::written::write_file;
use analysis::batch::{BatchRun, batch};
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::record::RunRecord;
use rayon::prelude::*;
use report::{BatchView, RunView};
use store::Standing;

/// Takes runs together.
pub fn take_together(arguments: &Batch) -> Result<u8, Failure> {
    let known: Vec<Known> = read(arguments)?
        .into_par_iter()
        .map(|(plan, rig, record)| {
            let mut known = Known::analysed(plan, rig, record);
            // A batch takes no differences, and there may be many runs.
            known.analysis = known.analysis.without_draws();
            known
        })
        .collect();
    let members: Vec<BatchRun<'_>> = known
        .iter()
        .map(|run| BatchRun {
            plan: &run.plan,
            rig: &run.rig,
            record: &run.record,
            analysis: &run.analysis,
        })
        .collect();
    let taken = batch(&members).map_err(Failure::input)?;
    let views: Vec<RunView<'_>> = known.iter().map(Known::view).collect();
    let view = BatchView {
        runs: &views,
        batch: &taken,
    };
    // The file first: if it cannot be written, nothing is said twice.
    if let Some(path) = &arguments.out {
        write_file(path, report::batch_html(&view))?;
    }
    let text = match arguments.output.format {
        Format::Text => report::batch_text(&view),
        Format::Json => format!("{:#}\n", report::batch_json(&view)),
    };
    output::print(&text)?;
    if let Some(path) = &arguments.out {
        tell(path.display());
    }
    let complete = known.iter().all(|run| run.record.is_complete());
    let verdicts: Vec<_> = known
        .iter()
        .flat_map(|run| run.analysis.verdicts.iter().cloned())
        .collect();
    Ok(exit::of_run(complete, &verdicts))
}

/// Reads the runs that were named; none may still be going on.
fn read(arguments: &Batch) -> Result<Vec<(Plan, Rig, RunRecord)>, Failure> {
    if arguments.runs.is_empty() {
        return Err(Failure::input(
            "name the runs to take together, for example: nightbench batch 3f9c2a1b 77d0e5c4; `nightbench runs` lists them",
        ));
    }
    let library = reading::library(&arguments.store)?;
    let mut read = Vec::with_capacity(arguments.runs.len());
    for run in &arguments.runs {
        let summary = library.summary_of(run)?;
        if summary.standing == Standing::InProgress {
            return Err(Failure::input(format!(
                "run {} is still going on; wait for its end, or end it with: nightbench stop {}",
                summary.id, summary.id
            )));
        }
        let record = library.run(summary.id.as_str())?;
        let (plan, rig) = documents::kept(&record.header)?;
        read.push((plan, rig, record));
    }
    Ok(read)
}
