//! What a run does about supplies: switching them, finding them off after a break, and
//! keeping what the watch over them has seen.

use crate::error::RunError;
use crate::power::{Power, Switched};
use crate::run::Run;
use crate::watch;
use model::quantity::Seconds;
use model::record::{Conditions, Entry, Event, EventKind, PositionId};
use std::time::Duration;

/// A supply that nobody can ask may have been off and on again unnoticed in a
/// break longer than this.
const UNNOTICED: Seconds = Seconds::of(300.0);

impl Run<'_> {
    /// Switches the supplies in use whose positions need it, one after the other. Each is
    /// on disk before the next.
    pub(crate) fn switch(
        &mut self,
        on: bool,
        stage: Option<u16>,
        needs: impl Fn(&Self, &PositionId) -> bool,
    ) -> Result<(), RunError> {
        for name in self.supplies_of(needs) {
            let entries = self.switch_one(on, stage, &name)?;
            self.keep(entries)?;
            self.safe.owes().switching(false);
        }
        Ok(())
    }

    /// The names of the supplies in use whose positions need something.
    pub(crate) fn supplies_of(&self, needs: impl Fn(&Self, &PositionId) -> bool) -> Vec<String> {
        let power = Power::new(self.rig, &self.positions);
        power.names(|position| needs(self, position))
    }

    /// Switches a supply. Off is owed until the entries of it are on disk.
    pub(crate) fn switch_one(
        &mut self,
        on: bool,
        stage: Option<u16>,
        name: &str,
    ) -> Result<Vec<Entry>, RunError> {
        let positions = self.positions.clone();
        let power = Power::new(self.rig, &positions);
        let (kind, switched) = if on {
            (EventKind::PowerOn, power.on(self, stage, name)?)
        } else {
            (EventKind::PowerOff, power.off(self, stage, name)?)
        };
        Ok(self.switched_entries(kind, stage, switched))
    }

    /// What an outage did to the supplies is said before anything is measured.
    pub(crate) fn look_for_lost_power(&mut self) -> Result<(), RunError> {
        let is_on =
            |run: &Self, position: &PositionId| run.progress.powered(position) == Some(true);
        let lost: Vec<(PositionId, String)> = Power::new(self.rig, &self.positions)
            .found_off(&self.session)
            .into_iter()
            .filter(|(position, _)| is_on(self, position))
            .collect();
        let now = self.session.now();
        let unwatched = Power::new(self.rig, &self.positions).unwatched();
        let mut entries: Vec<Entry> = unwatched
            .into_iter()
            .filter(|position| is_on(self, position) && self.away > UNNOTICED)
            .map(|position| {
                let text =
                    "nobody looked for a while, and whether the supply stayed on is not known";
                self.event(now, EventKind::HistoryBroken, None, Some(position), text)
            })
            .collect();
        let found_off: Vec<PositionId> =
            lost.iter().map(|(position, _)| position.clone()).collect();
        entries.extend(lost.into_iter().map(|(position, text)| {
            let text = format!(
                "{text}: it was lost while the run was not going on; it is switched on again"
            );
            self.event(now, EventKind::HistoryBroken, None, Some(position), text)
        }));
        self.keep(entries)?;
        self.switch(true, None, |_, position| found_off.contains(position))
    }

    fn switched_entries(
        &self,
        kind: EventKind,
        stage: Option<u16>,
        switched: Switched,
    ) -> Vec<Entry> {
        let Switched {
            at,
            positions,
            text,
            limit_read,
        } = switched;
        let event = |kind, position: &PositionId, text: &str| {
            self.event(at, kind, stage, Some(position.clone()), text)
        };
        let mut entries: Vec<Entry> = positions
            .iter()
            .map(|position| event(kind, position, &text))
            .collect();
        if kind == EventKind::PowerOn && !limit_read {
            let unread = "the current limit of the supply was not read back; should its instrument fall silent, it is switched off, unless the rig file says otherwise";
            entries.extend(
                positions
                    .iter()
                    .map(|position| event(EventKind::LimitNotRead, position, unread)),
            );
        }
        entries
    }

    /// The surroundings now. What they show of the supplies is kept together with the note
    /// that they are of: were it kept before, a run that is killed in between would be
    /// taken up in the middle of that note.
    pub(crate) fn conditions(&self) -> Result<Vec<(PositionId, Conditions)>, RunError> {
        let conditions = self.watch.conditions(&self.positions);
        self.session.stop.check()?;
        Ok(conditions)
    }

    /// Keeps what the watch has seen, where there is anything.
    pub(crate) fn keep_changes(&mut self) -> Result<(), RunError> {
        let changes = self.changes();
        self.keep(changes)
    }

    /// What the watch has seen, as entries.
    pub(crate) fn changes(&self) -> Vec<Entry> {
        let (now, wall) = (self.session.now(), self.session.clock.wall());
        let mut entries = Vec::new();
        for change in self.watch.changes() {
            for (kind, position) in watch::events(&change) {
                // It was seen a while ago.
                let ago = Duration::from_nanos(
                    now.nanoseconds()
                        .saturating_sub(change.at.nanoseconds())
                        .unsigned_abs(),
                );
                entries.push(Entry::Event(Event {
                    at: change.at,
                    wall: wall.checked_sub(ago).unwrap_or(wall),
                    kind,
                    stage: self.stage,
                    position,
                    text: change.text.clone(),
                }));
            }
        }
        entries
    }
}
