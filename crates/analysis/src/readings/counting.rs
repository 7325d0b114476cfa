//! Which readings count.

use crate::readings::deviation::Round;
use model::record::Flag;
use model::result::LeftOut;
use std::collections::{BTreeMap, BTreeSet};

/// How many readings there are, and why some do not count.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tally {
    pub(crate) used: usize,
    pub(crate) left_out: BTreeMap<LeftOut, usize>,
    /// The notes that were played, as keys, whether or not they count.
    pub(crate) played: BTreeSet<i64>,
}

impl Tally {
    pub(crate) fn leave_out(&mut self, why: LeftOut) {
        *self.left_out.entry(why).or_default() += 1;
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
                Some(LeftOut::LostSamples)
            } else if sample.flags.contains(Flag::MaybeLocked) {
                Some(LeftOut::MaybeLocked)
            } else if sample.flags.contains(Flag::WrongInterval) && wrong * 2 < all {
                Some(LeftOut::WrongInterval)
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
