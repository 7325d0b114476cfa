//! What is known of one instrument, and what follows from each answer or silence. Pure:
//! it asks nothing and knows no clock.

use crate::limits::{COMES_UP_WITHIN, SHORTED_FOR, SILENT_FOR, Standing, plausible, standing};
use crate::run::words;
use model::document::rig::WhenLost;
use model::port::{PortError, Sense, Sensed};
use model::quantity::{Seconds, Volts};
use model::record::{EventKind, PositionId};
use model::time::RunTime;

/// Something to be kept: an event of the rig, or of positions.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Change {
    pub(crate) at: RunTime,
    pub(crate) kind: EventKind,
    /// None: it is of the whole rig.
    pub(crate) positions: Vec<PositionId>,
    pub(crate) text: String,
}

/// Why supplies must go off.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fault {
    pub(crate) at: RunTime,
    pub(crate) what: String,
    /// What the person at the bench should look at.
    pub(crate) check: &'static str,
}

/// What is expected of a supply.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Expected {
    /// The run switched it off.
    Off,
    /// The run switched it on.
    On {
        /// When.
        since: RunTime,
    },
    /// It is as it was found.
    AsFound {
        /// Whether it was seen to be on.
        on: bool,
    },
}

/// A supply that an instrument switches.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Supply {
    pub(crate) name: String,
    /// The voltage it is set to.
    pub(crate) voltage: Volts,
    /// The positions in use that it feeds.
    pub(crate) positions: Vec<PositionId>,
    pub(crate) when_lost: Option<WhenLost>,
    pub(crate) expected: Expected,
    /// Whether its current limit was read back when it was switched on.
    pub(crate) limit_read: bool,
    /// Whether that it fell has been said, and not that it is back.
    pub(crate) low: bool,
    /// Since when it has been held down, and where it last stood.
    pub(crate) down: Option<(RunTime, Volts)>,
}

/// An instrument that is asked all the time.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Watched {
    pub(crate) sense: Sense,
    pub(crate) supply: Option<Supply>,
    /// Whether that it was lost has been said, and not that it is back.
    pub(crate) lost: bool,
    /// The last moment that anything on disk speaks of it: what is seen before has
    /// been said.
    pub(crate) told_until: Option<RunTime>,
    /// The last answer.
    newest: Option<(RunTime, Sensed)>,
    /// Since when it has given no answer.
    silent_since: Option<RunTime>,
}

/// How an answer was come by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Look {
    /// In its turn. Only these count where something must last to be said, so that it does
    /// not depend on when notes are played.
    Regular,
    /// For a note.
    Glance,
}

/// What follows from an answer.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct Consequence {
    pub(crate) changes: Vec<Change>,
    pub(crate) fault: Option<Fault>,
}

const SHORT_CIRCUIT: &str =
    "look for a short circuit or a connector the wrong way round, with the power off";
const SET_WRONG: &str =
    "look at the supply, its sense leads and its connectors, with the units unplugged";
const SILENT: &str = "look at the supply itself and its cable; \"when_lost: go_on\" in the rig file lets a run go on where its current limit protects the units";

impl Watched {
    pub(crate) fn new(sense: Sense, supply: Option<Supply>) -> Self {
        Self {
            sense,
            supply,
            lost: false,
            told_until: None,
            newest: None,
            silent_since: None,
        }
    }

    /// The last answer, unless it is too old to be true.
    pub(crate) fn newest(&self, now: RunTime) -> Option<Sensed> {
        let (at, sensed) = self.newest?;
        (now.seconds_from(at) <= SILENT_FOR.get()).then_some(sensed)
    }

    /// How long it may take to answer. Meanwhile nobody else can switch a supply off: one
    /// that falls silent in a short circuit, and one beside it that fell silent before, must
    /// be off within two seconds all the same. A slow thermometer averages for seconds.
    pub(crate) fn patience(&self) -> Seconds {
        match (self.sense, self.silent_since) {
            (Sense::Temperature, _) => Seconds::of(3.0),
            (_, None) => Seconds::of(1.0),
            (_, Some(_)) => Seconds::of(0.4),
        }
    }

    /// Whether a short circuit is suspected and not yet certain.
    pub(crate) fn suspect(&self) -> Option<Fault> {
        let supply = self.supply.as_ref()?;
        let (at, stands) = supply.down?;
        Some(Fault {
            at,
            what: format!(
                "the supply \"{}\" stood at {stands} instead of {} when the run ended",
                supply.name, supply.voltage
            ),
            check: SHORT_CIRCUIT,
        })
    }

    /// Takes an answer, or that there was none.
    pub(crate) fn take(
        &mut self,
        at: RunTime,
        answer: Result<Sensed, PortError>,
        look: Look,
    ) -> Consequence {
        let mut then = Consequence::default();
        let answer = answer
            .map_err(|error| format!("{}; {}", error.what, error.check))
            .and_then(|sensed| match sensed {
                Sensed::Temperature(air) if !plausible(air) => Err(format!(
                    "it shows {air}, which no workshop has; check its sensor and its settings"
                )),
                sensed => Ok(sensed),
            });
        match (answer, look) {
            (Ok(sensed), look) => {
                if look == Look::Regular {
                    self.newest = Some((at, sensed));
                    self.silent_since = None;
                    if self.lost && self.is_news(at) {
                        self.lost = false;
                        then.changes.push(self.back(at, sensed));
                    }
                }
                if let (Some(supply), Sensed::Voltage(shows)) = (&mut self.supply, sensed) {
                    let news = self.told_until.is_none_or(|told| at > told);
                    supply.shows(at, shows, look, news, &mut then);
                }
            }
            (Err(_), Look::Glance) => {}
            (Err(why), Look::Regular) => {
                let since = *self.silent_since.get_or_insert(at);
                let silent = at.seconds_from(since) >= SILENT_FOR.get();
                if silent && !self.lost && self.is_news(at) {
                    self.lost = true;
                    self.is_lost(at, since, &why, &mut then);
                }
            }
        }
        // Silence does not make a short circuit go away.
        if let Some(supply) = &self.supply
            && then.fault.is_none()
            && let Some((since, stands)) = supply.down
            && at.seconds_from(since) >= SHORTED_FOR.get()
        {
            then.fault = Some(Fault {
                at,
                what: format!(
                    "the supply \"{}\" stands at {stands} instead of {}",
                    supply.name, supply.voltage
                ),
                check: SHORT_CIRCUIT,
            });
        }
        then
    }

    fn is_news(&self, at: RunTime) -> bool {
        self.told_until.is_none_or(|told| at > told)
    }

    fn positions(&self) -> Vec<PositionId> {
        let supply = self.supply.as_ref();
        supply.map_or_else(Vec::new, |supply| supply.positions.clone())
    }

    fn back(&self, at: RunTime, sensed: Sensed) -> Change {
        let text = match (&self.supply, sensed) {
            (Some(supply), Sensed::Voltage(shows)) => {
                format!("the supply \"{}\" answers again: {shows}", supply.name)
            }
            (_, Sensed::Temperature(air)) => format!("the thermometer answers again: {air}"),
            _ => "it answers again".to_owned(),
        };
        Change {
            at,
            kind: EventKind::InstrumentBack,
            positions: self.positions(),
            text,
        }
    }

    fn is_lost(&self, at: RunTime, since: RunTime, why: &str, then: &mut Consequence) {
        let silent = format!("has given no answer since {}: {why}", words(since));
        let change = |text| Change {
            at,
            kind: EventKind::InstrumentLost,
            positions: self.positions(),
            text,
        };
        let Some(supply) = &self.supply else {
            then.changes.push(change(format!(
                "the thermometer {silent}. The run goes on without temperatures"
            )));
            return;
        };
        let name = &supply.name;
        if !supply.feeds() {
            then.changes
                .push(change(format!("the supply \"{name}\" {silent}")));
            return;
        }
        let goes_on = match supply.when_lost {
            Some(WhenLost::GoOn) => Ok("the rig file says to go on"),
            Some(WhenLost::Off) => Err("the rig file says to switch it off then"),
            None if supply.limit_read => {
                Ok("its current limit was read back when it was switched on")
            }
            None => Err("its current limit was not read back when it was switched on"),
        };
        match goes_on {
            Ok(because) => then.changes.push(change(format!(
                "the supply \"{name}\" {silent}. The run goes on, as {because}; nobody watches this supply"
            ))),
            Err(because) => {
                let what = format!("the supply \"{name}\" {silent}; {because}");
                then.changes.push(change(what.clone()));
                then.fault = Some(Fault {
                    at,
                    what,
                    check: SILENT,
                });
            }
        }
    }
}

impl Supply {
    /// Whether units are known to be fed by it.
    const fn feeds(&self) -> bool {
        matches!(
            self.expected,
            Expected::On { .. } | Expected::AsFound { on: true }
        )
    }

    /// Notes that it was switched.
    pub(crate) fn switched(&mut self, expected: Expected, limit_read: bool) {
        self.expected = expected;
        self.limit_read = limit_read;
        self.low = false;
        self.down = None;
    }

    fn shows(&mut self, at: RunTime, shows: Volts, look: Look, news: bool, then: &mut Consequence) {
        let standing = standing(shows, self.voltage);
        if matches!(standing, Standing::Over | Standing::WrongSign) {
            then.fault = Some(Fault {
                at,
                what: format!(
                    "the supply \"{}\" stands at {shows} instead of {}",
                    self.name, self.voltage
                ),
                check: SET_WRONG,
            });
            return;
        }
        if let Expected::AsFound { on } = &mut self.expected
            && matches!(standing, Standing::Fine | Standing::Sagging)
        {
            *on = true;
        }
        let up_for = match self.expected {
            Expected::On { since } => at.seconds_from(since),
            Expected::AsFound { on: true } => f64::INFINITY,
            Expected::Off | Expected::AsFound { on: false } => return,
        };
        if up_for < 0.0 {
            return;
        }
        if look == Look::Regular {
            self.down = match standing {
                Standing::Down => Some((self.down.map_or(at, |(since, _)| since), shows)),
                _ => None,
            };
        }
        let is_low = match standing {
            Standing::Low | Standing::Down => true,
            Standing::Sagging => self.low,
            _ => false,
        };
        if is_low == self.low || !news || (is_low && up_for < COMES_UP_WITHIN.get()) {
            return;
        }
        self.low = is_low;
        let (kind, text) = if is_low {
            (
                EventKind::SupplyLow,
                format!(
                    "the supply fell to {shows}; the unit's temperature is not what it would have been"
                ),
            )
        } else {
            (
                EventKind::SupplyBack,
                format!("the supply is back at {shows}"),
            )
        };
        then.changes.push(Change {
            at,
            kind,
            positions: self.positions.clone(),
            text,
        });
    }
}

/// How often an instrument is asked; twice within the time after which a supply that is
/// held down counts as shorted, so that it is off within two seconds of that.
pub(crate) const EVERY: Seconds = Seconds::of(0.5);
/// How much of the past decides what is said next.
pub(crate) const REMEMBERS: Seconds = Seconds::of(10.0);
