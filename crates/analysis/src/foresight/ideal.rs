//! The record that a unit of a known shape would leave under a plan.

use crate::statistics::trials::Trials;
use model::document::notes::playing_order;
use model::document::plan::{Hold, Listen, Notes, Order, Plan, Settle, Stage, WindowLength};
use model::document::rig::{Rig, SwitchedBy};
use model::pitch::{ControlLaw, Pitch};
use model::quantity::{Celsius, Cents, HertzDifference, Seconds, VoltDifference, Volts};
use model::record::{
    Conditions, Event, EventKind, Flags, Measured, PositionId, Reading, ReadingKey, RunHeader,
    RunId, RunRecord, State, Trace, Unit,
};
use model::time::{RunTime, Timestamp};
use std::collections::BTreeMap;
use std::f64::consts::{LN_2, PI, TAU};

/// A steady unit's reading is taken to be this uncertain where the plan does not
/// say, in cents.
const USUAL_U: f64 = 0.05;
/// Rounds of a stage beyond these teach nothing of the rig; they are spread out.
const MOST_ROUNDS: u32 = 150;
/// The same for the windows of a hold.
const MOST_WINDOWS: f64 = 4000.0;
/// Between the window of one note and the next note, in seconds.
const BETWEEN_NOTES_S: f64 = 0.25;

/// The air and the supply are taken to move by so much and back in each stage, where
/// the rig reads them.
pub(crate) const AIR_MOVES_K: f64 = 4.0;
pub(crate) const SUPPLY_MOVES_V: f64 = 0.2;
/// Around which values.
const AIR: f64 = 22.0;
const SUPPLY: f64 = 12.0;

/// What a unit does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Shape {
    /// Nothing at all.
    Steady,
    /// So many cents per octave.
    Slope,
    /// So many cents an octave above the reference, going with the frequency.
    Bow,
    /// So many cents an octave below the reference, going with its inverse.
    Leak,
    /// Every other octave up by so many cents, and down by as many.
    Zigzag,
    /// So many cents per hour.
    Ramp,
    /// So many cents per octave more in every hour.
    Leaning,
    /// So many cents at t = 0, dying away with a time constant in seconds.
    Warming(f64),
    /// The same in cents per octave.
    Straightening(f64),
    /// So many cents when a note is played, dying away with a time constant in seconds.
    Settling(f64),
    /// So many cents for a kelvin more.
    WithAir,
    /// So many cents per octave for a kelvin more.
    ScaleWithAir,
    /// So many cents for a volt more of supply.
    WithSupply,
    /// Each reading off by so many cents, the same whenever it is asked (one standard
    /// deviation).
    Scatter,
}

/// When a unit is listened to, and what is played.
#[derive(Debug, Clone, Copy)]
struct Heard {
    /// Octaves above the reference note.
    x: f64,
    /// Since t = 0 and of the run, in seconds.
    t: f64,
    run_s: f64,
    /// Since the note was played, in seconds.
    sounding: f64,
    conditions: Conditions,
}

impl Shape {
    fn cents(self, amount: f64, heard: Heard) -> f64 {
        let Heard { x, t, .. } = heard;
        let off = |value: Option<f64>, usual: f64| value.map_or(0.0, |value| value - usual);
        let kelvin = off(heard.conditions.air.map(|air| air.get()), AIR);
        let volts = off(heard.conditions.supply.map(|supply| supply.get()), SUPPLY);
        amount
            * match self {
                Self::Steady => 0.0,
                Self::Slope => x,
                Self::Bow => x.exp2() - 1.0,
                Self::Leak => (-x).exp2() - 1.0,
                Self::Zigzag => (PI * x).cos(),
                Self::Ramp => t / 3600.0,
                Self::Leaning => x * t / 3600.0,
                Self::Warming(tau) => (-t / tau).exp(),
                Self::Straightening(tau) => x * (-t / tau).exp(),
                Self::Settling(tau) => (-heard.sounding / tau).exp(),
                Self::WithAir => kelvin,
                Self::ScaleWithAir => x * kelvin,
                Self::WithSupply => volts,
                Self::Scatter => normal(10, heard),
            }
    }
}

/// A normal number that belongs to what is heard.
fn normal(what: u64, heard: Heard) -> f64 {
    Trials::of([what, heard.run_s.to_bits(), 0]).normal()
}

/// A unit and how it is listened to: what it does, by how much, whether its readings
/// scatter by as much as the meter says of them, and whether the windows of a hold are
/// as short as the plan has them, however early they must end, or as many as last to
/// its end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Imagined {
    pub(crate) shape: Shape,
    pub(crate) amount: f64,
    pub(crate) noisy: bool,
    pub(crate) short_windows: bool,
}

impl Imagined {
    /// A unit that does nothing, as a meter sees it.
    pub(crate) const STEADY: Self = Self {
        shape: Shape::Steady,
        amount: 0.0,
        noisy: true,
        short_windows: false,
    };

    fn cents(self, u: f64, heard: Heard) -> f64 {
        let noise = if self.noisy {
            u * normal(11, heard)
        } else {
            0.0
        };
        self.shape.cents(self.amount, heard) + noise
    }
}

/// A plan laid out for one position.
pub(crate) struct Ideal<'a> {
    plan: &'a Plan,
    law: ControlLaw,
    reference: Pitch,
    position: &'a PositionId,
    reads_air: bool,
    reads_supply: bool,
}

/// Rounds of a stage: how many, how far apart, which notes.
struct Laid {
    rounds: u32,
    every: f64,
    notes: Notes,
    order: Option<Order>,
}

/// A stage as it is laid into a record.
#[derive(Clone, Copy)]
struct Place {
    stage: u16,
    /// When it begins, in seconds of the run.
    began: f64,
    /// t = 0 of its unit, in seconds of the run.
    origin: f64,
    lasts: f64,
    unit: Imagined,
}

impl<'a> Ideal<'a> {
    /// `None` when the rig has no such position.
    pub(crate) fn of(plan: &'a Plan, rig: &Rig, position: &'a PositionId) -> Option<Self> {
        let own = rig.positions.get(position.as_str())?;
        let law = own.cv.law.control_law();
        Some(Self {
            plan,
            law,
            reference: plan.reference.pitch(plan.pitch, law),
            position,
            reads_air: rig.thermometer.is_some(),
            reads_supply: own
                .supply
                .as_deref()
                .and_then(|supply| rig.supplies.get(supply))
                .is_some_and(|supply| matches!(supply.by, SwitchedBy::Instrument(_))),
        })
    }

    /// Whether the rig reads the air, and the supply behind the position.
    pub(crate) const fn reads(&self) -> (bool, bool) {
        (self.reads_air, self.reads_supply)
    }

    /// The whole record of a unit.
    pub(crate) fn record(&self, unit: Imagined) -> RunRecord {
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
        let (mut now, mut powered) = (0.0, None);
        for (index, stage) in (0u16..).zip(&self.plan.stages) {
            record.events.push(event(now, EventKind::StageBegan, index));
            let place = |lasts: f64| Place {
                stage: index,
                began: now,
                origin: powered.unwrap_or(now),
                lasts,
                unit,
            };
            let laid = match stage {
                Stage::PowerOn => {
                    record.events.push(event(now, EventKind::PowerOn, index));
                    powered = Some(now);
                    continue;
                }
                Stage::CoolDown { lasts } | Stage::Wait { lasts } => {
                    now += lasts.get();
                    continue;
                }
                Stage::Hold(hold) => {
                    self.hold(&mut record, &place(hold.lasts.get()), hold);
                    now += hold.lasts.get();
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
            let lasts = f64::from(laid.rounds) * laid.every;
            now = self.lay(&mut record, &place(lasts), &laid, stage.listen(self.plan));
        }
        if let Some(last) = (0u16..).zip(&self.plan.stages).last() {
            record.events.push(event(now, EventKind::RunEnded, last.0));
        }
        record
    }

    /// What surrounds the unit at a time of a stage: the air and the supply go up,
    /// down and back once.
    fn conditions(&self, place: &Place, t: f64) -> Conditions {
        let share = (t - place.began) / place.lasts.max(1.0);
        let wave = (TAU * share).sin() / 2.0;
        let reads = |reads: bool| reads.then_some(wave);
        Conditions {
            air: reads(self.reads_air).map(|wave| Celsius::of(AIR + AIR_MOVES_K * wave)),
            supply: reads(self.reads_supply).map(|wave| Volts::of(SUPPLY + SUPPLY_MOVES_V * wave)),
        }
    }

    fn heard(&self, place: &Place, pitch: Pitch, t: f64, played: f64) -> Heard {
        Heard {
            x: pitch.cents_from(self.reference).get() / 1200.0,
            t: t - place.origin,
            run_s: t,
            sounding: t - played,
            conditions: self.conditions(place, t),
        }
    }

    /// Puts a note that is held into a record.
    fn hold(&self, record: &mut RunRecord, place: &Place, hold: &Hold) {
        let pitch = hold.note.pitch(self.plan.pitch, self.law);
        let lasts = hold.lasts.get();
        let every = hold.hop.get();
        let hop = if place.unit.short_windows {
            every
        } else {
            every.max(lasts / MOST_WINDOWS)
        };
        let windows = (lasts / hop).floor().min(MOST_WINDOWS) as u32;
        let settles = match hold.settle.as_ref().unwrap_or(&self.plan.listen.settle) {
            Settle::Fixed(time) => time.get(),
            // As long as a steady unit takes to be seen to be so, roughly.
            Settle::UntilSteady { at_most, .. } => at_most.get().min(1.0),
        };
        let from = place.began + settles;
        record.traces.push(Trace {
            stage: place.stage,
            position: self.position.clone(),
            chunk: 0,
            asked: pitch,
            residue: VoltDifference::ZERO,
            played: at(place.began),
            at: at(from),
            hop: Seconds::of(hop),
            points: (0..windows)
                .map(|window| {
                    let t = from + (f64::from(window) + 0.5) * hop;
                    let heard = self.heard(place, pitch, t, place.began);
                    self.measured(pitch, place.unit.cents(USUAL_U, heard), USUAL_U)
                })
                .collect(),
        });
    }

    /// Puts the readings of a stage into a record; says when it ends.
    fn lay(&self, record: &mut RunRecord, place: &Place, laid: &Laid, listen: &Listen) -> f64 {
        let expanded = laid.notes.expand(self.plan.pitch, self.law);
        let window = listen.window.longest().get();
        let usual_pace = window + BETWEEN_NOTES_S;
        let repeats = listen.repeats.max(1);
        let u = match listen.window {
            WindowLength::UntilUncertainty { reaches, .. } => reaches.get().abs(),
            WindowLength::Fixed(_) => USUAL_U,
        };
        let kept = laid.rounds.min(MOST_ROUNDS);
        let mut end = place.began;
        for number in 0..kept {
            // The first and the last are always among them.
            let round = if kept > 1 {
                let share = f64::from(number) / f64::from(kept - 1);
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
            let round_began = place.began + f64::from(round) * laid.every;
            let mut visit = 0.0;
            for (slot, note) in (0u16..).zip(order) {
                let pitch = expanded[note].pitch;
                for repeat in 0..repeats {
                    let t = round_began + visit * pace;
                    visit += 1.0;
                    let heard = self.heard(place, pitch, t, t);
                    record.readings.push(Reading {
                        key: ReadingKey {
                            stage: place.stage,
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
                        measured: self.measured(pitch, place.unit.cents(u, heard), u),
                        conditions: heard.conditions,
                    });
                }
            }
            end = round_began + laid.every.max(visit * pace);
        }
        end
    }

    fn measured(&self, pitch: Pitch, cents: f64, u: f64) -> Measured {
        // A shape that is scaled up without sense is none of the meter's.
        let cents = if cents.is_finite() { cents } else { 0.0 };
        let cents = Cents::of(cents.clamp(-6000.0, 6000.0));
        let frequency = self.plan.pitch.frequency(pitch).shifted(cents);
        Measured {
            state: State::Ok,
            flags: Flags::NONE,
            frequency: Some(frequency),
            // A cent is this part of a frequency.
            u: Some(HertzDifference::of(frequency.get() * u * LN_2 / 1200.0)),
            u_noise: Some(HertzDifference::of(frequency.get() * u * LN_2 / 1200.0)),
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
