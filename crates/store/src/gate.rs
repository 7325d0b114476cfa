//! The one gate through which every run is read: what passes is what was committed, and what
//! does not is said, with how much of it still holds.
//!
//! The rule of when a run is whole:
//! - each of its entries, and its header, has the digest that the chain has for it, no link is
//!   without its entry and no entry without its link;
//! - its chain is at least as long as its tally says, and has there the digest that the tally
//!   says. It may be longer by what was committed and not announced;
//! - where there is no tally that can be read, the chain has the run's end in it. Such a run
//!   is whole in itself, so that a store whose database alone was copied is believed; one that
//!   has not ended could have lost its last entries without a trace.

use crate::chain::{self, Digest, EvidenceRow, Link, Said};
use crate::error::StoreError;
use crate::rows::{self, Part, RowError};
use crate::{Store, identity, requests, tally};
use model::record::{Entry, Event, Gap, Reading, RunId, RunRecord, Trace};
use model::time::RunTime;
use rusqlite::Connection;
use std::collections::{BTreeMap, BTreeSet};
use std::iter::Peekable;
use std::path::Path;
use std::vec::IntoIter;

/// A run as it was found.
#[derive(Debug)]
pub(crate) struct Seen {
    /// What of it is sound: all of it when there is no damage.
    pub record: RunRecord,
    pub damage: Option<Damage>,
    /// Entries that were there before there were chains.
    pub sealed: Option<i64>,
    /// Recordings of which the chain holds.
    pub evidence: Vec<EvidenceRow>,
    /// Where the sound part of the chain ends.
    pub digest: Digest,
    pub entries: u64,
    pub next_entry: i64,
}

/// What is wrong with a run, and how much of it is not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    /// What is damaged.
    pub what: String,
    /// How many of its entries are sound, from the first on.
    pub sound_entries: u64,
    /// How many readings are among them.
    pub sound_readings: u64,
    /// The last instant that these speak of.
    pub until: RunTime,
    /// How many entries and how many readings are known to have been committed.
    pub committed: (u64, u64),
}

impl std::fmt::Display for Damage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self {
            what,
            sound_entries,
            sound_readings,
            until,
            committed: (entries, readings),
        } = self;
        write!(f, "{what}; ")?;
        if *sound_entries == 0 {
            return write!(
                f,
                "{readings} readings were committed, and nothing of the run can be relied on"
            );
        }
        let seconds = until.seconds().max(0.0) as u64;
        write!(
            f,
            "{readings} readings were committed, {sound_readings} can be relied on (the first {sound_entries} of {entries} entries, up to {}:{:02}:{:02} of the run)",
            seconds / 3600,
            seconds / 60 % 60,
            seconds % 60
        )
    }
}

/// All that is in the tables of a run, read as far as it can be.
pub(crate) struct Tables {
    pub readings: Column<Reading>,
    pub traces: Column<Trace>,
    pub gaps: Column<Gap>,
    pub events: Column<(Event, Option<Said>)>,
    pub evidence: Column<EvidenceRow>,
}

/// The rows of a table that have not been walked past.
pub(crate) struct Column<T> {
    name: &'static str,
    pub rows: Peekable<IntoIter<(i64, T)>>,
    ended_by: Option<RowError>,
}

impl<T> Column<T> {
    fn of(name: &'static str, part: Part<T>) -> Self {
        Self {
            name,
            rows: part.rows.into_iter().peekable(),
            ended_by: part.ended_by,
        }
    }
    fn next_number(&mut self) -> Option<i64> {
        self.rows.peek().map(|(entry, _)| *entry)
    }
    pub(crate) fn take(&mut self, entry: i64) -> Option<T> {
        self.rows
            .next_if(|(number, _)| *number == entry)
            .map(|(_, row)| row)
    }
}

impl Tables {
    pub(crate) fn read(connection: &Connection, run: i64) -> Self {
        Self {
            readings: Column::of("its readings", rows::readings(connection, run)),
            traces: Column::of("its holds", rows::traces(connection, run)),
            gaps: Column::of("its gaps", rows::gaps(connection, run)),
            events: Column::of("its events", rows::events(connection, run)),
            evidence: Column::of(
                "the list of its recordings",
                rows::evidence(connection, run),
            ),
        }
    }

    /// The lowest number that has not been walked past.
    pub(crate) fn next_number(&mut self) -> Option<i64> {
        [
            self.readings.next_number(),
            self.traces.next_number(),
            self.gaps.next_number(),
            self.events.next_number(),
            self.evidence.next_number(),
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// What ended the reading of a table, if anything did.
    pub(crate) fn ended_by(&mut self) -> [(&'static str, Option<RowError>); 5] {
        [
            (self.readings.name, self.readings.ended_by.take()),
            (self.traces.name, self.traces.ended_by.take()),
            (self.gaps.name, self.gaps.ended_by.take()),
            (self.events.name, self.events.ended_by.take()),
            (self.evidence.name, self.evidence.ended_by.take()),
        ]
    }
}

/// Reads a run and looks it over. The caller sees to it that all is of one moment, and
/// looked at the tally before that.
///
/// # Errors
/// When the store cannot be read for another reason than damage, and when nothing of the run
/// can be relied on because its header cannot.
pub(crate) fn see(
    connection: &Connection,
    path: &Path,
    run: i64,
    id: &str,
    tally: &tally::Found,
) -> Result<Seen, StoreError> {
    let mut tables = Tables::read(connection, run);
    let mut damage = None;
    for (name, ended_by) in tables.ended_by() {
        let what = ended_by
            .map(|error| said_of(name, error, path))
            .transpose()?;
        damage = damage.or(what);
    }
    let links = rows::links(connection, run);
    let broken = links
        .ended_by
        .map(|error| said_of("its chain", error, path))
        .transpose()?;
    let damage = damage.or(broken);
    let unread = damage.is_some();

    let known = match tally {
        tally::Found::Committed(committed) => Some(committed),
        _ => None,
    };
    let committed_at_least = |entries: u64, readings: u64| {
        let known = known.map_or((0, 0), |known| (known.entries, known.readings));
        (entries.max(known.0), readings.max(known.1))
    };
    let rows_found = tables.readings.rows.len() as u64;
    let links_found = (links.rows.len() as u64).saturating_sub(1);
    let nothing = |what: String| StoreError::DamagedRun {
        path: path.to_owned(),
        run: id.to_owned(),
        damage: Box::new(Damage {
            what,
            sound_entries: 0,
            sound_readings: 0,
            until: RunTime::START,
            committed: committed_at_least(links_found, rows_found),
        }),
    };
    let header = match rows::header(connection, run) {
        Ok(header) => header,
        Err(error) => return Err(nothing(said_of("its header", error, path)?)),
    };
    for (unit, said) in header.header.units.values().zip(&header.said) {
        let words = chain::words_of(unit).unwrap_or_default();
        if !said.is_of(&words, *unit == chain::erased_unit()) {
            return Err(nothing(
                "what it says of its units is not what was written".to_owned(),
            ));
        }
    }
    let mut links = links.rows.into_iter().peekable();
    let first = chain::of_header(id, &header.header, header.sealed, &header.said);
    match links.next_if(|(entry, _)| *entry == chain::HEADER) {
        Some((_, digest)) if digest == first => {}
        Some(_) => return Err(nothing("its header is not what was written".to_owned())),
        None if unread => return Err(nothing(damage.unwrap_or_default())),
        None => return Err(nothing("the beginning of its chain is missing".to_owned())),
    }

    let mut seen = Seen {
        record: RunRecord {
            id: RunId::new(id),
            header: header.header,
            readings: Vec::new(),
            traces: Vec::new(),
            gaps: Vec::new(),
            events: Vec::new(),
        },
        damage: None,
        sealed: header.sealed,
        evidence: Vec::new(),
        digest: first,
        entries: 0,
        next_entry: 0,
    };
    let mut at_tally = (known.is_some_and(|known| known.entries == 0)).then_some(first);
    let mut wrong = None;
    for (entry, digest) in links {
        if let Err(what) = seen.walk(&mut tables, entry, &digest) {
            wrong = Some(what);
            break;
        }
        if known.is_some_and(|known| known.entries == seen.entries) {
            at_tally = Some(digest);
        }
    }
    let stray = tables.next_number().map(|entry| {
        format!(
            "its {} entry is there without having been committed",
            ordinal(entry)
        )
    });
    let asked = match requests::are_sound(connection, run) {
        Ok(true) => None,
        Ok(false) => {
            Some("what was asked of it and is not in its log is not what was asked".to_owned())
        }
        Err(error) => Some(said_of("what was asked of it", error.into(), path)?),
    };
    // What could not be read is why an entry is missing.
    let wrong = damage.or(wrong).or(stray).or(asked).or_else(|| match tally {
        tally::Found::Committed(known) if known.entries > seen.entries => {
            Some("its last entries are missing".to_owned())
        }
        tally::Found::Committed(known)
            if at_tally.map(|digest| identity::hex(&digest)).as_ref() != Some(&known.digest) =>
        {
            Some(format!(
                "its tally ({}) is of another run or another state of this one",
                tally_name(id)
            ))
        }
        tally::Found::Committed(_) => None,
        _ if seen.record.is_complete() => None,
        tally::Found::Missing => Some(format!(
            "its tally ({}), which says how much of it was committed, is missing, so there may have been more",
            tally_name(id)
        )),
        tally::Found::Unreadable => Some(format!(
            "its tally ({}), which says how much of it was committed, cannot be read, so there may have been more",
            tally_name(id)
        )),
    });
    seen.damage = wrong.map(|what| Damage {
        what,
        sound_entries: seen.entries,
        sound_readings: seen.record.readings.len() as u64,
        until: seen.record.last_instant(),
        committed: committed_at_least(links_found.max(seen.entries), rows_found),
    });
    Ok(seen)
}

fn tally_name(id: &str) -> String {
    format!("the file tally/{id} beside it")
}

fn ordinal(entry: i64) -> String {
    // Counted as people do.
    format!("{}.", entry.saturating_add(1))
}

/// What is known of all runs outside the database, looked at before what is then read of it.
#[derive(Debug)]
pub(crate) struct Survey {
    tallies: BTreeMap<String, tally::Found>,
    /// The runs that the database had before that: they have a tally, or have lost it.
    before: BTreeSet<String>,
}

impl Survey {
    pub(crate) fn of(connection: &Connection, store: &Store) -> Result<Self, StoreError> {
        let before = runs(connection)
            .map_err(|error| StoreError::database("reading the store", &store.database(), &error))?
            .into_iter()
            .map(|(_, id)| id)
            .collect();
        Ok(Self {
            tallies: tally::all(store.tallies())?,
            before,
        })
    }

    /// The runs of the database with what is known of each; none that was begun since.
    pub(crate) fn runs(
        &self,
        connection: &Connection,
    ) -> rusqlite::Result<Vec<(i64, String, &tally::Found)>> {
        Ok(runs(connection)?
            .into_iter()
            .filter_map(|(run, id)| match self.tallies.get(&id) {
                Some(found) => Some((run, id, found)),
                None if self.before.contains(&id) => Some((run, id, &tally::Found::Missing)),
                None => None,
            })
            .collect())
    }

    /// The runs that tallies tell of and the database does not have.
    pub(crate) fn lost(
        &self,
        there: &[(i64, String, &tally::Found)],
        path: &Path,
    ) -> Vec<(String, StoreError)> {
        self.tallies
            .iter()
            .filter(|(id, _)| !there.iter().any(|(_, there, _)| there == *id))
            .filter_map(|(id, found)| match found {
                tally::Found::Committed(known) if known.announced => {
                    Some((id.clone(), lost(path, id, known)))
                }
                _ => None,
            })
            .collect()
    }
}

/// What of a run was known outside the database, which does not have it.
fn lost(path: &Path, id: &str, known: &tally::Committed) -> StoreError {
    StoreError::DamagedRun {
        path: path.to_owned(),
        run: id.to_owned(),
        damage: Box::new(Damage {
            what: "it is missing altogether".to_owned(),
            sound_entries: 0,
            sound_readings: 0,
            until: RunTime::START,
            committed: (known.entries, known.readings),
        }),
    }
}

impl Seen {
    /// The run, when it is whole.
    pub(crate) fn whole(self, path: &Path) -> Result<Self, StoreError> {
        match self.damage {
            None => Ok(self),
            Some(damage) => Err(StoreError::DamagedRun {
                path: path.to_owned(),
                run: self.record.id.as_str().to_owned(),
                damage: Box::new(damage),
            }),
        }
    }

    /// Takes the next entry, when it is the one of this link.
    fn walk(&mut self, tables: &mut Tables, entry: i64, digest: &Digest) -> Result<(), String> {
        if tables.next_number() != Some(entry) {
            return Err(match tables.next_number() {
                Some(stray) if stray < entry => format!(
                    "its {} entry is there without having been committed",
                    ordinal(stray)
                ),
                _ => format!("its {} entry is missing", ordinal(entry)),
            });
        }
        let follows = |link: Link<'_>| chain::after(&self.digest, entry, link) == *digest;
        let altered = |what: &str| {
            Err(format!(
                "its {} entry, {what}, is not what was committed",
                ordinal(entry)
            ))
        };
        if let Some(reading) = tables.readings.take(entry) {
            if !follows(Link::Reading(&reading)) {
                return altered("a reading");
            }
            self.record.readings.push(reading);
        } else if let Some(trace) = tables.traces.take(entry) {
            if !follows(Link::Trace(&trace)) {
                return altered("a piece of a hold");
            }
            self.record.traces.push(trace);
        } else if let Some(gap) = tables.gaps.take(entry) {
            if !follows(Link::Gap(&gap)) {
                return altered("a gap");
            }
            self.record.gaps.push(gap);
        } else if let Some((event, said)) = tables.events.take(entry) {
            let is_said = said
                .as_ref()
                .is_none_or(|said| said.is_of(event.text.as_bytes(), event.text == chain::ERASED));
            if !is_said || !follows(Link::Event(&event, said.as_ref())) {
                return altered("an event");
            }
            self.record.events.push(event);
        } else if let Some(row) = tables.evidence.take(entry) {
            if !follows(Link::Evidence(&row)) {
                return altered("a recording");
            }
            self.evidence.push(row);
        }
        // Two entries of one number: the other one has no link.
        if tables.next_number() == Some(entry) {
            return Err(format!("there are two of its {} entry", ordinal(entry)));
        }
        self.digest = *digest;
        self.entries += 1;
        self.next_entry = entry.saturating_add(1);
        Ok(())
    }

    /// What its tally says when it is at this place.
    pub(crate) fn committed(&self) -> tally::Committed {
        tally::Committed {
            announced: true,
            entries: self.entries,
            readings: self.record.readings.len() as u64,
            digest: identity::hex(&self.digest),
        }
    }
}

/// What is damaged where a table cannot be read on; another failure stays one.
fn said_of(name: &str, error: RowError, path: &Path) -> Result<String, StoreError> {
    use rusqlite::ErrorCode as Code;
    match error {
        RowError::Impossible { column, detail } => Ok(format!("{name}, column {column}: {detail}")),
        RowError::Database(error) => match error.sqlite_error_code() {
            // A value of the wrong type or size, or a table that is not the one it was.
            None | Some(Code::DatabaseCorrupt | Code::NotADatabase | Code::Unknown) => {
                Ok(format!("{name}: {error}"))
            }
            Some(_) => Err(StoreError::database("reading the store", path, &error)),
        },
    }
}

/// All runs, with their identifiers, in the order in which they were begun. An index that is
/// damaged hides none.
pub(crate) fn runs(connection: &Connection) -> rusqlite::Result<Vec<(i64, String)>> {
    connection
        .prepare_cached("SELECT run, id FROM run ORDER BY run")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect()
}

/// Which run is meant, and what is known of it outside the database: looked at before what
/// is then read of the database, which is so never behind.
#[derive(Debug)]
pub(crate) struct Aim {
    pub id: String,
    pub tally: tally::Found,
}

impl Aim {
    /// The run that is `wanted` or begins with it.
    ///
    /// # Errors
    /// When there is none, or several.
    pub(crate) fn at(
        connection: &Connection,
        store: &Store,
        wanted: &str,
    ) -> Result<Self, StoreError> {
        let mut ids: Vec<String> = runs(connection)
            .map_err(|error| StoreError::database("reading the store", &store.database(), &error))?
            .into_iter()
            .map(|(_, id)| id)
            .collect();
        let there = ids.len();
        for name in tally::names(store.tallies())? {
            if !ids[..there].contains(&name)
                && let tally::Found::Committed(known) = tally::look(store.tallies(), &name)?
                && known.announced
            {
                ids.push(name);
            }
        }
        let id = identity::resolve(wanted, &ids)?;
        Ok(Self {
            tally: tally::look(store.tallies(), &id)?,
            id,
        })
    }

    /// Its number in the tables.
    ///
    /// # Errors
    /// [`StoreError::DamagedRun`] where the database has lost it.
    pub(crate) fn number(&self, connection: &Connection, path: &Path) -> Result<i64, StoreError> {
        let runs = runs(connection)
            .map_err(|error| StoreError::database("reading the store", path, &error))?;
        match runs.into_iter().find(|(_, id)| *id == self.id) {
            Some((run, _)) => Ok(run),
            None => Err(match &self.tally {
                tally::Found::Committed(known) if known.announced => lost(path, &self.id, known),
                _ => StoreError::NoSuchRun(format!("there is no run {}", self.id)),
            }),
        }
    }
}

/// How many of these entries are readings.
pub(crate) fn readings_among(entries: &[Entry]) -> u64 {
    entries
        .iter()
        .filter(|entry| matches!(entry, Entry::Reading(_)))
        .count() as u64
}
