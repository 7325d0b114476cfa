//! Supplies: on, off, and what an instrument says of them.

use crate::error::RunError;
use crate::run::Run;
use crate::session::{Session, lock};
use model::document::rig::{Rig, Supply, SwitchedBy};
use model::port::{PortError, Remedy, Sense, Sensed, Setting};
use model::quantity::Seconds;
use model::record::{Conditions, PositionId};
use model::time::{Cancelled, RunTime, Span};
use std::collections::BTreeMap;

/// How long an instrument may take to answer.
const ANSWER_WITHIN: Seconds = Seconds::of(5.0);
/// How long to wait for the first sound after a person said the supply is on.
const SOUND_WITHIN: Seconds = Seconds::of(600.0);
/// How long to wait for the first sound when a mains timer switches.
const TIMER_WITHIN: Seconds = Seconds::of(86_400.0);
/// Below this share of its voltage a supply counts as gone.
const GONE_BELOW: f64 = 0.8;
/// Below this share, and staying there, it is held down by its current limit.
const SHORTED_BELOW: f64 = 0.5;
/// How long it must stay there, so that a flicker of the mains is not taken for it.
const SHORTED_FOR: Seconds = Seconds::of(1.0);

/// What became of a supply.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Switched {
    pub(crate) at: RunTime,
    pub(crate) positions: Vec<PositionId>,
    pub(crate) text: String,
}

/// The supplies of a rig that stand behind positions in use.
pub(crate) struct Power<'a> {
    rig: &'a Rig,
    positions: &'a [PositionId],
}

impl<'a> Power<'a> {
    pub(crate) const fn new(rig: &'a Rig, positions: &'a [PositionId]) -> Self {
        Self { rig, positions }
    }

    /// The supplies in use, each with its positions.
    fn supplies(&self) -> Vec<(&'a str, &'a Supply, Vec<PositionId>)> {
        self.rig
            .supplies
            .iter()
            .filter_map(|(name, supply)| {
                let behind: Vec<PositionId> = self
                    .positions
                    .iter()
                    .filter(|id| {
                        self.rig
                            .positions
                            .get(id.as_str())
                            .and_then(|position| position.supply.as_deref())
                            == Some(name.as_str())
                    })
                    .cloned()
                    .collect();
                (!behind.is_empty()).then_some((name.as_str(), supply, behind))
            })
            .collect()
    }

    /// Whether the program itself can switch any supply in use.
    pub(crate) fn switchable(&self) -> bool {
        self.supplies()
            .iter()
            .any(|(_, supply, _)| matches!(supply.by, SwitchedBy::Instrument(_)))
    }

    /// Switches all supplies in use on, or asks for it and waits until they are.
    pub(crate) fn on(
        &self,
        run: &mut Run<'_>,
        stage: Option<u16>,
    ) -> Result<Vec<Switched>, RunError> {
        let mut switched = Vec::new();
        for (name, supply, positions) in self.supplies() {
            let text = match &supply.by {
                SwitchedBy::Instrument(instrument) => {
                    let (Some(voltage), Some(current_limit)) =
                        (supply.voltage, supply.current_limit)
                    else {
                        return Err(RunError::Unfit(format!(
                            "the supply \"{name}\" has no voltage or no current limit in the rig; it is not switched without them"
                        )));
                    };
                    set(
                        &run.session,
                        instrument,
                        Setting::On {
                            voltage,
                            current_limit,
                        },
                    )?;
                    format!("supply \"{name}\" switched on: {voltage}, at most {current_limit}")
                }
                SwitchedBy::Operator => {
                    let question = format!(
                        "Switch the supply \"{name}\" on now (positions {}), then confirm.",
                        list(&positions)
                    );
                    run.ask(stage, &question)?;
                    first_sound(run, stage, &positions, SOUND_WITHIN)?;
                    format!("first sound after the supply \"{name}\" was switched on by hand")
                }
                SwitchedBy::Timer => {
                    first_sound(run, stage, &positions, TIMER_WITHIN)?;
                    format!("first sound after the mains timer switched the supply \"{name}\" on")
                }
            };
            switched.push(Switched {
                at: run.session.now(),
                positions,
                text,
            });
        }
        Ok(switched)
    }

    /// Switches all supplies in use off, or asks for it.
    pub(crate) fn off(
        &self,
        run: &mut Run<'_>,
        stage: Option<u16>,
    ) -> Result<Vec<Switched>, RunError> {
        let mut switched = Vec::new();
        for (name, supply, positions) in self.supplies() {
            let text = match &supply.by {
                SwitchedBy::Instrument(instrument) => {
                    set(&run.session, instrument, Setting::Off)?;
                    format!("supply \"{name}\" switched off")
                }
                SwitchedBy::Operator => {
                    let question = format!(
                        "Switch the supply \"{name}\" off now (positions {}), then confirm.",
                        list(&positions)
                    );
                    run.ask(stage, &question)?;
                    format!("supply \"{name}\" switched off by hand")
                }
                SwitchedBy::Timer => {
                    format!("supply \"{name}\" taken to be off by its mains timer")
                }
            };
            switched.push(Switched {
                at: run.session.now(),
                positions,
                text,
            });
        }
        Ok(switched)
    }

    /// The positions whose supply an instrument says is not there, with a sentence.
    pub(crate) fn found_off(&self, session: &Session) -> Vec<(PositionId, String)> {
        let mut found = Vec::new();
        for (name, supply, positions) in self.supplies() {
            let (SwitchedBy::Instrument(instrument), Some(wanted)) = (&supply.by, supply.voltage)
            else {
                continue;
            };
            let Ok(Sensed::Voltage(voltage)) = sense(session, instrument, Sense::Voltage) else {
                continue;
            };
            if voltage.get().abs() < GONE_BELOW * wanted.get().abs() {
                for position in positions {
                    found.push((
                        position,
                        format!("the supply \"{name}\" stands at {voltage} instead of {wanted}"),
                    ));
                }
            }
        }
        found
    }

    /// The positions whose supply nobody can ask whether it stayed on.
    pub(crate) fn unwatched(&self) -> Vec<PositionId> {
        self.supplies()
            .into_iter()
            .filter(|(_, supply, _)| !matches!(supply.by, SwitchedBy::Instrument(_)))
            .flat_map(|(_, _, positions)| positions)
            .collect()
    }

    /// The surroundings of a position, as far as instruments tell. What does not
    /// answer is left out: a thermometer that died must not end a night.
    pub(crate) fn conditions(&self, session: &Session) -> Vec<(PositionId, Conditions)> {
        let air = self.rig.thermometer.as_deref().and_then(|name| {
            match sense(session, name, Sense::Temperature) {
                Ok(Sensed::Temperature(celsius)) => Some(celsius),
                _ => None,
            }
        });
        let mut conditions: Vec<(PositionId, Conditions)> = self
            .positions
            .iter()
            .map(|position| (position.clone(), Conditions { air, supply: None }))
            .collect();
        for (_, supply, positions) in self.supplies() {
            let SwitchedBy::Instrument(instrument) = &supply.by else {
                continue;
            };
            let Ok(Sensed::Voltage(voltage)) = sense(session, instrument, Sense::Voltage) else {
                continue;
            };
            for (position, conditions) in &mut conditions {
                if positions.contains(position) {
                    conditions.supply = Some(voltage);
                }
            }
        }
        conditions
    }

    /// Looks twice at the supplies that should be on, and says which are held down
    /// by their current limit.
    pub(crate) fn shorted(
        &self,
        session: &Session,
        powered: &BTreeMap<PositionId, bool>,
    ) -> Result<Option<String>, Cancelled> {
        let held_down = || {
            self.supplies()
                .into_iter()
                .find_map(|(name, supply, positions)| {
                    let (SwitchedBy::Instrument(instrument), Some(wanted)) =
                        (&supply.by, supply.voltage)
                    else {
                        return None;
                    };
                    let on = positions
                        .iter()
                        .any(|position| powered.get(position) == Some(&true));
                    let Ok(Sensed::Voltage(voltage)) = sense(session, instrument, Sense::Voltage)
                    else {
                        return None;
                    };
                    (on && voltage.get().abs() < SHORTED_BELOW * wanted.get().abs()).then(|| {
                        format!("the supply \"{name}\" stands at {voltage} instead of {wanted}")
                    })
                })
        };
        if held_down().is_none() {
            return Ok(None);
        }
        session
            .clock
            .sleep_until(session.clock.now() + SHORTED_FOR, &session.stop)?;
        Ok(held_down())
    }

    /// Whether a voltage that was sensed at a position is far below what it should be.
    pub(crate) fn dipped(&self, position: &PositionId, conditions: &Conditions) -> bool {
        let supply = self
            .rig
            .positions
            .get(position.as_str())
            .and_then(|position| position.supply.as_ref())
            .and_then(|name| self.rig.supplies.get(name));
        match (supply.and_then(|supply| supply.voltage), conditions.supply) {
            (Some(wanted), Some(voltage)) => voltage.get().abs() < GONE_BELOW * wanted.get().abs(),
            _ => false,
        }
    }
}

fn instrument<'s>(
    session: &'s Session,
    name: &str,
) -> Result<&'s crate::session::SharedInstrument, PortError> {
    session.instruments.get(name).ok_or_else(|| PortError {
        device: name.to_owned(),
        what: "the rig names this instrument, but it was not opened".to_owned(),
        check: "see whether the rig file lists it under its wiring".to_owned(),
        remedy: Remedy::Abort,
    })
}

fn set(session: &Session, name: &str, setting: Setting) -> Result<(), PortError> {
    let by = session.clock.now() + ANSWER_WITHIN;
    lock(instrument(session, name)?).set(setting, by)
}

fn sense(session: &Session, name: &str, what: Sense) -> Result<Sensed, PortError> {
    let by = session.clock.now() + ANSWER_WITHIN;
    lock(instrument(session, name)?).sense(what, by)
}

fn list(positions: &[PositionId]) -> String {
    positions
        .iter()
        .map(PositionId::as_str)
        .collect::<Vec<_>>()
        .join(", ")
}

/// Listens until one of the positions is heard.
fn first_sound(
    run: &mut Run<'_>,
    stage: Option<u16>,
    positions: &[PositionId],
    within: Seconds,
) -> Result<(), RunError> {
    let timeline = run.session.ear.timeline();
    let frames = timeline.rate.frames(Seconds::of(0.25));
    let mut span = Span {
        start: timeline.sample_time(run.session.clock.now()),
        frames,
    };
    let give_up = run.session.clock.now() + within;
    loop {
        run.hear(stage)?;
        let heard = run.session.ear.measure(span, &run.session.stop)?;
        if heard.iter().any(|(position, measured)| {
            positions.contains(position) && measured.frequency.is_some()
        }) {
            return Ok(());
        }
        if run.session.clock.now() > give_up {
            return Err(RunError::Device(PortError {
                device: format!("positions {}", list(positions)),
                what: format!("no sound within {within} after their supply should have come on"),
                check: "look at the supply, its connector and the audio cables".to_owned(),
                remedy: Remedy::Abort,
            }));
        }
        span = span.then(frames);
    }
}
