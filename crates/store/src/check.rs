//! Looking a whole store over: every run, every recording, and the database as such.

use crate::error::StoreError;
use crate::evidence;
use crate::gate::{Aim, Seen, Survey};
use crate::library::Library;

/// How many faults of the database as such are told.
const FAULTS: usize = 5;

/// What was found of a store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Checked {
    /// Of each run, in the order in which they were begun; at the end those that are lost.
    pub runs: Vec<CheckedRun>,
    /// What is wrong with the database as such, whatever run it concerns.
    pub faults: Vec<String>,
}

/// What was found of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CheckedRun {
    /// Its identifier.
    pub id: String,
    /// How many readings it has that are sound.
    pub readings: u64,
    /// How many recordings.
    pub recordings: u64,
    /// How many of its entries were there before there were chains: they are as they were
    /// when their store was brought up to date. None where all are chained.
    pub sealed: Option<i64>,
    /// What is wrong with it.
    pub damage: Option<String>,
}

impl Checked {
    /// Whether nothing is wrong.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.faults.is_empty() && self.runs.iter().all(|run| run.damage.is_none())
    }
}

impl Library {
    /// Looks everything over, or one run with its recordings.
    ///
    /// # Errors
    /// When there is no such run, or several; when the store cannot be read.
    pub fn check(&self, run: Option<&str>) -> Result<Checked, StoreError> {
        match run {
            Some(run) => {
                let aim = Aim::at(&self.connection, &self.store, run)?;
                let path = self.store.database();
                let checked = self.consistently(|| {
                    let seen = aim
                        .number(&self.connection, &path)
                        .and_then(|number| self.seen(number, &aim.id, &aim.tally));
                    self.checked(&aim.id, seen)
                })?;
                Ok(Checked {
                    runs: vec![checked],
                    faults: Vec::new(),
                })
            }
            None => self.check_all(),
        }
    }

    fn check_all(&self) -> Result<Checked, StoreError> {
        let survey = Survey::of(&self.connection, &self.store)?;
        self.consistently(|| {
            let faults = self.faults();
            let mut runs = Vec::new();
            let there = survey
                .runs(&self.connection)
                .map_err(|error| self.failed(&error))?;
            for (number, id, found) in &there {
                runs.push(self.checked(id, self.seen(*number, id, found))?);
            }
            for (id, error) in survey.lost(&there, &self.store.database()) {
                runs.push(self.checked(&id, Err(error))?);
            }
            Ok(Checked { runs, faults })
        })
    }

    fn checked(&self, id: &str, seen: Result<Seen, StoreError>) -> Result<CheckedRun, StoreError> {
        let seen = match seen {
            Ok(seen) => seen,
            Err(StoreError::DamagedRun { damage, .. }) => {
                return Ok(CheckedRun {
                    id: id.to_owned(),
                    readings: 0,
                    recordings: 0,
                    sealed: None,
                    damage: Some(damage.to_string()),
                });
            }
            Err(other) => return Err(other),
        };
        let spoilt = seen
            .evidence
            .iter()
            .filter(|row| evidence::fetch(self.store.folder(), id, &row.sha256).is_err())
            .count();
        let damage = match (&seen.damage, spoilt) {
            (Some(damage), _) => Some(damage.to_string()),
            (None, 0) => None,
            (None, spoilt) => Some(format!(
                "its readings are sound, and {spoilt} of its {} recordings cannot be read or are not what was recorded",
                seen.evidence.len()
            )),
        };
        Ok(CheckedRun {
            id: id.to_owned(),
            readings: seen.record.readings.len() as u64,
            recordings: seen.evidence.len() as u64,
            sealed: seen.sealed,
            damage,
        })
    }

    /// What SQLite finds wrong.
    fn faults(&self) -> Vec<String> {
        let found = self
            .connection
            .prepare(&format!("PRAGMA integrity_check({FAULTS})"))
            .and_then(|mut check| {
                check
                    .query_map([], |row| row.get::<_, String>(0))?
                    .collect::<rusqlite::Result<Vec<String>>>()
            });
        match found {
            Ok(lines) if lines == ["ok"] => Vec::new(),
            Ok(lines) => lines,
            Err(error) => vec![error.to_string()],
        }
    }
}
