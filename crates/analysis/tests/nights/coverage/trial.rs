//! A trial: a unit is played by the timetable of a plan, and read as the meter would.
//!
//! What is off on the rig goes through the physics of the simulator: a control voltage
//! that is wrong by so much is another note that is asked for.

use super::case::{Case, Hold, Slot, Timetable, WINDOW};
use super::drawn::{Air, Errors, Unit, header, left};
use crate::night::Random;
use model::document::plan::{Plan, Stage};
use model::document::rig::Rig;
use model::pitch::{ControlLaw, Pitch, PitchStandard};
use model::quantity::{Celsius, Cents, Hertz, HertzDifference, Seconds, VoltDifference, Volts};
use model::record::{
    Conditions, Event, EventKind, Flags, Measured, Reading, ReadingKey, RunId, RunRecord, State,
    Trace,
};
use model::time::{HostTime, RunTime, Timestamp};
use simulator::Bench;
use simulator::thermal::Room;
use std::f64::consts::TAU;

/// Cents of a natural logarithm of one.
pub const CENTS: f64 = 1200.0 / std::f64::consts::LN_2;
/// Of what white noise of the frequency makes of the mean over a window, in variance: what
/// the meter is off that mean, and what it says its uncertainty is, for it cannot tell how
/// much of the jitter has come out in the mean. By this logarithmic standard deviation what
/// it says scatters from window to window, five- to thirty-fold in a sweep. All three as
/// with the meter itself on the simulator's sound (two units, 3720 windows of 0.5 and 1 s).
pub const OFF_THE_MEAN: f64 = 0.1;
const SAID: f64 = 0.55;
const SCATTERS: f64 = 0.65;

/// A unit, the rig it is on, and when what is played.
pub struct Trial {
    pub case: Case,
    pub unit: Unit,
    pub errors: Errors,
    pub timetable: Timetable,
    pub curve: Curve,
    law: ControlLaw,
    number: u64,
}

/// The unit without noise on a rig without errors.
pub struct Curve {
    bench: Bench,
    unit: Unit,
    room: Room,
    law: ControlLaw,
    case: Case,
}

impl Curve {
    fn of(case: &Case, unit: &Unit, air: Air, law: ControlLaw) -> Self {
        let (bench, room) = unit.bench(case, air, 0.0, false);
        Self {
            bench,
            unit: unit.clone(),
            room,
            law,
            case: *case,
        }
    }

    /// The temperature of the air at a time of the run, in degrees Celsius.
    pub fn air(&self, t: f64) -> f64 {
        self.room.celsius(t)
    }

    pub fn is_of_hertz(&self) -> bool {
        matches!(self.law, ControlLaw::HertzPerVolt { .. })
    }

    /// The same unit in a steady room of so many degrees.
    pub fn in_steady_room(&self, temperature: f64) -> Self {
        let air = Air {
            temperature,
            swing: 0.0,
            wander: 0.0,
            ..self.unit.room
        };
        Self::of(&self.case, &self.unit, air, self.law)
    }

    /// The deviation of a note at a time of the run, in cents.
    pub fn cents(&self, t: f64, pitch: Pitch) -> f64 {
        let played = moved(&self.unit, self.law, pitch, None);
        let start = (t - WINDOW / 2.0).max(self.case.origin() + 1e-3);
        let found = self
            .bench
            .reading(&left(), played, at(start), Seconds::of(WINDOW), 0);
        let hz = found.expect("the unit is on").truth.get();
        let wanted = PitchStandard::default().frequency(pitch).get();
        let supply = Unit::supply(&self.case, t) * self.unit.per_supply_volt;
        1200.0 * (hz / wanted).log2() + supply
    }
}

fn at(t: f64) -> HostTime {
    HostTime::from_nanoseconds((t * 1e9).round() as i64)
}

fn run_time(t: f64) -> RunTime {
    RunTime::START + Seconds::of(t)
}

/// The note that the simulator is asked for so that the unit sounds as it would with the
/// voltage that reaches it, by default the right one, and as far off its curve as it is.
fn moved(unit: &Unit, law: ControlLaw, pitch: Pitch, reaches: Option<f64>) -> Pitch {
    let standard = PitchStandard::default();
    let volts = reaches.unwrap_or_else(|| law.voltage(pitch, standard).get()) + unit.offset;
    law.pitch(Volts::of(volts), standard)
        .shifted(Cents::of(unit.off_curve(pitch)))
}

/// The way from a note to another: cents away from it so many seconds after.
pub fn on_the_way(unit: &Unit, apart: f64, after: f64) -> f64 {
    -apart * (-after / unit.slew).exp() * (TAU * unit.swings * after).cos()
}

/// The same of the mean frequency over a window that begins so long after.
fn mean_on_the_way(unit: &Unit, apart: f64, after: f64, window: f64) -> f64 {
    let parts = if after < 2.0 { 20 } else { 1 };
    let ratio: f64 = (0..parts)
        .map(|part| {
            let share = (f64::from(part) + 0.5) / f64::from(parts);
            (on_the_way(unit, apart, after + window * share) / 1200.0).exp2()
        })
        .sum();
    1200.0 * (ratio / f64::from(parts)).log2()
}

impl Trial {
    pub fn draw(case: &Case, plan: &Plan, rig: &Rig, number: u64) -> Self {
        let law = rig.positions["left"].cv.law.control_law();
        let timetable = Timetable::of(case, plan, law);
        let unit = Unit::draw(case, number, timetable.ends);
        Self {
            case: *case,
            curve: Curve::of(case, &unit, unit.room, law),
            errors: Errors::draw(case, number, &rig.bounds),
            unit,
            timetable,
            law,
            number,
        }
    }

    /// How far drift of the control voltage has gone over the run, as parts of its limit.
    fn drifted(&self) -> Box<dyn Fn(f64) -> f64 + '_> {
        let ends = self.timetable.ends;
        if self.case.is("early") {
            return Box::new(|t| self.errors.early(t));
        }
        if self.case.is("ongoing") {
            return Box::new(move |t| t / ends);
        }
        let from = self.curve.air(0.0);
        let moved = move |t: f64| self.curve.air(t) - from;
        let mesh = (0..=200).map(|step| moved(ends * f64::from(step) / 200.0).abs());
        let most = mesh.fold(1e-9, f64::max);
        Box::new(move |t| moved(t) / most)
    }

    /// What the meter finds and says.
    pub fn record(&self) -> RunRecord {
        let mut random = Random::new(900_000 + self.number);
        let unit = &self.unit;
        let (bench, _) = unit.bench(&self.case, unit.room, self.errors.clock, true);
        let drifted = self.drifted();
        let standard = PitchStandard::default();
        let read = |pitch: Pitch, t: f64, window: f64, cents: f64, random: &mut Random| {
            let volts = self.law.voltage(pitch, standard).get();
            let volts = self.errors.reaches(volts, pitch, drifted(t));
            let played = moved(unit, self.law, pitch, Some(volts)).shifted(Cents::of(cents));
            let draw = random.bits();
            let found = bench
                .reading(&left(), played, at(t), Seconds::of(window), draw)
                .expect("the unit is on");
            let hz = found.measured.get();
            let jitter = hz * unit.white / window.sqrt();
            let off = jitter * OFF_THE_MEAN.sqrt() * random.normal();
            // Its mean square is that, however it scatters.
            let factor = (SCATTERS * random.normal() - SCATTERS * SCATTERS).exp();
            let said = jitter * SAID.sqrt() * factor;
            Measured {
                state: State::Ok,
                flags: Flags::NONE,
                frequency: Some(Hertz::of(hz + off)),
                u: Some(HertzDifference::of(said.hypot(found.u.get()))),
                u_noise: Some(found.u),
                level: None,
            }
        };
        let (mut walk, mut before) = (0.0, 0.0);
        let mut readings = Vec::with_capacity(self.timetable.slots.len());
        for slot in &self.timetable.slots {
            walk += unit.walk * (slot.t - before).max(0.0).sqrt() * random.normal();
            before = slot.t;
            let cents = walk
                + unit.scatter * random.normal()
                + unit.hysteresis / 2.0 * slot.from_above
                + unit.per_supply_volt * Unit::supply(&self.case, slot.t);
            let measured = read(slot.pitch, slot.t, WINDOW, cents, &mut random);
            readings.push(self.reading(slot, measured, &mut random));
        }
        let mut traces = Vec::new();
        for hold in &self.timetable.holds {
            traces.push(self.trace(hold, |pitch, t, hop| read(pitch, t, hop, 0.0, &mut random)));
        }
        RunRecord {
            id: RunId::new("test"),
            header: header(),
            readings,
            traces,
            gaps: Vec::new(),
            events: self.events(),
        }
    }

    fn reading(&self, slot: &Slot, measured: Measured, random: &mut Random) -> Reading {
        let logged = self.case.switches();
        let [one, other] = self.errors.thermometer;
        let (air, swing) = (self.curve.air(slot.t), self.unit.room.swing.max(1e-6));
        let place = ((air - self.unit.room.temperature) / swing).clamp(-1.0, 1.0);
        let wrong = one * (1.0 - place) / 2.0 + other * (1.0 + place) / 2.0;
        let volts = 12.0 + Unit::supply(&self.case, slot.t) + 1e-3 * random.normal();
        Reading {
            key: ReadingKey {
                stage: slot.stage,
                round: slot.round,
                slot: slot.slot,
                repeat: 0,
                attempt: 0,
                position: left(),
            },
            asked: slot.pitch,
            residue: VoltDifference::ZERO,
            played: run_time(slot.t - settles(&self.unit, 3600.0) - 0.1 * random.uniform()),
            at: run_time(slot.t),
            window: Seconds::of(WINDOW),
            measured,
            conditions: Conditions {
                air: logged.then(|| Celsius::of(((air + wrong) * 100.0).round() / 100.0)),
                supply: self.case.is("weather").then(|| Volts::of(volts)),
            },
        }
    }

    /// A hold: a note listened to without a gap, come to from the reference note where it
    /// is listened to from its beginning.
    fn trace(&self, hold: &Hold, mut read: impl FnMut(Pitch, f64, f64) -> Measured) -> Trace {
        let window = |place: u32| {
            let t = hold.from + hold.hop * f64::from(place);
            let cents = mean_on_the_way(&self.unit, 1200.0, t - hold.played, hold.hop);
            let measured = read(hold.pitch, t, hold.hop);
            Measured {
                frequency: measured.frequency.map(|hz| hz.shifted(Cents::of(cents))),
                ..measured
            }
        };
        Trace {
            stage: hold.stage,
            position: left(),
            chunk: 0,
            asked: hold.pitch,
            residue: VoltDifference::ZERO,
            played: run_time(hold.played),
            at: run_time(hold.from),
            hop: Seconds::of(hold.hop),
            points: (0..hold.windows).map(window).collect(),
        }
    }

    fn events(&self) -> Vec<Event> {
        let event = |at: f64, kind, stage| Event {
            at: run_time(at),
            wall: Timestamp::UNIX_EPOCH,
            kind,
            stage,
            position: None,
            text: format!("{kind:?}"),
        };
        let mut events = Vec::new();
        let plan = self.case.plan();
        for ((index, stage), began) in (0u16..).zip(&plan.stages).zip(&self.timetable.begins) {
            events.push(event(*began, EventKind::StageBegan, Some(index)));
            if matches!(stage, Stage::PowerOn) {
                events.push(event(*began, EventKind::PowerOn, Some(index)));
            }
        }
        events.push(event(self.timetable.ends, EventKind::RunEnded, None));
        events
    }
}

/// When a note that comes from so many cents away is within a cent for good, in seconds.
pub fn settles(unit: &Unit, apart: f64) -> f64 {
    let last = (0..20_000)
        .rev()
        .find(|step| on_the_way(unit, apart, f64::from(*step) * 1e-4).abs() > 1.0);
    last.map_or(0.0, |step| f64::from(step + 1) * 1e-4)
}

/// How far a note that comes from so many cents below goes beyond, in cents, by means over
/// windows from when it is played on: what is quicker than they are is no part of it.
pub fn goes_beyond(unit: &Unit, apart: f64, hop: f64) -> f64 {
    (0..100)
        .map(|window| mean_on_the_way(unit, apart, f64::from(window) * hop, hop))
        .fold(0.0, f64::max)
}
