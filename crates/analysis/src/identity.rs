//! Which errors are the same error: what two results have in common, and from which
//! stream of numbers each source of uncertainty is drawn.
//!
//! An error belongs to something: the gain of a control voltage to an output of a rig, a
//! step to a note on that output, a reading's noise to its run, unit and stage. Wherever
//! that is the same, trial number i has the same number, in whichever run, stage or unit
//! it is used; and where it is not, another one. [`belongs_to`] is the one place that
//! says what belongs to what.

use model::document::rig::{Rig, Wiring};
use model::pitch::Pitch;
use model::record::{PositionId, RunRecord};
use model::result::UncertaintySource;
use sha2::{Digest, Sha256};
use std::cmp::Reverse;

/// What an error may belong to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Part {
    Run,
    Rig,
    Output,
    Unit,
    /// A position and a stage of a run: what is read there is read once.
    Place,
    Note,
}

/// All of what must be the same for an error from a source to be the same.
///
/// Steps belong to a note on an output; the loading to an output and the unit on it;
/// what changes from session to session, and what drifts within one, to the output in
/// that run. What the meter and the unit itself add belongs to the readings.
const fn belongs_to(source: UncertaintySource) -> &'static [Part] {
    match source {
        UncertaintySource::Readings | UncertaintySource::OffCurve => &[Part::Run, Part::Place],
        UncertaintySource::CvDrift | UncertaintySource::Session => &[Part::Run, Part::Output],
        UncertaintySource::SampleClock | UncertaintySource::Thermometer => &[Part::Rig],
        UncertaintySource::CvGain | UncertaintySource::CvOffset => &[Part::Output],
        UncertaintySource::CvSteps => &[Part::Output, Part::Note],
        UncertaintySource::Loading => &[Part::Output, Part::Unit],
    }
}

/// What two results have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Common {
    /// They are of one run.
    pub run: bool,
    /// They were measured on the same rig, to the letter of its file.
    pub rig: bool,
    /// The control voltage came from the same output.
    pub output: bool,
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
            Part::Output => self.output,
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
    output: String,
    /// Whether the rig says which output that is.
    output_known: bool,
    unit: String,
    place: String,
}

/// Where the numbers of a source begin: the seed of their stream.
pub(crate) type Address = [u8; 32];

impl Identity {
    /// The identity of what was measured at a position in a run.
    ///
    /// A rig is what its file says; of a simulated one the seed, the units and their
    /// faults are left aside, as another unit or night does not make it another bench. A
    /// run is its plan, rig, units and seed and its first reading (the same plan on the
    /// same bench with the same unit, an evening later, is another run; a simulated one
    /// that is repeated is not). Neither where a store lies nor ordinals nor the wall clock
    /// count; the name of a recording that was imported does, since the text of its rig has
    /// it. A unit is its serial number; one without is known in its own run only.
    #[must_use]
    pub fn of(rig: &Rig, record: &RunRecord, position: &PositionId) -> Self {
        let bench = bench(rig);
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
        let output = cv.map(|cv| digest(&[&bench, &cv.sender, &cv.channel.to_string()]));
        let serial = header.units.get(position).map(|unit| unit.serial.trim());
        let serial = serial.filter(|serial| !serial.is_empty());
        Self {
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
                Part::Output => self.output.clone(),
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
    let mut rig = rig.clone();
    if let Wiring::Simulated(simulated) = &mut rig.wiring {
        simulated.seed = 0;
        simulated.units.clear();
        simulated.faults.clear();
    }
    digest(&[&format!("{rig:?}")])
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
