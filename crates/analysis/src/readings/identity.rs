//! Which errors are the same error: what two results have in common, and from which
//! stream of numbers each source of uncertainty is drawn.
//!
//! An error belongs to something: the gain of a control voltage to an output of a rig, a
//! step to a note on that output, a reading's noise to its run, unit and stage. Wherever
//! that is the same, trial number i has the same number, in whichever run, stage or unit
//! it is used; and where it is not, another one. [`belongs_to`] is the one place that
//! says what belongs to what.

use crate::statistics::trials::Address;
use model::document::rig::{Rig, Wiring};
use model::document::simulated::Interface;
use model::pitch::Pitch;
use model::quantity::Seconds;
use model::record::{PositionId, RunRecord};
use model::result::UncertaintySource;
use sha2::{Digest, Sha256};
use std::cmp::Reverse;

/// What an error may belong to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Part {
    Run,
    Rig,
    Thermometer,
    Output,
    /// All that hangs on an output.
    Load,
    Unit,
    /// A position and a stage of a run: what is read there is read once.
    Place,
    Note,
}

/// All of what must be the same for an error from a source to be the same.
///
/// Steps belong to a note on an output; the loading to an output, the inputs on it and the
/// unit among them; what changes from session to session, and what drifts within one, to
/// the output in that run. What the meter and the unit itself add belongs to the readings.
const fn belongs_to(source: UncertaintySource) -> &'static [Part] {
    match source {
        UncertaintySource::Readings | UncertaintySource::OffCurve => &[Part::Run, Part::Place],
        UncertaintySource::CvDrift | UncertaintySource::Session => &[Part::Run, Part::Output],
        UncertaintySource::SampleClock => &[Part::Rig],
        UncertaintySource::Thermometer => &[Part::Thermometer],
        UncertaintySource::CvGain | UncertaintySource::CvOffset => &[Part::Output],
        UncertaintySource::CvSteps => &[Part::Output, Part::Note],
        UncertaintySource::Loading => &[Part::Output, Part::Load, Part::Unit],
    }
}

/// What two results have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Common {
    /// They are of one run.
    pub run: bool,
    /// They were measured on the same rig, by its name and what it listens with.
    pub rig: bool,
    /// The same thermometer was read, within the same limits.
    pub thermometer: bool,
    /// The control voltage came from the same output, within the same limits.
    pub output: bool,
    /// The same inputs hung on that output.
    pub load: bool,
    /// They are of the same unit.
    pub unit: bool,
    /// The same notes were played.
    pub notes: bool,
}

impl Common {
    /// Whether an error from this source is the same in both.
    #[must_use]
    pub fn has(self, source: UncertaintySource) -> bool {
        belongs_to(source).iter().all(|part| match part {
            Part::Run => self.run,
            Part::Rig => self.rig,
            Part::Thermometer => self.thermometer,
            Part::Output => self.output,
            Part::Load => self.load,
            Part::Unit => self.unit,
            // Two results of one place are the same result.
            Part::Place => false,
            Part::Note => self.notes,
        })
    }
}

/// Where a unit was measured, when, and which it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    rig: String,
    run: String,
    thermometer: String,
    output: String,
    /// Whether the rig says which output that is.
    output_known: bool,
    load: String,
    unit: String,
    place: String,
}

impl Identity {
    /// The identity of what was measured at a position in a run.
    ///
    /// A rig is known by its name and by what it listens with; an output by its rig, its
    /// sender and channel, its law, its limits and its certificate; a thermometer likewise.
    /// So another position or another supply in the file changes nothing, and a new
    /// certificate for one of them leaves the others what they were. Of a simulated rig
    /// what differs between nights is left aside: the seed, the room, the units, their
    /// faults and when which supply comes on.
    ///
    /// A run is its plan, rig, units and seed and its first reading (the same plan on the
    /// same bench with the same unit, an evening later, is another run; a simulated one
    /// that is repeated is not). Neither where a store lies nor ordinals nor the wall clock
    /// count; the name of a recording that was imported does, since the text of its rig has
    /// it. A unit is its serial number; one without is known in its own run only.
    #[must_use]
    pub fn of(rig: &Rig, record: &RunRecord, position: &PositionId) -> Self {
        let bench = bench(rig);
        let limits = &rig.bounds;
        let header = &record.header;
        let run = digest(&[
            &header.plan_text,
            &header.rig_text,
            &format!("{:?}", header.units),
            &format!("{:?}", header.seed),
            &format!("{:?}", first_heard(record)),
        ]);
        let place = digest(&[&run, position.as_str()]);
        let cv = rig.positions.get(position.as_str()).map(|own| &own.cv);
        let output = cv.map(|cv| {
            digest(&[
                &bench,
                &sender(rig, &cv.sender),
                &format!("{} {:?}", cv.channel, cv.law),
                &format!("{:?} {:?}", limits.cv_gain, limits.cv_offset),
                &format!(
                    "{:?} {:?}",
                    limits.cv_step, rig.certificates.control_voltage
                ),
            ])
        });
        let inputs = rig.positions.values().filter(|other| {
            cv.is_some_and(|cv| (&cv.sender, cv.channel) == (&other.cv.sender, other.cv.channel))
        });
        let inputs: Vec<_> = inputs.map(|other| other.input_resistance).collect();
        let serial = header.units.get(position).map(|unit| unit.serial.trim());
        let serial = serial.filter(|serial| !serial.is_empty());
        Self {
            thermometer: digest(&[
                &bench,
                &format!("{:?} {:?}", rig.thermometer, limits.thermometer),
                &format!("{:?}", rig.certificates.thermometer),
            ]),
            load: format!("{:?} {inputs:?}", limits.cv_output_resistance),
            rig: bench,
            output_known: output.is_some(),
            output: output.unwrap_or_else(|| place.clone()),
            unit: serial.map_or_else(|| place.clone(), str::to_owned),
            place,
            run,
        }
    }

    /// What this and another have in common, beside the notes.
    #[must_use]
    pub fn in_common(&self, other: &Self) -> Common {
        Common {
            run: self.run == other.run,
            rig: self.rig == other.rig,
            thermometer: self.thermometer == other.thermometer,
            load: self.load == other.load,
            output: self.output_known && other.output_known && self.output == other.output,
            unit: self.unit == other.unit,
            notes: false,
        }
    }

    /// The stream of a source in a stage, for a note where the source goes by notes;
    /// `which` tells several numbers of one source apart.
    pub(crate) fn address(
        &self,
        source: UncertaintySource,
        which: &str,
        stage: u16,
        note: Option<Pitch>,
    ) -> Address {
        let mut parts = vec![source.name().to_owned(), which.to_owned()];
        for part in belongs_to(source) {
            parts.push(match part {
                Part::Run => self.run.clone(),
                Part::Rig => self.rig.clone(),
                Part::Thermometer => self.thermometer.clone(),
                Part::Output => self.output.clone(),
                Part::Load => self.load.clone(),
                Part::Unit => self.unit.clone(),
                Part::Place => format!("{} {stage}", self.place),
                // The same to a millionth of a semitone.
                Part::Note => note.map_or_else(String::new, |pitch| {
                    format!("{:.0}", pitch.note_number() * 1e6)
                }),
            });
        }
        let parts: Vec<&str> = parts.iter().map(String::as_str).collect();
        hash(&parts)
    }
}

/// The first frequencies that were heard, of readings and of holds, in hertz: no two
/// evenings have the same. Of several attempts at a reading the last one counts.
fn first_heard(record: &RunRecord) -> [Option<f64>; 2] {
    let readings = record.readings.iter().filter_map(|reading| {
        let key = &reading.key;
        let place = (key.stage, key.round, key.slot, key.repeat, &key.position);
        Some(((place, Reverse(key.attempt)), reading.measured.frequency?))
    });
    let traces = record.traces.iter().filter_map(|trace| {
        let heard = trace.points.iter().find_map(|point| point.frequency)?;
        Some(((trace.stage, trace.at, &trace.position), heard))
    });
    [
        readings
            .min_by(|a, b| a.0.cmp(&b.0))
            .map(|(_, hz)| hz.get()),
        traces.min_by(|a, b| a.0.cmp(&b.0)).map(|(_, hz)| hz.get()),
    ]
}

/// What makes a rig that rig, in a form that is equal where the rigs are.
fn bench(rig: &Rig) -> String {
    let listens = match &rig.wiring {
        Wiring::Real(real) => format!("{:?} {:?}", real.capture.host, real.capture.device),
        Wiring::Simulated(simulated) => format!("{:?}", simulated.input),
        Wiring::Recorded(recorded) => format!("{recorded:?}"),
    };
    digest(&[&rig.name, &listens])
}

/// What makes a sender that sender.
fn sender(rig: &Rig, name: &str) -> String {
    let what = match &rig.wiring {
        Wiring::Real(real) => format!("{:?}", real.senders.get(name)),
        Wiring::Simulated(simulated) => {
            let interface = simulated.interfaces.get(name).cloned();
            let interface = interface.map(|interface| Interface {
                on_before: Seconds::of(0.0),
                ..interface
            });
            format!("{interface:?}")
        }
        Wiring::Recorded(_) => String::new(),
    };
    format!("{name} {what}")
}

/// A hash of texts, each with its length, so that none runs into the next.
fn hash(parts: &[&str]) -> Address {
    let mut hasher = Sha256::new();
    for part in parts {
        hasher.update((part.len() as u64).to_le_bytes());
        hasher.update(part.as_bytes());
    }
    hasher.finalize().into()
}

fn digest(parts: &[&str]) -> String {
    hash(parts)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use UncertaintySource as S;

    fn identity(run: &str, output: &str, unit: &str) -> Identity {
        Identity {
            rig: "bench".to_owned(),
            run: run.to_owned(),
            thermometer: "bench".to_owned(),
            load: "100 kohm".to_owned(),
            output: output.to_owned(),
            output_known: true,
            unit: unit.to_owned(),
            place: format!("{run} {output} {unit}"),
        }
    }

    /// What is said to be shared and what is drawn alike are the same.
    #[test]
    fn a_source_is_drawn_alike_where_it_is_shared_and_only_there() {
        let one = identity("monday", "keys 1", "A");
        let note = |semitones: f64| Some(Pitch::new(semitones).unwrap());
        for other in [
            identity("tuesday", "keys 1", "A"),
            identity("tuesday", "keys 1", "B"),
            identity("tuesday", "keys 2", "A"),
            identity("monday", "keys 1", "B"),
            identity("monday", "keys 2", "B"),
        ] {
            for notes in [true, false] {
                let common = Common {
                    notes,
                    ..one.in_common(&other)
                };
                for source in UncertaintySource::ALL {
                    let address = |identity: &Identity, semitones| {
                        identity.address(source, "", 1, note(semitones))
                    };
                    let same =
                        address(&one, 60.0) == address(&other, if notes { 60.0 } else { 61.0 });
                    assert_eq!(same, common.has(source), "{source:?} {common:?}");
                }
            }
        }
        // As the definitions have it: the same unit on the same output another day.
        let again = Common {
            notes: true,
            ..one.in_common(&identity("tuesday", "keys 1", "A"))
        };
        let shared: Vec<S> = S::ALL.into_iter().filter(|s| again.has(*s)).collect();
        let expected = [
            S::SampleClock,
            S::CvGain,
            S::CvOffset,
            S::CvSteps,
            S::Loading,
            S::Thermometer,
        ];
        assert_eq!(shared, expected);
    }

    const BENCH: &str = "
nightbench: rig 1
name: bench
wiring:
  real:
    senders: {keys: {midi: {port: keys}}}
    capture: {device: input, rate: 48 kHz, channels: 2}
    instruments: {psu: {scpi: {port: /dev/ttyUSB0, role: supply}}}
supplies: {rack: {by: {instrument: psu}, current_limit: 1 A}}
positions:
  left:
    cv: {sender: keys, channel: 1, law: {volts_per_octave: {zero: C1 = 0 V}}, safe: {from: 0 V, to: 8 V}}
    input: 1
";

    /// What the unit in the left position, with a serial number, shares with what is found
    /// of it on a bench whose file reads otherwise: whether it is the same rig, and the
    /// sources.
    fn shared_with(edit: impl FnOnce(&mut Rig)) -> (bool, Vec<UncertaintySource>) {
        let rig = model::document::read_rig("rig.yaml", BENCH.as_bytes())
            .expect("the rig reads")
            .value;
        let mut edited = rig.clone();
        edit(&mut edited);
        let position = PositionId::new("left");
        let record = |run: &str| RunRecord {
            id: model::record::RunId::new(run),
            header: model::record::RunHeader {
                plan_text: run.to_owned(),
                rig_text: String::new(),
                units: std::iter::once((
                    position.clone(),
                    model::record::Unit {
                        serial: "A 7".to_owned(),
                        ..model::record::Unit::default()
                    },
                ))
                .collect(),
                program_version: String::new(),
                seed: None,
                began: model::time::Timestamp::UNIX_EPOCH,
            },
            readings: Vec::new(),
            traces: Vec::new(),
            gaps: Vec::new(),
            events: Vec::new(),
        };
        let one = Identity::of(&rig, &record("monday"), &position);
        let other = Identity::of(&edited, &record("tuesday"), &position);
        let common = Common {
            notes: true,
            ..one.in_common(&other)
        };
        let shared = S::ALL.into_iter().filter(|source| common.has(*source));
        (common.rig, shared.collect())
    }

    #[test]
    fn a_rig_stays_what_it_is_where_its_file_says_more_of_something_else() {
        let same = shared_with(|_| {});
        let all = [
            S::SampleClock,
            S::CvGain,
            S::CvOffset,
            S::CvSteps,
            S::Loading,
            S::Thermometer,
        ];
        assert_eq!(same, (true, all.to_vec()));
        let left = |rig: &Rig| rig.positions["left"].clone();
        let certificate = |number: &str| {
            Some(model::document::rig::Certificate {
                what: "calibrated".to_owned(),
                number: number.to_owned(),
                date: "2026-03-02".to_owned(),
                due: None,
                as_found: None,
                as_left: None,
            })
        };
        // Another position on another output, and nobody feeds the rack any more.
        let more = shared_with(|rig| {
            let mut right = left(rig);
            right.cv.channel = 2;
            rig.positions.insert("right".to_owned(), right);
            rig.supplies.clear();
        });
        assert_eq!(more, same);
        let without = |sources: &[S]| {
            let kept = all.into_iter().filter(|source| !sources.contains(source));
            (true, kept.collect::<Vec<S>>())
        };
        // On the same output its input is a load.
        let loaded = shared_with(|rig| {
            let right = left(rig);
            rig.positions.insert("right".to_owned(), right);
        });
        assert_eq!(loaded, without(&[S::Loading]));
        let thermometer = shared_with(|rig| rig.certificates.thermometer = certificate("T 1"));
        assert_eq!(thermometer, without(&[S::Thermometer]));
        // What was adjusted has another gain, offset and steps.
        let of_voltage = [S::CvGain, S::CvOffset, S::CvSteps, S::Loading];
        let voltage = shared_with(|rig| rig.certificates.control_voltage = certificate("V 1"));
        assert_eq!(voltage, without(&of_voltage));
        let limits = shared_with(|rig| rig.bounds.cv_gain = model::quantity::Fraction::of(1e-4));
        assert_eq!(limits, without(&of_voltage));
        let port = shared_with(|rig| {
            if let Wiring::Real(real) = &mut rig.wiring {
                let keys = real.senders.get_mut("keys").expect("the sender");
                *keys = model::document::rig::Sender::Midi {
                    port: "other keys".to_owned(),
                    bend_range: model::quantity::Cents::of(200.0),
                };
            }
        });
        assert_eq!(port, without(&of_voltage));
        // The same wires under another name are another bench's.
        let renamed = shared_with(|rig| rig.name = "bench two".to_owned());
        assert_eq!(renamed, (false, Vec::new()));
    }

    #[test]
    fn sources_and_numbers_of_one_source_have_streams_of_their_own() {
        let one = identity("monday", "keys 1", "A");
        let mut all: Vec<Address> = UncertaintySource::ALL
            .into_iter()
            .flat_map(|source| ["", "other"].map(|which| one.address(source, which, 1, None)))
            .collect();
        all.sort_unstable();
        all.dedup();
        assert_eq!(all.len(), 2 * UncertaintySource::ALL.len());
    }
}
