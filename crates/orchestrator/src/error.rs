//! What can end a run before its plan does.

use model::port::{CaptureError, JournalError, NoAnswer, PortError};
use model::record::MAY_STILL_BE_ON;
use model::time::{Cancelled, StopReason};

/// Why a run ended before its plan did.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RunError {
    /// Somebody asked for it.
    #[error("stopped on request; `nightbench resume` carries on")]
    Stopped(StopReason),
    /// A question waits, and there is nobody any more who could answer.
    #[error(
        "a question waits and nobody can answer it: standard input has ended, or its terminal was closed. `nightbench resume` asks it again; resume the run at a terminal"
    )]
    Unanswered,
    /// A device failed and did not come back.
    #[error(transparent)]
    Device(#[from] PortError),
    /// The audio input failed and did not come back.
    #[error(transparent)]
    Capture(CaptureError),
    /// Nothing can be kept any more.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The checks before the plan found the night would be wasted.
    #[error(
        "the checks before the plan found: {0}. Put it right, then resume the run: it begins with the same checks"
    )]
    Preflight(String),
    /// A supply is not where it was set, or nobody knows where it is.
    #[error("{0}")]
    Electrical(String),
    /// A supply did not do as it was told, or did not say so.
    #[error("{0}; as it is not certain where its output stands, the supplies were sent off")]
    NotSwitched(PortError),
    /// Something ended the run, and a supply did not confirm that it went off.
    #[error("{MAY_STILL_BE_ON}: {uncertain}; {error}")]
    MayStillBeOn {
        /// Which supply, and what to do.
        uncertain: String,
        /// What ended the run.
        error: Box<Self>,
    },
    /// The plan says to stop at a bad reading.
    #[error("{0}; the plan says to stop at a bad reading")]
    BadReading(String),
    /// The plan does not fit the rig any more.
    #[error("{0}")]
    Unfit(String),
}

impl RunError {
    /// Whether the reason is electrical, so that supplies must go off.
    #[must_use]
    pub fn is_electrical(&self) -> bool {
        match self {
            Self::Electrical(_) | Self::Stopped(StopReason::Electrical) => true,
            Self::MayStillBeOn { error, .. } => error.is_electrical(),
            _ => false,
        }
    }
}

impl From<Cancelled> for RunError {
    fn from(_: Cancelled) -> Self {
        Self::Stopped(StopReason::Asked)
    }
}

impl From<NoAnswer> for RunError {
    fn from(why: NoAnswer) -> Self {
        match why {
            NoAnswer::Cancelled(cancelled) => cancelled.into(),
            NoAnswer::NobodyThere => Self::Unanswered,
        }
    }
}

impl From<CaptureError> for RunError {
    fn from(error: CaptureError) -> Self {
        match error {
            CaptureError::Cancelled(cancelled) => cancelled.into(),
            CaptureError::Device(device) => Self::Device(device),
            other => Self::Capture(other),
        }
    }
}
