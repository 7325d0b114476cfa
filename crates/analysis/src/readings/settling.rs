//! How a note settles after it is played: from holds that are listened to from the
//! beginning, else from how long notes had to be waited for.

use crate::statistics::allan::overlapping_allan;
use crate::statistics::drift::theil_sen;
use model::record::{Flag, PositionId, RunRecord, State, Trace};
use std::collections::BTreeMap;

/// A hold shows how its note settles when it is listened to within this time of
/// being played, in seconds.
const PROMPT_S: f64 = 0.5;
/// A note has settled by then, or is drifting; and its later value is the mean from
/// then on, over so long, in seconds.
const SETTLED_BY_S: f64 = 5.0;
const LATER_S: f64 = 10.0;

/// What is known of how notes of a stage settle.
#[derive(Debug, Clone, Default)]
pub(crate) struct Response {
    /// Changes of note that were listened to from the beginning.
    pub(crate) heard: Vec<Heard>,
    /// How long other notes were waited for until they were steady, in seconds, and
    /// whether they were.
    pub(crate) waited: Vec<(f64, bool)>,
    /// The first window of a hold that was not prompt, in seconds after its note.
    pub(crate) late: Option<f64>,
}

/// A change of note that was listened to from the beginning.
#[derive(Debug, Clone)]
pub(crate) struct Heard {
    /// The ends of windows, in seconds after the note was played, and what they are
    /// off the later value, in cents.
    pub(crate) windows: Vec<(f64, f64)>,
    pub(crate) hop: f64,
    /// Scatter of later windows, in cents, and how far they slid in all.
    pub(crate) scatter: f64,
    pub(crate) slid: f64,
    /// How far the later value may have wandered since the note settled: standard
    /// uncertainty in cents, by how far later means lie apart.
    pub(crate) wandered: f64,
    /// +1 when the note was come to from below, -1 from above; 0 where the note
    /// before is not known.
    pub(crate) way: f64,
}

impl Response {
    pub(crate) fn of(record: &RunRecord, stage: u16, position: &PositionId) -> Self {
        let mut response = Self::default();
        let mut notes: BTreeMap<i64, Vec<&Trace>> = BTreeMap::new();
        for trace in &record.traces {
            if trace.stage == stage && &trace.position == position {
                notes
                    .entry(trace.played.nanoseconds())
                    .or_default()
                    .push(trace);
            }
        }
        for pieces in notes.values_mut() {
            pieces.sort_by_key(|piece| piece.at.nanoseconds());
            let first = pieces[0];
            let from = first.at.seconds_from(first.played);
            if from > PROMPT_S {
                response.late = Some(response.late.map_or(from, |late: f64| late.min(from)));
                continue;
            }
            response.heard.extend(heard(record, position, pieces));
        }
        let mut last: BTreeMap<_, &model::record::Reading> = BTreeMap::new();
        for reading in &record.readings {
            let key = &reading.key;
            if key.stage != stage || &key.position != position {
                continue;
            }
            let kept = last
                .entry((key.round, key.slot, key.repeat))
                .or_insert(reading);
            if key.attempt >= kept.key.attempt {
                *kept = reading;
            }
        }
        response.waited = last
            .into_values()
            .filter(|reading| reading.measured.state == State::Ok)
            .map(|reading| {
                let waited = reading.at.seconds_from(reading.played);
                (waited, !reading.measured.flags.contains(Flag::Unsettled))
            })
            .filter(|(waited, _)| *waited >= 0.0)
            .collect();
        response
    }
}

/// One change of note; `None` when too little of it could be measured.
fn heard(record: &RunRecord, position: &PositionId, pieces: &[&Trace]) -> Option<Heard> {
    let first = pieces.first()?;
    let hop = first.hop.get();
    let mut frequencies: Vec<(f64, model::quantity::Hertz)> = Vec::new();
    for piece in pieces {
        let from = piece.at.seconds_from(first.played);
        for (place, point) in piece.points.iter().enumerate() {
            let end = from + hop * (place as f64 + 1.0);
            if end > SETTLED_BY_S + LATER_S {
                break;
            }
            if let (State::Ok, Some(frequency)) = (point.state, point.frequency) {
                frequencies.push((end, frequency));
            }
        }
    }
    let by = SETTLED_BY_S.min(frequencies.last()?.0 / 2.0);
    let anchor = frequencies.last()?.1;
    let later: Vec<(f64, f64)> = frequencies
        .iter()
        .filter(|(end, _)| *end > by)
        .map(|(end, frequency)| (*end, frequency.cents_from(anchor).get()))
        .collect();
    if later.len() < 3 {
        return None;
    }
    let times: Vec<f64> = later.iter().map(|(end, _)| *end).collect();
    let cents: Vec<f64> = later.iter().map(|(_, cents)| *cents).collect();
    let level = crate::statistics::mean(&cents);
    // What goes one way is no scatter.
    let slide = theil_sen(&times, &cents).unwrap_or(0.0);
    let middle = crate::statistics::mean(&times);
    let off: Vec<f64> = later
        .iter()
        .map(|(end, cents)| cents - slide * (end - middle))
        .collect();
    let before = record
        .readings
        .iter()
        .filter(|reading| &reading.key.position == position && reading.at < first.played)
        .map(|reading| (reading.at, reading.asked))
        .chain(
            record
                .traces
                .iter()
                .filter(|trace| &trace.position == position && trace.at < first.played)
                .map(|trace| (trace.at, trace.asked)),
        )
        .max_by_key(|(at, _)| at.nanoseconds());
    Some(Heard {
        hop,
        scatter: crate::statistics::standard_deviation(&off),
        slid: slide * (times.last()? - times.first()?),
        wandered: overlapping_allan(&off, off.len().div_ceil(4))? * 2f64.sqrt(),
        way: before.map_or(0.0, |(_, asked)| {
            let cents = first.asked.cents_from(asked).get();
            if cents.abs() < 1e-6 {
                0.0
            } else {
                cents.signum()
            }
        }),
        windows: frequencies
            .iter()
            .filter(|(end, _)| *end <= SETTLED_BY_S)
            .map(|(end, frequency)| (*end, frequency.cents_from(anchor).get() - level))
            .collect(),
    })
}

impl Heard {
    /// When the note came to stay within a band: since when at least and by when.
    pub(crate) fn settled(&self, band: f64) -> Option<(f64, f64)> {
        let outside = self.windows.iter().rposition(|(_, off)| off.abs() > band);
        match outside {
            None => self.windows.first().map(|(end, _)| (0.0, *end)),
            Some(place) => {
                let next = self.windows.get(place + 1)?;
                Some((self.windows[place].0 - self.hop, next.0))
            }
        }
    }
}
