//! The way from the top of a document to one of its values.

use std::fmt;

/// One step down: into a mapping by key, or into a list by position.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Step {
    /// By key.
    Key(String),
    /// By position, counted from 0.
    Index(usize),
}

impl From<&str> for Step {
    fn from(key: &str) -> Self {
        Self::Key(key.to_owned())
    }
}

impl From<&String> for Step {
    fn from(key: &String) -> Self {
        Self::Key(key.clone())
    }
}

impl From<usize> for Step {
    fn from(index: usize) -> Self {
        Self::Index(index)
    }
}

/// The way from the top of a document to one of its values, written like
/// `stages[2].rounds.every`; list positions count from 0.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Path(Vec<Step>);

impl Path {
    /// The document itself.
    #[must_use]
    pub const fn root() -> Self {
        Self(Vec::new())
    }
    /// Whether it is the document itself.
    #[must_use]
    pub fn is_root(&self) -> bool {
        self.0.is_empty()
    }
    /// The path one step further down.
    #[must_use]
    pub fn then(&self, step: impl Into<Step>) -> Self {
        let mut steps = self.0.clone();
        steps.push(step.into());
        Self(steps)
    }
    /// The steps from the top.
    #[must_use]
    pub fn steps(&self) -> &[Step] {
        &self.0
    }
    /// The value that this one stands in; for the document, the document.
    pub(super) fn above(&self) -> Self {
        let steps = self.0.split_last().map_or(&[][..], |(_, above)| above);
        Self(steps.to_vec())
    }
}

impl fmt::Display for Path {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (count, step) in self.0.iter().enumerate() {
            match step {
                Step::Index(index) => write!(f, "[{index}]")?,
                Step::Key(key) => {
                    if count > 0 {
                        f.write_str(".")?;
                    }
                    let plain = |c: char| c.is_alphanumeric() || matches!(c, '_' | '-');
                    if !key.is_empty() && key.chars().all(plain) {
                        f.write_str(key)?;
                    } else {
                        write!(f, "{:?}", super::error::clipped(key, 40))?;
                    }
                }
            }
        }
        Ok(())
    }
}
