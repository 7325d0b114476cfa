//! Whether a document that can be read makes sense: by itself, and on a rig.
//!
//! Each check stops at the first error and tells where it stands. What is allowed
//! but likely not meant comes back as remarks.

mod certificates;
mod listening;
mod plan;
mod rig;
mod simulated;
mod together;
mod tolerance;
mod wiring;

pub use certificates::check_certificates;
pub use plan::check_plan;
pub use rig::check_rig;
pub use together::check_together;

use super::error::{DocumentError, Remark, clipped, instead_of};
use super::path::Path;
use super::source::Document;

/// The outcome of a check.
pub type Checked = Result<Vec<Remark>, DocumentError>;

/// Collects remarks, and makes errors, about one document.
struct Checker<'a, T> {
    document: &'a Document<T>,
    remarks: Vec<Remark>,
}

impl<'a, T> Checker<'a, T> {
    const fn new(document: &'a Document<T>) -> Self {
        Self {
            document,
            remarks: Vec::new(),
        }
    }

    /// An error unless something holds.
    fn require(
        &self,
        holds: bool,
        path: &Path,
        problem: impl FnOnce() -> String,
        advice: impl FnOnce() -> String,
    ) -> Result<(), DocumentError> {
        if holds {
            return Ok(());
        }
        Err(self.document.error(path, problem(), Some(advice())))
    }

    /// An error unless a whole number lies in a range.
    fn in_range(
        &self,
        number: u64,
        range: std::ops::RangeInclusive<u64>,
        path: &Path,
        what: &str,
    ) -> Result<(), DocumentError> {
        let (low, high) = (range.start(), range.end());
        self.require(
            range.contains(&number),
            path,
            || format!("{number} is not a possible {what}"),
            || format!("expected a whole number from {low} to {high}"),
        )
    }

    /// An error unless a name is known, with the nearest one that is.
    fn known<'n>(
        &self,
        name: &str,
        known: impl Iterator<Item = &'n str> + Clone,
        path: &Path,
        what: &str,
    ) -> Result<(), DocumentError> {
        if known.clone().any(|candidate| candidate == name) {
            return Ok(());
        }
        let problem = format!("there is no {what} \"{}\"", clipped(name, 40));
        let advice = if known.clone().next().is_none() {
            format!("no {what} is described yet")
        } else {
            instead_of(name, known)
        };
        Err(self.document.error(path, problem, Some(advice)))
    }

    fn remark(&mut self, path: &Path, problem: impl Into<String>, advice: impl Into<String>) {
        let remark = self.document.remark(path, problem, Some(advice.into()));
        self.remarks.push(remark);
    }
}

/// The path that these steps make, from the top.
macro_rules! at {
    ($($step:expr),+ $(,)?) => { $crate::document::path::Path::root()$(.then($step))+ };
}
use at;
