//! Erasing what a person wrote: the words go, their digest stays in the chain, and the run
//! stays whole.

use crate::error::StoreError;
use crate::gate::{self, Aim};
use crate::{Store, chain, schema};
use model::record::{EventKind, PositionId};
use rusqlite::TransactionBehavior;

/// Words of a person in a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Words {
    /// All that is said of the unit in a position.
    Unit(PositionId),
    /// A remark, counted from 0 in the order in which they were made.
    Remark(usize),
}

impl Store {
    /// Erases words from a run. "(erased)" stands where they were. Older copies of the store
    /// still have them.
    ///
    /// # Errors
    /// When there are no such words, the run is damaged, or the store cannot be written.
    pub fn erase(&self, run: &str, words: &Words) -> Result<(), StoreError> {
        self.for_writing()?;
        let path = self.database();
        let fail = |error: &rusqlite::Error| StoreError::database("erasing", &path, error);
        let mut connection = schema::connect(&path)?;
        // What is erased is overwritten, and does not stay in a free part of a page.
        connection
            .pragma_update(None, "secure_delete", true)
            .map_err(|error| fail(&error))?;
        let aim = Aim::at(&connection, self, run)?;
        let transaction = connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|error| fail(&error))?;
        let number = aim.number(&transaction, &path)?;
        gate::see(&transaction, &path, number, &aim.id, &aim.tally)?.whole(&path)?;
        let erased = match words {
            Words::Unit(position) => transaction.execute(
                "UPDATE unit SET serial = ?, model = NULL, revision = NULL, job = NULL,
                    settings_json = '{}', notes = NULL, salt = NULL
                 WHERE run = ? AND position = ?",
                (chain::ERASED, number, position.as_str()),
            ),
            Words::Remark(place) => transaction.execute(
                "UPDATE event SET text = ?1, salt = NULL WHERE run = ?2 AND entry = (
                    SELECT entry FROM event WHERE run = ?2 AND kind = ?3
                    ORDER BY entry LIMIT 1 OFFSET ?4)",
                (
                    chain::ERASED,
                    number,
                    EventKind::Remark.name(),
                    *place as i64,
                ),
            ),
        }
        .map_err(|error| fail(&error))?;
        if erased == 0 {
            return Err(StoreError::Failed {
                attempted: "erasing".into(),
                path,
                detail: format!("run {} has no such words", aim.id),
            });
        }
        transaction.commit().map_err(|error| fail(&error))?;
        // The log still has them until it is worked off and cut.
        connection
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
            .map_err(|error| fail(&error))
    }
}
