//! What the results suggest, in words and for programs: for whoever decides what to do next.
//! The patterns are common practice of the trade, no source.

mod causes;
mod seen;

use crate::RunView;
use crate::document::Number;
use causes::pattern;
use model::record::PositionId;
use model::result::{Doubt, Suggestion, SuggestionKind};
use schemars::JsonSchema;
use serde::Serialize;

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
    let all = view.analysis.suggestions.iter();
    all.map(|suggestion| {
        let pattern = pattern(suggestion.kind);
        SuggestionWords {
            whom: whom(view, suggestion),
            seen: seen::sentence(suggestion),
            cause: pattern.cause.to_owned(),
            advice: pattern.advice.to_owned(),
            settled_by: format!(
                "Confirmed by {} Refuted by {}",
                continued(pattern.confirmed_by),
                continued(pattern.refuted_by)
            ),
            doubt: suggestion.doubt.as_ref().map(doubt).unwrap_or_default(),
            caution: pattern.caution.unwrap_or_default().to_owned(),
        }
    })
    .collect()
}

/// What else it could be.
fn doubt(doubt: &Doubt) -> String {
    match doubt {
        Doubt::Leak { lowest, highest } => format!(
            "From {lowest} to {highest} a leak at the bottom looks much like this: play six octaves, from C1 up where the unit goes that low, before turning the trimmer."
        ),
        Doubt::Droop { lowest, highest } => format!(
            "From {lowest} to {highest} a droop at the top looks much like this: play four octaves or more before turning the trimmer."
        ),
        Doubt::GainOrUnit => "With one unit on the rig its scale cannot be told from the interface's gain: put another unit in this position.".to_owned(),
        Doubt::GainOrLoading => "A gain that is too small at the interface looks the same: measure its output with nothing plugged in.".to_owned(),
        Doubt::EachLoads => "Each input loads its own output as well: 1 kilohm into 100 kilohm is 12 cents per octave.".to_owned(),
        Doubt::TwoByChance => "Two units may be off alike by chance: try a third.".to_owned(),
        Doubt::StepsOrUnit => "With one unit it cannot be told from a unit that is uneven by itself: put another unit in this position.".to_owned(),
        Doubt::EndOfRange => "It is the last note alone: the control source may end there. Measure its voltage there, or shorten the span.".to_owned(),
        Doubt::SlowOrLoose => "A compensating resistor out of contact with the pair looks the same: it follows the room and not the unit.".to_owned(),
        Doubt::AirUnknown => "Without a thermometer that moved by half a kelvin it is not known whether it follows the temperature.".to_owned(),
        Doubt::RigOrUnit => "With one unit on the rig it cannot be told from the interface, the supply or the room: put another unit beside it.".to_owned(),
    }
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

/// A likely cause, with its evidence. Never a verdict.
#[derive(Serialize, JsonSchema)]
pub(crate) struct OneSuggestion<'a> {
    /// What it points to.
    kind: SuggestionKind,
    /// The positions it is about.
    positions: Vec<&'a str>,
    /// The stage it was mostly seen in.
    stage: &'a str,
    /// How much of the error it explains, in cents.
    size_cents: Option<Number>,
    /// What is seen.
    seen: String,
    /// The numbers it rests on.
    evidence: Vec<OneEvidence>,
    /// The likely cause.
    cause: &'static str,
    /// What to try.
    advice: &'static str,
    /// What would confirm it.
    confirmed_by: &'static str,
    /// What would refute it.
    refuted_by: &'static str,
    /// What else it could be that this run cannot tell apart.
    doubt: Option<String>,
    /// What to mind for safety's sake.
    caution: Option<&'static str>,
}

/// A number that speaks for a suggestion.
#[derive(Serialize, JsonSchema)]
struct OneEvidence {
    /// What it is.
    what: &'static str,
    /// The number.
    value: Option<Number>,
    /// Its standard uncertainty.
    u: Option<Number>,
    /// In which unit.
    unit: &'static str,
}

impl<'a> From<&'a Suggestion> for OneSuggestion<'a> {
    fn from(suggestion: &'a Suggestion) -> Self {
        let positions = suggestion.positions.iter();
        let pattern = pattern(suggestion.kind);
        Self {
            kind: suggestion.kind,
            positions: positions.map(PositionId::as_str).collect(),
            stage: &suggestion.stage,
            size_cents: Some(Number(suggestion.size_cents)),
            seen: seen::sentence(suggestion),
            evidence: seen::evidence(suggestion),
            cause: pattern.cause,
            advice: pattern.advice,
            confirmed_by: pattern.confirmed_by,
            refuted_by: pattern.refuted_by,
            doubt: suggestion.doubt.as_ref().map(doubt),
            caution: pattern.caution,
        }
    }
}
