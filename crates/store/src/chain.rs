//! The chain of a run: each of its entries has a digest over itself and over the digest of
//! the entry before, so that what is read back is what was committed, or is known not to be.
//!
//! A digest is a SHA-256 (FIPS 180-4) over the values as they are read back, each of a length
//! that can be told, so that nothing can move from one into the other. The chain begins with
//! the header of the run, plan and rig word for word. What a person wrote and may want back (a
//! unit's serial number and notes, remarks, answers) is in it as a digest of its own, made with
//! salt: without text and salt that digest stays, tells nothing, and the chain holds.

use model::record::{Event, EventKind, Gap, Measured, Reading, RunHeader, Trace, Unit};
use sha2::{Digest as _, Sha256};

/// A link of a chain.
pub(crate) type Digest = [u8; 32];

/// The number under which the header stands in the chain, before all entries.
pub(crate) const HEADER: i64 = -1;

/// What stands where a person's words were erased.
pub(crate) const ERASED: &str = "(erased)";

/// What the chain has of a person's words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Said {
    /// Gone when the words are erased.
    pub salt: Option<Vec<u8>>,
    pub digest: Vec<u8>,
}

impl Said {
    /// Of words that are written down now.
    pub(crate) fn now(words: &[u8]) -> rusqlite::Result<Self> {
        let mut salt = vec![0; 16];
        getrandom::fill(&mut salt)
            .map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.to_string().into()))?;
        let digest = salted(&salt, words).to_vec();
        Ok(Self {
            salt: Some(salt),
            digest,
        })
    }

    /// Whether these are the words, or stand for words that were erased.
    pub(crate) fn is_of(&self, words: &[u8], erased: bool) -> bool {
        match &self.salt {
            Some(salt) => salted(salt, words)[..] == self.digest[..],
            None => erased,
        }
    }
}

fn salted(salt: &[u8], words: &[u8]) -> Digest {
    let mut hash = Hash::new(b"words");
    hash.bytes(salt);
    hash.bytes(words);
    hash.end()
}

/// Whether the text of such an event is a person's.
pub(crate) const fn is_said(kind: EventKind) -> bool {
    matches!(kind, EventKind::Remark | EventKind::Answered)
}

/// All that is said of a unit.
pub(crate) fn words_of(unit: &Unit) -> rusqlite::Result<Vec<u8>> {
    serde_json::to_vec(unit).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))
}

/// The unit that stands where all that was said of it was erased.
pub(crate) fn erased_unit() -> Unit {
    Unit {
        serial: ERASED.to_owned(),
        ..Unit::default()
    }
}

/// An entry as it stands in the chain.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Link<'a> {
    Reading(&'a Reading),
    Trace(&'a Trace),
    Gap(&'a Gap),
    Event(&'a Event, Option<&'a Said>),
    Evidence(&'a EvidenceRow),
}

/// A recording that was kept, by the reading it is behind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct EvidenceRow {
    pub key: model::record::ReadingKey,
    pub sha256: String,
    pub bytes: i64,
}

/// The first digest of a chain. `sealed` counts the entries that were there before there
/// were chains; `said` is of each unit, in the order of the positions.
pub(crate) fn of_header(
    id: &str,
    header: &RunHeader,
    sealed: Option<i64>,
    said: &[Said],
) -> Digest {
    let mut hash = Hash::new(b"header");
    hash.text(id);
    hash.text(&header.plan_text);
    hash.text(&header.rig_text);
    hash.text(&header.program_version);
    hash.maybe(header.seed, |hash, seed| hash.bytes(&seed.to_le_bytes()));
    hash.text(&header.began.to_string());
    hash.maybe(sealed, Hash::whole);
    hash.whole(header.units.len() as i64);
    for (position, said) in header.units.keys().zip(said) {
        hash.text(position.as_str());
        hash.bytes(&said.digest);
    }
    hash.end()
}

/// The digest of the entry with this number after the one with that digest.
pub(crate) fn after(previous: &Digest, entry: i64, link: Link<'_>) -> Digest {
    let kind: &[u8] = match link {
        Link::Reading(_) => b"reading",
        Link::Trace(_) => b"trace",
        Link::Gap(_) => b"gap",
        Link::Event(..) => b"event",
        Link::Evidence(_) => b"evidence",
    };
    let mut hash = Hash::new(kind);
    hash.bytes(previous);
    hash.whole(entry);
    match link {
        Link::Reading(reading) => hash.reading(reading),
        Link::Trace(trace) => hash.trace(trace),
        Link::Gap(gap) => hash.gap(gap),
        Link::Event(event, said) => hash.event(event, said),
        Link::Evidence(row) => {
            hash.key(&row.key);
            hash.text(&row.sha256);
            hash.whole(row.bytes);
        }
    }
    hash.end()
}

/// The digest of what is asked of a run. It is no entry and stands by itself.
pub(crate) fn of_request(asked: &str, kind: &str, text: Option<&str>) -> Digest {
    let mut hash = Hash::new(b"request");
    hash.text(asked);
    hash.text(kind);
    hash.maybe(text, Hash::text);
    hash.end()
}

struct Hash(Sha256);

impl Hash {
    fn new(kind: &[u8]) -> Self {
        let mut hash = Self(Sha256::new());
        hash.bytes(b"nightbench chain 1");
        hash.bytes(kind);
        hash
    }
    fn end(self) -> Digest {
        self.0.finalize().into()
    }
    fn bytes(&mut self, bytes: &[u8]) {
        self.0.update((bytes.len() as u64).to_le_bytes());
        self.0.update(bytes);
    }
    fn text(&mut self, text: &str) {
        self.bytes(text.as_bytes());
    }
    fn whole(&mut self, number: impl Into<i64>) {
        self.0.update(number.into().to_le_bytes());
    }
    /// To the last bit: the zeros of both signs differ.
    fn number(&mut self, number: f64) {
        self.0.update(number.to_bits().to_le_bytes());
    }
    fn maybe<T>(&mut self, value: Option<T>, mut add: impl FnMut(&mut Self, T)) {
        self.0.update([u8::from(value.is_some())]);
        if let Some(value) = value {
            add(self, value);
        }
    }

    fn key(&mut self, key: &model::record::ReadingKey) {
        self.whole(key.stage);
        self.whole(key.round);
        self.whole(key.slot);
        self.whole(key.repeat);
        self.whole(key.attempt);
        self.text(key.position.as_str());
    }

    fn measured(&mut self, measured: &Measured) {
        let Measured {
            state,
            flags,
            frequency,
            u,
            u_noise,
            level,
        } = measured;
        self.text(state.name());
        for name in flags.names() {
            self.text(name);
        }
        // No flag has this name, so the list ends here.
        self.text("");
        self.maybe(*frequency, |hash, value| hash.number(value.get()));
        self.maybe(*u, |hash, value| hash.number(value.get()));
        self.maybe(*level, |hash, value| hash.number(value.get()));
        // Nothing where there is none: so the chains of older stores hold. What may come
        // next is a zero or a one, or the name of a state, none of which begins so.
        if let Some(value) = u_noise {
            self.bytes(b"u_noise");
            self.number(value.get());
        }
    }

    fn reading(&mut self, reading: &Reading) {
        let Reading {
            key,
            asked,
            residue,
            played,
            at,
            window,
            measured,
            conditions,
        } = reading;
        self.key(key);
        self.number(asked.note_number());
        self.number(residue.get());
        self.whole(played.nanoseconds());
        self.whole(at.nanoseconds());
        self.number(window.get());
        self.measured(measured);
        self.maybe(conditions.air, |hash, value| hash.number(value.get()));
        self.maybe(conditions.supply, |hash, value| hash.number(value.get()));
    }

    fn trace(&mut self, trace: &Trace) {
        let Trace {
            stage,
            position,
            chunk,
            asked,
            residue,
            played,
            at,
            hop,
            points,
        } = trace;
        self.whole(*stage);
        self.text(position.as_str());
        self.whole(*chunk);
        self.number(asked.note_number());
        self.number(residue.get());
        self.whole(played.nanoseconds());
        self.whole(at.nanoseconds());
        self.number(hop.get());
        self.whole(points.len() as i64);
        for point in points {
            self.measured(point);
        }
    }

    fn gap(&mut self, gap: &Gap) {
        let Gap {
            stage,
            round,
            slot,
            position,
            at,
            reason,
        } = gap;
        self.whole(*stage);
        self.whole(*round);
        self.maybe(*slot, Self::whole);
        self.maybe(position.as_ref(), |hash, position| {
            hash.text(position.as_str());
        });
        self.whole(at.nanoseconds());
        self.text(reason);
    }

    fn event(&mut self, event: &Event, said: Option<&Said>) {
        let Event {
            at,
            wall,
            kind,
            stage,
            position,
            text,
        } = event;
        self.whole(at.nanoseconds());
        self.text(&wall.to_string());
        self.text(kind.name());
        self.maybe(*stage, Self::whole);
        self.maybe(position.as_ref(), |hash, position| {
            hash.text(position.as_str());
        });
        match said {
            Some(said) => self.bytes(&said.digest),
            None => self.text(text),
        }
    }
}
