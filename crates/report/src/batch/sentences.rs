//! A batch in plain sentences: how many pass, where the middle lies, who stands out, how
//! well it fits, and what stands in the way of saying more.

use super::BatchView;
use super::say::{self, Digits, chance, count, named, percent};
use crate::list;
use crate::numbers::fixed;
use crate::words::tolerance_words;
use analysis::batch::{BatchResult, BatchTolerance, CAPABILITY_LEAST, Capability, Study, Yield};
use model::result::Finding;

/// Beyond this chance a difference between positions is not mentioned.
const MENTIONED_BELOW: f64 = 0.01;

/// The sentences, the most important first.
pub(crate) fn sentences(view: &BatchView<'_>) -> Vec<String> {
    let mut said = Vec::new();
    if view.batch.design.is_some() {
        said.push(opening(view));
        said.extend(different_plans(view));
        said.extend(incomplete(view));
        said.extend(view.keys().into_iter().filter_map(of_study));
        return said;
    }
    said.extend(overall(view));
    said.push(opening(view));
    said.extend(different_plans(view));
    said.extend(incomplete(view));
    for result in view.keys() {
        said.extend(of_result(view, result));
    }
    said.extend(outliers(view));
    said.extend(capability(view));
    said.extend(positions(view));
    said
}

fn opening(view: &BatchView<'_>) -> String {
    let batch = view.batch;
    let title = &view.runs[0].plan.title;
    let runs = count(view.runs.len(), "run", "runs");
    if let Some(design) = &batch.design {
        return format!(
            "A study of the measurement: {} units on {} benches ({}), {} times on each, in {runs} of “{title}”.",
            design.units.len(),
            design.benches.len(),
            list::some(&design.benches),
            design.repeats
        );
    }
    let rigs = view.rigs();
    let rigs: Vec<String> = rigs.into_iter().map(|(name, _)| name).collect();
    format!(
        "{} in {runs} of “{title}” on {}.",
        count(batch.members.len(), "unit", "units"),
        list::some(&rigs)
    )
}

/// That the plans differ, if they do.
fn different_plans(view: &BatchView<'_>) -> Option<String> {
    let plans = view.plans();
    if plans.len() < 2 {
        return None;
    }
    let each: Vec<String> = plans
        .iter()
        .map(|(hash, runs)| {
            let ids: Vec<String> = runs.iter().map(|run| run.record.id.to_string()).collect();
            format!(
                "“{}” ({}) in {}",
                runs[0].plan.title,
                &hash[..8.min(hash.len())],
                list::some(&ids)
            )
        })
        .collect();
    Some(format!(
        "The plans differ, word for word: {}. Each unit passes or fails by its own plan, and only what is the same result of a stage of the same name stands together: mind what else differs.",
        list::some(&each)
    ))
}

fn incomplete(view: &BatchView<'_>) -> Option<String> {
    let ids: Vec<String> = view
        .runs
        .iter()
        .filter(|run| !run.record.is_complete())
        .map(|run| run.record.id.to_string())
        .collect();
    match &ids[..] {
        [] => None,
        [one] => Some(format!("Run {one} is incomplete.")),
        _ => Some(format!("Runs {} are incomplete.", list::some(&ids))),
    }
}

fn overall(view: &BatchView<'_>) -> Option<String> {
    let of = &view.batch.yielded;
    let all = view.batch.members.len();
    if of.all() == 0 {
        return Some("No verdicts: the plan states no tolerance.".to_owned());
    }
    let without = match all - of.all() {
        0 => String::new(),
        count => format!("; {count} more have no verdict"),
    };
    Some(format!(
        "{}{without}: a yield of {}.",
        passing(of, "all tolerances"),
        say::yielded(of)?
    ))
}

/// "9 of 12 units pass all tolerances, 2 fail, 1 is undecided".
fn passing(of: &Yield, what: &str) -> String {
    let mut said = match (of.passed, of.all()) {
        (1, 1) => format!("The one unit passes {what}"),
        (passed, all) if passed == all => format!("All {all} units pass {what}"),
        (0, all) => format!("None of {all} units passes {what}"),
        (passed, all) => format!(
            "{passed} of {all} units {} {what}",
            if passed == 1 { "passes" } else { "pass" }
        ),
    };
    if of.failed > 0 {
        said += &format!(
            ", {} {}",
            of.failed,
            if of.failed == 1 { "fails" } else { "fail" }
        );
    }
    if of.undecided > 0 {
        said += &format!(
            ", {} {} undecided",
            of.undecided,
            if of.undecided == 1 { "is" } else { "are" }
        );
    }
    said
}

/// Where the middle lies, and who fails.
fn of_result(view: &BatchView<'_>, result: &BatchResult) -> Option<String> {
    let spread = result.spread.as_ref();
    let digits = Digits::of(result);
    let middle = match spread {
        None => "no unit has a value".to_owned(),
        Some(spread) => {
            let mut said = match spread.median {
                Some(median) => format!("the median is {}", digits.spoken(median)),
                None => format!(
                    "{} of {} units did not reach it within the record",
                    spread.not_reached, spread.count
                ),
            };
            if let (Some(low), Some(high)) = (spread.lower_quartile, spread.upper_quartile)
                && spread.count >= 4
            {
                said += &format!(
                    ", half of the units lie between {} and {}",
                    digits.value(low),
                    digits.value(high)
                );
            }
            if let (Some(low), Some(high)) = (spread.smallest, spread.largest)
                && spread.count > 1
            {
                said += &format!(
                    ", all between {} and {}",
                    digits.value(low),
                    digits.value(high)
                );
            }
            if spread.not_reached > 0 && spread.median.is_some() {
                said += &format!(
                    "; {} did not reach it within the record, and {} counted as at least that long",
                    count(spread.not_reached, "unit", "units"),
                    if spread.not_reached == 1 { "is" } else { "are" },
                );
            }
            let values = result.values.iter().flatten();
            let bounds = values
                .filter(|value| value.outcome.is_upper_bound())
                .count();
            if bounds > 0 {
                said += &format!(
                    "; of {} no more is known than that it is at most its value",
                    count(bounds, "unit", "units")
                );
            }
            said
        }
    };
    let tolerances: Vec<String> = result
        .tolerances
        .iter()
        .map(|of| held_against(view, of))
        .collect();
    Some(format!(
        "{}: {middle}.{}",
        named(result),
        tolerances.concat()
    ))
}

/// What a tolerance says of all units: " Of 12 units 10 pass (at most 5 cents), ...".
fn held_against(view: &BatchView<'_>, of: &BatchTolerance) -> String {
    let words = tolerance_words(&of.tolerance);
    let allow = words.rsplit(": ").next().unwrap_or_default();
    let with = |wanted: Finding| -> Vec<String> {
        view.batch
            .members
            .iter()
            .zip(&of.findings)
            .filter(|(_, finding)| **finding == Some(wanted))
            .map(|(member, _)| member.name.clone())
            .collect()
    };
    if of.yielded.all() == 0 {
        return String::new();
    }
    let all = of.yielded.all();
    let mut said = format!("{allow}: {} of {all} pass", of.yielded.passed);
    let failing = with(Finding::Fail);
    if !failing.is_empty() {
        let verb = if failing.len() == 1 { "fails" } else { "fail" };
        said += &format!(", {} {verb} ({})", failing.len(), list::some(&failing));
    }
    let open = with(Finding::Undecided);
    if !open.is_empty() {
        said += &format!(", {} undecided ({})", open.len(), list::some(&open));
    }
    // "within" begins a sentence.
    format!(" {}.", upper(&said))
}

/// Who stands out in the results of the units' lines, and how many in others.
fn outliers(view: &BatchView<'_>) -> Vec<String> {
    let keys = view.keys();
    let standing = |result: &BatchResult| -> Vec<(usize, f64)> {
        let values = result.values.iter().enumerate();
        values
            .filter_map(|(member, value)| Some((member, value.as_ref()?)))
            .filter(|(_, value)| value.is_outlier())
            .filter_map(|(member, value)| Some((member, value.outcome.value()?)))
            .collect()
    };
    let mut said: Vec<String> = keys
        .iter()
        .filter_map(|result| {
            let digits = Digits::of(result);
            let each: Vec<String> = standing(result)
                .into_iter()
                .map(|(member, value)| {
                    let name = &view.batch.members[member].name;
                    format!("{name} ({})", digits.value(value))
                })
                .collect();
            (!each.is_empty()).then(|| {
                format!(
                    "{} {} out from the batch in {}.",
                    list::some(&each),
                    if each.len() == 1 { "stands" } else { "stand" },
                    lower(&named(result))
                )
            })
        })
        .collect();
    let others = view.batch.results.iter().filter(|result| {
        !keys.iter().any(|key| std::ptr::eq(*key, *result)) && !standing(result).is_empty()
    });
    match others.count() {
        0 => {}
        count => said.push(format!(
            "In {} beside these, units stand out as well; the table of all results says which.",
            say::count(count, "result", "results")
        )),
    }
    said
}

fn capability(view: &BatchView<'_>) -> Vec<String> {
    let tolerances = || {
        view.batch
            .results
            .iter()
            .flat_map(|result| result.tolerances.iter().map(move |of| (result, of)))
    };
    let mut said: Vec<String> = tolerances()
        .filter_map(|(result, of)| {
            let capability = of.capability.as_ref().ok()?;
            Some(capability_words(result, capability))
        })
        .collect();
    let units = view.batch.members.len();
    let signed = tolerances().any(|(result, _)| result.name.has_sign());
    if units < CAPABILITY_LEAST && signed {
        said.push(format!(
            "Cp and Cpk are not stated: they take {CAPABILITY_LEAST} units, and {} too few.",
            if units == 1 {
                "1 is".to_owned()
            } else {
                format!("{units} are")
            }
        ));
    } else {
        // With enough units, why not is worth a sentence.
        said.extend(tolerances().filter_map(|(result, of)| {
            let why = of.capability.as_ref().err()?;
            result
                .name
                .has_sign()
                .then(|| format!("Cpk of {} is not stated: {why}.", lower(&named(result))))
        }));
    }
    said
}

fn capability_words(result: &BatchResult, capability: &Capability) -> String {
    let digits = Digits::of(result);
    let index = |index: &analysis::batch::Index| {
        let high = index
            .high
            .map_or_else(|| "?".to_owned(), |high| fixed(high, 2));
        format!(
            "{} ({} to {high})",
            fixed(index.value, 2),
            fixed(index.low, 2)
        )
    };
    let cp = capability
        .cp
        .as_ref()
        .map_or_else(String::new, |cp| format!("Cp {}, ", index(cp)));
    let shift = if capability.shift > 0.0 {
        format!(
            ", and that the rig may shift all units alike by {} either way is in the interval of Cpk",
            digits.with_unit(digits.width(capability.shift))
        )
    } else {
        String::new()
    };
    let normal = if capability.not_normal {
        "They are surely not spread like a normal distribution (test of Anderson and Darling), so do not rely on either: go by the yield.".to_owned()
    } else {
        format!(
            "If they are spread like a normal distribution, {} of such units lie outside.",
            outside(capability.outside)
        )
    };
    format!(
        "{}: {cp}Cpk {}; the units are spread by {} (standard deviation), the measurement's own part taken out of {}{shift}. {normal}",
        named(result),
        index(&capability.cpk),
        digits.with_unit(digits.width(capability.s)),
        digits.width(capability.s_seen),
    )
}

fn outside(share: f64) -> String {
    if share < 1e-7 {
        "less than 0.1 ppm".to_owned()
    } else if share < 1e-3 {
        format!(
            "{} ppm",
            fixed(share * 1e6, if share < 1e-5 { 1 } else { 0 })
        )
    } else {
        percent(share)
    }
}

/// Where positions differ, the rig is to be looked at before the units.
fn positions(view: &BatchView<'_>) -> Option<String> {
    let differing: Vec<String> = view
        .keys()
        .into_iter()
        .filter_map(|result| {
            let positions = result.positions.as_ref()?;
            (positions.chance < MENTIONED_BELOW).then(|| {
                format!(
                    "{} (by chance in {})",
                    lower(&named(result)),
                    chance(positions.chance)
                )
            })
        })
        .collect();
    (!differing.is_empty()).then(|| {
        format!(
            "From position to position units differ more than within one, in {}: the rig, or units sorted by kind, would look like that. Change positions and measure some units again.",
            list::some(&differing)
        )
    })
}

fn of_study(result: &BatchResult) -> Option<String> {
    let digits = Digits::of(result);
    Some(match result.study.as_ref()? {
        Err(why) => format!("{}: {why}.", named(result)),
        Ok(study) => format!("{}: {}", named(result), study_words(study, digits)),
    })
}

/// What a study says, in a sentence or two.
fn study_words(study: &Study, digits: Digits) -> String {
    let said = |variance: f64| digits.width(variance.max(0.0).sqrt());
    let share = if study.all() > 0.0 {
        (study.measurement() / study.all()).sqrt()
    } else {
        0.0
    };
    let (low, high) = study.repeatability_interval;
    let (_, benches, _) = study.size;
    let mut words = format!(
        "one measurement repeats to {} ({} to {}; standard deviation), benches differ by {}, units by {}; the measurement is {} of all the spread",
        digits.with_unit(said(study.repeatability)),
        said(low),
        said(high),
        said(study.reproducibility),
        said(study.between_units),
        percent(share)
    );
    if let Some(classes) = study.classes() {
        words += &format!(
            ", and tells {} of units apart",
            count(classes.floor() as usize, "class", "classes")
        );
    }
    words += &format!(". What benches differ by is from {benches} of them only.");
    if !study.pooled {
        words += " Some units come out differently on some benches.";
    }
    words
}

/// A text at the beginning of a sentence.
fn upper(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// A name within a sentence.
fn lower(name: &str) -> String {
    let mut letters = name.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().chain(letters).collect()
    })
}
