//! The figures to reach, and whether they are.

use crate::statistics::Cell;
use laboratory::category::Category;
use laboratory::confidence::{at_most, mean_square, share};
use laboratory::judge::Tally;
use std::collections::BTreeMap;

/// Prints a line: what is asked, what was found, and the word about it.
pub fn goal(name: &str, found: &str, short_by: Option<String>) {
    let word = short_by.map_or("PASS".to_owned(), |by| format!("SHORT by {by}"));
    println!("{word:18} {name}: {found}");
}

/// By how much a figure falls short of what it should have at least.
pub fn short(found: f64, least: f64, unit: &str) -> Option<String> {
    (found < least || found.is_nan()).then(|| format!("{:.0}{unit}", least - found))
}

fn above(found: f64, most: f64, unit: &str) -> Option<String> {
    (found > most || found.is_nan()).then(|| format!("{:.3}{unit}", found - most))
}

/// The goals of efficiency.
pub fn of_efficiency(cells: &[Cell]) {
    let squares = cells.iter().flat_map(|cell| cell.tally.squares.iter());
    let (sum, count) = squares.fold((0.0, 0), |(sum, count), square| (sum + square, count + 1));
    let pooled = mean_square(sum, count);
    let lost: usize = cells
        .iter()
        .map(|cell| cell.tally.cases - cell.tally.squares.len())
        .sum();
    goal(
        "mean square error over the bound, pooled, at most 1.1",
        &format!(
            "{:.3} ({:.3} to {:.3}), {count} trials, {lost} more without a frequency",
            pooled.found, pooled.low, pooled.high
        ),
        above(pooled.found, 1.1, ""),
    );
    let worst = cells
        .iter()
        .map(|cell| {
            let sum: f64 = cell.tally.squares.iter().sum();
            (mean_square(sum, cell.tally.squares.len()), &cell.name)
        })
        .max_by(|a, b| a.0.found.total_cmp(&b.0.found));
    if let Some((square, name)) = worst {
        goal(
            "the same in the worst cell, at most 1.3",
            &format!(
                "{:.3} ({:.3} to {:.3}), {}",
                square.found,
                square.low,
                square.high,
                name.split_whitespace().collect::<Vec<_>>().join(" ")
            ),
            above(square.found, 1.3, ""),
        );
    }
}

/// The goals of honesty.
pub fn of_categories(found: &BTreeMap<Category, Tally>) {
    let (mut tones, mut all, mut ordinary) = (Tally::default(), Tally::default(), Tally::default());
    for (category, tally) in found {
        all.merge(tally);
        if category.has_a_tone() {
            tones.merge(tally);
        }
        if category.is_ordinary() {
            ordinary.merge(tally);
        }
    }
    let unflagged = all.gross_unflagged;
    goal(
        "gross errors without a flag, none",
        &format!(
            "{unflagged} of {} cases: with 95 % confidence below {:.4} %",
            all.cases,
            100.0 * at_most(unflagged, all.cases)
        ),
        (unflagged > 0).then(|| unflagged.to_string()),
    );
    let gross = share(tones.gross, tones.cases);
    goal(
        "gross errors, flagged ones too, at most 0.2 %",
        &format!(
            "{:.3} % ({:.3} to {:.3}), {} of {} tones",
            100.0 * gross.found,
            100.0 * gross.low,
            100.0 * gross.high,
            tones.gross,
            tones.cases
        ),
        above(100.0 * gross.found, 0.2, " %"),
    );
    for (category, tally) in found.iter().filter(|(category, _)| category.has_a_tone()) {
        if tally.counted == 0 {
            continue;
        }
        let within = share(tally.within, tally.counted);
        let short = if within.found < 0.94 {
            Some(0.94 - within.found)
        } else if within.found > 0.97 {
            Some(within.found - 0.97)
        } else {
            None
        };
        let chance = within.low <= 0.97 && within.high >= 0.94;
        goal(
            &format!("truth within 2 u, {}, 94 to 97 %", category.name()),
            &format!(
                "{:.1} % ({:.1} to {:.1}) of {}",
                100.0 * within.found,
                100.0 * within.low,
                100.0 * within.high,
                tally.counted
            ),
            short.map(|by| {
                let chance = if chance { ", maybe chance" } else { "" };
                format!("{:.1} %{chance}", 100.0 * by)
            }),
        );
    }
    if ordinary.long_enough > 0 {
        let flagged = share(ordinary.flagged_long_enough, ordinary.long_enough);
        goal(
            "ordinary tones flagged without need, at most 3 %",
            &format!(
                "{:.2} % ({:.2} to {:.2}) of {}",
                100.0 * flagged.found,
                100.0 * flagged.low,
                100.0 * flagged.high,
                ordinary.long_enough
            ),
            above(100.0 * flagged.found, 3.0, " %"),
        );
    }
}
