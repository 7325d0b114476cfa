//! The sound behind readings, kept as the plan asks for it.

use crate::error::RunError;
use crate::run::Run;
use model::document::plan::Evidence;
use model::port::{JournalError, Kept};
use model::record::{EventKind, Reading, ReadingKey};

/// What a recording takes on disk: 32-bit floats, and what stands around them.
const BYTES_A_SAMPLE: f64 = 4.0;
const BYTES_BESIDE: f64 = 128.0;

impl Run<'_> {
    /// Which readings the plan wants the sound of.
    pub(crate) fn worth_recording(&self, readings: &[Reading]) -> Vec<ReadingKey> {
        readings
            .iter()
            .filter(|reading| match self.plan.evidence {
                Evidence::None => false,
                Evidence::Flagged { .. } => reading.is_doubtful(),
                Evidence::All { .. } => true,
            })
            .map(|reading| reading.key.clone())
            .collect()
    }

    /// Whether all recordings that were to be kept so far come to more than the plan's
    /// budget. That is reckoned from the readings on disk: a recording that was lost
    /// because the program was killed just then leaves no more room for those after it.
    fn over_budget(&self) -> Option<String> {
        let (heard, budget) = match self.plan.evidence {
            Evidence::None => return None,
            Evidence::Flagged { budget } => (self.progress.heard_flagged, budget),
            Evidence::All { budget } => (self.progress.heard_all, budget),
        };
        let rate = self.session.ear.timeline().rate.get();
        let bytes = heard.seconds * rate * BYTES_A_SAMPLE + heard.count as f64 * BYTES_BESIDE;
        (bytes > budget.get()).then(|| {
            format!("recordings have come to the plan's budget of {budget}; no more are kept")
        })
    }

    /// Ends the keeping of recordings where the budget is used up and that has not been said.
    pub(crate) fn look_at_budget(&mut self, stage: Option<u16>) -> Result<(), RunError> {
        if self.progress.recordings_stopped {
            self.session.ear.remembers = false;
        } else if let Some(complaint) = self.over_budget() {
            self.session.ear.remembers = false;
            self.say(EventKind::RecordingsStopped, stage, complaint)?;
        }
        Ok(())
    }

    /// Keeps the sound behind readings that have just been committed. What cannot
    /// be kept is said once and ends nothing but the keeping.
    pub(crate) fn keep_recordings(
        &mut self,
        stage: u16,
        keys: &[ReadingKey],
    ) -> Result<(), RunError> {
        let (Evidence::Flagged { budget } | Evidence::All { budget }) = self.plan.evidence else {
            return Ok(());
        };
        self.look_at_budget(Some(stage))?;
        let rate = self.session.ear.timeline().rate;
        for key in keys {
            if !self.session.ear.remembers {
                break;
            }
            let Some(samples) = self.session.ear.remembered.get(&key.position) else {
                continue;
            };
            let complaint = match self.journal.keep_recording(key, samples, rate, budget) {
                Ok(Kept::OnDisk | Kept::NotKept) => continue,
                Ok(Kept::OverBudget) => {
                    format!(
                        "recordings have come to the plan's budget of {budget}; no more are kept"
                    )
                }
                Err(full @ JournalError::Full(_)) => return Err(full.into()),
                Err(error) => {
                    format!("a recording could not be kept, and no more are tried: {error}")
                }
            };
            self.session.ear.remembers = false;
            self.say(EventKind::RecordingsStopped, Some(stage), complaint)?;
        }
        Ok(())
    }
}
