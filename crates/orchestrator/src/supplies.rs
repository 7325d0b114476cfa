//! What a run does about supplies: switching them, finding them lost after a
//! break, noticing that they dip, and tripping when one is held down.

use crate::error::RunError;
use crate::power::{Power, Switched};
use crate::run::Run;
use model::quantity::Seconds;
use model::record::{Conditions, Entry, EventKind, PositionId};

/// A supply that nobody can ask may have been off and on again unnoticed in a
/// break longer than this.
const UNNOTICED: Seconds = Seconds::of(300.0);

impl Run<'_> {
    pub(crate) fn switch(&mut self, on: bool, stage: Option<u16>) -> Result<(), RunError> {
        let positions = self.positions.clone();
        let power = Power::new(self.rig, &positions);
        let switched = if on {
            power.on(self, stage)?
        } else {
            power.off(self, stage)?
        };
        let kind = if on {
            EventKind::PowerOn
        } else {
            EventKind::PowerOff
        };
        let entries = self.switched_entries(kind, stage, switched);
        self.keep(entries)
    }

    /// What an outage did to the supplies is said before anything is measured.
    pub(crate) fn look_for_lost_power(&mut self) -> Result<(), RunError> {
        let lost: Vec<(PositionId, String)> = Power::new(self.rig, &self.positions)
            .found_off(&self.session)
            .into_iter()
            .filter(|(position, _)| self.progress.powered.get(position) == Some(&true))
            .collect();
        let now = self.session.now();
        let unwatched = Power::new(self.rig, &self.positions).unwatched();
        let mut entries: Vec<Entry> = unwatched
            .into_iter()
            .filter(|position| {
                self.progress.powered.get(position) == Some(&true) && self.away > UNNOTICED
            })
            .map(|position| {
                let text =
                    "nobody looked for a while, and whether the supply stayed on is not known";
                self.event(now, EventKind::HistoryBroken, None, Some(position), text)
            })
            .collect();
        let found_off = !lost.is_empty();
        entries.extend(lost.into_iter().map(|(position, text)| {
            let text = format!(
                "{text}: it was lost while the run was not going on; it is switched on again"
            );
            self.event(now, EventKind::HistoryBroken, None, Some(position), text)
        }));
        self.keep(entries)?;
        if found_off {
            self.switch(true, None)?;
        }
        Ok(())
    }

    pub(crate) fn switched_entries(
        &self,
        kind: EventKind,
        stage: Option<u16>,
        switched: Vec<Switched>,
    ) -> Vec<Entry> {
        let mut entries = Vec::new();
        for Switched {
            at,
            positions,
            text,
        } in switched
        {
            for position in positions {
                entries.push(self.event(at, kind, stage, Some(position), text.clone()));
            }
        }
        entries
    }

    /// The surroundings now; a supply that dips is said once.
    pub(crate) fn conditions(
        &mut self,
        stage: u16,
    ) -> Result<Vec<(PositionId, Conditions)>, RunError> {
        let power = Power::new(self.rig, &self.positions);
        let conditions = power.conditions(&self.session);
        let mut changed = Vec::new();
        for (position, conditions) in &conditions {
            let dipped = power.dipped(position, conditions)
                && self
                    .progress
                    .powered
                    .get(position)
                    .copied()
                    .unwrap_or(false);
            if dipped != self.dipped.contains(position) {
                changed.push((position.clone(), dipped, conditions.supply));
            }
        }
        let now = self.session.now();
        let suspicious = changed.iter().any(|(_, dipped, _)| *dipped);
        let mut entries = Vec::new();
        for (position, dipped, voltage) in changed {
            let voltage =
                voltage.map_or_else(|| "unknown".to_owned(), |voltage| voltage.to_string());
            if dipped {
                let text = format!(
                    "the supply fell to {voltage}; the unit's temperature is not what it would have been"
                );
                entries.push(self.event(
                    now,
                    EventKind::HistoryBroken,
                    Some(stage),
                    Some(position.clone()),
                    text,
                ));
                self.dipped.insert(position);
            } else {
                let text = format!("the supply is back at {voltage}");
                entries.push(self.event(
                    now,
                    EventKind::Fault,
                    Some(stage),
                    Some(position.clone()),
                    text,
                ));
                self.dipped.remove(&position);
            }
        }
        self.keep(entries)?;
        if suspicious {
            self.trip_if_shorted(stage)?;
        }
        Ok(conditions)
    }

    /// Ends the run when a supply stays down: the safe state then switches it off.
    fn trip_if_shorted(&mut self, stage: u16) -> Result<(), RunError> {
        let power = Power::new(self.rig, &self.positions);
        let Some(fault) = power.shorted(&self.session, &self.progress.powered)? else {
            return Ok(());
        };
        self.say(EventKind::Tripped, Some(stage), fault.clone())?;
        Err(RunError::Electrical(fault))
    }
}
