//! What a stage was to measure and did not: a gap can hide the worst, so nothing
//! passes across one.

use crate::curves::unit::UnitCurves;
use crate::words::duration;
use model::document::plan::{Moment, Notes, Plan, Stage};
use model::record::{EventKind, RunRecord};

/// So many periods without a round are a hole: one missing round is not.
const HOLE_PERIODS: f64 = 2.5;
/// A note must count in this share of the rounds.
const SHARE_OF_ROUNDS: f64 = 0.8;

/// What is missing of a unit in a stage.
#[derive(Debug, Clone, Default)]
pub(crate) struct Gaps {
    /// Notes never or seldom measured, in words.
    notes: Vec<String>,
    /// From, until (seconds since t = 0), in words.
    holes: Vec<(f64, f64, String)>,
    /// Rounds that count, and those that were planned, where it is rounds.
    rounds: Option<(usize, usize)>,
    /// The period of rounds and the planned end, in seconds, where there are such.
    every: Option<f64>,
    ends: Option<f64>,
    first: Option<f64>,
    last: Option<f64>,
}

impl Gaps {
    pub(crate) fn of(
        curves: &UnitCurves,
        index: u16,
        stage: &Stage,
        plan: &Plan,
        record: &RunRecord,
    ) -> Self {
        let mut gaps = Self::default();
        let Some(unit_stage) = curves.stages.get(&index) else {
            return gaps;
        };
        let fit = &unit_stage.fit;
        let origin = unit_stage.origin.at;
        let (notes, every, lasts) = match stage {
            Stage::Rounds(rounds) => (
                rounds.notes.clone(),
                Some(rounds.every.get()),
                Some(rounds.lasts.get()),
            ),
            Stage::Sweep(sweep) => (sweep.notes.clone(), None, None),
            Stage::Alternate(alternate) => (
                Notes::List(alternate.between.to_vec()),
                Some(alternate.every.get()),
                Some(alternate.every.get() * f64::from(alternate.times)),
            ),
            // A hold is averaged into minutes.
            Stage::Hold(hold) => (
                Notes::List(vec![hold.note.clone()]),
                Some(60.0),
                Some(hold.lasts.get()),
            ),
            _ => return gaps,
        };
        let planned = match stage {
            Stage::Rounds(rounds) => Some((rounds.lasts / rounds.every + 1e-9).floor() as usize),
            Stage::Alternate(alternate) => Some(alternate.times as usize),
            _ => None,
        };
        gaps.rounds = planned.map(|planned| (fit.rounds.len(), planned));
        if fit.rounds.is_empty() {
            gaps.notes.push("no reading of the stage counts".to_owned());
            return gaps;
        }
        let (mut never, mut seldom): (Vec<String>, Vec<String>) = (Vec::new(), Vec::new());
        for planned in notes.expand(plan.pitch, curves.unit.law) {
            let at = fit.notes.iter().copied().find(|note| {
                curves.unit.notes[*note]
                    .pitch
                    .cents_from(planned.pitch)
                    .get()
                    .abs()
                    < 0.01
            });
            let all = fit.rounds.len();
            let with = |note: usize| {
                fit.rounds
                    .iter()
                    .filter(|round| round.note_of.contains(&note))
                    .count()
            };
            match at.map(with) {
                None if !never.contains(&planned.name) => never.push(planned.name),
                Some(with) if (with as f64) < SHARE_OF_ROUNDS * all as f64 => {
                    let words = format!("{} counts in only {with} of {all} rounds", planned.name);
                    if !seldom.contains(&words) {
                        seldom.push(words);
                    }
                }
                _ => {}
            }
        }
        if !never.is_empty() {
            let verb = if never.len() == 1 { "was" } else { "were" };
            gaps.notes
                .push(format!("{} {verb} never measured", never.join(", ")));
        }
        gaps.notes.extend(seldom);
        let mut times: Vec<f64> = fit
            .rounds
            .iter()
            .map(|round| round.from - origin.seconds())
            .collect();
        times.sort_by(f64::total_cmp);
        gaps.first = times.first().copied();
        gaps.last = times.last().copied();
        let (Some(every), Some(lasts)) = (every, lasts) else {
            return gaps;
        };
        gaps.every = Some(every);
        let began = record
            .events
            .iter()
            .find(|event| event.kind == EventKind::StageBegan && event.stage == Some(index))
            .map(|event| event.at.seconds_from(origin))
            .or(gaps.first)
            .unwrap_or(0.0);
        gaps.ends = Some(began + lasts);
        let reason = |from: f64, until: f64| {
            record
                .gaps
                .iter()
                .filter(|gap| gap.stage == index)
                .filter(|gap| {
                    gap.position
                        .as_ref()
                        .is_none_or(|id| *id == curves.unit.position)
                })
                .find(|gap| (from..=until).contains(&gap.at.seconds_from(origin)))
                .map_or_else(String::new, |gap| format!(" ({})", gap.reason))
        };
        // A round that is late in beginning is not yet a hole.
        let bounds = std::iter::once(began - every * 0.5)
            .chain(times.iter().copied())
            .chain(std::iter::once(began + lasts))
            .collect::<Vec<f64>>();
        for pair in bounds.windows(2) {
            if pair[1] - pair[0] > HOLE_PERIODS * every {
                let words = format!(
                    "there are no readings from {} to {}{}",
                    duration(pair[0].max(began)),
                    duration(pair[1]),
                    reason(pair[0], pair[1])
                );
                gaps.holes.push((pair[0], pair[1], words));
            }
        }
        gaps
    }

    /// How many rounds count, and how many were planned, where some are missing.
    pub(crate) fn missing_rounds(&self) -> Option<(usize, usize)> {
        self.rounds.filter(|(counted, planned)| counted < planned)
    }

    /// What keeps a result that looks at the stage up to `until` from a pass.
    pub(crate) fn of_stretch(&self, until: f64) -> Option<String> {
        let holes = self.holes.iter().filter(|(from, _, _)| *from < until);
        let all: Vec<&str> = self
            .notes
            .iter()
            .map(String::as_str)
            .chain(holes.map(|(_, _, words)| words.as_str()))
            .collect();
        (!all.is_empty()).then(|| all.join("; "))
    }

    /// What keeps the result of a moment from a pass.
    pub(crate) fn of_moment(&self, at: Moment) -> Option<String> {
        let slack = self.every.map(|every| every * HOLE_PERIODS);
        let far = match (at, slack, self.first, self.last) {
            (Moment::End, Some(slack), _, Some(last)) => {
                self.ends.filter(|ends| ends - last > slack).map(|ends| {
                    format!(
                        "the stage was to last until {} and the last round is that of {}",
                        duration(ends),
                        duration(last)
                    )
                })
            }
            (Moment::After(time), Some(slack), Some(first), Some(last)) => {
                let t = time.get();
                let hole = self
                    .holes
                    .iter()
                    .find(|(from, until, _)| (*from..=*until).contains(&t));
                if let Some((_, _, words)) = hole {
                    Some(words.clone())
                } else {
                    (t < first - slack || t > last + slack).then(|| {
                        format!(
                            "the rounds of the stage run from {} to {}, and {} is outside",
                            duration(first),
                            duration(last),
                            duration(t)
                        )
                    })
                }
            }
            _ => None,
        };
        let all: Vec<&str> = self
            .notes
            .iter()
            .map(String::as_str)
            .chain(far.as_deref())
            .collect();
        (!all.is_empty()).then(|| all.join("; "))
    }
}
