//! The note sender.

use crate::Sink;
use crate::midi::{self, Aim, Bend, BendRange, Channel, Message};
use crate::output::Output;
use model::document::rig::Position;
use model::pitch::{Pitch, PitchStandard};
use model::port::{Clock, NoteOut, Played, PortError, Remedy};
use model::quantity::Volts;
use model::record::PositionId;
use std::collections::BTreeMap;
use std::sync::Arc;

/// A rig's positions and senders do not fit together, or a sender does not work.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SenderError {
    /// A position names a sender that is not there.
    #[error(
        "position {position} is fed by the sender \"{sender}\", which the rig does not have; its senders are {known}"
    )]
    NoSuchSender {
        /// The position.
        position: String,
        /// What it names.
        sender: String,
        /// What there is.
        known: String,
    },
    /// A MIDI channel outside 1 to 16.
    #[error("position {position} has the MIDI channel {channel}; there are the channels 1 to 16")]
    NoSuchChannel {
        /// The position.
        position: String,
        /// Its channel.
        channel: u8,
    },
    /// A bend range that cannot be told to an interface.
    #[error(
        "the sender \"{sender}\" has a bend range of {cents} cents; an interface can be told whole cents from 1 to 12700"
    )]
    BendRange {
        /// The sender.
        sender: String,
        /// Its bend range.
        cents: f64,
    },
    /// Two positions on one output that disagree about it.
    #[error(
        "positions {first} and {second} share output {channel} of the sender \"{sender}\" but {what}; give them the same, or outputs of their own"
    )]
    Disagree {
        /// One position.
        first: String,
        /// The other.
        second: String,
        /// The sender.
        sender: String,
        /// Its channel or output.
        channel: u8,
        /// What they disagree about.
        what: &'static str,
    },
    /// No voltage is safe.
    #[error(
        "position {position} has a safe range from {from} to {to}, in which there is no voltage"
    )]
    NoSafeVoltage {
        /// The position.
        position: String,
        /// Its lower end.
        from: Volts,
        /// Its upper end.
        to: Volts,
    },
    /// A sender does not work.
    #[error(transparent)]
    Port(#[from] PortError),
}

/// Plays pitches to the positions of a rig, each through its sender and channel.
///
/// Everything is silenced when it is dropped.
pub struct Sender {
    senders: BTreeMap<String, One>,
    places: BTreeMap<PositionId, (String, u8)>,
    clock: Arc<dyn Clock>,
}

/// One sender of the rig.
struct One {
    sink: Sink,
    /// By channel, counted from 1.
    outputs: BTreeMap<u8, Output>,
    /// The interface may have forgotten everything.
    unsure: bool,
}

/// What is to be sent to one output.
enum Command {
    Note(Channel, BendRange, Aim),
    Voltage(Volts),
}

impl std::fmt::Debug for Sender {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Sender")
            .field("places", &self.places)
            .finish_non_exhaustive()
    }
}

impl Sender {
    /// Puts together the positions and the senders of a rig, and resets every
    /// channel in use: everything off, controllers reset, bend range set, bend
    /// at its centre; voltages at rest.
    ///
    /// # Errors
    /// When positions and senders do not fit together, or one cannot be reset.
    pub fn new(
        positions: &BTreeMap<String, Position>,
        sinks: BTreeMap<String, Sink>,
        standard: PitchStandard,
        clock: Arc<dyn Clock>,
    ) -> Result<Self, SenderError> {
        let mut senders: BTreeMap<String, One> = BTreeMap::new();
        for (name, sink) in sinks {
            if let Sink::Wire { bend_range, .. } = &sink
                && BendRange::new(*bend_range).is_none()
            {
                return Err(SenderError::BendRange {
                    sender: name,
                    cents: bend_range.get(),
                });
            }
            let one = One {
                sink,
                outputs: BTreeMap::new(),
                unsure: true,
            };
            senders.insert(name, one);
        }
        let mut places = BTreeMap::new();
        let mut first_at: BTreeMap<(String, u8), &String> = BTreeMap::new();
        for (position, wanted) in positions {
            let cv = &wanted.cv;
            let known = || senders.keys().cloned().collect::<Vec<_>>().join(", ");
            let Some(one) = senders.get(&cv.sender) else {
                return Err(SenderError::NoSuchSender {
                    position: position.clone(),
                    sender: cv.sender.clone(),
                    known: known(),
                });
            };
            let midi = matches!(one.sink, Sink::Wire { .. });
            if cv.channel == 0 || (midi && Channel::new(cv.channel).is_none()) {
                return Err(SenderError::NoSuchChannel {
                    position: position.clone(),
                    channel: cv.channel,
                });
            }
            if cv.safe.from > cv.safe.to {
                return Err(SenderError::NoSafeVoltage {
                    position: position.clone(),
                    from: cv.safe.from,
                    to: cv.safe.to,
                });
            }
            let Some(one) = senders.get_mut(&cv.sender) else {
                continue;
            };
            let law = cv.law.control_law();
            let output = one.outputs.entry(cv.channel).or_insert(Output {
                law,
                safe: cv.safe,
                standard,
                held: None,
                standing: None,
                bend: Bend::CENTRE,
            });
            let first = *first_at
                .entry((cv.sender.clone(), cv.channel))
                .or_insert(position);
            let disagree = |what| SenderError::Disagree {
                first: first.clone(),
                second: position.clone(),
                sender: cv.sender.clone(),
                channel: cv.channel,
                what,
            };
            if output.law != law {
                return Err(disagree("have different laws"));
            }
            if cv.safe.from > output.safe.from {
                output.safe.from = cv.safe.from;
            }
            if cv.safe.to < output.safe.to {
                output.safe.to = cv.safe.to;
            }
            if output.safe.from > output.safe.to {
                return Err(disagree("no voltage is safe for both"));
            }
            places.insert(PositionId::new(position), (cv.sender.clone(), cv.channel));
        }
        let mut sender = Self {
            senders,
            places,
            clock,
        };
        for one in sender.senders.values_mut() {
            one.reset()?;
        }
        Ok(sender)
    }

    /// What has to be sent for these targets; nothing is sent yet.
    fn commands(
        &self,
        targets: &[(PositionId, Pitch)],
    ) -> Result<BTreeMap<(&str, u8), Command>, PortError> {
        let mut asked: BTreeMap<(&str, u8), (&PositionId, Pitch)> = BTreeMap::new();
        for (position, pitch) in targets {
            let (name, channel) = self.places.get(position).ok_or_else(|| PortError {
                device: position.to_string(),
                what: "a note was asked for a position that the rig does not have".into(),
                check: "check the names of the positions".into(),
                remedy: Remedy::Abort,
            })?;
            let before = asked.entry((name, *channel)).or_insert((position, *pitch));
            if before.1 != *pitch {
                return Err(PortError {
                    device: position.to_string(),
                    what: format!(
                        "shares its control voltage (sender {name}, channel {channel}) with {}, and the two were asked for different pitches",
                        before.0
                    ),
                    check: "ask both for the same pitch, or give each an output of its own".into(),
                    remedy: Remedy::Skip,
                });
            }
        }
        let mut commands = BTreeMap::new();
        for ((name, channel), (position, pitch)) in asked {
            let refuse = |what: String| PortError {
                device: position.to_string(),
                what: format!("{what}; nothing was sent"),
                check: "check the plan's notes, and the position's law and safe range".into(),
                remedy: Remedy::Skip,
            };
            let Some((one, output)) = self
                .senders
                .get(name)
                .and_then(|one| Some((one, one.outputs.get(&channel)?)))
            else {
                continue;
            };
            let voltage = output.voltage(pitch);
            if !output.allows(voltage) {
                return Err(refuse(format!(
                    "note number {:.2} needs {:.4} V, outside the safe range from {} to {}",
                    pitch.note_number(),
                    voltage.get(),
                    output.safe.from,
                    output.safe.to
                )));
            }
            let command = match (&one.sink, Channel::new(channel)) {
                (Sink::Wire { bend_range, .. }, Some(midi_channel)) => {
                    let Some(range) = BendRange::new(*bend_range) else {
                        continue;
                    };
                    Command::Note(
                        midi_channel,
                        range,
                        output.aim(pitch, range).map_err(refuse)?,
                    )
                }
                _ => Command::Voltage(output.clamped(voltage)),
            };
            commands.insert((name, channel), command);
        }
        Ok(commands)
    }
}

impl NoteOut for Sender {
    /// Plays the pitches; outputs that no target uses stay as they are.
    fn play(&mut self, targets: &[(PositionId, Pitch)]) -> Result<Vec<Played>, PortError> {
        let commands: Vec<((String, u8), Command)> = self
            .commands(targets)?
            .into_iter()
            .map(|((name, channel), command)| ((name.to_owned(), channel), command))
            .collect();
        let mut reached: BTreeMap<(String, u8), Volts> = BTreeMap::new();
        for ((name, channel), command) in commands {
            if let Some(one) = self.senders.get_mut(&name) {
                if one.unsure {
                    one.reset()?;
                }
                let voltage = one.carry_out(channel, &command)?;
                reached.insert((name, channel), voltage);
            }
        }
        let at = self.clock.now();
        Ok(targets
            .iter()
            .filter_map(|(position, pitch)| {
                let place = self.places.get(position)?;
                let output = self.senders.get(&place.0)?.outputs.get(&place.1)?;
                Some(Played {
                    position: position.clone(),
                    asked: *pitch,
                    residue: output.voltage(*pitch) - *reached.get(place)?,
                    at,
                })
            })
            .collect())
    }

    fn silence(&mut self) -> Result<(), PortError> {
        let mut outcome = Ok(());
        for one in self.senders.values_mut() {
            // One dead interface must not keep the others sounding.
            let silenced = one.silence();
            if outcome.is_ok() {
                outcome = silenced;
            }
        }
        outcome
    }

    fn present(&mut self) -> Result<(), PortError> {
        for one in self.senders.values_mut() {
            let found = match &mut one.sink {
                Sink::Wire { wire, .. } => wire.present(),
                Sink::Volts(output) => output.present(),
            };
            if let Err(error) = found {
                one.unsure = true;
                return Err(error);
            }
            if one.unsure {
                one.reset()?;
            } else {
                one.remind()?;
            }
        }
        Ok(())
    }
}

impl Drop for Sender {
    fn drop(&mut self) {
        // Nobody is left to hear of a failure.
        let _ = self.silence();
    }
}

impl One {
    /// Puts every channel in use into a known state.
    fn reset(&mut self) -> Result<(), PortError> {
        self.unsure = true;
        for (number, output) in &mut self.outputs {
            match &mut self.sink {
                Sink::Wire { wire, bend_range } => {
                    if let (Some(channel), Some(range)) =
                        (Channel::new(*number), BendRange::new(*bend_range))
                    {
                        send_all(wire.as_mut(), &midi::reset(channel, range))?;
                    }
                }
                Sink::Volts(volts) => {
                    volts.set(*number, output.rest())?;
                }
            }
            output.held = None;
            output.standing = None;
            output.bend = Bend::CENTRE;
        }
        self.unsure = false;
        Ok(())
    }

    /// Tells interfaces again what they forget when their power fails, without a
    /// change for those that have not: the bend range and the bend.
    fn remind(&mut self) -> Result<(), PortError> {
        let Sink::Wire { wire, bend_range } = &mut self.sink else {
            return Ok(());
        };
        for (number, output) in &self.outputs {
            if let (Some(channel), Some(range)) =
                (Channel::new(*number), BendRange::new(*bend_range))
            {
                send_all(wire.as_mut(), &midi::set_range(channel, range))
                    .and_then(|()| wire.send(&midi::pitch_bend(channel, output.bend)))
                    .inspect_err(|_| self.unsure = true)?;
            }
        }
        Ok(())
    }

    /// Sends a command to an output; returns the voltage reached, as far as known.
    fn carry_out(&mut self, number: u8, command: &Command) -> Result<Volts, PortError> {
        let Some(output) = self.outputs.get_mut(&number) else {
            return Ok(Volts::of(0.0));
        };
        self.unsure = true;
        let reached = match (&mut self.sink, command) {
            (Sink::Wire { wire, .. }, Command::Note(channel, range, aim)) => {
                send_all(wire.as_mut(), &output.messages(*channel, *aim, *range))?;
                output.held = Some(aim.note);
                output.standing = Some(aim.note);
                output.bend = aim.bend;
                output.voltage(aim.pitch(*range))
            }
            (Sink::Volts(volts), Command::Voltage(voltage)) => volts.set(number, *voltage)?,
            (_, Command::Note(..)) | (_, Command::Voltage(_)) => Volts::of(0.0),
        };
        self.unsure = false;
        Ok(reached)
    }

    /// Ends the notes and takes back the bends; voltages go to rest.
    fn silence(&mut self) -> Result<(), PortError> {
        let mut outcome = Ok(());
        for (number, output) in &mut self.outputs {
            let sent = match &mut self.sink {
                Sink::Wire { wire, .. } => {
                    let Some(channel) = Channel::new(*number) else {
                        continue;
                    };
                    let mut messages = Vec::with_capacity(4);
                    if let Some(note) = output.held {
                        messages.push(midi::note_off(channel, note));
                    }
                    messages.extend(midi::all_off(channel));
                    messages.push(midi::pitch_bend(channel, Bend::CENTRE));
                    send_all(wire.as_mut(), &messages)
                }
                Sink::Volts(volts) => volts.set(*number, output.rest()).map(|_| ()),
            };
            output.held = None;
            output.bend = Bend::CENTRE;
            if sent.is_err() {
                self.unsure = true;
            }
            if outcome.is_ok() {
                outcome = sent;
            }
        }
        outcome
    }
}

fn send_all(wire: &mut dyn crate::Wire, messages: &[Message]) -> Result<(), PortError> {
    messages.iter().try_for_each(|message| wire.send(message))
}
