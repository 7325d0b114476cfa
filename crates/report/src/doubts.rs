//! What is missing of a unit, what was doubtful, what broke its history.

use crate::RunView;
use crate::numbers::duration;
use crate::words::clause;
use model::record::{PositionId, State};
use std::collections::BTreeMap;

/// What is missing or doubtful of a unit.
pub(crate) fn gaps(view: &RunView<'_>, position: &PositionId) -> Vec<String> {
    let mut said = Vec::new();
    if !view.record.is_complete() {
        said.push(format!(
            "The run is incomplete: it ends {} after it began.",
            duration(view.record.last_instant().seconds())
        ));
    }
    let missing: Vec<_> = view
        .record
        .gaps
        .iter()
        .filter(|gap| gap.position.as_ref().is_none_or(|of| of == position))
        .collect();
    if let (Some(first), Some(last)) = (
        missing.iter().map(|gap| gap.at).min(),
        missing.iter().map(|gap| gap.at).max(),
    ) {
        let reasons = counted(missing.iter().map(|gap| clause(&gap.reason).to_owned()));
        let when = if first == last {
            format!("at {}", duration(first.seconds()))
        } else {
            format!(
                "between {} and {}",
                duration(first.seconds()),
                duration(last.seconds())
            )
        };
        said.push(format!(
            "{}, {when} of the run: {reasons}.",
            match missing.len() {
                1 => "One gap".to_owned(),
                count => format!("{count} gaps"),
            }
        ));
    }
    let own: Vec<_> = view
        .last_attempts()
        .into_iter()
        .filter(|reading| reading.key.position == *position)
        .collect();
    let bad = own
        .iter()
        .filter(|reading| reading.measured.state != State::Ok);
    let bad_count = bad.clone().count();
    if bad_count > 0 {
        let reasons = counted(bad.map(|reading| state_words(reading.measured.state).to_owned()));
        said.push(format!(
            "{bad_count} of {} readings could not be measured: {reasons}.",
            own.len()
        ));
    }
    let flagged = own
        .iter()
        .filter(|reading| reading.measured.state == State::Ok && !reading.measured.flags.is_empty())
        .collect::<Vec<_>>();
    if !flagged.is_empty() {
        let reasons = counted(flagged.iter().flat_map(|reading| {
            reading
                .measured
                .flags
                .names()
                .into_iter()
                .map(|name| name.replace('_', " "))
        }));
        said.push(format!(
            "{} of {} readings {} a flag: {reasons}.",
            flagged.len(),
            own.len(),
            if flagged.len() == 1 {
                "carries"
            } else {
                "carry"
            },
        ));
    }
    for event in view.record.events.iter().filter(|event| {
        event.kind.breaks_history() && event.position.as_ref().is_none_or(|of| of == position)
    }) {
        said.push(format!(
            "The history broke {} into the run: {}.",
            duration(event.at.seconds()),
            clause(&event.text)
        ));
    }
    said
}

/// Why a window could not be measured, in words.
pub(crate) const fn state_words(state: State) -> &'static str {
    match state {
        State::Ok => "measured",
        State::Silent => "silent",
        State::NotPeriodic => "no pitch in the signal",
        State::TwoTones => "two pitches at once",
        State::HumTooNear => "mains hum too near",
        State::TooShort => "window too short",
        State::NotPlayed => "the note was not played",
    }
}

/// "silent (3), clipped (1)": the most frequent first.
fn counted(words: impl Iterator<Item = String>) -> String {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    for word in words {
        *counts.entry(word).or_default() += 1;
    }
    let mut counts: Vec<_> = counts.into_iter().collect();
    counts.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    let shown = counts
        .iter()
        .take(4)
        .map(|(word, count)| format!("{word} ({count})"))
        .collect::<Vec<_>>()
        .join(", ");
    match counts.len().saturating_sub(4) {
        0 => shown,
        more => format!("{shown} and {more} other kinds"),
    }
}
