//! How often 95 % intervals hold the truth, and how often a unit just beyond a limit passes:
//!
//! `cargo run -p analysis --example coverage -- [TRIALS] [from=FIRST] [each=RESULT] [csv] [WORD ...]`
//!
//! for instance `-- nights 400 edges early shared`. A case is one word of each line, in any
//! order; the first is meant where none is said.
//!
//! - `nights`, `weather` (nights in a room that moves), `sweeps`, `holds`, `imports`,
//!   `hertz` (sweeps of units of hertz per volt): what is measured
//! - `within`, `edges`, `loaded`: the rig is off by anything within its limits, or each
//!   source is at one of its limits and the output resistance at its whole, or that alone is
//! - `calibrated`, `uncalibrated`, `exact`: limits of the calibrated example, the wide ones
//!   of a rig that says nothing, or none: no error at all
//! - `early`, `ongoing`, `room`: how the control voltage drifts
//! - `own`, `shared`: whether three other inputs hang on the same output
//! - `plain`, `leaky`, `uneven`, `sided`, `walk`, `hidden`: what is special in the unit
//!
//! `each=scale_error` prints that result of every trial beside what it truly is.
//!
//! Without a word all cases of the list below are tried, 400 trials each. Trial number n of
//! every case has the same unit and the same errors of the rig, as parts of their limits.
//!
//! Asked for are 93 % of what is determined, and that no more than 2.5 % of units just
//! beyond a limit pass, on either side; what chance brings in less than one of a thousand
//! cases is called wrong. The oracle knows how values scatter about the truth in the case.

#[path = "../tests/nights/coverage/mod.rs"]
#[allow(dead_code)]
mod coverage;
#[path = "../tests/nights/night.rs"]
#[allow(dead_code)]
mod night;

use coverage::case::Case;
use coverage::counted::Table;
use rayon::prelude::*;
use std::process::ExitCode;

/// What is to be shown, in short: every plan, both limits, every shape of drift, both ends.
const CASES: [&str; 32] = [
    "nights within early",
    "nights within ongoing",
    "nights within room",
    "nights edges early",
    "nights edges ongoing",
    "nights edges room",
    "nights edges ongoing shared",
    "nights within early uncalibrated",
    "nights within ongoing uncalibrated",
    "nights loaded early uncalibrated",
    "nights edges early uncalibrated",
    "nights edges ongoing uncalibrated",
    "nights edges ongoing uncalibrated shared",
    "nights leaky",
    "nights uneven",
    "nights walk",
    "nights hidden",
    "weather within early",
    "weather edges room",
    "sweeps within",
    "sweeps edges",
    "sweeps within uncalibrated",
    "sweeps loaded uncalibrated",
    "sweeps edges uncalibrated shared",
    "sweeps leaky",
    "sweeps uneven",
    "sweeps sided",
    "holds within early",
    "holds edges ongoing",
    "imports within early",
    "imports edges ongoing uncalibrated",
    "hertz within",
];

fn main() -> ExitCode {
    let (mut trials, mut first, mut csv) = (400, 0, false);
    let mut each = None;
    let mut words: Vec<String> = Vec::new();
    for argument in std::env::args().skip(1) {
        if let Ok(count) = argument.parse() {
            trials = count;
        } else if let Some(Ok(number)) = argument.strip_prefix("from=").map(str::parse) {
            first = number;
        } else if let Some(name) = argument.strip_prefix("each=") {
            each = Some(name.to_owned());
        } else if argument == "csv" {
            csv = true;
        } else {
            words.push(argument);
        }
    }
    let asked = words.join(" ");
    let cases = if asked.is_empty() {
        &CASES[..]
    } else {
        &[asked.as_str()]
    };
    let mut good = true;
    for words in cases {
        let case = match Case::read(words.split(' ')) {
            Ok(case) => case,
            Err(why) => {
                eprintln!("{why}");
                return ExitCode::FAILURE;
            }
        };
        let seen: Vec<Vec<_>> = (first..first + trials)
            .into_par_iter()
            .map(|number| coverage::seen(&case, number))
            .collect();
        for (number, seen) in (first..).zip(&seen) {
            for seen in seen
                .iter()
                .filter(|seen| each.as_deref() == Some(seen.key.1.name()))
            {
                println!("{number} {seen}");
            }
        }
        let table = Table::of(seen.into_iter().flatten());
        good &= table
            .rows()
            .iter()
            .all(|(.., row)| row.complaint().is_empty());
        if !csv {
            println!("{case}: trials {first} to {}", first + trials - 1);
        }
        println!("{}", table.text(&case.to_string(), csv));
    }
    if good {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
