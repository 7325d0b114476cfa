//! Times: from when on something is as it should be.

use crate::results::found::{Answer, Found};
use crate::results::stage::StageResults;
use crate::results::warm_up::{Steady, Watched, stay, tuning_holds_from};
use crate::statistics::standard_deviation;
use model::result::{Basis, Choice, Known, OneTuning, Reached, Scope};

pub(super) fn time(here: &StageResults<'_>, watched: Watched, choice: &Choice) -> Answer {
    let (history, _, left_aside_s) = here.cleaned()?;
    let stay_s = stay(choice.stay, history);
    let record_s = history.points.last().map_or(0.0, |point| point.t);
    let basis = |from_first: bool, maybe_moving: bool, one_tuning: OneTuning| {
        let reached = Reached {
            stay_s,
            record_s,
            other_stages: history.points.iter().any(|point| !point.in_stage),
            left_aside_s,
            origin: here.origin(),
            from_first,
            maybe_moving,
        };
        match watched {
            Watched::ReferenceNote => Basis::WarmUpTime(reached),
            Watched::ErrorLeft => Basis::ReadyAfter {
                notes: history.x.len(),
                reached,
                one_tuning,
            },
        }
    };
    match here.steady(watched, choice.limit, choice.stay)? {
        Steady::From {
            t,
            u,
            low,
            high,
            point,
            maybe_moving,
            draws,
        } => {
            let one_tuning = tuning_holds_from(history, choice.limit, stay_s);
            let one_tuning = one_tuning.map_or(OneTuning::Never, OneTuning::From);
            // Not known where it is not known what it comes to stay near.
            let draws = if here.for_share || maybe_moving {
                Vec::new()
            } else {
                let mut own = here.trials(&format!("{watched:?} {choice:?}"));
                // What the draws of the curve do not have: how it runs between rounds.
                let reached: Vec<f64> = draws.iter().copied().filter(|t| t.is_finite()).collect();
                let drawn = standard_deviation(&reached);
                let between = u.map_or(0.0, |u| (u * u - drawn * drawn).max(0.0).sqrt());
                // What was so in the first round already was so at some time before it.
                let first = history.points[0].t;
                let within = |t: &f64| {
                    if *t <= first {
                        0.5 * first * (1.0 + own.within(1.0))
                    } else {
                        (t + between * own.normal()).max(0.0)
                    }
                };
                draws.iter().map(within).collect()
            };
            Ok(Found {
                readings: history.points.iter().map(|point| point.readings).sum(),
                draws,
                ..Found::new(
                    Known::value_of(t, u, Some(low), high),
                    Scope::PowerCycle { to_s: t + stay_s },
                    basis(point == 0, maybe_moving, one_tuning),
                )
            })
        }
        Steady::NotReached { why, low, draws } => Ok(Found {
            draws,
            ..Found::new(
                Known::AtLeast { low, why },
                Scope::PowerCycle { to_s: record_s },
                basis(false, false, OneTuning::NotReady),
            )
        }),
        Steady::CannotSay { why } => Err(why),
    }
}
