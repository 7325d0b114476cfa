//! Readings as deviations: what is left once the note asked for, the residue of
//! the sender and the unit's range switch are taken out, and which readings count.

use crate::readings::counting::{Tally, leave_out_flagged};
use crate::readings::series::{DeviationPoint, NoteSeries};
use crate::statistics::median;
use model::document::notes::name_of;
use model::document::plan::{Notes, Plan, Stage};
use model::document::rig::Rig;
use model::pitch::{ControlLaw, Pitch, PitchStandard};
use model::quantity::VoltDifference;
use model::record::{Flag, Flags, Measured, PositionId, Reading, RunRecord, State};
use model::result::LeftOut;
use std::collections::BTreeMap;
use std::f64::consts::LN_2;

/// A note of a unit.
#[derive(Debug, Clone)]
pub(crate) struct Note {
    pub(crate) name: String,
    pub(crate) pitch: Pitch,
    /// Octaves above the plan's reference note.
    pub(crate) x: f64,
    /// Cents for a relative error of one in the gain of the control voltage.
    pub(crate) per_gain: f64,
    /// Cents for a volt more at the input.
    pub(crate) per_volt: f64,
}

/// A reading that counts.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sample {
    pub(crate) slot: u16,
    /// Which note, as an index into [`UnitReadings::notes`].
    pub(crate) note: usize,
    /// Start of the window and its middle, in seconds of the run.
    pub(crate) start: f64,
    pub(crate) middle: f64,
    /// Deviation as played, in cents, whole octaves of the range switch taken out.
    pub(crate) cents: f64,
    /// The meter's standard uncertainty of it, in cents.
    pub(crate) u: f64,
    /// Mean square of what the meter itself is off the mean over the window, in cents
    /// squared: without what the unit's own jitter does to that mean. `None` where the
    /// meter's noise was not kept apart.
    pub(crate) of_meter: Option<f64>,
    /// The frequency, in hertz, with the range switch at its place.
    pub(crate) hz: f64,
    pub(crate) flags: Flags,
    /// Whether results may use it.
    pub(crate) counts: bool,
}

/// One go through the notes.
#[derive(Debug, Clone)]
pub(crate) struct Round {
    pub(crate) stage: u16,
    /// In the order of time.
    pub(crate) samples: Vec<Sample>,
}

/// The windows of a hold, in the order of time.
#[derive(Debug, Clone)]
pub(crate) struct Held {
    stage: u16,
    windows: Vec<Sample>,
}

impl Held {
    pub(crate) const fn stage(&self) -> u16 {
        self.stage
    }
    pub(crate) fn windows(&self) -> &[Sample] {
        &self.windows
    }
}

/// Everything that was read of one unit.
#[derive(Debug, Clone)]
pub(crate) struct UnitReadings {
    pub(crate) position: PositionId,
    pub(crate) law: ControlLaw,
    pub(crate) octaves: i32,
    /// Every note of the run, lowest first.
    pub(crate) notes: Vec<Note>,
    /// The plan's reference note among them.
    pub(crate) reference: Option<usize>,
    /// The reference note's nominal frequency, range switch included, in hertz.
    pub(crate) reference_hz: f64,
    /// In the order of time.
    pub(crate) rounds: Vec<Round>,
    pub(crate) holds: Vec<Held>,
    /// By stage: readings planned or tried, and those of them that do not count,
    /// with the reasons.
    pub(crate) tally: BTreeMap<u16, Tally>,
}

/// A pitch as a key: the same to a millionth of a semitone.
fn pitch_key(pitch: Pitch) -> i64 {
    (pitch.note_number() * 1e6).round() as i64
}

/// The meter states an uncertainty for jitter which it cannot see in a window: of its
/// square this much is its own error, the rest has come out in the mean that it found.
/// Measured with the meter on the simulator's sound (0.18, two units, 3720 windows of 0.5
/// and 1 s); at most 0.36, where it fits a straight line to a walking phase.
const OF_JITTER: f64 = 0.2;

/// A block of a hold is this long, in seconds.
const BLOCK_S: f64 = 60.0;

/// One reading on its way to becoming a sample.
struct Heard {
    stage: u16,
    round: u32,
    asked: Pitch,
    start: f64,
    middle: f64,
    slot: u16,
    cents: f64,
    u: f64,
    of_meter: Option<f64>,
    hz: f64,
    flags: Flags,
}

/// Cents of a voltage difference at a pitch; nought where that is no finite number.
pub(crate) fn cents_of(law: ControlLaw, change: f64, pitch: Pitch, standard: PitchStandard) -> f64 {
    let cents = match law {
        ControlLaw::VoltsPerOctave { slope, .. } => change / slope.get() * 1200.0,
        ControlLaw::HertzPerVolt { gain } => {
            change * gain.get() / standard.frequency(pitch).get() * 1200.0 / LN_2
        }
    };
    if cents.is_finite() { cents } else { 0.0 }
}

/// The names of all notes the plan writes, by pitch.
fn written_names(plan: &Plan, law: ControlLaw) -> BTreeMap<i64, String> {
    let mut names = BTreeMap::new();
    let mut put = |name: String, pitch: Pitch| {
        names.entry(pitch_key(pitch)).or_insert(name);
    };
    put(
        plan.reference.to_string(),
        plan.reference.pitch(plan.pitch, law),
    );
    for stage in &plan.stages {
        let notes = match stage {
            Stage::Rounds(rounds) => rounds.notes.clone(),
            Stage::Sweep(sweep) => sweep.notes.clone(),
            Stage::Alternate(alternate) => Notes::List(alternate.between.to_vec()),
            Stage::Hold(hold) => Notes::List(vec![hold.note.clone()]),
            _ => continue,
        };
        for note in notes.expand(plan.pitch, law) {
            put(note.name, note.pitch);
        }
    }
    names
}

/// How pitches become deviations for one unit.
#[derive(Clone, Copy)]
struct Yardstick {
    law: ControlLaw,
    standard: PitchStandard,
    reference: Pitch,
}

impl Yardstick {
    /// A measured window as a deviation; why not, where it has no frequency.
    fn heard(
        self,
        asked: Pitch,
        residue: VoltDifference,
        measured: &Measured,
    ) -> Result<Heard, LeftOut> {
        let (State::Ok, Some(frequency)) = (measured.state, measured.frequency) else {
            return Err(LeftOut::State(measured.state));
        };
        // What was sent is lower than what was wanted by the residue.
        let residue = cents_of(self.law, residue.get(), asked, self.standard);
        let wanted = self.standard.frequency(asked);
        let u = measured
            .u
            .map_or(0.0, |u| u.cents_at(frequency).get().abs());
        let of_meter = measured.u_noise.map(|noise| {
            let noise = noise.cents_at(frequency).get().powi(2);
            noise + OF_JITTER * (u * u - noise).max(0.0)
        });
        Ok(Heard {
            stage: 0,
            round: 0,
            slot: 0,
            asked,
            start: 0.0,
            middle: 0.0,
            cents: frequency.cents_from(wanted).get() + residue,
            u,
            of_meter,
            hz: frequency.get(),
            flags: measured.flags,
        })
    }

    /// The last attempt at each reading of a position.
    fn readings(
        self,
        record: &RunRecord,
        id: &PositionId,
        tally: &mut BTreeMap<u16, Tally>,
    ) -> Vec<Heard> {
        let mut last: BTreeMap<(u16, u32, u16, u16), &Reading> = BTreeMap::new();
        for reading in record
            .readings
            .iter()
            .filter(|reading| &reading.key.position == id)
        {
            let key = &reading.key;
            let place = (key.stage, key.round, key.slot, key.repeat);
            match last.get(&place) {
                Some(kept) if kept.key.attempt > key.attempt => {}
                _ => {
                    last.insert(place, reading);
                }
            }
        }
        let mut all = Vec::with_capacity(last.len());
        for ((stage, round, slot, _), reading) in last {
            let count = tally.entry(stage).or_default();
            count.played.insert(pitch_key(reading.asked));
            match self.heard(reading.asked, reading.residue, &reading.measured) {
                Ok(heard) => {
                    let start = reading.at.seconds();
                    let middle = start + reading.window.get() / 2.0;
                    all.push(Heard {
                        stage,
                        round,
                        slot,
                        start,
                        middle,
                        ..heard
                    });
                }
                Err(why) => count.leave_out(why),
            }
        }
        all
    }

    /// The windows of a position's holds.
    fn windows(
        self,
        record: &RunRecord,
        id: &PositionId,
        tally: &mut BTreeMap<u16, Tally>,
    ) -> Vec<Heard> {
        let mut all = Vec::new();
        for trace in record.traces.iter().filter(|trace| &trace.position == id) {
            let count = tally.entry(trace.stage).or_default();
            count.played.insert(pitch_key(trace.asked));
            for (index, point) in trace.points.iter().enumerate() {
                match self.heard(trace.asked, trace.residue, point) {
                    Ok(heard) => {
                        let start = trace.at.seconds() + trace.hop.get() * index as f64;
                        let middle = start + trace.hop.get() / 2.0;
                        count.used += usize::from(!point.flags.contains(Flag::Xrun));
                        all.push(Heard {
                            stage: trace.stage,
                            start,
                            middle,
                            ..heard
                        });
                    }
                    Err(why) => count.leave_out(why),
                }
            }
        }
        all
    }

    /// Whole octaves of the range switch: a robust middle at the reference note,
    /// else at all notes.
    fn octaves(self, heard: &[Heard], windows: &[Heard]) -> f64 {
        let all = || heard.iter().chain(windows);
        let mut cents: Vec<f64> = all()
            .filter(|heard| pitch_key(heard.asked) == pitch_key(self.reference))
            .map(|heard| heard.cents)
            .collect();
        if cents.is_empty() {
            cents = all().map(|heard| heard.cents).collect();
        }
        if cents.is_empty() {
            return 0.0;
        }
        (median(&cents) / 1200.0).round()
    }

    fn note(self, pitch: Pitch, name: Option<&String>) -> Note {
        Note {
            name: name.cloned().unwrap_or_else(|| name_of(pitch)),
            pitch,
            x: pitch.cents_from(self.reference).get() / 1200.0,
            per_gain: match self.law {
                ControlLaw::VoltsPerOctave { slope, .. } => {
                    self.law.voltage(pitch, self.standard).get() / slope.get() * 1200.0
                }
                ControlLaw::HertzPerVolt { .. } => 1200.0 / LN_2,
            },
            per_volt: cents_of(self.law, 1.0, pitch, self.standard),
        }
    }
}

impl UnitReadings {
    /// Gathers what was read of the unit in a position.
    pub(crate) fn gather(plan: &Plan, rig: &Rig, record: &RunRecord, id: &PositionId) -> Self {
        let law = law_of(rig, id);
        let standard = plan.pitch;
        let yardstick = Yardstick {
            law,
            standard,
            reference: plan.reference.pitch(standard, law),
        };
        let mut tally = BTreeMap::new();
        let heard = yardstick.readings(record, id, &mut tally);
        let windows = yardstick.windows(record, id, &mut tally);
        let octaves = yardstick.octaves(&heard, &windows);

        let names = written_names(plan, law);
        let mut notes: BTreeMap<i64, Note> = BTreeMap::new();
        for pitch in heard.iter().chain(&windows).map(|heard| heard.asked) {
            let key = pitch_key(pitch);
            notes
                .entry(key)
                .or_insert_with(|| yardstick.note(pitch, names.get(&key)));
        }
        let index: BTreeMap<i64, usize> = notes
            .keys()
            .enumerate()
            .map(|(place, key)| (*key, place))
            .collect();
        let sample = |heard: &Heard| Sample {
            slot: heard.slot,
            note: index[&pitch_key(heard.asked)],
            start: heard.start,
            middle: heard.middle,
            cents: heard.cents - 1200.0 * octaves,
            u: heard.u,
            of_meter: heard.of_meter,
            hz: heard.hz,
            flags: heard.flags,
            counts: true,
        };

        let mut by_round: BTreeMap<(u16, u32), Vec<Sample>> = BTreeMap::new();
        for heard in &heard {
            by_round
                .entry((heard.stage, heard.round))
                .or_default()
                .push(sample(heard));
        }
        let mut rounds: Vec<Round> = by_round
            .into_iter()
            .map(|((stage, _), mut samples)| {
                samples.sort_by(|a, b| a.middle.total_cmp(&b.middle));
                Round { stage, samples }
            })
            .collect();
        leave_out_flagged(&mut rounds, &mut tally);

        let mut by_hold: BTreeMap<(u16, i64), Vec<Sample>> = BTreeMap::new();
        for window in &windows {
            let hold = (window.stage, pitch_key(window.asked));
            by_hold.entry(hold).or_default().push(sample(window));
        }
        let mut holds = Vec::with_capacity(by_hold.len());
        for ((stage, _), mut windows) in by_hold {
            windows.sort_by(|a, b| a.middle.total_cmp(&b.middle));
            // A minute of a hold is as good as a round of one note.
            let blocks = blocks(&windows).into_iter();
            rounds.extend(blocks.map(|block| Round {
                stage,
                samples: vec![block],
            }));
            holds.push(Held { stage, windows });
        }
        rounds.sort_by(|a, b| a.samples[0].middle.total_cmp(&b.samples[0].middle));

        Self {
            position: id.clone(),
            law,
            octaves: octaves as i32,
            reference: index.get(&pitch_key(yardstick.reference)).copied(),
            reference_hz: standard.frequency(yardstick.reference).get() * octaves.exp2(),
            notes: notes.into_values().collect(),
            rounds,
            holds,
            tally,
        }
    }

    /// The notes of a stage over its rounds, lowest first.
    pub(crate) fn series(&self, stage: u16, origin_s: f64) -> Vec<NoteSeries> {
        let mut points: BTreeMap<usize, Vec<DeviationPoint>> = BTreeMap::new();
        let is_held = self.holds.iter().any(|held| held.stage == stage);
        for round in self
            .rounds
            .iter()
            .filter(|round| round.stage == stage && !is_held)
        {
            let reference = round.reference_line(self.reference);
            for sample in &round.samples {
                points.entry(sample.note).or_default().push(DeviationPoint {
                    t_s: sample.start - origin_s,
                    as_played: sample.cents,
                    retuned: reference.map(|line| sample.cents - line.at(sample.middle)),
                    u: sample.u,
                    flags: sample.flags,
                });
            }
        }
        for held in self.holds.iter().filter(|held| held.stage == stage) {
            for window in &held.windows {
                points.entry(window.note).or_default().push(DeviationPoint {
                    t_s: window.start - origin_s,
                    as_played: window.cents,
                    retuned: None,
                    u: window.u,
                    flags: window.flags,
                });
            }
        }
        points
            .into_iter()
            .map(|(note, mut points)| {
                points.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
                let note = &self.notes[note];
                NoteSeries {
                    name: note.name.clone(),
                    asked: note.pitch,
                    points,
                }
            })
            .collect()
    }
}

/// The reference note's deviation over a round.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ReferenceLine {
    first: (f64, f64),
    last: (f64, f64),
}

impl ReferenceLine {
    /// Its deviation at a time, in cents.
    pub(crate) fn at(self, time: f64) -> f64 {
        let span = self.last.0 - self.first.0;
        if span <= 0.0 {
            return self.first.1;
        }
        let share = ((time - self.first.0) / span).clamp(0.0, 1.0);
        self.first.1 + (self.last.1 - self.first.1) * share
    }
}

impl Round {
    /// The samples that count.
    pub(crate) fn counting(&self) -> impl Iterator<Item = &Sample> {
        self.samples.iter().filter(|sample| sample.counts)
    }

    /// The reference note between its first and its last reading of the round.
    pub(crate) fn reference_line(&self, reference: Option<usize>) -> Option<ReferenceLine> {
        let mut readings = self
            .counting()
            .filter(|sample| Some(sample.note) == reference);
        let first = readings.next()?;
        let last = readings.last().unwrap_or(first);
        Some(ReferenceLine {
            first: (first.middle, first.cents),
            last: (last.middle, last.cents),
        })
    }
}

/// The control law of a position.
pub(crate) fn law_of(rig: &Rig, id: &PositionId) -> ControlLaw {
    let position = rig.positions.get(id.as_str());
    position.map_or_else(usual_law, |position| position.cv.law.control_law())
}

/// What a rig that says nothing of a position is taken to have.
fn usual_law() -> ControlLaw {
    use model::quantity::{Volts, VoltsPerOctave};
    ControlLaw::VoltsPerOctave {
        slope: VoltsPerOctave::of(1.0),
        zero_pitch: model::pitch::Note::from_number(24).pitch(),
        zero_voltage: Volts::of(0.0),
    }
}

/// Means over a minute of a hold; scatter within it counts where it is larger
/// than what the meter says.
fn blocks(windows: &[Sample]) -> Vec<Sample> {
    let Some(first) = windows.first() else {
        return Vec::new();
    };
    let mut groups: BTreeMap<i64, Vec<Sample>> = BTreeMap::new();
    for window in windows {
        if !window.flags.contains(Flag::Xrun) && !window.flags.contains(Flag::MaybeLocked) {
            let block = ((window.start - first.start) / BLOCK_S).floor() as i64;
            groups.entry(block).or_default().push(*window);
        }
    }
    groups
        .into_values()
        .map(|group| {
            let n = group.len() as f64;
            let mean = |value: &dyn Fn(&Sample) -> f64| group.iter().map(value).sum::<f64>() / n;
            let cents = mean(&|window| window.cents);
            let meter = mean(&|window| window.u * window.u);
            let scatter = mean(&|window| (window.cents - cents).powi(2)) * n / (n - 1.0).max(1.0);
            Sample {
                middle: mean(&|window| window.middle),
                cents,
                u: (meter.max(scatter) / n).sqrt(),
                of_meter: group
                    .iter()
                    .map(|window| window.of_meter)
                    .sum::<Option<f64>>()
                    .map(|sum| sum / (n * n)),
                flags: Flags::NONE,
                ..group[0]
            }
        })
        .collect()
}
