//! `store check` and `store copy`.

use super::StoreFolder;
use clap::{Args, Subcommand, ValueHint};
use std::path::PathBuf;

/// `nightbench store`.
#[derive(Debug, Args)]
pub struct StoreCommand {
    /// What to do.
    #[command(subcommand)]
    pub command: Keeping,
}

/// What to do with a store.
#[derive(Debug, Subcommand)]
pub enum Keeping {
    /// Check that everything committed is there and is what was committed.
    #[command(after_help = "\
Examples:
  nightbench store check
  nightbench store check 3f9c2a1b

Each run has a line: whole or damaged, and of a damaged one what of it can be relied on,
which `show`, `report` and `export` give with --sound-part. Recordings are held against
their hashes. A run that is sealed was begun by a program that kept no digests: what it
held when the store was brought up to date is vouched for from then on. The exit code is
3 when anything is damaged, 0 otherwise.")]
    Check(StoreCheck),
    /// Copy the store, recordings included, and check the copy.
    #[command(after_help = "\
Example:
  nightbench store copy /media/backup/bench-2026-03-01

Runs may go on meanwhile: the copy is of one moment. It gets its name when it has been
checked; nothing is overwritten. A run that is damaged is damaged in the copy, too; the
exit code is then 3. The copy is a store: `nightbench runs --store COPY` lists it.")]
    Copy(StoreCopy),
}

/// `nightbench store check`.
#[derive(Debug, Args)]
pub struct StoreCheck {
    /// The one run to check, or the beginning of its identifier; all unless said.
    pub run: Option<String>,
    #[command(flatten)]
    pub store: StoreFolder,
}

/// `nightbench store copy`.
#[derive(Debug, Args)]
pub struct StoreCopy {
    /// The folder to make; there must be nothing of that name.
    #[arg(value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub to: PathBuf,
    #[command(flatten)]
    pub store: StoreFolder,
}
