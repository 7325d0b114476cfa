//! A batch as one HTML file in the style of a run's report.

use super::BatchView;
use super::figures::figures;
use super::say::{self, Digits, named};
use super::sentences::sentences;
use crate::document::sha256;
use crate::list;
use crate::numbers::fixed;
use crate::outline::title;
use crate::page::charts::Figure;
use crate::page::{Badge, unbroken};
use crate::words::tolerance_words;
use analysis::batch::{
    BatchResult, CAPABILITY_LEAST, HISTOGRAM_LEAST, Index, OUTLIER_LIMIT, OUTLIERS_LEAST, Study,
    UnitValue,
};
use askama::Template;

#[derive(Debug)]
struct UnitLine {
    name: String,
    /// Its model and its job, where they are known.
    about: String,
    run: String,
    place: String,
    badge: Option<Badge>,
    /// The key results, and whether the unit stands out in them.
    key: Vec<(String, bool)>,
}

#[derive(Debug)]
struct ToleranceLine {
    name: String,
    /// Why there is no capability.
    why: String,
    passed: usize,
    failed: usize,
    undecided: usize,
    yielded: String,
    cp: String,
    cpk: String,
}

#[derive(Debug)]
struct StudyTable {
    name: String,
    lines: Vec<(&'static str, usize, String, String)>,
    parts: Vec<(&'static str, String, String)>,
    remark: String,
}

#[derive(Debug)]
struct ResultLine {
    /// A stage that begins with this line, or nothing.
    stage: String,
    name: &'static str,
    remark: String,
    count: usize,
    median: String,
    unit: &'static str,
    interval: String,
    quartiles: String,
    range: String,
    ninety: String,
}

#[derive(Debug)]
struct RunLine {
    id: String,
    complete: bool,
    began: String,
    rig: String,
    plan_hash: String,
    units: String,
}

#[derive(Debug, Template)]
#[template(path = "batch.html")]
struct Page {
    style: &'static str,
    title: String,
    is_study: bool,
    facts: Vec<(&'static str, String)>,
    statement: Vec<String>,
    sentences: Vec<String>,
    key_names: Vec<String>,
    units: Vec<UnitLine>,
    any_outlier: bool,
    figures: Vec<Figure>,
    tolerances: Vec<ToleranceLine>,
    studies: Vec<StudyTable>,
    results: Vec<ResultLine>,
    runs: Vec<RunLine>,
    rules: Vec<String>,
}

/// The batch as one HTML file.
#[must_use]
pub fn batch_html(view: &BatchView<'_>) -> String {
    let is_study = view.batch.design.is_some();
    let keys = view.keys();
    let mut figures = figures(view);
    for figure in &mut figures {
        figure.caption = unbroken(&figure.caption);
    }
    let page = Page {
        style: include_str!("../../templates/style.css"),
        title: view.runs[0].plan.title.clone(),
        is_study,
        facts: facts(view),
        statement: view.statement().iter().map(|said| unbroken(said)).collect(),
        sentences: sentences(view).iter().map(|said| unbroken(said)).collect(),
        key_names: keys.iter().map(|result| key_name(result)).collect(),
        any_outlier: keys
            .iter()
            .any(|result| result.values.iter().flatten().any(UnitValue::is_outlier)),
        units: units(view, &keys),
        figures,
        tolerances: if is_study {
            Vec::new()
        } else {
            tolerances(view)
        },
        studies: studies(view),
        results: if is_study { Vec::new() } else { results(view) },
        runs: runs(view),
        rules: rules(view).iter().map(|said| unbroken(said)).collect(),
    };
    // The template holds no fallible filter, so this cannot fail; a page that
    // says so is better than none.
    let html = page
        .render()
        .unwrap_or_else(|error| format!("<!doctype html><title>Batch</title><p>{error}</p>"));
    // Marks of direction and the like, from whoever wrote the names in it.
    model::plain(&html).into_owned()
}

fn facts(view: &BatchView<'_>) -> Vec<(&'static str, String)> {
    let mut began: Vec<String> = view
        .runs
        .iter()
        .map(|run| day(&run.record.header.began.to_string()))
        .collect();
    began.sort();
    let span = match (began.first(), began.last()) {
        (Some(first), Some(last)) if first != last => format!("{first} to {last}"),
        (Some(first), _) => first.clone(),
        _ => String::new(),
    };
    let rigs: Vec<String> = view.rigs().into_iter().map(|(name, _)| name).collect();
    vec![
        (
            if view.batch.design.is_some() {
                "Measurements"
            } else {
                "Units"
            },
            view.batch.members.len().to_string(),
        ),
        ("Runs", view.runs.len().to_string()),
        (
            if rigs.len() == 1 { "Rig" } else { "Rigs" },
            list::some(&rigs),
        ),
        ("Began", span),
    ]
}

fn day(moment: &str) -> String {
    moment.get(..10).unwrap_or(moment).to_owned()
}

fn key_name(result: &BatchResult) -> String {
    let name = format!("{}, {}", title(result.name), result.stage);
    match Digits::of(result).unit() {
        "" => name,
        unit => format!("{name} ({unit})"),
    }
}

fn units(view: &BatchView<'_>, keys: &[&BatchResult]) -> Vec<UnitLine> {
    view.batch
        .members
        .iter()
        .enumerate()
        .map(|(place, member)| UnitLine {
            name: member.name.clone(),
            about: {
                let unit = view.unit_of(member);
                let job = unit.job.map(|job| format!("job {job}"));
                let known: Vec<String> = unit.model.into_iter().chain(job).collect();
                known.join(", ")
            },
            run: view.run_of(member).record.id.to_string(),
            place: if view.batch.design.is_some() {
                member.bench.clone()
            } else {
                member.position.to_string()
            },
            badge: member.finding.map(Badge::of),
            key: keys
                .iter()
                .map(|result| {
                    let value = result.values[place].as_ref();
                    (
                        Digits::of(result).of_unit(value),
                        value.is_some_and(UnitValue::is_outlier),
                    )
                })
                .collect(),
        })
        .collect()
}

fn tolerances(view: &BatchView<'_>) -> Vec<ToleranceLine> {
    let index = |index: &Index| {
        let high = index
            .high
            .map_or_else(|| "?".to_owned(), |high| fixed(high, 2));
        format!(
            "{} ({} to {high})",
            fixed(index.value, 2),
            fixed(index.low, 2)
        )
    };
    let all = view
        .batch
        .results
        .iter()
        .flat_map(|result| &result.tolerances);
    all.map(|of| {
        let capability = of.capability.as_ref();
        ToleranceLine {
            name: unbroken(&tolerance_words(&of.tolerance)),
            why: capability
                .err()
                .map_or_else(String::new, |why| format!("No Cp and Cpk: {why}.")),
            passed: of.yielded.passed,
            failed: of.yielded.failed,
            undecided: of.yielded.undecided,
            yielded: say::yielded(&of.yielded).unwrap_or_else(|| "–".to_owned()),
            cp: capability
                .ok()
                .and_then(|capability| capability.cp.as_ref())
                .map_or_else(|| "–".to_owned(), index),
            cpk: capability.map_or_else(|_| "–".to_owned(), |all| index(&all.cpk)),
        }
    })
    .collect()
}

fn studies(view: &BatchView<'_>) -> Vec<StudyTable> {
    let keys: Vec<*const BatchResult> = view.keys().into_iter().map(std::ptr::from_ref).collect();
    let mut results: Vec<&BatchResult> = view.batch.results.iter().collect();
    // Those of the tolerances first.
    results.sort_by_key(|result| !keys.contains(&std::ptr::from_ref(*result)));
    results
        .into_iter()
        .filter_map(|result| {
            let study = result.study.as_ref()?.as_ref().ok()?;
            Some(study_table(result, study))
        })
        .collect()
}

fn study_table(result: &BatchResult, study: &Study) -> StudyTable {
    let squares = |value: f64| {
        if value == 0.0 {
            "0".to_owned()
        } else if (1e-3..1e5).contains(&value.abs()) {
            fixed(value, 5)
        } else {
            format!("{value:.3e}")
        }
    };
    let digits = Digits::of(result);
    let part = |name, variance: f64| {
        let share = if study.all() > 0.0 {
            say::percent((variance / study.all()).sqrt())
        } else {
            "–".to_owned()
        };
        let value = digits.with_unit(digits.width(variance.sqrt()));
        (name, value, share)
    };
    let interaction = match (study.pooled, study.interaction_chance) {
        (true, _) => {
            "Units do not come out differently on different benches, so that line is pooled with the repeats."
                .to_owned()
        }
        (false, Some(chance)) => format!(
            "Some units come out differently on some benches; so large an interaction comes by chance in {}.",
            say::chance(chance)
        ),
        (false, None) => "Some units come out differently on some benches.".to_owned(),
    };
    StudyTable {
        name: named(result),
        lines: [
            ("Units", study.units),
            ("Benches", study.benches),
            ("Units by benches", study.interaction),
            ("Repeats", study.repeats),
            ("Total", study.total),
        ]
        .into_iter()
        .map(|(name, line)| {
            (
                name,
                line.freedom,
                squares(line.squares),
                squares(line.mean()),
            )
        })
        .collect(),
        parts: vec![
            part("Repeatability (one bench)", study.repeatability),
            part("Reproducibility (between benches)", study.reproducibility),
            part("The measurement, both", study.measurement()),
            part("The units", study.between_units),
            part("Everything", study.all()),
        ],
        remark: format!(
            "{interaction} Shares are of standard deviations, and do not add up.{}",
            study.classes().map_or_else(String::new, |classes| format!(
                " The measurement tells {} classes of units apart.",
                fixed(classes, 1)
            ))
        ),
    }
}

fn results(view: &BatchView<'_>) -> Vec<ResultLine> {
    let mut before = String::new();
    view.batch
        .results
        .iter()
        .filter_map(|result| {
            let spread = result.spread.as_ref()?;
            let digits = Digits::of(result);
            let end = |value: Option<f64>| {
                value.map_or_else(|| "not reached".to_owned(), |value| digits.value(value))
            };
            let stage = if result.stage == before {
                String::new()
            } else {
                before.clone_from(&result.stage);
                result.stage.clone()
            };
            let out: Vec<String> = view
                .batch
                .members
                .iter()
                .zip(&result.values)
                .filter(|(_, value)| value.as_ref().is_some_and(UnitValue::is_outlier))
                .map(|(member, _)| member.name.clone())
                .collect();
            let mut remark = Vec::new();
            if spread.not_reached > 0 {
                remark.push(format!("{} not reached", spread.not_reached));
            }
            if !out.is_empty() {
                remark.push(format!("standing out: {}", list::some(&out)));
            }
            Some(ResultLine {
                stage,
                name: title(result.name),
                remark: remark.join(", "),
                count: spread.count,
                median: end(spread.median),
                unit: digits.unit(),
                interval: spread.median_low.map_or_else(
                    || "–".to_owned(),
                    |low| format!("{} to {}", digits.value(low), end(spread.median_high)),
                ),
                quartiles: if spread.count < 4 {
                    "–".to_owned()
                } else {
                    format!(
                        "{} to {}",
                        end(spread.lower_quartile),
                        end(spread.upper_quartile)
                    )
                },
                range: spread.smallest.map_or_else(
                    || "–".to_owned(),
                    |smallest| format!("{} to {}", digits.value(smallest), end(spread.largest)),
                ),
                ninety: spread
                    .percentiles
                    .iter()
                    .find(|(percent, _)| *percent == 90)
                    .and_then(|(_, value)| *value)
                    .map_or_else(|| "–".to_owned(), |value| digits.value(value)),
            })
        })
        .collect()
}

fn runs(view: &BatchView<'_>) -> Vec<RunLine> {
    view.runs
        .iter()
        .enumerate()
        .map(|(place, run)| {
            let names: Vec<String> = view
                .batch
                .members
                .iter()
                .filter(|member| member.run == place)
                .map(|member| member.name.clone())
                .collect();
            let hash = sha256(&run.record.header.plan_text);
            let began = run.record.header.began.to_string();
            RunLine {
                id: run.record.id.to_string(),
                complete: run.record.is_complete(),
                began: format!(
                    "{} UTC",
                    began.get(..16).unwrap_or(&began).replace('T', " ")
                ),
                rig: run.rig.name.clone(),
                plan_hash: hash.get(..16).unwrap_or(&hash).to_owned(),
                units: names.join(", "),
            }
        })
        .collect()
}

/// The rules, all stated beforehand.
fn rules(view: &BatchView<'_>) -> Vec<String> {
    if view.batch.design.is_some() {
        return vec![
            "Analysis of variance of a crossed design with random effects: the same units on every bench, equally often. Repeatability is what one bench does from time to time, reproducibility what benches do differently. An interaction whose variance comes out negative is taken as none, and pooled with the repeats.".to_owned(),
            "Between few benches reproducibility is known badly: with two, it may be wrong by a factor.".to_owned(),
        ];
    }
    vec![
        "A unit passes if it passes all tolerances of its plan, each with the guard band of the plan. The interval of a yield is the exact one of Clopper and Pearson, with what is undecided counted as failed at its lower end and as passed at its upper.".to_owned(),
        "Quantiles are at p (N + 1) of the values in order. A time that was not reached is kept as longer than its record (Kaplan and Meier). The interval of the median is by order statistics and takes six units.".to_owned(),
        format!(
            "A unit stands out if its modified z-score, 0.6745 times its distance from the median over the median absolute deviation, is beyond {OUTLIER_LIMIT} either way (Iglewicz and Hoaglin), and its own 95 % interval does not hold the median; from {OUTLIERS_LEAST} units. It is named and stays in."
        ),
        format!(
            "Cp and Cpk take {CAPABILITY_LEAST} units and a result that can be negative; of others see the percentiles. The measurement's own variance is taken out of the spread; what the rig does to all units alike widens the interval of Cpk as a shift. Histograms are drawn from {HISTOGRAM_LEAST} units, in steps after Freedman and Diaconis, rounded down."
        ),
    ]
}
