//! What a stage was to measure and did not: a gap can hide the worst, so nothing
//! passes across one.

use crate::curves::unit::{UnitCurves, UnitStage};
use model::document::plan::{Moment, Notes, Plan, Stage};
use model::record::{EventKind, RunRecord};
use model::result::Missing;

/// So many periods without a round are a hole: one missing round is not.
const HOLE_PERIODS: f64 = 2.5;
/// A note must count in this share of the rounds.
const SHARE_OF_ROUNDS: f64 = 0.8;

/// What is missing of a unit in a stage.
#[derive(Debug, Clone, Default)]
pub(crate) struct Gaps {
    /// Notes never or seldom measured.
    notes: Vec<Missing>,
    holes: Vec<Hole>,
    /// Rounds that count, and those that were planned, where it is rounds.
    rounds: Option<(usize, usize)>,
    /// The period of rounds and the planned end, in seconds, where there are such.
    every: Option<f64>,
    ends: Option<f64>,
    first: Option<f64>,
    last: Option<f64>,
}

/// A stretch without readings, in seconds since t = 0.
#[derive(Debug, Clone)]
struct Hole {
    from: f64,
    until: f64,
    missing: Missing,
}

/// What a stage is to play: which notes, and how often and how long where it is rounds.
struct Planned {
    notes: Notes,
    every_lasts: Option<(f64, f64)>,
    rounds: Option<usize>,
}

impl Planned {
    fn of(stage: &Stage) -> Option<Self> {
        Some(match stage {
            Stage::Rounds(rounds) => Self {
                notes: rounds.notes.clone(),
                every_lasts: Some((rounds.every.get(), rounds.lasts.get())),
                rounds: Some((rounds.lasts / rounds.every + 1e-9).floor() as usize),
            },
            Stage::Sweep(sweep) => Self {
                notes: sweep.notes.clone(),
                every_lasts: None,
                rounds: None,
            },
            Stage::Alternate(alternate) => {
                let every = alternate.every.get();
                Self {
                    notes: Notes::List(alternate.between.to_vec()),
                    every_lasts: Some((every, every * f64::from(alternate.times))),
                    rounds: Some(alternate.times as usize),
                }
            }
            // A hold is averaged into minutes.
            Stage::Hold(hold) => Self {
                notes: Notes::List(vec![hold.note.clone()]),
                every_lasts: Some((60.0, hold.lasts.get())),
                rounds: None,
            },
            _ => return None,
        })
    }
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
        let (Some(unit_stage), Some(planned)) = (curves.stages.get(&index), Planned::of(stage))
        else {
            return gaps;
        };
        let fit = &unit_stage.fit;
        gaps.rounds = planned.rounds.map(|planned| (fit.rounds.len(), planned));
        if fit.rounds.is_empty() {
            gaps.notes.push(Missing::AllReadings);
            return gaps;
        }
        gaps.notes = missing_notes(curves, unit_stage, plan, &planned.notes);
        let origin = unit_stage.origin.at;
        let mut times: Vec<f64> = fit
            .rounds
            .iter()
            .map(|round| round.from - origin.seconds())
            .collect();
        times.sort_by(f64::total_cmp);
        gaps.first = times.first().copied();
        gaps.last = times.last().copied();
        let Some((every, lasts)) = planned.every_lasts else {
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
                .map(|gap| gap.reason.clone())
        };
        // A round that is late in beginning is not yet a hole.
        let bounds = std::iter::once(began - every * 0.5)
            .chain(times.iter().copied())
            .chain(std::iter::once(began + lasts))
            .collect::<Vec<f64>>();
        let wide = bounds
            .windows(2)
            .filter(|pair| pair[1] - pair[0] > HOLE_PERIODS * every);
        gaps.holes = wide
            .map(|pair| Hole {
                from: pair[0],
                until: pair[1],
                missing: Missing::Stretch {
                    from: pair[0].max(began),
                    until: pair[1],
                    reason: reason(pair[0], pair[1]),
                },
            })
            .collect();
        gaps
    }

    /// How many rounds count, and how many were planned, where some are missing.
    pub(crate) fn missing_rounds(&self) -> Option<(usize, usize)> {
        self.rounds.filter(|(counted, planned)| counted < planned)
    }

    /// What keeps a result that looks at the stage up to `until` from a pass.
    pub(crate) fn of_stretch(&self, until: f64) -> Vec<Missing> {
        let holes = self.holes.iter().filter(|hole| hole.from < until);
        let holes = holes.map(|hole| &hole.missing);
        self.notes.iter().chain(holes).cloned().collect()
    }

    /// What keeps the result of a moment from a pass.
    pub(crate) fn of_moment(&self, at: Moment) -> Vec<Missing> {
        let slack = self.every.map(|every| every * HOLE_PERIODS);
        let far = match (at, slack, self.first, self.last) {
            (Moment::End, Some(slack), _, Some(last)) => {
                let ends = self.ends.filter(|ends| ends - last > slack);
                ends.map(|planned| Missing::End { planned, last })
            }
            (Moment::After(time), Some(slack), Some(first), Some(last)) => {
                let asked = time.get();
                let is_in = |hole: &&Hole| (hole.from..=hole.until).contains(&asked);
                let hole = self.holes.iter().find(is_in);
                hole.map(|hole| hole.missing.clone()).or_else(|| {
                    (asked < first - slack || asked > last + slack).then_some(Missing::Moment {
                        asked,
                        first,
                        last,
                    })
                })
            }
            _ => None,
        };
        self.notes.iter().cloned().chain(far).collect()
    }
}

/// The planned notes that a unit never played, and those that count in few rounds.
fn missing_notes(
    curves: &UnitCurves,
    stage: &UnitStage,
    plan: &Plan,
    notes: &Notes,
) -> Vec<Missing> {
    let fit = &stage.fit;
    let of = fit.rounds.len();
    let (mut never, mut seldom): (Vec<String>, Vec<Missing>) = (Vec::new(), Vec::new());
    for planned in notes.expand(plan.pitch, curves.unit.law) {
        let at = fit.notes.iter().copied().find(|note| {
            let pitch = curves.unit.notes[*note].pitch;
            pitch.cents_from(planned.pitch).get().abs() < 0.01
        });
        let with = |note: usize| {
            let rounds = fit.rounds.iter();
            rounds.filter(|round| round.note_of.contains(&note)).count()
        };
        match at.map(with) {
            None if !never.contains(&planned.name) => never.push(planned.name),
            Some(rounds) if (rounds as f64) < SHARE_OF_ROUNDS * of as f64 => {
                let note = planned.name;
                let missing = Missing::Seldom { note, rounds, of };
                if !seldom.contains(&missing) {
                    seldom.push(missing);
                }
            }
            _ => {}
        }
    }
    let never = (!never.is_empty()).then_some(Missing::Notes(never));
    never.into_iter().chain(seldom).collect()
}
