//! Which readings count.

use crate::readings::deviation::Round;
use model::record::{Flag, State};
use std::collections::{BTreeMap, BTreeSet};

/// How many readings there are, and why some do not count.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tally {
    pub(crate) used: usize,
    pub(crate) left_out: BTreeMap<&'static str, usize>,
    /// The notes that were played, as keys, whether or not they count.
    pub(crate) played: BTreeSet<i64>,
}

impl Tally {
    pub(crate) fn leave_out(&mut self, why: &'static str) {
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

/// What a reading without a usable frequency is, in words that follow a number.
pub(crate) const fn state_words(state: State) -> &'static str {
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
pub(crate) fn leave_out_flagged(rounds: &mut [Round], tally: &mut BTreeMap<u16, Tally>) {
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
