//! Exit codes, and errors that carry one.

use model::result::{Finding, Verdict};
use recording::RecordingError;
use std::fmt;

/// Bad usage or bad input, or a plan that cannot be run.
pub const BAD_INPUT: u8 = 2;
/// The rig failed or the run is incomplete.
pub const INCOMPLETE: u8 = 3;
/// A tolerance failed.
pub const FAILED: u8 = 1;
/// None failed but one is undecided.
pub const UNDECIDED: u8 = 4;

/// What a person is told of why the program ends: begun with its name, unless what is said
/// must stand at the very beginning.
pub fn said(message: &str) -> String {
    if message.starts_with(model::record::MAY_STILL_BE_ON) {
        message.to_owned()
    } else {
        format!("nightbench: {message}")
    }
}

/// Something to tell the person at the bench before the program ends.
#[derive(Debug)]
pub struct Failure {
    /// The exit code.
    pub code: u8,
    /// What to say.
    pub message: String,
}

impl Failure {
    /// Bad usage or bad input.
    pub fn input(message: impl fmt::Display) -> Self {
        Self {
            code: BAD_INPUT,
            message: message.to_string(),
        }
    }
    /// The rig failed, or something it needs.
    pub fn rig(message: impl fmt::Display) -> Self {
        Self {
            code: INCOMPLETE,
            message: message.to_string(),
        }
    }
}

impl From<store::StoreError> for Failure {
    fn from(error: store::StoreError) -> Self {
        use store::StoreError::{
            NetworkFileSystem, NoStore, NoSuchRun, NotInProgress, NotReadable, UnknownFileSystem,
        };
        match error {
            NoStore { .. }
            | NoSuchRun(..)
            | NotInProgress(..)
            | NotReadable { .. }
            | NetworkFileSystem { .. }
            | UnknownFileSystem { .. } => Self::input(error),
            ref damaged @ store::StoreError::DamagedRun {
                ref run,
                ref damage,
                ..
            } if damage.sound_entries > 0 => Self::rig(format!(
                "{damaged}; what is sound of it is shown by: nightbench show {run} --sound-part"
            )),
            other => Self::rig(other),
        }
    }
}

impl From<RecordingError> for Failure {
    fn from(error: RecordingError) -> Self {
        match error {
            RecordingError::Document(_) | RecordingError::Capture(_) => Self::rig(error),
            _ => Self::input(error),
        }
    }
}

/// The exit code of a run: incomplete before failed before undecided.
pub fn of_run(complete: bool, verdicts: &[Verdict]) -> u8 {
    let any = |finding| verdicts.iter().any(|verdict| verdict.finding == finding);
    if !complete {
        INCOMPLETE
    } else if any(Finding::Fail) {
        FAILED
    } else if any(Finding::Undecided) {
        UNDECIDED
    } else {
        0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::record::PositionId;
    use model::result::Because;

    #[test]
    fn incomplete_comes_before_failed_and_failed_before_undecided() {
        let verdict = |finding| Verdict {
            tolerance: 0,
            position: PositionId::new("left"),
            finding,
            result: None,
            because: Because::NotDetermined,
            outside: None,
        };
        let (pass, fail) = (verdict(Finding::Pass), verdict(Finding::Fail));
        let undecided = verdict(Finding::Undecided);
        let all = [pass.clone(), undecided.clone(), fail];
        assert_eq!(of_run(true, &[]), 0);
        assert_eq!(of_run(true, std::slice::from_ref(&pass)), 0);
        assert_eq!(of_run(true, &[pass, undecided]), 4);
        assert_eq!(of_run(true, &all), 1);
        assert_eq!(of_run(false, &all), 3);
        assert_eq!(of_run(false, &[]), 3);
    }
}
