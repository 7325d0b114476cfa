//! From the notes of a plan to pitches, and the order in which they are played.

use super::plan::{Listen, Notes, Order, Plan, Settle, Stage, WindowLength};
use crate::pitch::{ControlLaw, Note, Pitch, PitchStandard};
use crate::quantity::{Cents, Seconds};

/// More notes than this a range never expands to. The check of a plan refuses
/// such a range; this keeps whoever skipped the check from filling the memory.
pub const MOST_NOTES: usize = 2000;

/// What a note takes beside settling and window: to be sent and heard.
pub const NOTE_OVERHEAD: Seconds = Seconds::of(0.25);

/// Two pitches nearer than this are the same note.
const SAME: Cents = Cents::of(1e-3);

/// A pitch and what to call it.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedPitch {
    /// As written in a list; for a range the note's name, or the nearest note
    /// and the cents from there.
    pub name: String,
    /// The pitch under the position's law.
    pub pitch: Pitch,
}

impl Notes {
    /// The notes one by one, for a position with this law. A range goes up or
    /// down as its ends say; its last note lies at or before `to`. At most
    /// [`MOST_NOTES`] of them.
    #[must_use]
    pub fn expand(&self, standard: PitchStandard, law: ControlLaw) -> Vec<NamedPitch> {
        match self {
            Self::List(notes) => notes
                .iter()
                .take(MOST_NOTES)
                .map(|note| NamedPitch {
                    name: note.to_string(),
                    pitch: note.pitch(standard, law),
                })
                .collect(),
            Self::Range { from, to, step } => {
                let (from, to) = (from.pitch(standard, law), to.pitch(standard, law));
                let steps = range_steps(from, to, *step).min((MOST_NOTES - 1) as f64) as usize;
                let direction = if to < from { -1.0 } else { 1.0 };
                (0..=steps)
                    .map(|count| {
                        let pitch = from.shifted(step.abs() * (direction * count as f64));
                        NamedPitch {
                            name: name_of(pitch),
                            pitch,
                        }
                    })
                    .collect()
            }
        }
    }

    /// The order that is meant when none is written: a list as it stands, a
    /// range up and down again.
    #[must_use]
    pub const fn usual_order(&self) -> Order {
        match self {
            Self::List(_) => Order::AsWritten,
            Self::Range { .. } => Order::UpThenDown,
        }
    }
}

/// How many whole steps lie between two pitches; 0 for a step of nothing.
pub(super) fn range_steps(from: Pitch, to: Pitch, step: Cents) -> f64 {
    let distance = to.cents_from(from).abs();
    // Many thirds of a semitone may come out a hair short of the note meant.
    let steps = ((distance + SAME) / step.abs()).floor();
    if steps.is_finite() { steps } else { 0.0 }
}

/// The name of a pitch: its note, or the nearest note and the cents from there.
#[must_use]
pub fn name_of(pitch: Pitch) -> String {
    // Halfway between two notes it is named after the lower one, rounding or not.
    let nearest = (pitch.note_number() - 0.5 - SAME.get() / 100.0).ceil();
    let nearest = Note::from_number(nearest as i16);
    let rest = pitch.cents_from(nearest.pitch());
    if rest.abs() < SAME {
        return nearest.name().to_owned();
    }
    // Thousandths of a cent are below anything that can be heard or sent.
    let rounded = (rest.get() * 1e3).round() / 1e3;
    let unit = if rounded.abs() == 1.0 {
        "cent"
    } else {
        "cents"
    };
    format!("{} {rounded:+} {unit}", nearest.name())
}

/// The order of one round, as indices into `expanded`; the same index may come
/// twice. Depends on nothing but the arguments: whoever asks again gets the same.
///
/// `order` is the stage's, or the usual one for these notes when it has none.
/// When shuffled, the reference note (if it is among the notes) comes first and
/// last, so that drift within the round is seen; each round has its own order.
#[must_use]
pub fn playing_order(
    order: Option<&Order>,
    notes: &Notes,
    expanded: &[NamedPitch],
    reference: Pitch,
    round: u32,
) -> Vec<usize> {
    let count = expanded.len();
    match order.unwrap_or(&notes.usual_order()) {
        Order::AsWritten => (0..count).collect(),
        Order::UpThenDown => (0..count)
            .chain((0..count.saturating_sub(1)).rev())
            .collect(),
        Order::Random { seed } => {
            let is_reference =
                |index: &usize| expanded[*index].pitch.cents_from(reference).abs() < SAME;
            let first = (0..count).find(is_reference);
            let last = (0..count).rfind(is_reference);
            let mut rest: Vec<usize> = (0..count)
                .filter(|index| Some(*index) != first && Some(*index) != last)
                .collect();
            shuffle(&mut rest, SplitMix64::for_round(*seed, round));
            let alone = rest.is_empty() && first == last;
            first
                .into_iter()
                .chain(rest)
                .chain(last.filter(|_| !alone))
                .collect()
        }
    }
}

/// Shuffles by the method of Fisher and Yates (Knuth, The Art of Computer
/// Programming, volume 2, algorithm 3.4.2 P).
fn shuffle(indices: &mut [usize], mut random: SplitMix64) {
    for left in (2..=indices.len()).rev() {
        indices.swap(left - 1, random.below(left));
    }
}

/// The generator SplitMix64 (Steele, Lea, Flood: Fast splittable pseudorandom
/// number generators, OOPSLA 2014). Small, portable, and good enough to shuffle.
struct SplitMix64(u64);

const GOLDEN: u64 = 0x9e37_79b9_7f4a_7c15;

impl SplitMix64 {
    /// A stream of its own for each round of each seed.
    fn for_round(seed: u64, round: u32) -> Self {
        let start = Self(u64::from(round)).next();
        Self(Self(seed).next() ^ start)
    }
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(GOLDEN);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    /// A number below `limit`; its bias is below one in 2^50 for any list of notes.
    fn below(&mut self, limit: usize) -> usize {
        ((u128::from(self.next()) * limit as u128) >> 64) as usize
    }
}

impl Stage {
    /// How to listen in this stage: its own way where it has one, else the plan's.
    #[must_use]
    pub fn listen<'a>(&'a self, plan: &'a Plan) -> &'a Listen {
        match self {
            Self::Rounds(rounds) => rounds.listen.as_ref(),
            Self::Sweep(sweep) => sweep.listen.as_ref(),
            Self::Alternate(alternate) => alternate.listen.as_ref(),
            Self::CoolDown { .. }
            | Self::PowerOn
            | Self::Hold(_)
            | Self::Ask { .. }
            | Self::Tune(_)
            | Self::Wait { .. } => None,
        }
        .unwrap_or(&plan.listen)
    }
}

impl Settle {
    /// How long settling takes at most.
    #[must_use]
    pub const fn longest(&self) -> Seconds {
        match self {
            Self::Fixed(time) | Self::UntilSteady { at_most: time, .. } => *time,
        }
    }
}

impl WindowLength {
    /// How long the window is at most.
    #[must_use]
    pub const fn longest(&self) -> Seconds {
        match self {
            Self::Fixed(time) | Self::UntilUncertainty { at_most: time, .. } => *time,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Volts, VoltsPerOctave};
    use proptest::prelude::*;

    const LAW: ControlLaw = ControlLaw::HertzPerVolt {
        gain: crate::quantity::HertzPerVolt::of(130.8),
    };

    fn range(from: &str, to: &str, step: f64) -> Notes {
        Notes::Range {
            from: from.parse().unwrap(),
            to: to.parse().unwrap(),
            step: Cents::of(step),
        }
    }

    fn names(notes: &Notes) -> Vec<String> {
        let expanded = notes.expand(PitchStandard::default(), LAW);
        expanded.into_iter().map(|note| note.name).collect()
    }

    #[test]
    fn a_range_names_its_notes() {
        assert_eq!(
            names(&range("C2", "C3", 300.0)),
            ["C2", "D#2", "F#2", "A2", "C3"]
        );
        assert_eq!(
            names(&range("C4", "D4", 50.0)).join(" | "),
            "C4 | C4 +50 cents | C#4 | C#4 +50 cents | D4"
        );
        assert_eq!(
            names(&range("C4", "B3", 30.0)).join(" | "),
            "C4 | C4 -30 cents | B3 +40 cents | B3 +10 cents"
        );
        assert_eq!(
            names(&range("C4", "E4", 150.0)).last().map(String::as_str),
            Some("D#4")
        );
        assert_eq!(names(&range("440 Hz", "880 Hz", 1200.0)), ["A4", "A5"]);
        // Thirds of a semitone: the last step must not be lost to rounding.
        assert_eq!(names(&range("C2", "C3", 100.0 / 3.0)).len(), 37);
        assert_eq!(names(&range("C4", "C4", 100.0)), ["C4"]);
    }

    #[test]
    fn a_list_keeps_its_spelling_and_voltages_follow_the_law() {
        let notes = Notes::List(["Bb3", "2.5 V"].map(|note| note.parse().unwrap()).to_vec());
        let law = ControlLaw::VoltsPerOctave {
            slope: VoltsPerOctave::of(1.0),
            zero_pitch: Note::from_number(24).pitch(),
            zero_voltage: Volts::of(0.0),
        };
        let expanded = notes.expand(PitchStandard::default(), law);
        assert_eq!(expanded[0].name, "Bb3");
        assert_eq!(expanded[1].name, "2.5 V");
        assert!((expanded[1].pitch.note_number() - 54.0).abs() < 1e-12);
    }

    #[test]
    fn an_absurd_range_stays_small() {
        assert_eq!(names(&range("C-1", "C9", 1e-9)).len(), MOST_NOTES);
        assert_eq!(names(&range("C-1", "C9", 0.0)).len(), 1);
    }

    #[test]
    fn up_and_down_turns_once() {
        let notes = range("C2", "C5", 1200.0);
        let expanded = notes.expand(PitchStandard::default(), LAW);
        let reference = Note::from_number(60).pitch();
        assert_eq!(
            playing_order(None, &notes, &expanded, reference, 0),
            [0, 1, 2, 3, 2, 1, 0]
        );
        assert_eq!(playing_order(None, &notes, &[], reference, 0), [0_usize; 0]);
    }

    /// The first numbers after the seed 1234567, as Rosetta Code lists them for
    /// this generator (from memory).
    #[test]
    fn the_generator_is_the_published_one() {
        let mut random = SplitMix64(1_234_567);
        let numbers: Vec<u64> = (0..3).map(|_| random.next()).collect();
        assert_eq!(
            numbers,
            [
                6_457_827_717_110_365_317,
                3_203_168_211_198_807_973,
                9_817_491_932_198_370_423
            ]
        );
    }

    proptest! {
        #[test]
        fn random_plays_every_note_between_two_references(
            seed: u64,
            round in 0_u32..1000,
            numbers in proptest::collection::vec(0_i16..120, 1..20),
            place in 0_usize..20,
        ) {
            let mut numbers = numbers;
            numbers.retain(|number| *number != 60);
            numbers.insert(place.min(numbers.len()), 60);
            let notes = Notes::List(
                numbers.iter().map(|number| crate::pitch::AskedNote::Named(Note::from_number(*number))).collect(),
            );
            let expanded = notes.expand(PitchStandard::default(), LAW);
            let reference = Note::from_number(60).pitch();
            let order = Order::Random { seed };
            let played = playing_order(Some(&order), &notes, &expanded, reference, round);
            prop_assert_eq!(&played, &playing_order(Some(&order), &notes, &expanded, reference, round));
            prop_assert_eq!(expanded[played[0]].pitch, reference);
            prop_assert_eq!(expanded[*played.last().unwrap()].pitch, reference);
            let mut once = played.clone();
            once.sort_unstable();
            once.dedup();
            prop_assert_eq!(once, (0..expanded.len()).collect::<Vec<_>>());
            // Nothing but the reference comes twice.
            prop_assert!(played.len() <= expanded.len() + 1);
        }
    }

    #[test]
    fn rounds_differ_and_every_place_is_reached() {
        let notes = range("C2", "C6", 1200.0);
        let expanded = notes.expand(PitchStandard::default(), LAW);
        let reference = Note::from_number(60).pitch();
        let order = Order::Random { seed: 7 };
        let mut counts = [[0_u32; 5]; 4];
        for round in 0..4000 {
            let played = playing_order(Some(&order), &notes, &expanded, reference, round);
            for (place, index) in played[1..5].iter().enumerate() {
                counts[place][*index] += 1;
            }
        }
        for place in counts {
            for (index, count) in place.iter().enumerate().filter(|(index, _)| *index != 2) {
                // 1000 expected, standard deviation 27: six of them.
                assert!((835..=1165).contains(count), "{index}: {count}");
            }
        }
    }
}
