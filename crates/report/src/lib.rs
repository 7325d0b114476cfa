//! What is handed over of a run: plain sentences, one HTML file that needs
//! nothing beside itself, a text for a terminal, CSV and JSON.
//!
//! Everything here is computed from a [`RunView`] and is pure: the same run
//! gives the same bytes. Nothing is measured or judged here; what
//! [`analysis`](::analysis) does not say is not said.

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod batch;
mod bench;
mod compare;
mod csv_row;
mod deviations;
mod document;
mod doubts;
mod export;
mod foreseen;
mod incidents;
mod limited;
mod list;
mod note_names;
mod numbers;
mod outline;
mod page;
mod plot;
mod readings;
mod results;
mod suggestions;
mod terminal;
mod verdicts;
mod words;

use analysis::Analysis;
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::record::RunRecord;

pub use batch::{BatchView, batch_html, batch_json, batch_schema, batch_text};
pub use bench::may_still_be_on;
pub use compare::{comparison_html, comparison_json, comparison_schema, comparison_text};
pub use csv_row::{Cell, Decimals, csv_row};
pub use export::{export_json, export_schema};
pub use foreseen::foreseen;
pub use page::html;
pub use readings::export_csv;
pub use results::{results_json, results_schema};
pub use terminal::text;
pub use words::{UnitWords, VerdictWords, sentences};

/// A run with all that is known of it.
#[derive(Debug, Clone, Copy)]
pub struct RunView<'a> {
    /// What was to be done.
    pub plan: &'a Plan,
    /// Where it was done.
    pub rig: &'a Rig,
    /// What was kept.
    pub record: &'a RunRecord,
    /// What can be said of it.
    pub analysis: &'a Analysis,
    /// The day on which it began where the bench stands (year, month, day, like
    /// 2026-03-01): the dates of certificates are held against it.
    pub day: &'a str,
    /// What is wrong with the run, when it is damaged and this is what of it is sound: a
    /// sentence.
    pub damage: Option<&'a str>,
}
