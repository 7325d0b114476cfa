//! The record that a unit without noise would leave under a plan.

use crate::trials::Trials;
use model::document::notes::playing_order;
use model::document::plan::{Listen, Notes, Order, Plan, Stage, WindowLength};
use model::document::rig::Rig;
use model::pitch::{ControlLaw, Pitch};
use model::quantity::{Cents, HertzDifference, Seconds, VoltDifference};
use model::record::{
    Conditions, Event, EventKind, Flags, Measured, PositionId, Reading, ReadingKey, RunHeader,
    RunId, RunRecord, State, Trace, Unit,
};
use model::time::{RunTime, Timestamp};
use std::collections::BTreeMap;

/// A steady unit's reading is taken to be this uncertain where the plan does not
/// say, in cents.
const USUAL_U: f64 = 0.05;
/// Rounds of a stage beyond these teach nothing of the rig; they are spread out.
const MOST_ROUNDS: u32 = 150;
/// The same for the windows of a hold.
const MOST_WINDOWS: f64 = 1000.0;
/// Between the window of one note and the next note, in seconds.
const BETWEEN_NOTES_S: f64 = 0.25;

/// What a unit does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    /// Nothing at all.
    Steady,
    /// So many cents per octave.
    Slope,
    /// So many cents an octave above the reference, going with the frequency.
    Bow,
    /// So many cents per hour.
    Ramp,
    /// Each reading off by so many cents, the same whenever it is asked (one standard
    /// deviation).
    Scatter,
}

impl Shape {
    fn cents(self, amount: f64, x: f64, t: f64) -> f64 {
        match self {
            Self::Steady => 0.0,
            Self::Slope => amount * x,
            Self::Bow => amount * (x.exp2() - 1.0),
            Self::Ramp => amount * t / 3600.0,
            Self::Scatter => amount * Trials::of([10, t.to_bits(), 0]).normal(),
        }
    }
}

/// A plan laid out for one position.
pub(crate) struct Ideal<'a> {
    plan: &'a Plan,
    law: ControlLaw,
    reference: Pitch,
    position: &'a PositionId,
}

/// Rounds of a stage: how many, how far apart, which notes.
struct Laid {
    rounds: u32,
    every: f64,
    notes: Notes,
    order: Option<Order>,
}

impl<'a> Ideal<'a> {
    /// `None` when the rig has no such position.
    pub(crate) fn of(plan: &'a Plan, rig: &Rig, position: &'a PositionId) -> Option<Self> {
        let law = rig.positions.get(position.as_str())?.cv.law.control_law();
        Some(Self {
            plan,
            law,
            reference: plan.reference.pitch(plan.pitch, law),
            position,
        })
    }

    /// The whole record of a unit of a shape.
    pub(crate) fn record(&self, shape: Shape, amount: f64) -> RunRecord {
        let mut record = RunRecord {
            id: RunId::new("foreseen"),
            header: RunHeader {
                plan_text: String::new(),
                rig_text: String::new(),
                units: BTreeMap::from([(self.position.clone(), Unit::default())]),
                program_version: String::new(),
                seed: None,
                began: Timestamp::UNIX_EPOCH,
            },
            readings: Vec::new(),
            traces: Vec::new(),
            gaps: Vec::new(),
            events: Vec::new(),
        };
        let off = |pitch: Pitch, t: f64| {
            let x = pitch.cents_from(self.reference).get() / 1200.0;
            shape.cents(amount, x, t)
        };
        let mut now = 0.0;
        for (index, stage) in (0u16..).zip(&self.plan.stages) {
            record.events.push(event(now, EventKind::StageBegan, index));
            let listen = stage.listen(self.plan);
            let laid = match stage {
                Stage::PowerOn => {
                    record.events.push(event(now, EventKind::PowerOn, index));
                    continue;
                }
                Stage::CoolDown { lasts } | Stage::Wait { lasts } => {
                    now += lasts.get();
                    continue;
                }
                Stage::Hold(hold) => {
                    let pitch = hold.note.pitch(self.plan.pitch, self.law);
                    let lasts = hold.lasts.get();
                    let hop = hold.hop.get().max(lasts / MOST_WINDOWS);
                    let windows = (lasts / hop).floor() as u32;
                    record.traces.push(Trace {
                        stage: index,
                        position: self.position.clone(),
                        chunk: 0,
                        asked: pitch,
                        residue: VoltDifference::ZERO,
                        played: at(now),
                        at: at(now),
                        hop: Seconds::of(hop),
                        points: (0..windows)
                            .map(|window| {
                                let t = now + f64::from(window) * hop;
                                self.measured(pitch, off(pitch, t), USUAL_U)
                            })
                            .collect(),
                    });
                    now += lasts;
                    continue;
                }
                Stage::Rounds(rounds) => Laid {
                    rounds: (rounds.lasts / rounds.every).round().max(1.0) as u32,
                    every: rounds.every.get(),
                    notes: rounds.notes.clone(),
                    order: rounds.order.clone(),
                },
                Stage::Sweep(sweep) => Laid {
                    rounds: 1,
                    every: 0.0,
                    notes: sweep.notes.clone(),
                    order: sweep.order.clone(),
                },
                Stage::Alternate(alternate) => Laid {
                    rounds: alternate.times,
                    every: alternate.every.get(),
                    notes: Notes::List(alternate.between.to_vec()),
                    order: Some(Order::AsWritten),
                },
                Stage::Ask { .. } | Stage::Tune(_) => continue,
            };
            now = self.lay(&mut record, index, &laid, listen, now, &off);
        }
        if let Some(last) = (0u16..).zip(&self.plan.stages).last() {
            record.events.push(event(now, EventKind::RunEnded, last.0));
        }
        record
    }

    /// Puts the readings of a stage into a record; says when it ends.
    fn lay(
        &self,
        record: &mut RunRecord,
        stage: u16,
        laid: &Laid,
        listen: &Listen,
        began: f64,
        off: &dyn Fn(Pitch, f64) -> f64,
    ) -> f64 {
        let expanded = laid.notes.expand(self.plan.pitch, self.law);
        let window = listen.window.longest().get();
        let usual_pace = window + BETWEEN_NOTES_S;
        let repeats = listen.repeats.max(1);
        let u = match listen.window {
            WindowLength::UntilUncertainty { reaches, .. } => reaches.get().abs(),
            WindowLength::Fixed(_) => USUAL_U,
        };
        let kept = laid.rounds.min(MOST_ROUNDS);
        let mut end = began;
        for place in 0..kept {
            // The first and the last are always among them.
            let round = if kept > 1 {
                let share = f64::from(place) / f64::from(kept - 1);
                (share * f64::from(laid.rounds - 1)).round() as u32
            } else {
                0
            };
            let order = playing_order(
                laid.order.as_ref(),
                &laid.notes,
                &expanded,
                self.reference,
                round,
            );
            let visits = order.len() as f64 * f64::from(repeats);
            let pace = if laid.every > 0.0 {
                usual_pace.min(laid.every / visits.max(1.0))
            } else {
                usual_pace
            };
            let round_began = began + f64::from(round) * laid.every;
            let mut visit = 0.0;
            for (slot, note) in (0u16..).zip(order) {
                let pitch = expanded[note].pitch;
                for repeat in 0..repeats {
                    let t = round_began + visit * pace;
                    visit += 1.0;
                    record.readings.push(Reading {
                        key: ReadingKey {
                            stage,
                            round,
                            slot,
                            repeat,
                            attempt: 0,
                            position: self.position.clone(),
                        },
                        asked: pitch,
                        residue: VoltDifference::ZERO,
                        played: at(t),
                        at: at(t),
                        window: Seconds::of(window.min(pace)),
                        measured: self.measured(pitch, off(pitch, t), u),
                        conditions: Conditions::default(),
                    });
                }
            }
            end = round_began + laid.every.max(visit * pace);
        }
        end
    }

    fn measured(&self, pitch: Pitch, cents: f64, u: f64) -> Measured {
        let frequency = self.plan.pitch.frequency(pitch).shifted(Cents::of(cents));
        Measured {
            state: State::Ok,
            flags: Flags::NONE,
            frequency: Some(frequency),
            // A cent is this part of a frequency.
            u: Some(HertzDifference::of(
                frequency.get() * u * std::f64::consts::LN_2 / 1200.0,
            )),
            level: None,
        }
    }
}

fn at(t: f64) -> RunTime {
    RunTime::START + Seconds::of(t)
}

fn event(t: f64, kind: EventKind, stage: u16) -> Event {
    Event {
        at: at(t),
        wall: Timestamp::UNIX_EPOCH,
        kind,
        stage: Some(stage),
        position: None,
        text: "foreseen".to_owned(),
    }
}
