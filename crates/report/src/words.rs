//! Plain sentences about each unit: what an owner wants to know first, then what
//! a technician can do about it, what the plan's tolerances say, and what is in
//! the way of saying more.

pub(crate) mod reasons;
pub(crate) mod results;
mod speaker;
mod technician;

use crate::RunView;
use crate::bench;
use crate::doubts;
use crate::incidents;
use crate::limited;
use crate::list;
use crate::numbers::duration;
use crate::outline::{title, worst};
use crate::verdicts;
use model::document::plan::{Moment, Tolerance};
use model::record::{PositionId, Unit};
use model::result::Finding;
use speaker::Speaker;

/// What is said of one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitWords {
    /// Where it was patched.
    pub position: PositionId,
    /// The unit.
    pub unit: Unit,
    /// What it is called: its serial number, else its position.
    pub name: String,
    /// The worst finding over all tolerances; `None` without tolerances.
    pub finding: Option<Finding>,
    /// The verdict in one sentence.
    pub headline: String,
    /// What its owner wants to know.
    pub owner: Vec<String>,
    /// What to retune, retrim or leave alone.
    pub technician: Vec<String>,
    /// The tolerances, one by one.
    pub verdicts: Vec<VerdictWords>,
    /// The risk over several tolerances together, where it is known.
    pub together: Option<String>,
    /// What happened to it or the rig, in the order of time.
    pub incidents: Vec<String>,
    /// What is missing, what was doubtful, what broke the history.
    pub gaps: Vec<String>,
    /// What the rig has to do with it.
    pub rig: Vec<String>,
}

/// A tolerance held against a unit, in words.
#[derive(Debug, Clone, PartialEq)]
pub struct VerdictWords {
    /// What is said.
    pub finding: Finding,
    /// The tolerance: "scale error of night at the end: within 1 cent/oct".
    pub tolerance: String,
    /// Why, with the numbers.
    pub reason: String,
    /// How likely the value lies outside, where it is undecided and that is known.
    pub chance: Option<String>,
}

/// What is said of each unit, by position.
#[must_use]
pub fn sentences(view: &RunView<'_>) -> Vec<UnitWords> {
    view.positions()
        .into_iter()
        .map(|position| {
            let verdicts: Vec<_> = view
                .verdicts_of(position)
                .into_iter()
                .map(|(tolerance, verdict)| VerdictWords {
                    finding: verdict.finding,
                    tolerance: tolerance.map_or_else(
                        || format!("tolerance {}", verdict.tolerance + 1),
                        tolerance_words,
                    ),
                    reason: verdicts::reason(view, verdict),
                    chance: (verdict.finding == Finding::Undecided)
                        .then(|| limited::chance(verdict))
                        .flatten(),
                })
                .collect();
            let finding = worst(verdicts.iter().map(|verdict| verdict.finding));
            let speaker = Speaker::new(view, position);
            let (mut owner, technician) = (speaker.owner(), speaker.technician());
            if owner.is_empty() && technician.is_empty() {
                owner
                    .push("Too little was played to say how it tracks or how it stays.".to_owned());
            }
            let mut rig: Vec<_> = bench::limits_results(view, position).into_iter().collect();
            rig.extend(bench::statement(view));
            UnitWords {
                position: position.clone(),
                unit: view.unit(position),
                name: view.name_of(position),
                finding,
                headline: headline(view, position, &verdicts, finding),
                owner,
                technician,
                verdicts,
                together: view.risk_of(position).and_then(limited::together),
                incidents: incidents::of_position(view, position)
                    .map(|incident| incidents::sentence(view, incident))
                    .collect(),
                gaps: doubts::gaps(view, position),
                rig,
            }
        })
        .collect()
}

/// A tolerance in words.
pub(crate) fn tolerance_words(tolerance: &Tolerance) -> String {
    let at = match tolerance.at {
        None => String::new(),
        Some(Moment::Start) => " at the start".to_owned(),
        Some(Moment::End) => " at the end".to_owned(),
        Some(Moment::After(time)) => format!(" after {}", duration(time.get())),
    };
    format!(
        "{} of “{}”{at}: {}",
        title(tolerance.result),
        tolerance.of,
        tolerance.allow
    )
}

/// The verdict in one sentence, with what it hangs on where not all is alike.
fn headline(
    view: &RunView<'_>,
    position: &PositionId,
    verdicts: &[VerdictWords],
    finding: Option<Finding>,
) -> String {
    // A result that is asked for at two moments is named once.
    let named = |wanted: Finding| {
        let mut names: Vec<String> = Vec::new();
        for (tolerance, verdict) in view.verdicts_of(position) {
            let Some(tolerance) = tolerance.filter(|_| verdict.finding == wanted) else {
                continue;
            };
            let name = title(tolerance.result).to_lowercase();
            if !names.contains(&name) {
                names.push(name);
            }
        }
        if names.is_empty() {
            String::new()
        } else {
            format!(" ({})", list::all(&names))
        }
    };
    let with = |wanted: Finding| {
        verdicts
            .iter()
            .filter(|verdict| verdict.finding == wanted)
            .count()
    };
    let all = verdicts.len();
    let tolerances = |count: usize| match count {
        1 => "tolerance".to_owned(),
        _ => "tolerances".to_owned(),
    };
    match finding {
        None if view.plan.tolerances.is_empty() => {
            "No verdict: the plan states no tolerance.".to_owned()
        }
        None => {
            "No verdict: the tolerances of the plan were not held against this unit.".to_owned()
        }
        Some(Finding::Pass) => match all {
            1 => "Passes the plan's one tolerance.".to_owned(),
            2 => "Passes both tolerances of the plan.".to_owned(),
            _ => format!("Passes all {all} tolerances of the plan."),
        },
        Some(Finding::Fail) => {
            let (failed, undecided) = (with(Finding::Fail), with(Finding::Undecided));
            let more = match undecided {
                0 => String::new(),
                count => format!(
                    "; {count} more cannot be decided{}",
                    named(Finding::Undecided)
                ),
            };
            match all {
                1 => "Fails the plan's one tolerance.".to_owned(),
                2 if failed == 2 => "Fails both tolerances of the plan.".to_owned(),
                _ if failed == all => format!("Fails all {all} tolerances of the plan."),
                _ => format!(
                    "Fails {failed} of {all} {}{}{more}.",
                    tolerances(all),
                    named(Finding::Fail)
                ),
            }
        }
        Some(Finding::Undecided) => {
            let undecided = with(Finding::Undecided);
            if undecided == all {
                format!("Undecided on {all} {}.", tolerances(all))
            } else {
                format!(
                    "Undecided on {undecided} of {all} {}{}; passes the rest.",
                    tolerances(all),
                    named(Finding::Undecided)
                )
            }
        }
    }
}

/// A sentence as part of another one.
pub(crate) fn clause(text: &str) -> &str {
    text.trim().trim_end_matches('.')
}
