//! Results, verdicts and gaps per unit for programs.

use crate::RunView;
use crate::bench;
use crate::deviations::Deviations;
use crate::document::{Number, OneGap, OneResult, OneVerdict, schema_of};
use crate::incidents::{self, OneIncident};
use crate::suggestions::OneSuggestion;
use crate::words::{UnitWords, sentences};
use model::record::Unit;
use model::result::{Finding, JointRisk};
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::{Value, json};

/// What kind of document this is, and in which version.
const HEADER: &str = "results 1";

/// What `show` prints as JSON: per unit its results (`u` is a standard
/// uncertainty, `low` and `high` are the 95 % interval, all in `unit`), its
/// verdicts, its gaps and the sentences about it.
#[must_use]
pub fn results_json(view: &RunView<'_>) -> Value {
    json!(Results::of(view, &sentences(view)))
}

/// The JSON Schema (draft 2020-12) of [`results_json`].
#[must_use]
pub fn results_schema() -> Value {
    schema_of::<Results<'static>>("Nightbench results", HEADER)
}

/// What came of a run.
#[derive(Serialize, JsonSchema)]
struct Results<'a> {
    /// What kind of document this is and in which version: `results 1`.
    nightbench: &'static str,
    /// The run's identifier.
    run: &'a str,
    /// The plan's title.
    plan: &'a str,
    /// The rig's name.
    rig: &'a str,
    /// What is wrong with the run: there only where it is damaged and this is a part of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    damage: Option<&'a str>,
    /// Whether all stages are done, and nothing of them is lost.
    complete: bool,
    /// Whether certificates stand behind the rig.
    calibrated: bool,
    /// What has to be said of the rig, in sentences.
    rig_statement: Vec<String>,
    /// The units, by position.
    units: Vec<UnitResults<'a>>,
}

/// What came of one unit.
#[derive(Serialize, JsonSchema)]
struct UnitResults<'a> {
    /// Where it was patched.
    position: &'a str,
    /// The unit.
    unit: &'a Unit,
    /// The worst finding over all tolerances; null without tolerances.
    finding: Option<Finding>,
    /// The verdict in one sentence.
    headline: &'a str,
    /// What its owner and a technician want to know.
    sentences: Vec<&'a str>,
    /// Its results.
    results: Vec<OneResult<'a>>,
    /// The tolerances, one by one.
    verdicts: Vec<OneVerdict<'a>>,
    /// The risk over all tolerances together; null without tolerances.
    all_tolerances: Option<AllTolerances>,
    /// What the results suggest, largest first.
    suggestions: Vec<OneSuggestion<'a>>,
    /// What happened to it or the rig, in the order of time.
    incidents: Vec<OneIncident>,
    /// What was planned and not measured.
    gaps: Vec<OneGap<'a>>,
    /// What is missing or doubtful, in sentences.
    doubts: &'a [String],
}

/// The tolerances of the plan, all together.
#[derive(Serialize, JsonSchema)]
struct AllTolerances {
    /// How likely at least one of them is not met, errors that their results share being
    /// counted once; null where that is known of none.
    #[schemars(range(min = 0.0, max = 1.0))]
    outside: Option<Number>,
    /// How many it speaks of: those whose own risk is known.
    counted: usize,
    /// How many there are.
    tolerances: usize,
}

impl<'a> Results<'a> {
    fn of(view: &RunView<'a>, words: &'a [UnitWords]) -> Self {
        let deviations = Deviations::of(view);
        let may_still_be_on = bench::may_still_be_on(view).into_iter();
        Self {
            nightbench: HEADER,
            run: view.record.id.as_str(),
            plan: &view.plan.title,
            rig: &view.rig.name,
            damage: view.damage,
            complete: view.is_complete(),
            calibrated: bench::is_calibrated(view),
            rig_statement: may_still_be_on.chain(bench::statement(view)).collect(),
            units: words
                .iter()
                .map(|words| UnitResults::of(view, &deviations, words))
                .collect(),
        }
    }
}

impl<'a> UnitResults<'a> {
    fn of(view: &RunView<'a>, deviations: &Deviations, words: &'a UnitWords) -> Self {
        let position = &words.position;
        let verdicts = view.verdicts_of(position).into_iter();
        let suggestions = view.analysis.suggestions.iter();
        let gaps = view.record.gaps.iter();
        Self {
            position: position.as_str(),
            unit: &words.unit,
            finding: words.finding,
            headline: &words.headline,
            sentences: words
                .owner
                .iter()
                .chain(&words.technician)
                .map(String::as_str)
                .collect(),
            results: view
                .outcomes_of(position)
                .into_iter()
                .map(Into::into)
                .collect(),
            verdicts: verdicts
                .map(|(_, verdict)| OneVerdict::of(view, verdict))
                .collect(),
            all_tolerances: view.risk_of(position).map(Into::into),
            suggestions: suggestions
                .filter(|suggestion| suggestion.positions.contains(position))
                .map(Into::into)
                .collect(),
            incidents: incidents::of_position(view, position)
                .map(|incident| OneIncident::of(view, incident))
                .collect(),
            gaps: gaps
                .filter(|gap| gap.position.as_ref().is_none_or(|of| of == position))
                .map(|gap| OneGap::of(view, deviations, gap))
                .collect(),
            doubts: &words.gaps,
        }
    }
}

impl From<&JointRisk> for AllTolerances {
    fn from(risk: &JointRisk) -> Self {
        Self {
            outside: risk.outside.map(Number),
            counted: risk.counted,
            tolerances: risk.tolerances,
        }
    }
}
