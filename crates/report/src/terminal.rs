//! A run in 80 columns of plain text.

use crate::RunView;
use crate::bench;
use crate::incidents;
use crate::limited::limited_by;
use crate::numbers::{duration, shown_unit};
use crate::outline::{has_sign, stated, title, unsaid};
use crate::suggestions;
use crate::words::results::choice;
use crate::words::{UnitWords, sentences};
use model::record::PositionId;
use model::result::{Outcome, ResultName};
use textwrap::{Options, WordSeparator, WordSplitter, WrapAlgorithm};

const WIDTH: usize = 80;

/// The run for a terminal: sentences first, then the table of results of each
/// unit, in lines of at most 80 columns.
#[must_use]
pub fn text(view: &RunView<'_>) -> String {
    let mut lines = Vec::new();
    if let Some(warning) = bench::may_still_be_on(view) {
        wrap(&mut lines, &warning, "", "");
        lines.push(String::new());
    }
    if let Some(warning) = view.warning() {
        wrap(&mut lines, &warning, "", "");
        lines.push(String::new());
    }
    wrap(&mut lines, &view.plan.title, "", "");
    let state = match view.damage {
        Some(_) => "part of a damaged run",
        None if view.is_complete() => "complete",
        None => "incomplete",
    };
    wrap(
        &mut lines,
        &format!(
            "run {} on rig {}, {state}, {}",
            view.record.id,
            view.rig.name,
            duration(view.record.last_instant().seconds())
        ),
        "",
        "",
    );
    for sentence in bench::statement(view) {
        wrap(&mut lines, &sentence, "", "");
    }
    if let Some(unheard) = incidents::unheard(view) {
        wrap(&mut lines, &unheard, "", "");
    }
    for words in sentences(view) {
        unit(view, &words, &mut lines);
    }
    suggested(view, &mut lines);
    lines.push(String::new());
    lines.join("\n")
}

/// What the results suggest, after all units: some causes lie outside them.
fn suggested(view: &RunView<'_>, lines: &mut Vec<String>) {
    let all = suggestions::words(view);
    if all.is_empty() {
        return;
    }
    heading(lines, "What this suggests");
    wrap(lines, suggestions::PREFACE, "", "");
    for (place, words) in all.iter().enumerate() {
        let number = format!("{:>2}. ", place + 1);
        wrap(
            lines,
            &format!("{}: {} {}", words.whom, words.seen, words.cause),
            &number,
            "    ",
        );
        wrap(lines, &words.advice, "    Try: ", "    ");
        wrap(lines, &words.settled_by, "    ", "    ");
        if !words.doubt.is_empty() {
            wrap(lines, &words.doubt, "    But: ", "    ");
        }
        if !words.caution.is_empty() {
            wrap(lines, &words.caution, "    Mind: ", "    ");
        }
    }
}

fn unit(view: &RunView<'_>, words: &UnitWords, lines: &mut Vec<String>) {
    let name = match &words.unit.model {
        Some(model) => format!("{} - {model}, in {}", words.name, words.position),
        None => format!("{}, in {}", words.name, words.position),
    };
    heading(lines, &name);
    wrap(lines, &words.headline, "", "");
    for sentence in words
        .incidents
        .iter()
        .chain(&words.owner)
        .chain(&words.technician)
        .chain(&words.gaps)
    {
        wrap(lines, sentence, "", "");
    }
    // The statement on the rig stands once, at the top.
    let general = bench::statement(view);
    for sentence in words.rig.iter().filter(|said| !general.contains(said)) {
        wrap(lines, sentence, "", "");
    }
    for verdict in &words.verdicts {
        let word = format!("  {:<10}", verdict.finding.word());
        wrap(lines, &verdict.tolerance, &word, "            ");
        wrap(lines, &verdict.reason, "            ", "            ");
        if let Some(chance) = &verdict.chance {
            wrap(lines, chance, "            ", "            ");
        }
    }
    if let Some(together) = &words.together {
        wrap(lines, together, "  ", "  ");
    }
    results(view, &words.position, lines);
}

/// The results of a unit: of the stage watched for longest all of them, of others
/// what it does not say and what the plan has a tolerance on.
fn results(view: &RunView<'_>, position: &PositionId, lines: &mut Vec<String>) {
    let outcomes = view.outcomes_of(position);
    let main = view
        .main_stage(position)
        .map_or("", |(stage, _)| stage.name.as_str());
    let said_by_main = |name: ResultName| {
        outcomes
            .iter()
            .any(|other| other.name == name && other.stage == main && stated(other).is_some())
    };
    let tolerated = |outcome: &Outcome| {
        view.plan
            .tolerances
            .iter()
            .any(|tolerance| tolerance.result == outcome.name && tolerance.of == outcome.stage)
    };
    let shown: Vec<&Outcome> = outcomes
        .iter()
        .copied()
        .filter(|outcome| {
            outcome.stage == main
                || tolerated(outcome)
                || (stated(outcome).is_some() && !said_by_main(outcome.name))
        })
        .collect();
    for stage in &view.analysis.stages {
        let here: Vec<&Outcome> = shown
            .iter()
            .copied()
            .filter(|outcome| outcome.stage == stage.name)
            .collect();
        if here.is_empty() {
            continue;
        }
        wrap(lines, &stage.name, "  ", "  ");
        for (place, outcome) in here.iter().enumerate() {
            if stated(outcome).is_none() {
                continue;
            }
            let alike = |other: &&&Outcome| other.name == outcome.name;
            // The same result by another limit says by which.
            let twice = here.iter().filter(alike).count() > 1;
            result(outcome, twice, lines);
            // What a verdict hangs on says what would make it surer; what a tolerance
            // chose comes after what is usual.
            let hangs = tolerated(outcome) && !here[place + 1..].iter().any(|other| alike(&other));
            if let Some(limited) = limited_by(outcome).filter(|_| hangs) {
                beside(lines, "", &limited);
            }
        }
        let unsaid = unsaid(here.into_iter().filter(|outcome| stated(outcome).is_none()));
        for (place, (names, why)) in unsaid.into_iter().enumerate() {
            let name = if place == 0 { "Not to be said" } else { "" };
            let first = format!("    {name:<31}");
            // Where the next reason begins must be seen.
            wrap(lines, &format!("{names}: {why}"), &first, &" ".repeat(37));
        }
    }
}

fn result(outcome: &Outcome, twice: bool, lines: &mut Vec<String>) {
    let Some(value) = stated(outcome) else { return };
    let unit = match shown_unit(value.dimension) {
        "" => String::new(),
        unit => format!(" {unit}"),
    };
    let which = choice(outcome)
        .filter(|_| twice || outcome.name.row().needs_basis)
        .map_or_else(String::new, |choice| format!(": {choice}"));
    let numbers = value.numbers(has_sign(outcome.name));
    beside(
        lines,
        title(outcome.name),
        &format!("{numbers}{unit}{which}"),
    );
}

/// A text beside a name, below the texts beside other names.
pub(crate) fn beside(lines: &mut Vec<String>, name: &str, text: &str) {
    // As wide as the longest title of a result.
    wrap(lines, text, &format!("    {name:<31}"), &" ".repeat(35));
}

/// Adds a heading with a line under it, an empty line above.
pub(crate) fn heading(lines: &mut Vec<String>, text: &str) {
    lines.push(String::new());
    wrap(lines, text, "", "");
    let under = textwrap::core::display_width(text).min(WIDTH);
    lines.push("-".repeat(under));
}

/// Adds a text in lines of at most [`WIDTH`] columns; no line is broken before a per cent
/// sign or beside a plus-minus sign. Control characters, which a serial number may hold,
/// do not reach the terminal.
pub(crate) fn wrap(lines: &mut Vec<String>, text: &str, first: &str, rest: &str) {
    const NO_BREAK: &str = "\u{a0}";
    let clean: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    let words: Vec<&str> = clean.split_whitespace().collect();
    let held = words
        .join(" ")
        .replace(" %", &format!("{NO_BREAK}%"))
        .replace(" ± ", &format!("{NO_BREAK}±{NO_BREAK}"));
    let how = Options::new(WIDTH)
        .initial_indent(first)
        .subsequent_indent(rest)
        .word_separator(WordSeparator::AsciiSpace)
        .word_splitter(WordSplitter::NoHyphenation)
        .wrap_algorithm(WrapAlgorithm::FirstFit);
    for line in textwrap::wrap(&held, how) {
        lines.push(line.replace(NO_BREAK, " ").trim_end().to_owned());
    }
}
