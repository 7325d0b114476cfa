//! What the results suggest, in words: for whoever decides what to do next.

use crate::RunView;
use model::result::Suggestion;

/// What must stand above any suggestion.
pub(crate) const PREFACE: &str = "Suggestions, not verdicts: likely causes by the patterns of the trade, the one that explains most of the error first.";

/// A suggestion as it reads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct SuggestionWords {
    /// Whom it is about.
    pub(crate) whom: String,
    /// What is seen, and the likely cause.
    pub(crate) seen: String,
    pub(crate) cause: String,
    /// What to try.
    pub(crate) advice: String,
    /// What would confirm it, and what would refute it.
    pub(crate) settled_by: String,
    pub(crate) doubt: String,
    pub(crate) caution: String,
}

/// A sentence's beginning in small letters, as the end of another one.
fn continued(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().chain(letters).collect()
    })
}

/// All suggestions of a run, largest first.
pub(crate) fn words(view: &RunView<'_>) -> Vec<SuggestionWords> {
    view.analysis
        .suggestions
        .iter()
        .map(|suggestion| SuggestionWords {
            whom: whom(view, suggestion),
            seen: suggestion.seen.clone(),
            cause: suggestion.cause.clone(),
            advice: suggestion.advice.clone(),
            settled_by: format!(
                "Confirmed by {} Refuted by {}",
                continued(&suggestion.confirmed_by),
                continued(&suggestion.refuted_by)
            ),
            doubt: suggestion.doubt.clone().unwrap_or_default(),
            caution: suggestion.caution.clone().unwrap_or_default(),
        })
        .collect()
}

fn whom(view: &RunView<'_>, suggestion: &Suggestion) -> String {
    let all = view.positions();
    if suggestion.positions.len() > 1 && suggestion.positions.len() == all.len() {
        return "All units".to_owned();
    }
    let names: Vec<String> = suggestion
        .positions
        .iter()
        .map(|position| view.name_of(position))
        .collect();
    names.join(", ")
}
