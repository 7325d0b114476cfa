//! Supplies: on, off, and what an instrument says of them.

use crate::error::RunError;
use crate::run::Run;
use crate::session::{Session, lock};
use model::document::rig::{Rig, Supply, SwitchedBy};
use model::port::{Confirmed, PortError, Remedy, Sense, Sensed, Setting};
use model::quantity::Seconds;
use model::record::PositionId;
use model::time::{RunTime, Span};

/// How long an instrument may take to answer.
const ANSWER_WITHIN: Seconds = Seconds::of(5.0);
/// How long to wait for the first sound after a person said the supply is on.
const SOUND_WITHIN: Seconds = Seconds::of(600.0);
/// How long to wait for the first sound when a mains timer switches.
const TIMER_WITHIN: Seconds = Seconds::of(86_400.0);

/// What became of a supply.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Switched {
    pub(crate) at: RunTime,
    pub(crate) positions: Vec<PositionId>,
    pub(crate) text: String,
    /// Whether its current limit was read back, where an instrument switched it on.
    pub(crate) limit_read: bool,
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

    /// The names of the supplies in use of which a position needs switching.
    pub(crate) fn names(&self, needs: impl Fn(&PositionId) -> bool) -> Vec<String> {
        self.supplies()
            .into_iter()
            .filter(|(_, _, positions)| positions.iter().any(&needs))
            .map(|(name, _, _)| name.to_owned())
            .collect()
    }

    /// The supplies in use, by name, with their positions.
    pub(crate) fn fed_by(&self, name: &str) -> Vec<PositionId> {
        let all = self.supplies().into_iter();
        all.filter(|(supply, _, _)| *supply == name)
            .flat_map(|(_, _, positions)| positions)
            .collect()
    }

    /// Switches a supply on, or asks for it and waits until it is.
    pub(crate) fn on(
        &self,
        run: &mut Run<'_>,
        stage: Option<u16>,
        name: &str,
    ) -> Result<Switched, RunError> {
        let supply = self.supply(name)?;
        let positions = self.fed_by(name);
        let mut limit_read = true;
        let text = match &supply.by {
            SwitchedBy::Instrument(instrument) => {
                let (Some(voltage), Some(current_limit)) = (supply.voltage, supply.current_limit)
                else {
                    return Err(RunError::Unfit(format!(
                        "the supply \"{name}\" has no voltage or no current limit in the rig; it is not switched without them"
                    )));
                };
                // From here on an off is owed until that it is on is on disk.
                run.safe.owes().switching(true);
                let confirmed = set(
                    &run.session,
                    instrument,
                    Setting::On {
                        voltage,
                        current_limit,
                    },
                )
                .map_err(RunError::NotSwitched)?;
                limit_read = confirmed.current_limit.is_some();
                let now = run.session.now();
                run.watch.switched(instrument, Some(now), limit_read);
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
        Ok(Switched {
            at: run.session.now(),
            positions,
            text,
            limit_read,
        })
    }

    /// Switches a supply off, or asks for it.
    pub(crate) fn off(
        &self,
        run: &mut Run<'_>,
        stage: Option<u16>,
        name: &str,
    ) -> Result<Switched, RunError> {
        let positions = self.fed_by(name);
        let text = match &self.supply(name)?.by {
            SwitchedBy::Instrument(instrument) => {
                run.safe.owes().switching(true);
                set(&run.session, instrument, Setting::Off).map_err(RunError::NotSwitched)?;
                run.watch.switched(instrument, None, false);
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
        Ok(Switched {
            at: run.session.now(),
            positions,
            text,
            limit_read: true,
        })
    }

    fn supply(&self, name: &str) -> Result<&'a Supply, RunError> {
        self.rig
            .supplies
            .get(name)
            .ok_or_else(|| RunError::Unfit(format!("the rig has no supply \"{name}\" any more")))
    }

    /// The positions whose supply has its output off, as its instrument says, with a
    /// sentence. One that only sags is not: what that means is for the watch to say.
    pub(crate) fn found_off(&self, session: &Session) -> Vec<(PositionId, String)> {
        let mut found = Vec::new();
        for (name, supply, positions) in self.supplies() {
            let SwitchedBy::Instrument(instrument) = &supply.by else {
                continue;
            };
            if sense(session, instrument, Sense::Output) != Ok(Sensed::Output(false)) {
                continue;
            }
            for position in positions {
                found.push((
                    position,
                    format!("the output of the supply \"{name}\" is off"),
                ));
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

fn set(session: &Session, name: &str, setting: Setting) -> Result<Confirmed, PortError> {
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
