//! Many cases, counted.

use laboratory::case::Case;
use laboratory::category::Category;
use laboratory::confidence::{mean_square, share};
use laboratory::judge::{COUNTED_PERIODS, Judgement, Meters, Tally};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

/// An error this many uncertainties from the truth is written down.
const FAR: f64 = 4.0;

/// A waveform at a pitch and a ratio of tone to noise.
pub struct Cell {
    /// What it is.
    pub name: String,
    /// What came of it.
    pub tally: Tally,
}

/// Saw, pulse, triangle and sine of 55 to 3520 Hz at 20 to 60 dB.
pub fn efficiency(seed: u64, trials: u64) -> Vec<Cell> {
    println!("Half a second at 48 kHz, {trials} trials a cell, seed {seed}:");
    println!("mean square error over the bound (95 % interval), truth within 2 u, flagged");
    let mut cells = Vec::new();
    let mut meters = Meters::default();
    for wave in ["saw", "pulse", "triangle", "sine"] {
        for octave in 0..7 {
            let hertz = 55.0 * f64::from(octave).exp2();
            for snr_db in [20.0, 30.0, 40.0, 50.0, 60.0] {
                let mut tally = Tally::default();
                for index in 0..trials {
                    let case = Case::cell(wave, hertz, snr_db, seed, index);
                    tally.add(&case, &meters.judge(&case));
                }
                let square = mean_square(tally.squares.iter().sum(), tally.squares.len());
                let within = share(tally.within, tally.counted);
                let name = format!("{wave:8} {hertz:5.0} Hz {snr_db:3.0} dB");
                println!(
                    "{name}  {:7.3} ({:.3} to {:.3})  {:.3}  {:.3}",
                    square.found,
                    square.low,
                    square.high,
                    within.found,
                    tally.flagged as f64 / tally.cases.max(1) as f64,
                );
                cells.push(Cell { name, tally });
            }
        }
    }
    cells
}

/// Random cases of each category.
pub fn categories(
    categories: &[Category],
    seed: u64,
    cases: u64,
    failures: Option<&Path>,
) -> io::Result<BTreeMap<Category, Tally>> {
    let mut written = failures.map(File::create).transpose()?.map(BufWriter::new);
    println!("{cases} cases a category, seed {seed}");
    println!(
        "{:17} {:>6} {:>7} {:>6} {:>7} {:>15} {:>7} {:>9} {:>9} {:>9}  states and flags",
        "category",
        "cases",
        "silent",
        "gross",
        "in 2 u",
        "95 % of that",
        "few p.",
        "mse/bound",
        "median c",
        "99 % c"
    );
    let mut meters = Meters::default();
    let mut found = BTreeMap::new();
    let mut all = Tally::default();
    for category in categories {
        let mut tally = Tally::default();
        for index in 0..cases {
            let case = Case::draw(*category, seed, index);
            let judged = meters.judge(&case);
            if let Some(file) = &mut written {
                write_down(file, &case, &judged)?;
            }
            tally.add(&case, &judged);
        }
        println!("{}", line(category.name(), &tally));
        if let Some(file) = &mut written {
            writeln!(file, "# {}", line(category.name(), &tally))?;
            file.flush()?;
        }
        all.merge(&tally);
        found.insert(*category, tally);
    }
    println!("{}", line("all", &all));
    Ok(found)
}

fn line(name: &str, tally: &Tally) -> String {
    let within = share(tally.within, tally.counted);
    let few = share(tally.within_few, tally.counted_few).found;
    let squares = tally.squares.iter().sum::<f64>() / tally.squares.len() as f64;
    let number = |value: f64| {
        if value.is_finite() {
            format!("{value:.3}")
        } else {
            "-".to_owned()
        }
    };
    let cents = |share: f64| {
        tally
            .error_quantile(share)
            .map_or("-".to_owned(), |error| format!("{error:.2e}"))
    };
    let words: Vec<String> = tally
        .words
        .iter()
        .map(|(word, count)| format!("{word} {count}"))
        .collect();
    format!(
        "{name:17} {:6} {:7} {:6} {:>7} {:>15} {:>7} {:>9} {:>9} {:>9}  {}",
        tally.cases,
        tally.gross_unflagged,
        tally.gross,
        number(within.found),
        format!("{:.3} to {:.3}", within.low, within.high),
        number(few),
        number(squares),
        cents(0.5),
        cents(0.99),
        words.join(", ")
    )
}

/// Cases that went wrong, so that each can be made again.
fn write_down(file: &mut impl Write, case: &Case, judged: &Judgement) -> io::Result<()> {
    let far = judged.error_in_u.is_some_and(|ratio| ratio.abs() > FAR);
    let lost =
        case.category.is_ordinary() && case.periods() >= COUNTED_PERIODS && judged.is_flagged();
    let word = match (judged.is_gross(), judged.is_flagged(), far, lost) {
        (true, false, ..) => "GROSS UNFLAGGED",
        (true, true, ..) => "gross flagged",
        (_, _, true, _) => "far off",
        (_, _, _, true) => "flagged without need",
        _ => return Ok(()),
    };
    writeln!(
        file,
        "{word}: --category {} --case {} --seed {}: found {:?} true {:?} {} u {:.3e} error {:?} cent {:.1} u, {:.1} periods; {}",
        case.category.name(),
        case.index,
        case.seed,
        judged.estimate.frequency.map(|f| f.get()),
        case.truth,
        judged.words(),
        judged.estimate.u.map_or(f64::NAN, |u| u.get()),
        judged.error_cents,
        judged.error_in_u.unwrap_or(f64::NAN),
        case.periods(),
        case.story
    )
}
