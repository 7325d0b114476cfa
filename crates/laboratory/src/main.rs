//! Prints what the meter reaches, each figure with its confidence.

mod comparison;
mod goals;
mod one_case;
mod speed;
mod statistics;

use clap::{Args, Parser, Subcommand};
use laboratory::category::Category;
use std::error::Error;
use std::path::PathBuf;

/// Measures the meter on signals of known frequency.
#[derive(Parser)]
struct Arguments {
    #[command(subcommand)]
    task: Task,
}

#[derive(Subcommand)]
enum Task {
    /// Every goal, one after the other.
    Goals {
        #[command(flatten)]
        seed: Seed,
        /// Trials a cell of efficiency.
        #[arg(long, default_value_t = 200)]
        trials: u64,
        /// Cases a category.
        #[arg(long, default_value_t = 2000)]
        cases: u64,
        /// Where to write cases that went wrong.
        #[arg(long)]
        failures: Option<PathBuf>,
    },
    /// Mean square error over the bound, cell by cell.
    Efficiency {
        #[command(flatten)]
        seed: Seed,
        /// Trials a cell.
        #[arg(long, default_value_t = 200)]
        trials: u64,
    },
    /// Gross errors, coverage and flags, category by category.
    Categories {
        #[command(flatten)]
        seed: Seed,
        /// Cases a category.
        #[arg(long, default_value_t = 200)]
        cases: u64,
        /// Only these; all if none is named.
        #[arg(long = "category", value_parser = category)]
        categories: Vec<Category>,
        /// Where to write cases that went wrong.
        #[arg(long)]
        failures: Option<PathBuf>,
    },
    /// Processor time against real time.
    Speed {
        #[command(flatten)]
        seed: Seed,
    },
    /// Memory that an estimate asks for.
    Allocations {
        #[command(flatten)]
        seed: Seed,
    },
    /// Beside public estimators, where Python has them, on the same cases.
    Compare {
        #[command(flatten)]
        seed: Seed,
        /// Cases a category.
        #[arg(long, default_value_t = 20)]
        cases: u64,
        /// The Python that has numpy, aubio and librosa.
        #[arg(long, default_value = "python3")]
        python: String,
    },
    /// All that is known of one case.
    Case {
        #[command(flatten)]
        seed: Seed,
        /// Its category.
        #[arg(long, value_parser = category)]
        category: Category,
        /// Its number.
        #[arg(long)]
        case: u64,
        /// Where to write it as a recording of 32-bit floats.
        #[arg(long)]
        wav: Option<PathBuf>,
    },
}

/// Where the random numbers begin.
#[derive(Args, Clone, Copy)]
struct Seed {
    /// The seed of all that is drawn.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn category(name: &str) -> Result<Category, String> {
    Category::from_name(name).ok_or_else(|| {
        let names = Category::ALL.map(Category::name);
        format!("the categories are {}", names.join(", "))
    })
}

fn main() -> Result<(), Box<dyn Error>> {
    match Arguments::parse().task {
        Task::Goals {
            seed,
            trials,
            cases,
            failures,
        } => {
            let cells = statistics::efficiency(seed.seed, trials);
            let found =
                statistics::categories(&Category::ALL, seed.seed, cases, failures.as_deref())?;
            println!();
            goals::of_efficiency(&cells);
            goals::of_categories(&found);
            speed::speed(seed.seed)?;
            speed::allocations(seed.seed)?;
        }
        Task::Speed { seed } => speed::speed(seed.seed)?,
        Task::Allocations { seed } => speed::allocations(seed.seed)?,
        Task::Compare {
            seed,
            cases,
            python,
        } => comparison::compare(seed.seed, cases, &python)?,
        Task::Efficiency { seed, trials } => {
            let found = statistics::efficiency(seed.seed, trials);
            goals::of_efficiency(&found);
        }
        Task::Categories {
            seed,
            cases,
            categories,
            failures,
        } => {
            let categories = if categories.is_empty() {
                Category::ALL.to_vec()
            } else {
                categories
            };
            let found = statistics::categories(&categories, seed.seed, cases, failures.as_deref())?;
            goals::of_categories(&found);
        }
        Task::Case {
            seed,
            category,
            case,
            wav,
        } => one_case::show(category, seed.seed, case, wav.as_deref())?,
    }
    Ok(())
}
