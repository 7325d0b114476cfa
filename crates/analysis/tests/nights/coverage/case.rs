//! What is measured in a case: a plan, on which rig, with what off.

use crate::night::{EXACT, plan};
use model::document::plan::{Order, Plan, Stage};
use model::document::read_rig;
use model::document::rig::Rig;
use model::pitch::{ControlLaw, Pitch};
use std::fmt;

/// The words of a case, one of each line; the first one is meant where none is said.
const WORDS: [&[&str]; 6] = [
    // What is measured. Units of all but the first two were on long before.
    &["nights", "weather", "sweeps", "holds", "imports", "hertz"],
    // What the rig is off by: anything within its limits; each source at one end or the
    // other of its limits, with the whole output resistance; as the first, with that.
    &["within", "edges", "loaded"],
    // Whose limits: the calibrated example's, those of a rig that says nothing, or none.
    &["calibrated", "uncalibrated", "exact"],
    // How the control voltage drifts: an exponential, a straight line to its limit at the
    // end of the run, or as the room does, which moves then.
    &["early", "ongoing", "room"],
    // Whether three other inputs hang on the same output.
    &["own", "shared"],
    // What is special in the unit: a leak below what can be told from noise, notes off its
    // own curve, a pitch that depends on the side a note is come to from, a random walk, and
    // one hidden below white noise.
    &["plain", "leaky", "uneven", "sided", "walk", "hidden"],
];

/// Limits of a calibrated rig.
const CALIBRATED: &str = "sample_clock: 30 ppm, cv_gain: 0.03 %, cv_offset: 2 mV, cv_step: 0.25 mV, cv_gain_drift: 50 ppm, cv_offset_drift: 0.1 mV, cv_output_resistance: 10 ohm, cv_session: 20 ppm, thermometer: 0.1 K";

/// When the supply comes on where the plan switches it, in seconds of the run.
pub const POWER: f64 = 60.0;
/// From one note to the next, in seconds.
const APART: f64 = 4.0;
/// How long a reading's window is, in seconds.
pub const WINDOW: f64 = 0.5;

/// A case: a word of each line of [`WORDS`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Case([&'static str; 6]);

impl Case {
    /// The case that some words name, in any order.
    pub fn read<'a>(words: impl IntoIterator<Item = &'a str>) -> Result<Self, String> {
        let mut case = Self(WORDS.map(|group| group[0]));
        for word in words {
            let found = WORDS.iter().enumerate().find_map(|(place, group)| {
                let word = group.iter().find(|other| **other == word)?;
                Some((place, *word))
            });
            let Some((place, word)) = found else {
                let all: Vec<String> = WORDS.iter().map(|group| group.join(" ")).collect();
                return Err(format!(
                    "there is no \"{word}\"; there are {}",
                    all.join("; ")
                ));
            };
            case.0[place] = word;
        }
        Ok(case)
    }

    /// Whether a word of [`WORDS`] is in it.
    pub fn is(&self, word: &str) -> bool {
        assert!(WORDS.iter().any(|group| group.contains(&word)), "{word}");
        self.0.contains(&word)
    }

    /// Whether the plan switches the unit on.
    pub fn switches(&self) -> bool {
        self.is("nights") || self.is("weather")
    }

    /// t = 0 of results that count from there, in seconds of the run.
    pub fn origin(&self) -> f64 {
        if self.switches() { POWER } else { 0.0 }
    }

    /// The plan, without tolerances.
    pub fn plan(&self) -> Plan {
        const NOTES: &str = "notes: {list: [C4, C1, C2, C3, C5, C6, C7, C4]}";
        let stages = match self.0[0] {
            "nights" => format!(
                "  - power_on
  - rounds: {{name: warming, {NOTES}, every: 1 min, for: 30 min}}
  - rounds: {{name: night, {NOTES}, every: 10 min, for: 4 h}}"
            ),
            "weather" => format!(
                "  - power_on
  - rounds: {{name: night, {NOTES}, every: 10 min, for: 14 h}}"
            ),
            "imports" => format!("  - rounds: {{name: import, {NOTES}, every: 1 min, for: 40 min}}"),
            // The octaves of the simulator's flicker stand on powers of two of a second: with
            // a hop of one of them each window would fall on them alike.
            "holds" => "  - hold: {name: quiet, note: C4, for: 7 min, hop: 700 ms, settle: {fixed: 5 s}}
  - hold: {name: prompt, note: C5, for: 12 s, hop: 50 ms, settle: {fixed: 0 s}}
  - alternate: {name: alternate, between: [C4, C6], every: 10 s, times: 30}"
                .to_owned(),
            "hertz" => "  - sweep: {name: sweep, notes: {range: {from: C2, to: C7, step: 300 cents}}, order: up_then_down}".to_owned(),
            _ => "  - sweep: {name: sweep, notes: {range: {from: C1, to: C7, step: 300 cents}}, order: up_then_down}".to_owned(),
        };
        plan(&stages, "")
    }

    /// The stages that are judged.
    pub fn judged(&self) -> &'static [&'static str] {
        match self.0[0] {
            "nights" | "weather" => &["night"],
            "imports" => &["import"],
            "holds" => &["quiet", "prompt", "alternate"],
            _ => &["sweep"],
        }
    }

    /// The control law, as rig files write it.
    pub fn law(&self) -> &'static str {
        if self.is("hertz") {
            "{hertz_per_volt: {gain: 1 kHz/V}}"
        } else {
            "{volts_per_octave: {zero: C1 = 0 V}}"
        }
    }

    /// The rig as its file describes it.
    pub fn rig(&self) -> Rig {
        let wiring = if self.is("imports") {
            "recorded: {file: tape.wav, sha256: \"00\", rate: 48 kHz, channels: 1, lasts: 1 h, notes_from: a table}"
        } else {
            "real: {senders: {keys: {midi: {port: keys}}}, capture: {device: input, rate: 48 kHz, channels: 4}}"
        };
        let (bounds, input) = if self.is("calibrated") {
            (CALIBRATED, ", input_resistance: 100 kohm")
        } else if self.is("exact") {
            (EXACT, "")
        } else {
            ("", "")
        };
        let positions: String = (1..=self.inputs())
            .map(|input_number| {
                let name = if input_number == 1 { "left".to_owned() } else { format!("other {input_number}") };
                format!(
                    "  {name}: {{cv: {{sender: keys, channel: 1, law: {}, safe: {{from: 0 V, to: 8 V}}}}, input: {input_number}{input}}}\n",
                    self.law()
                )
            })
            .collect();
        let text = format!(
            "nightbench: rig 1\nname: test\nwiring:\n  {wiring}\npositions:\n{positions}bounds: {{{bounds}}}\n"
        );
        read_rig("rig.yaml", text.as_bytes())
            .unwrap_or_else(|error| panic!("{error:?}\n{text}"))
            .value
    }

    /// How many inputs hang on the output.
    pub fn inputs(&self) -> u16 {
        if self.is("shared") { 4 } else { 1 }
    }
}

impl fmt::Display for Case {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.join(" "))
    }
}

/// A reading to come.
#[derive(Debug, Clone, Copy)]
pub struct Slot {
    pub stage: u16,
    pub round: u32,
    pub slot: u16,
    pub pitch: Pitch,
    /// When its window begins, in seconds of the run.
    pub t: f64,
    /// 1 where the note is come to from above within the round, -1 from below.
    pub from_above: f64,
}

/// A note to be held.
#[derive(Debug, Clone, Copy)]
pub struct Hold {
    pub stage: u16,
    pub pitch: Pitch,
    /// When it is played and when its first window begins, in seconds of the run.
    pub played: f64,
    pub from: f64,
    pub hop: f64,
    pub windows: u32,
}

/// When what is played.
pub struct Timetable {
    pub slots: Vec<Slot>,
    pub holds: Vec<Hold>,
    /// When stages begin, by their place in the plan.
    pub begins: Vec<f64>,
    pub ends: f64,
}

impl Timetable {
    pub fn of(case: &Case, plan: &Plan, law: ControlLaw) -> Self {
        let mut timetable = Self {
            slots: Vec::new(),
            holds: Vec::new(),
            begins: Vec::new(),
            ends: case.origin(),
        };
        for (stage, planned) in (0u16..).zip(&plan.stages) {
            let began = timetable.ends;
            timetable.begins.push(began);
            let (notes, every, rounds) = match planned {
                Stage::Rounds(r) => (
                    r.notes.expand(plan.pitch, law),
                    r.every.get(),
                    (r.lasts / r.every).round() as u32,
                ),
                Stage::Sweep(s) => {
                    let mut notes = s.notes.expand(plan.pitch, law);
                    assert_eq!(s.order, Some(Order::UpThenDown));
                    let back: Vec<_> = notes.iter().rev().skip(1).cloned().collect();
                    notes.extend(back);
                    let lasts = APART * notes.len() as f64;
                    (notes, lasts, 1)
                }
                Stage::Alternate(a) => {
                    let notes = model::document::plan::Notes::List(a.between.to_vec());
                    (notes.expand(plan.pitch, law), a.every.get(), a.times)
                }
                Stage::Hold(hold) => {
                    let prompt = hold.name == "prompt";
                    let windows = (hold.lasts / hold.hop).round() as u32;
                    let from = began + if prompt { 0.0 } else { 5.0 };
                    timetable.holds.push(Hold {
                        stage,
                        pitch: hold.note.pitch(plan.pitch, law),
                        played: began,
                        from,
                        hop: hold.hop.get(),
                        windows,
                    });
                    timetable.ends = from + hold.lasts.get();
                    continue;
                }
                _ => continue,
            };
            let pitches: Vec<Pitch> = notes.into_iter().map(|note| note.pitch).collect();
            for round in 0..rounds {
                for (slot, pitch) in (0u16..).zip(&pitches) {
                    let before = slot
                        .checked_sub(1)
                        .map(|before| pitches[usize::from(before)]);
                    let way = before.map_or(0.0, |before| before.cents_from(*pitch).get());
                    timetable.slots.push(Slot {
                        stage,
                        round,
                        slot,
                        pitch: *pitch,
                        t: began + every * f64::from(round) + APART * f64::from(slot) + 2.0,
                        from_above: if way == 0.0 { 0.0 } else { way.signum() },
                    });
                }
            }
            timetable.ends += every * f64::from(rounds);
        }
        timetable
    }
}
