//! Many runs taken together: sentences, a text for a terminal, JSON, one HTML file.

mod document;
mod figures;
mod page;
mod say;
mod sentences;
mod text;

pub use document::{batch_json, batch_schema};
pub use page::batch_html;
pub use text::batch_text;

use crate::RunView;
use crate::bench;
use crate::document::sha256;
use analysis::batch::{Batch, BatchResult, Member};
use model::record::Unit;
use model::result::ResultName;
use std::collections::BTreeMap;

/// Many runs with what can be said of them together.
#[derive(Debug, Clone, Copy)]
pub struct BatchView<'a> {
    /// The runs, in the order in which the batch counts them.
    pub runs: &'a [RunView<'a>],
    /// What can be said of them together.
    pub batch: &'a Batch,
}

/// Without a tolerance to go by, these are shown first.
const KEY_RESULTS: [ResultName; 6] = [
    ResultName::ErrorLeftAfterTrimming,
    ResultName::ErrorLeftAfterRetuning,
    ResultName::ScaleError,
    ResultName::HighEnd,
    ResultName::ReadyAfter,
    ResultName::Excursion,
];
/// As many as fit on a line.
const MOST_KEYS: usize = 4;

impl<'a> BatchView<'a> {
    pub(crate) fn run_of(&self, member: &Member) -> &'a RunView<'a> {
        &self.runs[member.run]
    }

    pub(crate) fn unit_of(&self, member: &Member) -> Unit {
        self.run_of(member).unit(&member.position)
    }

    /// The plans by hash, with the runs of each, in the order of the runs.
    pub(crate) fn plans(&self) -> Vec<(String, Vec<&'a RunView<'a>>)> {
        self.alike(|run| sha256(&run.record.header.plan_text))
    }

    /// The rigs by name, in the order of the runs.
    pub(crate) fn rigs(&self) -> Vec<(String, Vec<&'a RunView<'a>>)> {
        self.alike(|run| run.rig.name.clone())
    }

    fn alike(&self, key: impl Fn(&RunView<'_>) -> String) -> Vec<(String, Vec<&'a RunView<'a>>)> {
        let mut groups: Vec<(String, Vec<&'a RunView<'a>>)> = Vec::new();
        for run in self.runs {
            let key = key(run);
            match groups.iter_mut().find(|(other, _)| *other == key) {
                Some((_, runs)) => runs.push(run),
                None => groups.push((key, vec![run])),
            }
        }
        groups
    }

    /// What has to be said of the rigs, each sentence once.
    pub(crate) fn statement(&self) -> Vec<String> {
        let mut said: Vec<(String, Vec<&str>)> = Vec::new();
        for run in self.runs {
            for sentence in bench::statement(run) {
                match said.iter_mut().find(|(other, _)| *other == sentence) {
                    Some((_, rigs)) => rigs.push(&run.rig.name),
                    None => said.push((sentence, vec![&run.rig.name])),
                }
            }
        }
        let of_rigs = said.into_iter().map(|(sentence, mut rigs)| {
            if rigs.len() == self.runs.len() {
                return sentence;
            }
            rigs.sort_unstable();
            rigs.dedup();
            format!("{}: {sentence}", rigs.join(", "))
        });
        let mut all = bench::may_still_be_on_after(self.runs);
        all.extend(of_rigs);
        all
    }

    /// The results that stand in a unit's line: those with a tolerance, else the usual
    /// ones that any unit has a value of.
    pub(crate) fn keys(&self) -> Vec<&'a BatchResult> {
        let results = &self.batch.results;
        let tolerated: Vec<_> = results
            .iter()
            .filter(|result| !result.tolerances.is_empty())
            .take(MOST_KEYS)
            .collect();
        if !tolerated.is_empty() {
            return tolerated;
        }
        // Of several stages the last that can say it: by then a unit is warm.
        let mut by_name: BTreeMap<usize, &BatchResult> = BTreeMap::new();
        for result in results.iter().filter(|result| say::is_known(result)) {
            if let Some(place) = KEY_RESULTS.iter().position(|name| *name == result.name) {
                by_name.insert(place, result);
            }
        }
        by_name.into_values().take(MOST_KEYS).collect()
    }
}
