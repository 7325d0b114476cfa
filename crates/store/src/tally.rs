//! How much of each run was committed, kept outside the database: a database that lost its
//! last commits, with a log that was spoilt or is gone, is whole in itself and does not know.
//!
//! A file for each run in the folder `tally/`, of two slots on different sectors of the disk.
//! Each commit writes one of them, in turn, with a number one higher and a checksum, and puts
//! it on disk after the database and before anybody hears of the commit. So a slot torn by a
//! power cut is told by its checksum and the other one holds; and a process killed between the
//! two leaves a database that is ahead by a commit that was not announced, which is kept.
//!
//! Only who writes the run writes its file. Who reads looks here first and then at the
//! database, which is then never behind.

use crate::error::StoreError;
use crate::{folder, identity, plain};
use std::collections::BTreeMap;
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Larger than the sectors of any disk, and the size of a page of memory.
const SLOT: usize = 4096;

/// What is known of a run outside the database.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Found {
    /// Nothing is.
    Missing,
    /// The file is there, and neither of its slots holds.
    Unreadable,
    /// What was committed last.
    Committed(Committed),
}

/// Where a chain stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Committed {
    /// Whether anybody can have heard of the run. It is written down before the database has
    /// it, too, when nobody has.
    pub announced: bool,
    /// Entries, recordings among them.
    pub entries: u64,
    /// Readings among them.
    pub readings: u64,
    /// The last digest, in hexadecimal digits.
    pub digest: String,
}

/// The file of the run being written.
#[derive(Debug)]
pub(crate) struct Tally {
    file: File,
    path: PathBuf,
    id: String,
    sequence: u64,
}

fn home(store: &Path) -> PathBuf {
    store.join("tally")
}

pub(crate) fn file_of(store: &Path, id: &str) -> PathBuf {
    home(store).join(id)
}

impl Tally {
    /// Makes the file of a run, whatever was there before.
    pub(crate) fn make(store: &Path, id: &str, committed: &Committed) -> Result<Self, StoreError> {
        let path = file_of(store, id);
        let fail = |error: &std::io::Error| StoreError::file("beginning a tally", &path, error);
        let home = home(store);
        plain::folder(&home)?;
        if !home.exists() {
            std::fs::create_dir_all(&home).map_err(|error| fail(&error))?;
            folder::sync(store)?;
        }
        let aside = home.join(format!(".{id}.new"));
        let mut both = slot(id, 1, committed);
        both.resize(2 * SLOT, b' ');
        let file = plain::make(&aside)
            .and_then(|mut file| {
                file.write_all(&both)?;
                file.sync_all()?;
                std::fs::rename(&aside, &path)?;
                Ok(file)
            })
            .map_err(|error| fail(&error))?;
        folder::sync(&home)?;
        Ok(Self {
            file,
            path,
            id: id.to_owned(),
            sequence: 1,
        })
    }

    /// Opens the file of a run that is taken up; makes it where there is none that holds.
    pub(crate) fn open(store: &Path, id: &str, committed: &Committed) -> Result<Self, StoreError> {
        let path = file_of(store, id);
        let last = read(&path).ok().and_then(|bytes| last(&bytes, id));
        let Some((sequence, _)) = last else {
            return Self::make(store, id, committed);
        };
        let file = plain::open(&path, OpenOptions::new().write(true))
            .map_err(|error| StoreError::file("going on with a tally", &path, &error))?;
        Ok(Self {
            file,
            path,
            id: id.to_owned(),
            sequence,
        })
    }

    /// Puts on disk how much is committed.
    pub(crate) fn write(&mut self, committed: &Committed) -> Result<(), StoreError> {
        let next = self.sequence + 1;
        let slot = slot(&self.id, next, committed);
        // The slot that does not hold the last state.
        let at = (next + 1) % 2 * SLOT as u64;
        self.file
            .seek(SeekFrom::Start(at))
            .and_then(|_| self.file.write_all(&slot))
            .and_then(|()| self.file.sync_data())
            .map_err(|error| {
                StoreError::file("writing down how much is committed", &self.path, &error)
            })?;
        self.sequence = next;
        Ok(())
    }
}

fn slot(id: &str, sequence: u64, committed: &Committed) -> Vec<u8> {
    let Committed {
        announced,
        entries,
        readings,
        digest,
    } = committed;
    let heard = if *announced { "announced" } else { "begun" };
    let line = format!(
        "nightbench tally 1 {id} {sequence} {heard} entries {entries} readings {readings} {digest}"
    );
    let mut slot = format!("{line} {}\n", identity::sha256(line.as_bytes())).into_bytes();
    slot.resize(SLOT, b' ');
    slot
}

/// The later one of the slots that hold, with its number.
fn last(bytes: &[u8], id: &str) -> Option<(u64, Committed)> {
    bytes
        .chunks(SLOT)
        .filter_map(|slot| read_slot(slot, id))
        .max_by_key(|(sequence, _)| *sequence)
}

fn read_slot(slot: &[u8], id: &str) -> Option<(u64, Committed)> {
    let line = slot.split(|byte| *byte == b'\n').next()?;
    let (line, checksum) = std::str::from_utf8(line).ok()?.rsplit_once(' ')?;
    if identity::sha256(line.as_bytes()) != checksum {
        return None;
    }
    let words: Vec<&str> = line.split(' ').collect();
    let [
        "nightbench",
        "tally",
        "1",
        run,
        sequence,
        heard,
        "entries",
        entries,
        "readings",
        readings,
        digest,
    ] = words[..]
    else {
        return None;
    };
    if run != id {
        return None;
    }
    let committed = Committed {
        announced: heard == "announced",
        entries: entries.parse().ok()?,
        readings: readings.parse().ok()?,
        digest: digest.to_owned(),
    };
    Some((sequence.parse().ok()?, committed))
}

/// Both slots; of a file that is longer no more.
fn read(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    plain::read(path)?
        .take(2 * SLOT as u64)
        .read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// What is known of a run.
pub(crate) fn look(store: &Path, id: &str) -> Result<Found, StoreError> {
    let path = file_of(store, id);
    let mut tries = 0;
    loop {
        let bytes = match read(&path) {
            Ok(bytes) => bytes,
            Err(error)
                if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) =>
            {
                return Ok(Found::Missing);
            }
            Err(error) => {
                return Err(StoreError::NotReadable {
                    path,
                    detail: error.to_string(),
                });
            }
        };
        match last(&bytes, id) {
            Some((_, committed)) => return Ok(Found::Committed(committed)),
            // Somebody may be writing one slot, with the other one just written.
            None if tries < 3 => tries += 1,
            None => return Ok(Found::Unreadable),
        }
    }
}

/// The runs of which something is known, in the order of their names.
pub(crate) fn names(store: &Path) -> Result<Vec<String>, StoreError> {
    let home = home(store);
    let unreadable = |error: std::io::Error| StoreError::NotReadable {
        path: home.clone(),
        detail: error.to_string(),
    };
    let files = match std::fs::read_dir(&home) {
        Ok(files) => files,
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => {
            return Ok(Vec::new());
        }
        Err(error) => return Err(unreadable(error)),
    };
    let mut names = Vec::new();
    for file in files {
        if let Ok(name) = file.map_err(unreadable)?.file_name().into_string()
            && !name.starts_with('.')
        {
            names.push(name);
        }
    }
    names.sort();
    Ok(names)
}

/// What is known of all runs.
pub(crate) fn all(store: &Path) -> Result<BTreeMap<String, Found>, StoreError> {
    names(store)?
        .into_iter()
        .map(|id| Ok((id.clone(), look(store, &id)?)))
        .collect()
}

/// Copies what is known of all runs into another folder.
pub(crate) fn copy(from: &Path, to: &Path) -> Result<(), StoreError> {
    let target = home(to);
    std::fs::create_dir_all(&target)
        .map_err(|error| StoreError::file("copying the tallies", &target, &error))?;
    for name in names(from)? {
        let path = file_of(from, &name);
        read(&path)
            .and_then(|bytes| std::fs::write(target.join(&name), bytes))
            .map_err(|error| StoreError::file("copying the tallies", &path, &error))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn committed(entries: u64) -> Committed {
        Committed {
            announced: true,
            entries,
            readings: entries / 2,
            digest: "00".repeat(32),
        }
    }

    #[test]
    fn a_torn_slot_leaves_the_one_before() {
        let store = tempfile::tempdir().unwrap();
        let mut tally = Tally::make(store.path(), "ab", &committed(0)).unwrap();
        for entries in 1..=3 {
            tally.write(&committed(entries)).unwrap();
        }
        let path = file_of(store.path(), "ab");
        let whole = std::fs::read(&path).unwrap();
        let found = || look(store.path(), "ab").unwrap();
        assert_eq!(found(), Found::Committed(committed(3)));
        let newest = whole
            .chunks(SLOT)
            .position(|slot| read_slot(slot, "ab").unwrap().0 == 4)
            .unwrap();
        // Every byte that says something, and cuts between.
        for byte in newest * SLOT..newest * SLOT + 150 {
            let mut torn = whole.clone();
            torn[byte] ^= 1;
            std::fs::write(&path, torn).unwrap();
            assert_eq!(found(), Found::Committed(committed(2)), "byte {byte}");
        }
        std::fs::write(&path, "").unwrap();
        assert_eq!(found(), Found::Unreadable);
        // What is known of one run is not known of another.
        std::fs::write(file_of(store.path(), "cd"), &whole).unwrap();
        assert_eq!(look(store.path(), "cd").unwrap(), Found::Unreadable);
        assert_eq!(look(store.path(), "ef").unwrap(), Found::Missing);
    }

    #[test]
    fn a_tally_goes_on_where_it_stood() {
        let store = tempfile::tempdir().unwrap();
        let mut tally = Tally::make(store.path(), "ab", &committed(0)).unwrap();
        tally.write(&committed(1)).unwrap();
        let mut tally = Tally::open(store.path(), "ab", &committed(1)).unwrap();
        tally.write(&committed(2)).unwrap();
        assert_eq!(
            look(store.path(), "ab").unwrap(),
            Found::Committed(committed(2))
        );
    }
}
