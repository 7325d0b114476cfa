//! The sound behind readings, kept as the plan asks for it.

use crate::error::RunError;
use crate::run::Run;
use model::document::plan::Evidence;
use model::port::{JournalError, Kept};
use model::record::{EventKind, Reading, ReadingKey, State};

impl Run<'_> {
    /// Which readings the plan wants the sound of.
    pub(crate) fn worth_recording(&self, readings: &[Reading]) -> Vec<ReadingKey> {
        readings
            .iter()
            .filter(|reading| match self.plan.evidence {
                Evidence::None => false,
                Evidence::Flagged { .. } => {
                    reading.measured.state != State::Ok || !reading.measured.flags.is_empty()
                }
                Evidence::All { .. } => true,
            })
            .map(|reading| reading.key.clone())
            .collect()
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
            self.say(EventKind::Fault, Some(stage), complaint)?;
        }
        Ok(())
    }
}
