//! What happened and what is missing, line by line.

use crate::RunView;
use crate::numbers::duration;
use model::record::{EventKind, Gap};

/// A line of the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct LogLine {
    pub when: String,
    pub kind: String,
    /// Which unit or stage it concerns, or all.
    pub whom: String,
    pub text: String,
}

/// The gaps: adjoining ones of one reason and one position are one line.
pub(crate) fn gaps(view: &RunView<'_>) -> Vec<LogLine> {
    let mut gaps: Vec<&Gap> = view.record.gaps.iter().collect();
    gaps.sort_by(|a, b| {
        (&a.position, &a.reason, a.stage, a.at, a.round, a.slot).cmp(&(
            &b.position,
            &b.reason,
            b.stage,
            b.at,
            b.round,
            b.slot,
        ))
    });
    let mut groups: Vec<Vec<&Gap>> = Vec::new();
    for gap in gaps {
        match groups.last_mut() {
            Some(group)
                if group.last().is_some_and(|last| {
                    last.position == gap.position
                        && last.reason == gap.reason
                        && last.stage == gap.stage
                        && gap.round.saturating_sub(last.round) <= 1
                }) =>
            {
                group.push(gap);
            }
            _ => groups.push(vec![gap]),
        }
    }
    groups.sort_by_key(|group| group.first().map(|gap| gap.at));
    groups
        .into_iter()
        .filter_map(|group| {
            let (first, last) = (group.first()?, group.last()?);
            let from = duration(first.at.seconds());
            let to = duration(last.at.seconds());
            let rounds = match (first.round + 1, last.round + 1) {
                (a, b) if a == b => format!("round {a}"),
                (a, b) => format!("rounds {a} to {b}"),
            };
            Some(LogLine {
                when: if from == to {
                    from
                } else {
                    format!("{from} to {to}")
                },
                kind: format!("{}, {rounds}", view.stage_name(first.stage)),
                whom: first
                    .position
                    .as_ref()
                    .map_or_else(|| "all".to_owned(), |position| view.name_of(position)),
                text: if group.len() == 1 {
                    first.reason.clone()
                } else {
                    format!("{} ({} notes)", first.reason, group.len())
                },
            })
        })
        .collect()
}

/// The events, in order.
pub(crate) fn events(view: &RunView<'_>) -> Vec<LogLine> {
    let mut events: Vec<_> = view.record.events.iter().collect();
    events.sort_by_key(|event| event.at);
    events
        .into_iter()
        .map(|event| LogLine {
            when: duration(event.at.seconds()),
            kind: kind_words(event.kind).to_owned(),
            whom: match (&event.position, event.stage) {
                (Some(position), _) => view.name_of(position),
                (None, Some(stage)) => view.stage_name(stage),
                (None, None) => String::new(),
            },
            text: event.text.clone(),
        })
        .collect()
}

const fn kind_words(kind: EventKind) -> &'static str {
    match kind {
        EventKind::SessionOpened => "run taken up",
        EventKind::SessionClosed => "run laid down",
        EventKind::StageBegan => "stage begins",
        EventKind::StageEnded => "stage ends",
        EventKind::PowerOn => "power on",
        EventKind::PowerOff => "power off",
        EventKind::Tripped => "electrical fault",
        EventKind::FirstSound => "first sound",
        EventKind::LimitNotRead => "current limit not read back",
        EventKind::OutputUncertain => "output uncertain",
        EventKind::SupplyLow => "supply low",
        EventKind::SupplyBack => "supply back",
        EventKind::InstrumentLost => "instrument lost",
        EventKind::InstrumentBack => "instrument back",
        EventKind::CaptureLost => "audio input lost",
        EventKind::CaptureBack => "audio input back",
        EventKind::RecordingsStopped => "recordings stop",
        EventKind::HistoryBroken => "history broken",
        EventKind::Preflight => "check before the plan",
        EventKind::Fault => "fault",
        EventKind::Answered => "answer",
        EventKind::Remark => "remark",
        EventKind::RunEnded => "run ends",
    }
}
