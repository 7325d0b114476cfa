//! Random tones of every category: gross errors, coverage of the uncertainty, flags.
//!
//! `cargo run --release -p meter --example categories [cases a category] [seed] [category]`
//!
//! With a category (or `every`), what went wrong is told case by case. The long form of
//! the test `every_category_is_covered`; what the laboratory has no category for is here: a
//! level that changes, hum below few periods, noise of 1/f, drifts of 100 cents a second.
#[path = "../tests/tones/mod.rs"]
mod tones;

use meter::Meter;
use model::quantity::Hertz;
use model::record::{Flag, State};
use model::time::SampleRate;
use std::collections::BTreeMap;
use tones::{Case, Dice, cents};

#[derive(Default)]
struct Count {
    cases: usize,
    ok: usize,
    gross_silent: usize,
    gross_flagged: usize,
    counted: usize,
    inside: usize,
    few: usize,
    few_inside: usize,
    errors: Vec<f64>,
    words: BTreeMap<&'static str, usize>,
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let cases: usize = arguments.next().map_or(Ok(200), |n| n.parse())?;
    let seed: u64 = arguments.next().map_or(Ok(1), |n| n.parse())?;
    let only = arguments.next();
    println!(
        "{:17} {:>6} {:>6} {:>7} {:>7} {:>7} {:>7} {:>10} {:>10}  states and flags",
        "category", "cases", "ok", "gross", "gross f", "in 2 u", "few p", "median c", "99 % c"
    );
    let mut all = Count::default();
    for category in Case::CATEGORIES {
        if only
            .as_deref()
            .is_some_and(|only| only != category && only != "every")
        {
            continue;
        }
        let mut count = Count::default();
        for index in 0..cases {
            let mut dice = Dice::new(seed * 1_000_003 + index as u64);
            let case = Case::draw(category, &mut dice);
            let rate = SampleRate::new(Hertz::of(case.rate)).ok_or("rate")?;
            let estimate = Meter::new(rate).estimate(&case.samples);
            count.cases += 1;
            if estimate.state != State::Ok {
                *count.words.entry(estimate.state.name()).or_default() += 1;
            }
            for flag in estimate.flags.iter() {
                *count.words.entry(flag.name()).or_default() += 1;
            }
            let (Some(found), Some(u)) = (estimate.frequency, estimate.u) else {
                if only.is_some() {
                    println!(
                        "  {index}: {:?} {:?} {}",
                        estimate.state,
                        estimate.flags.names(),
                        case.story
                    );
                }
                continue;
            };
            count.ok += 1;
            let error = cents(found.get(), case.truth);
            let warned = [
                Flag::OctaveAmbiguous,
                Flag::FewPeriods,
                Flag::HumNear,
                Flag::Moving,
            ]
            .iter()
            .any(|flag| estimate.flags.contains(*flag));
            if error.abs() > 50.0 {
                if warned {
                    count.gross_flagged += 1;
                } else {
                    count.gross_silent += 1;
                }
                if only.is_some() {
                    println!(
                        "  {index}: GROSS {:.3} for {:.3} {:?} {}",
                        found.get(),
                        case.truth,
                        estimate.flags.names(),
                        case.story
                    );
                }
                continue;
            }
            count.errors.push(error.abs());
            let ratio = (found.get() - case.truth).abs() / u.get();
            if case.periods() >= 12.0 {
                count.counted += 1;
                count.inside += usize::from(ratio < 2.0);
            } else {
                count.few += 1;
                count.few_inside += usize::from(ratio < 2.0);
            }
            if only.is_some() && ratio > 4.0 {
                println!(
                    "  {index}: {ratio:.1} u, {error:.5} cent {:?} explained {:?} {}",
                    estimate.flags.names(),
                    estimate.explained,
                    case.story
                );
            }
        }
        count.show(category);
        all.add(&mut count);
    }
    all.show("all");
    Ok(())
}

impl Count {
    fn show(&mut self, name: &str) {
        self.errors.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let index = (self.errors.len() as f64 * share) as usize;
            self.errors.get(index).copied().unwrap_or(f64::NAN)
        };
        let words: Vec<String> = self
            .words
            .iter()
            .map(|(word, n)| format!("{word} {n}"))
            .collect();
        println!(
            "{name:17} {:6} {:6} {:7} {:7} {:7.3} {:7.3} {:10.6} {:10.6}  {}",
            self.cases,
            self.ok,
            self.gross_silent,
            self.gross_flagged,
            self.inside as f64 / self.counted.max(1) as f64,
            self.few_inside as f64 / self.few.max(1) as f64,
            at(0.5),
            at(0.99),
            words.join(", "),
        );
    }

    fn add(&mut self, other: &mut Self) {
        self.cases += other.cases;
        self.ok += other.ok;
        self.gross_silent += other.gross_silent;
        self.gross_flagged += other.gross_flagged;
        self.counted += other.counted;
        self.inside += other.inside;
        self.few += other.few;
        self.few_inside += other.few_inside;
        self.errors.append(&mut other.errors);
        for (word, n) in &other.words {
            *self.words.entry(word).or_default() += n;
        }
    }
}
