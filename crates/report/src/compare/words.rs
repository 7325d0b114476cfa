//! A comparison in sentences and as text.

use super::{Kind, Pair, Row, SAME_AIR, Subject, pairs};
use crate::RunView;
use crate::bench;
use crate::limited;
use crate::list;
use crate::numbers::{decimals, duration, duration_within, fixed, shown_unit, signed, spoken_unit};
use crate::outline::{stated, title};
use crate::terminal::{beside, heading as headed, wrap};
use model::quantity::Dimension;
use model::result::{Finding, Outcome, ResultName, UncertaintySource};

/// What is said first: what a trimmer, a repair or another revision changes.
pub(super) const FIRST: [ResultName; 10] = [
    ResultName::ScaleError,
    ResultName::HighEnd,
    ResultName::LowEnd,
    ResultName::ErrorLeftAfterRetuning,
    ResultName::ErrorLeftAfterTrimming,
    ResultName::ErrorAfterOneTuning,
    ResultName::ReadyAfter,
    ResultName::WarmUpTime,
    ResultName::Excursion,
    ResultName::DriftRate,
];

/// The expanded uncertainty of a difference: half its interval, or the longer side.
fn expanded(row: &Row<'_>) -> Option<f64> {
    let found = &row.difference;
    let (low, high) = (found.low?, found.high?);
    Some((high - found.value).max(found.value - low))
}

/// A number of a row, with the digits that the uncertainty of the difference allows.
fn shown(row: &Row<'_>, value: f64, with_sign: bool) -> String {
    if row.name.dimension() == Dimension::Duration {
        return duration_within(value, expanded(row));
    }
    let decimals = decimals(value, expanded(row));
    if with_sign {
        signed(value, decimals)
    } else {
        fixed(value, decimals)
    }
}

/// One row whose difference stands out, in a sentence: "The scale error fell from 22.4 to
/// 0.6 cents per octave, U 0.4.", and of two units or rigs, where nothing fell: "The scale
/// error is 22.4 cents per octave on A-1 and 0.6 on A-2, U 0.4."
fn sentence(pair: &Pair<'_>, row: &Row<'_>) -> Option<String> {
    let (a, b) = (row.one.value()?, row.other.value()?);
    let dimension = row.name.dimension();
    let unit = match dimension {
        Dimension::Duration => String::new(),
        dimension => format!(" {}", spoken_unit(dimension)),
    };
    let name = title(row.name).to_lowercase();
    let crossing = a * b < 0.0;
    let sign = row.name.has_sign() && (a < 0.0 || b < 0.0);
    let (from, to) = (shown(row, a, sign), shown(row, b, sign));
    let uncertainty = expanded(row).map_or_else(String::new, |expanded| {
        format!(", U {}", shown(row, expanded, false))
    });
    let corrected = if row.corrected {
        format!(
            "; to the same temperature the difference is {}",
            shown(row, row.difference.value, true)
        )
    } else {
        String::new()
    };
    if !row.difference.stands_out() {
        return None;
    }
    if pair.kind != Kind::BeforeAfter {
        return Some(format!(
            "The {name} is {from}{unit} on {} and {to} on {}{uncertainty}{corrected}.",
            label(pair, false),
            label(pair, true)
        ));
    }
    // What is flat or too narrow grows and shrinks; it does not rise to a lower number.
    let verb = match (crossing, sign, b.abs() < a.abs()) {
        (true, ..) => "went",
        (_, true, true) => "shrank",
        (_, true, false) => "grew",
        (_, false, true) => "fell",
        (_, false, false) => "rose",
    };
    Some(format!(
        "The {name} {verb} from {from} to {to}{unit}{uncertainty}{corrected}."
    ))
}

/// The rows whose difference does not stand out, in one sentence.
fn unchanged(kind: Kind, rows: &[&Row<'_>]) -> Option<String> {
    let what = match kind {
        Kind::BeforeAfter => "change",
        Kind::RigAgainstRig | Kind::UnitAgainstUnit => "difference",
    };
    let parts: Vec<String> = rows
        .iter()
        .filter(|row| !row.difference.stands_out())
        .filter_map(|row| {
            let sign = row.name.has_sign();
            let unit = match shown_unit(row.name.dimension()) {
                "" => String::new(),
                unit => format!(" {unit}"),
            };
            let difference = match expanded(row) {
                Some(expanded) => format!(", U {}", shown(row, expanded, false)),
                None => String::new(),
            };
            Some(format!(
                "{} ({} and {}{unit}{difference})",
                title(row.name).to_lowercase(),
                shown(row, row.one.value()?, sign),
                shown(row, row.other.value()?, sign)
            ))
        })
        .collect();
    (!parts.is_empty()).then(|| format!("No {what} can be told of {}.", list::all(&parts)))
}

/// A result that has a value on one side only, or is known to be at most so much: "Ready
/// after: before not within 11 h 50 min, after 12 min (10 min to 14 min)."
fn one_sided(pair: &Pair<'_>, (one, other): (&Outcome, &Outcome)) -> String {
    let side = |outcome: &Outcome| match (stated(outcome), outcome.low(), outcome.high()) {
        (Some(value), ..) => value.spoken(),
        (None, Some(least), None) if outcome.name.dimension() == Dimension::Duration => {
            format!("not within {}", duration(least))
        }
        (None, Some(_), Some(_)) => "none that stands out".to_owned(),
        _ => "no value".to_owned(),
    };
    format!(
        "{}: {} {}, {} {}.",
        title(one.name),
        label(pair, false),
        side(one),
        label(pair, true),
        side(other)
    )
}

/// The rows in the order in which they are said.
fn ordered<'p, 'a>(pair: &'p Pair<'a>) -> Vec<&'p Row<'a>> {
    FIRST
        .into_iter()
        .filter_map(|name| pair.rows.iter().find(|row| row.name == name))
        .collect()
}

/// Who is held against whom.
pub(super) fn heading(pair: &Pair<'_>) -> String {
    let (one, other) = (pair.one.name(), pair.other.name());
    match pair.kind {
        Kind::BeforeAfter if pair.one.view.record.id == pair.other.view.record.id => {
            format!("{one}, twice in one run")
        }
        Kind::BeforeAfter => format!("{one} before and after"),
        Kind::RigAgainstRig => format!(
            "{one} on {} and on {}",
            pair.one.view.rig.name, pair.other.view.rig.name
        ),
        Kind::UnitAgainstUnit => {
            let revision = |subject: &Subject<'_>| {
                let unit = subject.view.unit(subject.position);
                unit.revision
                    .map_or_else(String::new, |revision| format!(" (revision {revision})"))
            };
            format!(
                "{one}{} against {other}{}",
                revision(&pair.one),
                revision(&pair.other)
            )
        }
    }
}

/// The job a unit was on the bench for, behind a comma, where it is known.
pub(super) fn job(subject: &Subject<'_>) -> String {
    let unit = subject.view.unit(subject.position);
    unit.job
        .map_or_else(String::new, |job| format!(", job {job}"))
}

/// One of the two in a few words, for axes and columns.
pub(super) fn label(pair: &Pair<'_>, other: bool) -> String {
    let subject = if other { &pair.other } else { &pair.one };
    match pair.kind {
        Kind::BeforeAfter => if other { "after" } else { "before" }.to_owned(),
        Kind::RigAgainstRig => {
            let same = pair.one.view.rig.name == pair.other.view.rig.name;
            if same {
                if other { "second rig" } else { "first rig" }.to_owned()
            } else {
                subject.view.rig.name.clone()
            }
        }
        Kind::UnitAgainstUnit => subject.name(),
    }
}

/// What is said of a pair, in sentences.
pub(super) fn said(pair: &Pair<'_>) -> Vec<String> {
    let rows = ordered(pair);
    let mut said: Vec<String> = verdicts(pair).into_iter().collect();
    let before = said.len();
    said.extend(rows.iter().filter_map(|row| sentence(pair, row)));
    said.extend(pair.one_sided.iter().map(|sides| one_sided(pair, *sides)));
    said.extend(unchanged(pair.kind, &rows));
    if said.len() == before {
        said.push("The two have no result in common that has a value in both.".to_owned());
    }
    said.extend(agreement(pair));
    said
}

fn verdicts(pair: &Pair<'_>) -> Option<String> {
    let word = |subject: &Subject<'_>| {
        let found = subject.view.verdicts_of(subject.position);
        crate::outline::worst(found.into_iter().map(|(_, verdict)| verdict.finding))
    };
    let (one, other) = (word(&pair.one)?, word(&pair.other)?);
    let verb = |finding: Finding| match finding {
        Finding::Pass => "passes",
        Finding::Fail => "fails",
        Finding::Undecided => "is undecided",
    };
    let same_plan =
        pair.one.view.record.header.plan_text == pair.other.view.record.header.plan_text;
    let plans = if same_plan {
        ""
    } else {
        " (by different plans)"
    };
    Some(match (pair.kind, one == other) {
        // What a shop calls as found and as left.
        (Kind::BeforeAfter, true) => format!("Before and after, it {}{plans}.", verb(one)),
        (Kind::BeforeAfter, false) => {
            format!("Before it {}, after it {}{plans}.", verb(one), verb(other))
        }
        (_, true) => format!("Verdict of both: {}{plans}.", one.word()),
        (_, false) => format!("Verdict: {}, then {}{plans}.", one.word(), other.word()),
    })
}

/// Whether two rigs agree on the unit.
fn agreement(pair: &Pair<'_>) -> Option<String> {
    if pair.kind != Kind::RigAgainstRig {
        return None;
    }
    let all: Vec<(&Row<'_>, f64)> = pair
        .rows
        .iter()
        .filter_map(|row| Some((row, row.difference.normalised_error?)))
        .collect();
    let beyond: Vec<String> = all
        .iter()
        .filter(|(_, error)| *error > 1.0)
        .map(|(row, error)| {
            // Not "1.00", of what is said to be above 1.
            let decimals = if *error < 1.005 { 4 } else { 2 };
            let name = title(row.name).to_lowercase();
            format!("{name} ({})", fixed(*error, decimals))
        })
        .collect();
    let largest = all.iter().map(|(_, error)| *error).fold(0.0, f64::max);
    Some(match (all.is_empty(), beyond.is_empty()) {
        (true, _) => return None,
        (_, true) => format!(
            "The rigs agree on {}: the difference over the expanded uncertainties of both (E_n) is at most {}.",
            match all.len() {
                1 => "the one result of both".to_owned(),
                several => format!("all {several} results"),
            },
            fixed(largest, 2)
        ),
        _ => format!(
            "The rigs do not agree: the difference is beyond the expanded uncertainties of both (E_n above 1) for {}. One of them is further off than its limits say, or the unit changed in between.",
            beyond.join(", ")
        ),
    })
}

/// What cancels, what does not, and what differed.
pub(super) fn conditions(pair: &Pair<'_>) -> Vec<String> {
    let mut said = Vec::new();
    let mut sources: Vec<UncertaintySource> = pair
        .rows
        .iter()
        .flat_map(|row| row.difference.cancelled.iter().copied())
        .collect();
    sources.sort_unstable();
    sources.dedup();
    let names: Vec<&str> = sources.into_iter().map(limited::source).collect();
    said.push(if names.is_empty() {
        let why = if !pair.common.rig {
            "they were not measured on one rig, as far as is known"
        } else if !pair.common.output {
            "they were measured on different outputs of the rig, or on one whose limits or certificate have changed"
        } else {
            "nothing of the rig's uncertainty is known to be in both"
        };
        format!("Nothing of the uncertainty cancels: {why}.")
    } else {
        format!(
            "The same in both, and so not in the differences, as far as it moves both alike: {}.{}",
            names.join(", "),
            if pair.common.has(UncertaintySource::Session) {
                ""
            } else {
                " What changes from session to session counts."
            }
        )
    });
    let (one, other) = (&pair.one.view, &pair.other.view);
    if pair.common.run && one.record.id != other.record.id {
        said.push(
            "Both are the same run, simulated or imported twice: even its noise is the same."
                .to_owned(),
        );
    }
    if one.record.header.plan_text != other.record.header.plan_text {
        said.push(format!(
            "The plans differ (“{}” and “{}”): results of the same name are held against each other all the same.",
            one.plan.title, other.plan.title
        ));
    }
    if let Some(warmer) = pair.warmer.filter(|warmer| warmer.abs() >= SAME_AIR) {
        let way = if warmer > 0.0 { "warmer" } else { "cooler" };
        let corrected = pair.rows.iter().any(|row| row.corrected);
        said.push(format!(
            "The air was {} K {way} the second time; {}.",
            fixed(warmer.abs(), 1),
            if corrected {
                "slopes are stated as found, and their differences to the same temperature"
            } else {
                "no temperature coefficient of the unit is known, so nothing is corrected for that"
            }
        ));
    }
    for subject in [&pair.one, &pair.other] {
        if !subject.view.record.is_complete() {
            said.push(format!("The run {} is incomplete.", subject.view.record.id));
        }
    }
    said
}

/// What has to be said of the rigs, each sentence once.
pub(super) fn statements(views: &[RunView<'_>]) -> Vec<String> {
    let mut said = bench::may_still_be_on_after(views);
    for sentence in views.iter().flat_map(bench::statement) {
        if !said.contains(&sentence) {
            said.push(sentence);
        }
    }
    said
}

/// Value and interval as stated in the run itself.
pub(super) fn as_stated(outcome: &Outcome) -> String {
    stated(outcome).map_or_else(
        || "–".to_owned(),
        |value| value.numbers(outcome.name.has_sign()),
    )
}

/// The difference with its interval, its sign always shown.
pub(super) fn difference_stated(row: &Row<'_>) -> String {
    let found = &row.difference;
    let expanded = expanded(row);
    let factor = match row.name.dimension() {
        Dimension::Fraction => 100.0,
        _ => 1.0,
    };
    let decimals = decimals(found.value * factor, expanded.map(|u| u * factor));
    let show = |value: f64| match row.name.dimension() {
        Dimension::Duration => {
            let sign = if value > 0.0 { "+" } else { "" };
            format!("{sign}{}", duration_within(value, expanded))
        }
        _ => signed(value * factor, decimals),
    };
    let value = show(found.value);
    let Some((low, high)) = found.low.zip(found.high) else {
        return value;
    };
    let (below, above) = (found.value - low, high - found.value);
    if (below - above).abs() < 0.2 * (high - low) {
        let half = show((high - low) / 2.0);
        format!("{value} ± {}", half.trim_start_matches('+'))
    } else {
        format!("{value} ({} to {})", show(low), show(high))
    }
}

/// Runs held against each other, for a terminal.
#[must_use]
pub fn comparison_text(views: &[RunView<'_>]) -> String {
    let mut lines = Vec::new();
    for sentence in statements(views) {
        wrap(&mut lines, &sentence, "", "");
    }
    let all = pairs(views);
    if all.is_empty() {
        lines.push("There is nothing to compare: a single unit.".to_owned());
    }
    for pair in &all {
        headed(&mut lines, &heading(pair));
        wrap(
            &mut lines,
            &format!(
                "run {} in {}{}, and run {} in {}{}",
                pair.one.view.record.id,
                pair.one.position,
                job(&pair.one),
                pair.other.view.record.id,
                pair.other.position,
                job(&pair.other)
            ),
            "",
            "",
        );
        for sentence in said(pair).iter().chain(&conditions(pair)) {
            wrap(&mut lines, sentence, "", "");
        }
        for row in &pair.rows {
            let unit = match shown_unit(row.name.dimension()) {
                "" => String::new(),
                unit => format!(" {unit}"),
            };
            let error = match (pair.kind, row.difference.normalised_error) {
                (Kind::RigAgainstRig, Some(error)) => format!("; E_n {}", fixed(error, 2)),
                _ => String::new(),
            };
            let text = format!(
                "{}, then {}; difference {}{unit}{error}",
                as_stated(row.one),
                as_stated(row.other),
                difference_stated(row)
            );
            beside(&mut lines, title(row.name), &text);
        }
    }
    lines.push(String::new());
    lines.join("\n")
}
