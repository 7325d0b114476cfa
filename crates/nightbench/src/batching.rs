//! `batch`: many runs taken together.

use crate::cli::{Batch, Format};
use crate::documents;
use crate::exit::{self, Failure};
use crate::folders;
use analysis::Analysis;
use analysis::batch::{BatchRun, batch};
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::record::RunRecord;
use report::{BatchView, RunView};
use std::io::Write;
use std::num::NonZero;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use store::{Standing, Store};

/// A run that was read, with its analysis.
struct Known {
    plan: Plan,
    rig: Rig,
    record: RunRecord,
    analysis: Analysis,
}

/// Takes runs together.
pub fn take_together(arguments: &Batch) -> Result<u8, Failure> {
    let runs = read(arguments)?;
    let known = analyse(runs);
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
    let views: Vec<RunView<'_>> = known
        .iter()
        .map(|run| RunView {
            plan: &run.plan,
            rig: &run.rig,
            record: &run.record,
            analysis: &run.analysis,
        })
        .collect();
    let view = BatchView {
        runs: &views,
        batch: &taken,
    };
    // The file first: if it cannot be written, nothing is said twice.
    if let Some(path) = &arguments.out {
        std::fs::write(path, report::batch_html(&view)).map_err(|error| {
            Failure::input(format!("{} cannot be written: {error}", path.display()))
        })?;
        let _ = writeln!(std::io::stderr(), "report in {}", path.display());
    }
    let text = match arguments.output.format {
        Format::Text => report::batch_text(&view),
        Format::Json => format!("{:#}\n", report::batch_json(&view)),
    };
    let _ = write!(std::io::stdout(), "{text}");
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
    let library = Store::open_existing(&folders::store(&arguments.store)?)?.library()?;
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

/// Analyses runs side by side, in their order.
fn analyse(runs: Vec<(Plan, Rig, RunRecord)>) -> Vec<Known> {
    let workers = std::thread::available_parallelism().map_or(1, NonZero::get);
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, Analysis)>> = Mutex::new(Vec::with_capacity(runs.len()));
    std::thread::scope(|scope| {
        for _ in 0..workers.min(runs.len()) {
            scope.spawn(|| {
                while let Some((at, (plan, rig, record))) = {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    runs.get(at).map(|run| (at, run))
                } {
                    let analysis = analysis::analyse(plan, rig, record);
                    if let Ok(mut done) = done.lock() {
                        done.push((at, analysis));
                    }
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap_or_default();
    done.sort_by_key(|(at, _)| *at);
    runs.into_iter()
        .zip(done)
        .map(|((plan, rig, record), (_, analysis))| Known {
            plan,
            rig,
            record,
            analysis,
        })
        .collect()
}
