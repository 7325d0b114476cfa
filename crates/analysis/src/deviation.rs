//! Readings as deviations: what is left once the note asked for, the residue of
//! the sender and the unit's range switch are taken out, and which readings count.

use crate::{DeviationPoint, NoteSeries};
use model::document::notes::name_of;
use model::document::plan::{Notes, Plan, Stage};
use model::document::rig::{Position, Rig};
use model::pitch::{ControlLaw, Pitch, PitchStandard};
use model::quantity::VoltDifference;
use model::record::{Flag, Flags, PositionId, Reading, RunRecord, State};
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

/// The windows of a hold.
#[derive(Debug, Clone)]
pub(crate) struct Held {
    pub(crate) stage: u16,
    pub(crate) note: usize,
    /// Start in seconds of the run, cents as played, standard uncertainty, flags.
    pub(crate) windows: Vec<(f64, f64, f64, Flags)>,
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

/// How many readings there are, and why some do not count.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tally {
    pub(crate) used: usize,
    pub(crate) left_out: BTreeMap<&'static str, usize>,
}

impl Tally {
    fn leave_out(&mut self, why: &'static str) {
        *self.left_out.entry(why).or_default() += 1;
    }
    /// "2 silent, 1 with lost samples", if any.
    pub(crate) fn words(&self) -> Option<String> {
        let parts: Vec<String> = self
            .left_out
            .iter()
            .map(|(why, count)| format!("{count} {why}"))
            .collect();
        (!parts.is_empty()).then(|| parts.join(", "))
    }
}

/// A pitch as a key: the same to a millionth of a semitone.
fn pitch_key(pitch: Pitch) -> i64 {
    (pitch.note_number() * 1e6).round() as i64
}

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
    hz: f64,
    flags: Flags,
}

/// Cents of a voltage difference at a pitch; nought where that is no finite number.
fn cents_of(law: ControlLaw, change: f64, pitch: Pitch, standard: PitchStandard) -> f64 {
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

fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    Some(if values.len() % 2 == 1 {
        values[middle]
    } else {
        f64::midpoint(values[middle - 1], values[middle])
    })
}

impl UnitReadings {
    /// Gathers what was read of the unit in a position.
    pub(crate) fn gather(plan: &Plan, rig: &Rig, record: &RunRecord, id: &PositionId) -> Self {
        let law = rig
            .positions
            .get(id.as_str())
            .map_or_else(usual_law, |position: &Position| {
                position.cv.law.control_law()
            });
        let standard = plan.pitch;
        let reference_pitch = plan.reference.pitch(standard, law);
        let mut tally: BTreeMap<u16, Tally> = BTreeMap::new();

        // The last attempt counts.
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
        let mut heard: Vec<Heard> = Vec::with_capacity(last.len());
        for ((stage, round, slot, _), reading) in last {
            let count = tally.entry(stage).or_default();
            let measured = &reading.measured;
            let (State::Ok, Some(frequency)) = (measured.state, measured.frequency) else {
                count.leave_out(state_words(measured.state));
                continue;
            };
            let asked = standard.frequency(reading.asked);
            // What was sent is lower than what was wanted by the residue.
            let residue = cents_of(law, reading.residue.get(), reading.asked, standard);
            let start = reading.at.seconds();
            heard.push(Heard {
                stage,
                round,
                slot,
                asked: reading.asked,
                start,
                middle: start + reading.window.get() / 2.0,
                cents: frequency.cents_from(asked).get() + residue,
                u: measured
                    .u
                    .map_or(0.0, |u| u.cents_at(frequency).get().abs()),
                hz: frequency.get(),
                flags: measured.flags,
            });
        }

        let mut held: Vec<(u16, Pitch, f64, f64, f64, Flags)> = Vec::new();
        for trace in record.traces.iter().filter(|trace| &trace.position == id) {
            let asked = standard.frequency(trace.asked);
            let residue = cents_of(law, trace.residue.get(), trace.asked, standard);
            let count = tally.entry(trace.stage).or_default();
            for (index, point) in trace.points.iter().enumerate() {
                let (State::Ok, Some(frequency)) = (point.state, point.frequency) else {
                    count.leave_out(state_words(point.state));
                    continue;
                };
                let start = trace.at.seconds() + trace.hop.get() * index as f64;
                let u = point.u.map_or(0.0, |u| u.cents_at(frequency).get().abs());
                let cents = frequency.cents_from(asked).get() + residue;
                held.push((trace.stage, trace.asked, start, cents, u, point.flags));
                count.used += usize::from(!point.flags.contains(Flag::Xrun));
            }
        }

        // Whole octaves of the range switch: a robust middle at the reference note.
        let at_reference = |pitch: Pitch| pitch_key(pitch) == pitch_key(reference_pitch);
        let all = || {
            let readings = heard.iter().map(|reading| (reading.asked, reading.cents));
            readings.chain(held.iter().map(|window| (window.1, window.3)))
        };
        let mut cents: Vec<f64> = all()
            .filter(|(asked, _)| at_reference(*asked))
            .map(|(_, cents)| cents)
            .collect();
        if cents.is_empty() {
            cents = all().map(|(_, cents)| cents).collect();
        }
        let octaves = median(&mut cents).map_or(0.0, |cents| (cents / 1200.0).round());

        let names = written_names(plan, law);
        let mut notes: BTreeMap<i64, Note> = BTreeMap::new();
        for (pitch, _) in all() {
            let key = pitch_key(pitch);
            notes.entry(key).or_insert_with(|| Note {
                name: names.get(&key).cloned().unwrap_or_else(|| name_of(pitch)),
                pitch,
                x: pitch.cents_from(reference_pitch).get() / 1200.0,
                per_gain: match law {
                    ControlLaw::VoltsPerOctave { slope, .. } => {
                        law.voltage(pitch, standard).get() / slope.get() * 1200.0
                    }
                    ControlLaw::HertzPerVolt { .. } => 1200.0 / LN_2,
                },
                per_volt: cents_of(law, 1.0, pitch, standard),
            });
        }
        let index: BTreeMap<i64, usize> = notes
            .keys()
            .enumerate()
            .map(|(place, key)| (*key, place))
            .collect();

        let mut rounds: BTreeMap<(u16, u32), Vec<Sample>> = BTreeMap::new();
        for reading in heard {
            rounds
                .entry((reading.stage, reading.round))
                .or_default()
                .push(Sample {
                    slot: reading.slot,
                    note: index[&pitch_key(reading.asked)],
                    start: reading.start,
                    middle: reading.middle,
                    cents: reading.cents - 1200.0 * octaves,
                    u: reading.u,
                    hz: reading.hz,
                    flags: reading.flags,
                    counts: true,
                });
        }
        let mut rounds: Vec<Round> = rounds
            .into_iter()
            .map(|((stage, _), mut samples)| {
                samples.sort_by(|a, b| a.middle.total_cmp(&b.middle));
                Round { stage, samples }
            })
            .collect();
        leave_out_flagged(&mut rounds, &mut tally);

        let mut holds: BTreeMap<(u16, usize), Vec<(f64, f64, f64, Flags)>> = BTreeMap::new();
        for (stage, asked, start, cents, u, flags) in held {
            let window = (start, cents - 1200.0 * octaves, u, flags);
            holds
                .entry((stage, index[&pitch_key(asked)]))
                .or_default()
                .push(window);
        }
        let holds: Vec<Held> = holds
            .into_iter()
            .map(|((stage, note), mut windows)| {
                windows.sort_by(|a, b| a.0.total_cmp(&b.0));
                // A minute of a hold is as good as a round of one note.
                rounds.extend(
                    blocks(&windows)
                        .into_iter()
                        .map(|(middle, cents, u)| Round {
                            stage,
                            samples: vec![Sample {
                                slot: 0,
                                note,
                                start: middle,
                                middle,
                                cents,
                                u,
                                hz: 1.0,
                                flags: Flags::NONE,
                                counts: true,
                            }],
                        }),
                );
                Held {
                    stage,
                    note,
                    windows,
                }
            })
            .collect();
        rounds.sort_by(|a, b| a.samples[0].middle.total_cmp(&b.samples[0].middle));

        Self {
            position: id.clone(),
            law,
            octaves: octaves as i32,
            reference: index.get(&pitch_key(reference_pitch)).copied(),
            reference_hz: standard.frequency(reference_pitch).get() * octaves.exp2(),
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
            let list = points.entry(held.note).or_default();
            list.extend(
                held.windows
                    .iter()
                    .map(|&(start, cents, u, flags)| DeviationPoint {
                        t_s: start - origin_s,
                        as_played: cents,
                        retuned: None,
                        u,
                        flags,
                    }),
            );
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
    fn reference_line(&self, reference: Option<usize>) -> Option<ReferenceLine> {
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

/// What a rig that says nothing of a position is taken to have.
fn usual_law() -> ControlLaw {
    use model::quantity::{Volts, VoltsPerOctave};
    ControlLaw::VoltsPerOctave {
        slope: VoltsPerOctave::of(1.0),
        zero_pitch: model::pitch::Note::from_number(24).pitch(),
        zero_voltage: Volts::of(0.0),
    }
}

const fn state_words(state: State) -> &'static str {
    match state {
        State::Ok => "without a frequency",
        State::Silent => "silent",
        State::NotPeriodic => "without a pitch",
        State::TwoTones => "with two pitches at once",
        State::HumTooNear => "too near to hum",
        State::TooShort => "with too few periods",
        State::NotPlayed => "where the pitch stayed on the note before",
    }
}

/// Decides which flagged readings count.
///
/// Lost samples make a frequency wrong by an unknown amount; a unit locked to
/// another one does not play its own pitch: neither counts. A wrong interval is
/// a note gone astray, unless the same note of the same stage has it in at least
/// half of all rounds: then that is how the unit is.
fn leave_out_flagged(rounds: &mut [Round], tally: &mut BTreeMap<u16, Tally>) {
    let mut astray: BTreeMap<(u16, usize, u16), (usize, usize)> = BTreeMap::new();
    for round in rounds.iter() {
        for sample in &round.samples {
            let count = astray
                .entry((round.stage, sample.note, sample.slot))
                .or_default();
            count.0 += usize::from(sample.flags.contains(Flag::WrongInterval));
            count.1 += 1;
        }
    }
    for round in rounds.iter_mut() {
        let count = tally.entry(round.stage).or_default();
        for sample in &mut round.samples {
            let (wrong, all) = astray[&(round.stage, sample.note, sample.slot)];
            let why = if sample.flags.contains(Flag::Xrun) {
                Some("with lost samples")
            } else if sample.flags.contains(Flag::MaybeLocked) {
                Some("that may be locked to another unit")
            } else if sample.flags.contains(Flag::WrongInterval) && wrong * 2 < all {
                Some("a wrong interval away from the note before")
            } else {
                None
            };
            match why {
                Some(why) => {
                    sample.counts = false;
                    count.leave_out(why);
                }
                None => count.used += 1,
            }
        }
    }
}

/// Means over a minute of a hold; scatter within it counts where it is larger
/// than what the meter says.
fn blocks(windows: &[(f64, f64, f64, Flags)]) -> Vec<(f64, f64, f64)> {
    let Some(first) = windows.first() else {
        return Vec::new();
    };
    let mut groups: BTreeMap<i64, Vec<(f64, f64, f64)>> = BTreeMap::new();
    for (start, cents, u, flags) in windows {
        if !flags.contains(Flag::Xrun) && !flags.contains(Flag::MaybeLocked) {
            let block = ((start - first.0) / BLOCK_S).floor() as i64;
            groups.entry(block).or_default().push((*start, *cents, *u));
        }
    }
    groups
        .into_values()
        .map(|group| {
            let n = group.len() as f64;
            let time = group.iter().map(|window| window.0).sum::<f64>() / n;
            let mean = group.iter().map(|window| window.1).sum::<f64>() / n;
            let meter = group.iter().map(|window| window.2 * window.2).sum::<f64>() / n;
            let scatter = group
                .iter()
                .map(|window| (window.1 - mean).powi(2))
                .sum::<f64>();
            let scatter = if group.len() > 1 {
                scatter / (n - 1.0)
            } else {
                0.0
            };
            (time, mean, (meter.max(scatter) / n).sqrt())
        })
        .collect()
}

/// The limits of the rig, as limits of rectangular distributions.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RigLimits {
    pub(crate) gain: f64,
    pub(crate) offset: f64,
    pub(crate) step: f64,
}

impl RigLimits {
    pub(crate) fn of(rig: &Rig) -> Self {
        let volts = |difference: VoltDifference| difference.get().abs();
        Self {
            gain: rig.bounds.cv_gain.get().abs(),
            offset: volts(rig.bounds.cv_offset),
            step: volts(rig.bounds.cv_step),
        }
    }
}
