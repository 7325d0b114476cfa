//! A batch in 80 columns of plain text: sentences, then a line for each unit.

use super::say::{self, Digits, named};
use super::sentences::sentences;
use super::{BatchView, say::count};
use crate::list;
use crate::outline::title;
use crate::terminal::{beside, heading, wrap};
use analysis::batch::{BatchResult, UnitValue};

/// The batch for a terminal, in lines of at most 80 columns.
#[must_use]
pub fn batch_text(view: &BatchView<'_>) -> String {
    let mut lines = Vec::new();
    for sentence in view.statement() {
        wrap(&mut lines, &sentence, "", "");
    }
    lines.push(String::new());
    for sentence in sentences(view) {
        wrap(&mut lines, &sentence, "", "");
    }
    units(view, &mut lines);
    if view.batch.design.is_some() {
        studies(view, &mut lines);
    } else {
        all_results(view, &mut lines);
    }
    lines.push(String::new());
    lines.join("\n")
}

/// A line for each unit; what a column holds stands below, since it is too long for a
/// head.
fn units(view: &BatchView<'_>, lines: &mut Vec<String>) {
    let keys = view.keys();
    heading(lines, "Units");
    let mut head = format!("{:<18}{:<10}{:<10}", "unit", "run", "verdict");
    for place in 1..=keys.len() {
        head += &format!("{:>10} ", format!("({place})"));
    }
    lines.push(head.trim_end().to_owned());
    let mut starred = false;
    for (place, member) in view.batch.members.iter().enumerate() {
        let run = view.run_of(member).record.id.to_string();
        let mut line = format!(
            "{:<18}{:<10}{:<10}",
            cut(&member.name, 17),
            cut(&run, 9),
            member.finding.map_or("", |finding| finding.word())
        );
        for result in &keys {
            let value = result.values[place].as_ref();
            let stands_out = value.is_some_and(UnitValue::is_outlier);
            starred |= stands_out;
            line += &format!(
                "{:>10}{}",
                Digits::of(result).of_unit(value),
                if stands_out { '*' } else { ' ' }
            );
        }
        lines.push(line.trim_end().to_owned());
    }
    for (place, result) in keys.iter().enumerate() {
        let first = format!("({}) ", place + 1);
        wrap(lines, &with_unit(result), &first, "    ");
    }
    if starred {
        wrap(
            lines,
            "* stands out from the batch (modified z-score beyond 3.5)",
            "",
            "",
        );
    }
}

fn with_unit(result: &BatchResult) -> String {
    match Digits::of(result).unit() {
        "" => named(result),
        unit => format!("{}, {unit}", named(result)),
    }
}

/// Every result over all units: how many, median, quartiles, from and to.
fn all_results(view: &BatchView<'_>, lines: &mut Vec<String>) {
    let mut stage = "";
    heading(lines, "All results: median (quartiles), range, units");
    for result in view.batch.results.iter().filter(|r| say::is_known(r)) {
        let Some(spread) = &result.spread else {
            continue;
        };
        if result.stage != stage {
            wrap(lines, &result.stage, "  ", "  ");
            stage = &result.stage;
        }
        let digits = Digits::of(result);
        let end = |value: Option<f64>| {
            value.map_or_else(|| "not reached".to_owned(), |value| digits.value(value))
        };
        let mut said = digits.with_unit(format!(
            "{} ({} to {})",
            end(spread.median),
            end(spread.lower_quartile),
            end(spread.upper_quartile)
        ));
        if let Some(smallest) = spread.smallest {
            said += &format!("; {} to {}", digits.value(smallest), end(spread.largest));
        }
        said += &format!("; {}", count(spread.count, "unit", "units"));
        let out = view.batch.members.iter().zip(&result.values);
        let out: Vec<String> = out
            .filter(|(_, value)| value.as_ref().is_some_and(UnitValue::is_outlier))
            .map(|(member, _)| member.name.clone())
            .collect();
        if !out.is_empty() {
            said += &format!("; standing out: {}", list::some(&out));
        }
        beside(lines, title(result.name), &said);
    }
}

/// The tables of variances of a study, for the results of the units' lines.
fn studies(view: &BatchView<'_>, lines: &mut Vec<String>) {
    for result in view.keys() {
        let Some(Ok(study)) = &result.study else {
            continue;
        };
        heading(lines, &with_unit(result));
        lines.push(format!(
            "{:<22}{:>6}{:>14}{:>14}",
            "", "df", "sum of sq.", "mean sq."
        ));
        for (name, line) in [
            ("units", study.units),
            ("benches", study.benches),
            ("units by benches", study.interaction),
            ("repeats", study.repeats),
            ("total", study.total),
        ] {
            lines.push(format!(
                "{name:<22}{:>6}{:>14.5}{:>14.5}",
                line.freedom,
                line.squares,
                line.mean()
            ));
        }
    }
}

fn cut(text: &str, most: usize) -> String {
    let clean = text.chars().map(|c| if c.is_control() { ' ' } else { c });
    if text.chars().count() <= most {
        return clean.collect();
    }
    clean.take(most - 1).chain(['…']).collect()
}
