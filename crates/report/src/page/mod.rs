//! One HTML file that needs nothing beside itself: no script, no font, no
//! address. Sentences first, then drawings, then tables, then what was kept.

pub(crate) mod charts;
pub(crate) mod lines;
mod log;
mod run_charts;

use crate::RunView;
use crate::bench;
use crate::document::sha256;
use crate::incidents;
use crate::limited::{LimitLine, rows};
use crate::numbers::{Stated, duration, shown_unit};
use crate::outline::{has_sign, heading, stated, title, unsaid};
use crate::suggestions::{self, SuggestionWords};
use crate::words::{UnitWords, results, sentences};
use askama::Template;
use charts::Figure;
use log::LogLine;
use model::quantity::Dimension;
use model::record::PositionId;
use model::result::{Finding, Outcome, ResultName};

/// What stands in the row of a unit in the first table.
const KEY_RESULTS: [ResultName; 7] = [
    ResultName::ReadyAfter,
    ResultName::ErrorAfterOneTuning,
    ResultName::ErrorLeftAfterTrimming,
    ResultName::ScaleError,
    ResultName::HighEnd,
    ResultName::Excursion,
    ResultName::DriftRate,
];

/// A verdict as a word and a class.
#[derive(Debug)]
pub(crate) struct Badge {
    pub word: &'static str,
    /// A sign that is told apart without colour.
    pub sign: &'static str,
}

impl Badge {
    pub(crate) const fn of(finding: Finding) -> Self {
        match finding {
            Finding::Pass => Self {
                word: "pass",
                sign: "✓",
            },
            Finding::Fail => Self {
                word: "fail",
                sign: "✕",
            },
            Finding::Undecided => Self {
                word: "undecided",
                sign: "?",
            },
        }
    }
}

#[derive(Debug)]
struct ResultLine {
    /// A heading that begins with this line, or nothing.
    heading: &'static str,
    name: &'static str,
    meaning: String,
    /// Value and uncertainty, or empty.
    value: String,
    unit: &'static str,
    interval: String,
    readings: usize,
}

#[derive(Debug)]
struct StageResults {
    stage: String,
    lines: Vec<ResultLine>,
    /// What cannot be said: which results, and why.
    unsaid: Vec<(String, String)>,
    /// What limits the results, source by source.
    limits: Vec<LimitLine>,
}

#[derive(Debug)]
struct VerdictLine {
    badge: Badge,
    tolerance: String,
    reason: String,
    /// How likely it lies outside, or empty.
    chance: String,
}

#[derive(Debug)]
struct UnitPage {
    anchor: String,
    name: String,
    model: String,
    position: String,
    facts: Vec<(String, String)>,
    badge: Option<Badge>,
    headline: String,
    incidents: Vec<String>,
    owner: Vec<String>,
    technician: Vec<String>,
    doubts: Vec<String>,
    rig: Vec<String>,
    verdicts: Vec<VerdictLine>,
    /// The risk over all tolerances, or empty.
    together: String,
    figures: Vec<Figure>,
    /// The stage watched for longest first.
    results: Vec<StageResults>,
    /// The key results, in short.
    key: Vec<String>,
}

#[derive(Debug, Template)]
#[template(path = "page.html")]
struct Page {
    style: &'static str,
    may_be_on: String,
    title: String,
    rig: String,
    began: String,
    lasted: String,
    complete: bool,
    /// What is to be said first of a damaged run, or empty.
    warning: String,
    run: String,
    statement: Vec<String>,
    key_names: Vec<String>,
    /// What is to be said of all units alike.
    of_all: Vec<String>,
    units: Vec<UnitPage>,
    suggested: Vec<SuggestionWords>,
    preface: &'static str,
    overview: Option<Figure>,
    conditions: Vec<Figure>,
    gaps: Vec<LogLine>,
    events: Vec<LogLine>,
    readings: usize,
    guard: String,
    unheard: String,
    program_version: String,
    seed: String,
    plan_hash: String,
    rig_hash: String,
    plan_text: String,
    rig_text: String,
}

/// The run as one HTML file.
#[must_use]
pub fn html(view: &RunView<'_>) -> String {
    let header = &view.record.header;
    let mut units: Vec<_> = sentences(view)
        .into_iter()
        .enumerate()
        .map(|(index, words)| unit_page(view, index, words))
        .collect();
    // What is said of every unit is said once.
    let mut of_all: Vec<String> = units
        .first()
        .map_or_else(Vec::new, |unit| unit.doubts.clone());
    of_all.retain(|said| units.len() > 1 && units.iter().all(|unit| unit.doubts.contains(said)));
    for unit in &mut units {
        unit.doubts.retain(|said| !of_all.contains(said));
        let sentences = unit
            .owner
            .iter_mut()
            .chain(&mut unit.incidents)
            .chain(&mut unit.technician)
            .chain(&mut unit.doubts);
        for said in sentences.chain(&mut unit.rig) {
            *said = unbroken(said);
        }
        for figure in &mut unit.figures {
            figure.caption = unbroken(&figure.caption);
        }
        for line in unit.results.iter_mut().flat_map(|stage| &mut stage.lines) {
            line.meaning = unbroken(&line.meaning);
        }
        for line in unit.results.iter_mut().flat_map(|stage| &mut stage.limits) {
            line.meaning = unbroken(&line.meaning);
        }
        for (_, why) in unit.results.iter_mut().flat_map(|stage| &mut stage.unsaid) {
            *why = unbroken(why);
        }
        for verdict in &mut unit.verdicts {
            verdict.reason = unbroken(&verdict.reason);
            verdict.chance = unbroken(&verdict.chance);
        }
    }
    let page = Page {
        style: include_str!("../../templates/style.css"),
        may_be_on: bench::may_still_be_on(view).unwrap_or_default(),
        title: view.plan.title.clone(),
        rig: view.rig.name.clone(),
        began: moment(view),
        lasted: duration(view.record.last_instant().seconds()),
        complete: view.is_complete(),
        warning: view.warning().unwrap_or_default(),
        run: view.record.id.as_str().to_owned(),
        statement: bench::statement(view)
            .iter()
            .map(|said| unbroken(said))
            .collect(),
        key_names: shown_keys(view).into_iter().map(key_title).collect(),
        of_all,
        units,
        suggested: suggested(view),
        preface: suggestions::PREFACE,
        overview: run_charts::of_all(view),
        conditions: run_charts::of_conditions(view),
        gaps: log::gaps(view),
        events: log::events(view),
        readings: view.record.readings.len(),
        guard: guard(view),
        unheard: incidents::unheard(view).unwrap_or_default(),
        program_version: header.program_version.clone(),
        seed: header
            .seed
            .map_or_else(String::new, |seed| seed.to_string()),
        plan_hash: sha256(&header.plan_text),
        rig_hash: sha256(&header.rig_text),
        plan_text: header.plan_text.clone(),
        rig_text: header.rig_text.clone(),
    };
    // The template holds no fallible filter, so this cannot fail; a page that
    // says so is better than none.
    let html = page
        .render()
        .unwrap_or_else(|error| format!("<!doctype html><title>Report</title><p>{error}</p>"));
    // Marks of direction and the like, from whoever wrote the names in it.
    model::plain(&html).into_owned()
}

/// What the results suggest.
fn suggested(view: &RunView<'_>) -> Vec<SuggestionWords> {
    suggestions::words(view)
        .into_iter()
        .map(|words| SuggestionWords {
            whom: words.whom,
            seen: unbroken(&words.seen),
            cause: unbroken(&words.cause),
            advice: unbroken(&words.advice),
            settled_by: unbroken(&words.settled_by),
            doubt: unbroken(&words.doubt),
            caution: unbroken(&words.caution),
        })
        .collect()
}

/// Keeps a number and what belongs to it on one line, and its minus sign proper.
pub(crate) fn unbroken(text: &str) -> String {
    const UNITS: [&str; 16] = [
        "cents",
        "cents/oct",
        "cents/h",
        "cents/K",
        "cents/V",
        "oct",
        "min",
        "h",
        "s",
        "%",
        "ppm",
        "mV",
        "V",
        "°C",
        "Hz",
        "kHz",
    ];
    let mut kept = String::with_capacity(text.len());
    let mut before = "";
    for word in text.split(' ') {
        if !kept.is_empty() {
            let bare = word.trim_end_matches(['.', ',', ';', ':', ')']);
            let belongs = word == "±"
                || before == "±"
                || (before.ends_with(|last: char| last.is_ascii_digit()) && UNITS.contains(&bare));
            kept.push(if belongs { '\u{a0}' } else { ' ' });
        }
        // What others write with a hyphen is a minus sign here.
        match word.strip_prefix('-') {
            Some(rest) if rest.starts_with(|first: char| first.is_ascii_digit()) => {
                kept.push('\u{2212}');
                kept.push_str(rest);
            }
            _ => kept.push_str(word),
        }
        before = word;
    }
    kept
}

/// When the run began, to the minute, in universal time: a page that is sent
/// elsewhere must not depend on the reader's clock.
fn moment(view: &RunView<'_>) -> String {
    let text = view.record.header.began.to_string();
    let minutes = text.get(..16).unwrap_or(&text);
    format!("{} UTC", minutes.replace('T', " "))
}

fn guard(view: &RunView<'_>) -> String {
    let factor = view.plan.decision.guard_band;
    if factor == 0.0 {
        "Verdicts are by simple acceptance: the value alone decides (guard band 0).".to_owned()
    } else {
        format!(
            "A verdict is pass when the value lies inside the tolerance by at least {factor} times its expanded uncertainty, fail when it lies outside by as much, else undecided (JCGM 106)."
        )
    }
}

/// The key results that this run has for any unit.
fn shown_keys(view: &RunView<'_>) -> Vec<ResultName> {
    KEY_RESULTS
        .into_iter()
        .filter(|name| {
            view.analysis
                .outcomes
                .iter()
                .any(|outcome| outcome.name == *name && outcome.value().is_some())
        })
        .take(5)
        .collect()
}

/// The heading of a column of key results, with the unit.
fn key_title(name: ResultName) -> String {
    match name.dimension() {
        Dimension::Duration => title(name).to_owned(),
        dimension => format!("{} ({})", title(name), shown_unit(dimension)),
    }
}

/// The results of a unit by stage, the stage watched for longest first.
fn stage_results(view: &RunView<'_>, position: &PositionId) -> Vec<StageResults> {
    let outcomes = view.outcomes_of(position);
    let mut stages: Vec<StageResults> = Vec::new();
    for stage in &view.analysis.stages {
        let here = || {
            outcomes
                .iter()
                .filter(|outcome| outcome.stage == stage.name)
        };
        let mut before = "";
        let lines = here()
            .filter_map(|outcome| {
                let begins = heading(outcome.name);
                let mut line = result_line(outcome)?;
                line.heading = if begins == before { "" } else { begins };
                before = begins;
                Some(line)
            })
            .collect();
        let unsaid = unsaid(here().copied().filter(|outcome| stated(outcome).is_none()))
            .into_iter()
            .map(|(names, why)| (names, why.to_owned()))
            .collect();
        // Of two stages of one name the results stand together.
        if here().next().is_some() && stages.iter().all(|other| other.stage != stage.name) {
            stages.push(StageResults {
                stage: stage.name.clone(),
                lines,
                unsaid,
                limits: here().flat_map(|outcome| rows(outcome)).collect(),
            });
        }
    }
    if let Some((main, _)) = view.main_stage(position) {
        stages.sort_by_key(|stage| stage.stage != main.name);
    }
    stages
}

fn unit_page(view: &RunView<'_>, index: usize, words: UnitWords) -> UnitPage {
    let position = &words.position;
    let mut facts = Vec::new();
    let mut fact = |name: &str, value: &Option<String>| {
        if let Some(value) = value {
            facts.push((name.to_owned(), value.clone()));
        }
    };
    fact("Revision", &words.unit.revision);
    fact("Job", &words.unit.job);
    fact("Notes", &words.unit.notes);
    facts.extend(
        words
            .unit
            .settings
            .iter()
            .map(|(name, value)| (name.clone(), value.clone())),
    );
    let general = bench::statement(view);
    UnitPage {
        anchor: format!("unit-{}", index + 1),
        model: words.unit.model.clone().unwrap_or_default(),
        position: position.to_string(),
        facts,
        badge: words.finding.map(Badge::of),
        verdicts: words
            .verdicts
            .iter()
            .map(|verdict| VerdictLine {
                badge: Badge::of(verdict.finding),
                tolerance: verdict.tolerance.clone(),
                reason: verdict.reason.clone(),
                chance: verdict.chance.clone().unwrap_or_default(),
            })
            .collect(),
        together: unbroken(words.together.as_deref().unwrap_or_default()),
        figures: charts::of_unit(view, position),
        results: stage_results(view, position),
        key: shown_keys(view)
            .into_iter()
            .map(|name| key_value(view, position, name))
            .collect(),
        rig: words
            .rig
            .into_iter()
            .filter(|said| !general.contains(said))
            .collect(),
        name: words.name,
        headline: words.headline,
        owner: words.owner,
        technician: words.technician,
        incidents: words.incidents,
        doubts: words.gaps,
    }
}

fn key_value(view: &RunView<'_>, position: &PositionId, name: ResultName) -> String {
    if let Some(value) = view.best(position, name).and_then(stated) {
        return value.numbers(has_sign(name));
    }
    // A time that was not reached is at least so long.
    let least = view
        .outcomes_of(position)
        .into_iter()
        .filter(|outcome| outcome.name == name && name.dimension() == Dimension::Duration)
        .filter_map(|outcome| {
            outcome
                .low()
                .filter(|low| outcome.value().is_none() && *low > 0.0)
        })
        .fold(None, |most: Option<f64>, low| {
            Some(most.map_or(low, |most| most.max(low)))
        });
    least.map_or_else(
        || "–".to_owned(),
        |least| format!("not within {}", duration(least)),
    )
}

fn result_line(outcome: &Outcome) -> Option<ResultLine> {
    let value = stated(outcome)?;
    let sign = has_sign(outcome.name);
    let end = |end: f64| {
        Stated {
            value: end,
            interval: None,
            ..value
        }
        .numbers_like(&value, sign)
    };
    Some(ResultLine {
        heading: "",
        name: title(outcome.name),
        meaning: results::meaning(outcome).unwrap_or_default(),
        unit: shown_unit(value.dimension),
        interval: match value.interval.map(|(low, high)| (end(low), end(high))) {
            None => value
                .at_least
                .map_or_else(String::new, |least| format!("{} or more", duration(least))),
            // Of what is at most so much, and where the digits show no difference.
            Some(_) if value.is_at_most() => String::new(),
            Some((low, high)) if low == high => String::new(),
            Some((low, high)) => format!("{low} to {high}"),
        },
        value: if value.is_at_most() {
            format!("at most {}", value.numbers_alone(sign))
        } else {
            value.numbers_alone(sign)
        },
        readings: outcome.readings,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_keep_their_units() {
        assert_eq!(
            unbroken("it is -0.33 cents/oct, 3 ± 1 cents; a -b 12 h."),
            "it is \u{2212}0.33\u{a0}cents/oct, 3\u{a0}±\u{a0}1\u{a0}cents; a -b 12\u{a0}h."
        );
    }
}
