//! A verified copy of a store, also while a run is written into it.

use crate::check::Checked;
use crate::error::StoreError;
use crate::library::Library;
use crate::unfinished::TemporaryFolder;
use crate::{Store, evidence, folder, schema, tally};
use rusqlite::Connection;
use rusqlite::backup::{Backup, StepResult};
use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

const ATTEMPTED: &str = "copying the store";
/// How long to wait for another one's commit.
const PATIENCE: Duration = Duration::from_secs(10);

impl Library {
    /// Copies the store, as it is at one moment, into a folder that is made, recordings
    /// included. The copy is made aside, looked over, put on disk and then gets its name. A run
    /// that is damaged is so in the copy, too, which what is returned says.
    ///
    /// # Errors
    /// When there is something of that name, the copy cannot be made, or it is not what the
    /// store is; nothing is left of it then.
    pub fn copy_to(&self, target: &Path) -> Result<Checked, StoreError> {
        let refused = |detail: String| StoreError::Failed {
            attempted: ATTEMPTED.to_owned(),
            path: target.to_owned(),
            detail,
        };
        let fail = |error: &std::io::Error| StoreError::file(ATTEMPTED, target, error);
        if target.symlink_metadata().is_ok() {
            return Err(refused(
                "there is something of that name; name a folder that is not there yet".to_owned(),
            ));
        }
        let whole = std::path::absolute(target).map_err(|error| fail(&error))?;
        let parent = whole.parent().unwrap_or(&whole);
        // What a copy that was killed left there is swept first.
        let aside = TemporaryFolder::hidden_in(parent).map_err(|error| fail(&error))?;
        // First, so that the database has all that they speak of.
        tally::copy(self.store.tallies(), aside.path())?;
        self.copy_database(aside.path())?;
        self.add_tallies(aside.path())?;
        self.copy_recordings(aside.path())?;
        let checked = Store::open(aside.path())?.library()?.check(None)?;
        let before = self.check(None)?;
        let is_new = |id: &str| {
            !before
                .runs
                .iter()
                .any(|run| run.id == id && run.damage.is_some())
        };
        if let Some(spoilt) = checked
            .runs
            .iter()
            .find(|run| run.damage.is_some() && is_new(&run.id))
        {
            return Err(refused(format!(
                "run {} is not in the copy what it is here; check the disk, and try again",
                spoilt.id
            )));
        }
        let permissions = std::fs::metadata(self.store.folder())
            .map_err(|error| fail(&error))?
            .permissions();
        std::fs::set_permissions(aside.path(), permissions).map_err(|error| fail(&error))?;
        folder::sync(aside.path())?;
        std::fs::rename(aside.path(), &whole).map_err(|error| fail(&error))?;
        aside.is_finished();
        folder::sync(parent)?;
        Ok(checked)
    }

    fn copy_database(&self, aside: &Path) -> Result<(), StoreError> {
        let path = schema::database(aside);
        let fail = |error: &rusqlite::Error| StoreError::database(ATTEMPTED, &path, error);
        let mut copy = Connection::open(&path).map_err(|error| fail(&error))?;
        let begun = Instant::now();
        {
            let backup = Backup::new(&self.connection, &mut copy).map_err(|error| fail(&error))?;
            // All pages in one step are of one moment; in several, each commit of a run would
            // begin it anew.
            loop {
                match backup.step(-1).map_err(|error| fail(&error))? {
                    StepResult::Done => break,
                    _ if begun.elapsed() < PATIENCE => {
                        std::thread::sleep(Duration::from_millis(20));
                    }
                    _ => {
                        return Err(StoreError::InUse {
                            what: format!("the store in {}", self.store.folder().display()),
                            holder: "by another program that does not let go of it".to_owned(),
                            advice: "close that program and try again",
                        });
                    }
                }
            }
        }
        copy.close().map_err(|(_, error)| fail(&error))?;
        File::open(&path)
            .and_then(|file| file.sync_all())
            .map_err(|error| StoreError::file(ATTEMPTED, &path, &error))
    }

    /// Makes the tallies of runs that were begun while theirs were copied.
    fn add_tallies(&self, aside: &Path) -> Result<(), StoreError> {
        let there = Store::open(aside)?.library()?;
        for seen in there.all_seen()? {
            let id = seen.record.id.as_str();
            if tally::look(aside, id)? == tally::Found::Missing
                && tally::look(self.store.tallies(), id)? != tally::Found::Missing
            {
                tally::Tally::make(aside, id, &seen.committed())?;
            }
        }
        Ok(())
    }

    /// Copies the recordings that the copied database knows. One that is gone or spoilt is
    /// missing in the copy, too.
    fn copy_recordings(&self, aside: &Path) -> Result<(), StoreError> {
        let there = Store::open(aside)?.library()?;
        for seen in there.all_seen()? {
            let id = seen.record.id.as_str();
            for row in seen.evidence {
                let Ok(wav) = evidence::fetch(self.store.folder(), id, &row.sha256) else {
                    continue;
                };
                let path = evidence::file_of(aside, id, &row.sha256);
                let home = evidence::folder_of(aside, id);
                std::fs::create_dir_all(&home)
                    .and_then(|()| File::create(&path))
                    .and_then(|mut file| file.write_all(&wav).and_then(|()| file.sync_all()))
                    .map_err(|error| StoreError::file(ATTEMPTED, &path, &error))?;
            }
            let home = evidence::folder_of(aside, id);
            if home.exists() {
                folder::sync(&home)?;
            }
        }
        let home = aside.join("evidence");
        if home.exists() {
            folder::sync(&home)?;
        }
        Ok(())
    }
}
