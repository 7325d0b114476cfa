//! What goes wrong by script, asked for by time.

use model::document::simulated::{Cables, Fault};
use model::quantity::Seconds;

/// A stretch of nanoseconds, the end excluded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct When {
    /// Its first nanosecond.
    pub from: i64,
    /// The first one after it.
    pub until: i64,
}

impl When {
    fn new(from: Seconds, lasts: Option<Seconds>) -> Self {
        let from = from.nanoseconds();
        Self {
            from,
            until: lasts.map_or(i64::MAX, |lasts| from.saturating_add(lasts.nanoseconds())),
        }
    }
    /// Whether a time lies in it.
    #[must_use]
    pub const fn contains(self, at: i64) -> bool {
        at >= self.from && at < self.until
    }
}

/// The script of a rig.
#[derive(Debug, Clone)]
pub struct Script {
    faults: Vec<(When, Fault)>,
}

impl Script {
    /// The script of these faults.
    #[must_use]
    pub fn new(faults: &[Fault]) -> Self {
        Self {
            faults: faults
                .iter()
                .map(|fault| (when(fault), fault.clone()))
                .collect(),
        }
    }

    /// Every time at which something begins or ends.
    pub fn turns(&self) -> impl Iterator<Item = i64> + '_ {
        self.faults
            .iter()
            .flat_map(|(when, _)| [when.from, when.until])
    }

    fn at(&self, now: i64) -> impl Iterator<Item = (&When, &Fault)> {
        self.faults
            .iter()
            .filter(move |(when, _)| when.contains(now))
            .map(|(when, fault)| (when, fault))
    }

    /// Whether a unit gives no sound.
    #[must_use]
    pub fn silent(&self, position: &str, now: i64) -> bool {
        self.at(now).any(|(_, fault)| {
            matches!(fault, Fault::UnitSilent { positions, .. } if has(positions, position))
        })
    }

    /// Whether an input delivers exact zeros.
    #[must_use]
    pub fn dead(&self, position: &str, now: i64) -> bool {
        self.at(now).any(|(_, fault)| {
            matches!(fault, Fault::InputDead { positions, .. } if has(positions, position))
        })
    }

    /// How much too large the signal of an input is.
    #[must_use]
    pub fn overdrive(&self, position: &str, now: i64) -> f64 {
        self.at(now)
            .filter_map(|(_, fault)| match fault {
                Fault::InputClips {
                    positions, gain, ..
                } if has(positions, position) => Some(gain.get().max(0.0)),
                _ => None,
            })
            .product()
    }

    /// Whether the control voltage of a position stands still.
    #[must_use]
    pub fn not_played(&self, position: &str, now: i64) -> bool {
        self.at(now).any(|(_, fault)| {
            matches!(fault, Fault::NoteNotPlayed { positions, .. } if has(positions, position))
        })
    }

    /// The time constant of a portamento left on, in seconds.
    #[must_use]
    pub fn portamento(&self, position: &str, now: i64) -> Option<f64> {
        self.at(now).find_map(|(_, fault)| match fault {
            Fault::Portamento {
                positions, time, ..
            } if has(positions, position) => Some(time.get()),
            _ => None,
        })
    }

    /// The stretches over which the audio input does not deliver.
    pub fn outages(&self) -> impl Iterator<Item = When> + '_ {
        self.faults
            .iter()
            .filter(|(_, fault)| matches!(fault, Fault::CaptureDies { .. }))
            .map(|(when, _)| *when)
    }

    /// When a unit is off pitch by a loose contact, and by which factor less one.
    #[must_use]
    pub fn loose(&self, position: &str) -> Vec<(When, f64)> {
        self.faults
            .iter()
            .filter_map(|(when, fault)| match fault {
                Fault::LooseContact { positions, by, .. } if has(positions, position) => {
                    Some((*when, libm::exp2(by.get() / 1200.0) - 1.0))
                }
                _ => None,
            })
            .collect()
    }

    /// The dips of a supply: from, until, to which voltage.
    #[must_use]
    pub fn dips(&self, name: &str) -> Vec<(i64, i64, f64)> {
        self.faults
            .iter()
            .filter_map(|(when, fault)| match fault {
                Fault::SupplyDips { supply, to, .. } if supply == name => {
                    Some((when.from, when.until, to.get()))
                }
                _ => None,
            })
            .collect()
    }

    /// The voltages a supply stands at whatever it was set to: from, until, which.
    #[must_use]
    pub fn stands(&self, name: &str) -> Vec<(i64, i64, f64)> {
        self.faults
            .iter()
            .filter_map(|(when, fault)| match fault {
                Fault::SupplyStands { supply, at, .. } if supply == name => {
                    Some((when.from, when.until, at.get()))
                }
                _ => None,
            })
            .collect()
    }

    /// Whether an instrument neither hears nor answers.
    #[must_use]
    pub fn instrument_silent(&self, name: &str, now: i64) -> bool {
        self.at(now).any(|(_, fault)| {
            matches!(fault, Fault::InstrumentSilent { instrument, .. } if instrument == name)
        })
    }

    /// Whether a question to an instrument goes unanswered: each second one of them, if it
    /// is asked every half second. So it follows from the time and from nothing else.
    #[must_use]
    pub fn stutters(&self, name: &str, now: i64) -> bool {
        now.div_euclid(500_000_000).rem_euclid(2) == 1
            && self.at(now).any(|(_, fault)| {
                matches!(fault, Fault::InstrumentStutters { instrument, .. } if instrument == name)
            })
    }

    /// What a thermometer shows in place of the temperature.
    #[must_use]
    pub fn thermometer_reads(&self, name: &str, now: i64) -> Option<f64> {
        self.at(now).find_map(|(_, fault)| match fault {
            Fault::ThermometerReads {
                instrument,
                temperature,
                ..
            } if instrument == name => Some(temperature.get()),
            _ => None,
        })
    }

    /// The unit that another may be locked to: its position, since when, and how
    /// many cents apart they may be.
    #[must_use]
    pub fn leader(&self, position: &str, now: i64) -> Option<(&str, i64, f64)> {
        self.at(now).find_map(|(when, fault)| match fault {
            Fault::Locked {
                positions, within, ..
            } => {
                let leader = positions.first()?;
                let follows = leader != position && has(positions, position);
                follows.then_some((leader.as_str(), when.from, within.get()))
            }
            _ => None,
        })
    }

    /// The position whose cable is in this position's place.
    #[must_use]
    pub fn cable<'a>(&'a self, position: &'a str, of: Cables, now: i64) -> &'a str {
        self.at(now)
            .find_map(|(_, fault)| match fault {
                Fault::CablesSwapped {
                    between: [one, other],
                    cables,
                    ..
                } if *cables == of => {
                    if one == position {
                        Some(other.as_str())
                    } else if other == position {
                        Some(one.as_str())
                    } else {
                        None
                    }
                }
                _ => None,
            })
            .unwrap_or(position)
    }
}

fn has(positions: &[String], position: &str) -> bool {
    positions.iter().any(|name| name == position)
}

fn when(fault: &Fault) -> When {
    match fault {
        Fault::UnitSilent { from, lasts, .. }
        | Fault::InputDead { from, lasts, .. }
        | Fault::InputClips { from, lasts, .. }
        | Fault::NoteNotPlayed { from, lasts, .. }
        | Fault::Portamento { from, lasts, .. }
        | Fault::Locked { from, lasts, .. }
        | Fault::SupplyStands { from, lasts, .. }
        | Fault::InstrumentSilent { from, lasts, .. }
        | Fault::InstrumentStutters { from, lasts, .. }
        | Fault::ThermometerReads { from, lasts, .. }
        | Fault::CablesSwapped { from, lasts, .. } => When::new(*from, *lasts),
        Fault::CaptureDies { from, lasts }
        | Fault::SupplyDips { from, lasts, .. }
        | Fault::LooseContact { from, lasts, .. } => When::new(*from, Some(*lasts)),
    }
}

/// The instrument a fault names, for checking.
pub(crate) fn instrument(fault: &Fault) -> Option<&str> {
    match fault {
        Fault::InstrumentSilent { instrument, .. }
        | Fault::InstrumentStutters { instrument, .. }
        | Fault::ThermometerReads { instrument, .. } => Some(instrument),
        _ => None,
    }
}

/// The positions and supplies a fault names, for checking.
pub(crate) fn names(fault: &Fault) -> (Vec<&str>, Option<&str>) {
    match fault {
        Fault::UnitSilent { positions, .. }
        | Fault::InputDead { positions, .. }
        | Fault::InputClips { positions, .. }
        | Fault::NoteNotPlayed { positions, .. }
        | Fault::Portamento { positions, .. }
        | Fault::LooseContact { positions, .. }
        | Fault::Locked { positions, .. } => (positions.iter().map(String::as_str).collect(), None),
        Fault::CablesSwapped { between, .. } => {
            (between.iter().map(String::as_str).collect(), None)
        }
        Fault::SupplyDips { supply, .. } | Fault::SupplyStands { supply, .. } => {
            (Vec::new(), Some(supply))
        }
        Fault::CaptureDies { .. }
        | Fault::InstrumentSilent { .. }
        | Fault::InstrumentStutters { .. }
        | Fault::ThermometerReads { .. } => (Vec::new(), None),
    }
}
