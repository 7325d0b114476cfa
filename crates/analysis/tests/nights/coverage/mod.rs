//! The instrument by which the mathematics of results is judged: how often 95 % intervals
//! hold the truth, and how often a unit that is just beyond a limit passes.
//!
//! A case (`case`) is a plan, a rig's limits and what may be off. In a trial of it a unit
//! and the errors of the rig are drawn (`drawn`), the plan is played on the physics of the
//! simulator without audio (`trial`), and each result that the analysis makes of it is held
//! beside what it truly is (`known`, with `minimax` and `jitter`). `counted` says what comes of many.
//!
//! Only [`seen`] knows the analysis: `analyse`, its outcomes, its verdicts. The long form is
//! `--example coverage`.

pub mod case;
pub mod counted;
mod drawn;
mod jitter;
pub mod known;
mod minimax;
mod trial;

use analysis::analyse;
use case::Case;
use counted::Seen;
use known::{known, tuned_at};
use model::document::plan::{Allow, Meaning, Tolerance};
use model::quantity::{AnyQuantity, Seconds};
use model::result::{Finding, ResultName};
use trial::Trial;

/// What the analysis makes of a trial, beside what is true.
///
/// Each result has two tolerances that its unit does not meet, by a thousandth of a
/// millionth: at most a little less than it truly is, at least a little more. A tolerance
/// within so much either way passes no unit that would not pass one of these.
pub fn seen(case: &Case, number: u64) -> Vec<Seen> {
    let (mut plan, rig) = (case.plan(), case.rig());
    let trial = Trial::draw(case, &plan, &rig, number);
    let known = known(&trial);
    for ((stage, result), truth) in &known {
        let off = 1e-9 * truth.abs().max(1.0);
        let limit = |value: f64| AnyQuantity {
            dimension: result.dimension(),
            value: if value.is_finite() { value } else { 1e9 },
            text: format!("{value}"),
        };
        let meaning = matches!(
            result,
            ResultName::ErrorAfterOneTuning | ResultName::TuningHolds
        )
        .then(|| Meaning {
            tuned_at: Some(Seconds::of(tuned_at(case))),
            ..Meaning::default()
        });
        for allow in [
            Allow::AtMost(limit(truth - off)),
            Allow::AtLeast(limit(truth + off)),
        ] {
            plan.tolerances.push(Tolerance {
                result: *result,
                of: (*stage).to_owned(),
                at: None,
                allow,
                meaning: meaning.clone(),
            });
        }
    }
    let analysis = analyse(&plan, &rig, &trial.record());
    let passes = |tolerance: usize| {
        let verdict = analysis
            .verdicts
            .iter()
            .find(|verdict| verdict.tolerance == tolerance);
        verdict.expect("it is judged").finding == Finding::Pass
    };
    known
        .into_iter()
        .enumerate()
        .map(|(place, (key, truth))| {
            // The last one is that of the tolerance.
            let outcome = analysis
                .outcomes
                .iter()
                .rfind(|outcome| (outcome.stage.as_str(), outcome.name) == key);
            let outcome = outcome.expect("it is computed");
            Seen {
                key,
                truth,
                value: outcome.value(),
                low: outcome.low(),
                high: outcome.high(),
                passes: [0, 1].map(|side| passes(2 * place + side)),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use counted::Table;

    /// Results whose intervals are known to hold the truth too seldom in a plan, or to let a
    /// unit pass. Whoever mends one takes it out.
    const KNOWN_TO_BE_WRONG: [(&str, ResultName); 8] = [
        ("nights", ResultName::Convergence),
        ("nights", ResultName::LargestChangeBetweenRounds),
        ("weather", ResultName::ErrorLeftAfterTrimming),
        ("weather", ResultName::ErrorLeftAfterBothTrimmers),
        ("weather", ResultName::Repeatability),
        ("holds", ResultName::LargestChangeBetweenRounds),
        ("sweeps", ResultName::Repeatability),
        ("hertz", ResultName::Repeatability),
    ];

    fn check(words: &str, trials: u64) {
        let case = Case::read(words.split(' ')).unwrap();
        let table = Table::of((0..trials).flat_map(|number| seen(&case, number)));
        println!("{case}\n{}", table.text(words, false));
        let wrong: Vec<String> = table
            .rows()
            .into_iter()
            .filter(|(_, name, _)| !KNOWN_TO_BE_WRONG.contains(&(words, *name)))
            .map(|(stage, name, row)| (format!("{stage}, {name}"), row.complaint()))
            .filter(|(_, complaint)| !complaint.is_empty())
            .map(|(result, complaint)| format!("{result}: {complaint}"))
            .collect();
        assert!(wrong.is_empty(), "{words}: {wrong:#?}");
    }

    /// A result that is added is to be judged somewhere.
    #[test]
    fn every_result_is_known_in_some_plan() {
        let plans = ["nights", "weather", "sweeps", "holds", "imports", "hertz"];
        let known: Vec<ResultName> = plans
            .into_iter()
            .flat_map(|words| {
                let case = Case::read([words]).unwrap();
                let trial = Trial::draw(&case, &case.plan(), &case.rig(), 0);
                known(&trial).into_keys().map(|(_, name)| name)
            })
            .collect();
        for name in ResultName::ALL {
            assert!(known.contains(&name), "{name}");
        }
    }

    #[test]
    fn nights() {
        check("nights", 20);
    }

    #[test]
    fn single_sweeps() {
        check("sweeps", 20);
    }

    #[test]
    fn sweeps_of_hertz_per_volt() {
        check("hertz", 8);
    }

    #[test]
    fn holds() {
        check("holds", 12);
    }

    #[test]
    fn imports() {
        check("imports", 12);
    }

    #[test]
    fn weather() {
        check("weather", 8);
    }
}
