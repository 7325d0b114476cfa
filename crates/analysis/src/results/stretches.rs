//! Results over all rounds of a stage, or all since something happened.

use crate::curves::history::History;
use crate::results::extremes::{after_one_tuning, extreme, left_after, range_of_note};
use crate::results::found::{Answer, Found, over, readings};
use crate::results::repeatability as visits;
use crate::results::stage::StageResults;
use crate::results::tuned::{by_trimmer, trimmer, warm_rounds};
use crate::results::warm_up::{Steady, Watched};
use crate::statistics::drift::drift;
use crate::statistics::minimax::half_range;
use crate::uncertainty::joint;
use model::result::{Basis, Choice, Known, NotDetermined, Rounds, Tuned, Which};

/// When the one tuning is done, in seconds since t = 0, and why then.
pub(super) fn tuning(
    here: &StageResults<'_>,
    history: &History,
    choice: &Choice,
) -> Result<(f64, Tuned), NotDetermined> {
    if let Some(t) = choice.tuned_at {
        return Ok((t, Tuned::AsPlanned));
    }
    let ready = here.steady(Watched::ErrorLeft, choice.limit, choice.stay)?;
    let warm = here.steady(Watched::ReferenceNote, choice.limit, choice.stay)?;
    Ok(match (ready, warm) {
        (Steady::From { t: ready, .. }, Steady::From { t: warm, .. }) => {
            (ready.max(warm), Tuned::WarmAndReady)
        }
        (Steady::From { t, .. }, _) => (t, Tuned::Ready),
        (_, Steady::From { t, .. }) => (t, Tuned::Warm),
        _ => {
            let first = history.stage_points().first().copied();
            (
                first.map_or(0.0, |place| history.points[place].t),
                Tuned::AtStart,
            )
        }
    })
}

pub(super) fn error_after_one_tuning(here: &StageResults<'_>, choice: &Choice) -> Answer {
    let (history, draws) = here.history()?;
    let reference = history.reference.ok_or(NotDetermined::ReferenceNotPlayed)?;
    let rounds = history.stage_points();
    let (tuned_at, why_then) = tuning(here, history, choice)?;
    let nothing_after = |others_do: bool| NotDetermined::NothingAfterTuning {
        at_s: tuned_at,
        others_do,
    };
    let tuned = (0..history.points.len())
        .find(|place| history.points[*place].t >= tuned_at - 1e-6)
        .ok_or_else(|| nothing_after(false))?;
    let rounds: Vec<usize> = rounds.into_iter().filter(|place| *place >= tuned).collect();
    if rounds.is_empty() {
        return Err(nothing_after(true));
    }
    let notes = history.x.len();
    if notes == 1 && rounds.len() == 1 {
        return Err(NotDetermined::OnlyTheTuning);
    }
    let found = extreme(history, draws, |values| {
        after_one_tuning(values, notes, reference, tuned, &rounds)
    });
    let raw = rounds
        .iter()
        .flat_map(|place| history.points[*place].y.iter())
        .map(|y| (y - history.points[tuned].y[reference]).abs())
        .fold(0.0, f64::max);
    let basis = Basis::ErrorAfterOneTuning {
        tuned: why_then,
        notes,
        single: raw,
    };
    Ok(Found {
        t: Some(history.points[tuned].t),
        ..Found::of_rounds(found, history, &rounds, Which::SinceTuning, basis)
    })
}

pub(super) fn error_left_after_trimming(here: &StageResults<'_>) -> Answer {
    let (history, draws) = here.history()?;
    here.several_notes()?;
    let (rounds, which) = warm_rounds(here, history)?;
    // Whatever they are.
    if history.x.len() == 2 && rounds.len() == 1 {
        return Err(NotDetermined::TrimmersFitOneRound { trimmers: 1 });
    }
    let found = left_after(history, draws, &[&by_trimmer(here, history)], &rounds);
    let basis = Basis::ErrorLeftAfterTrimming {
        trimmer: trimmer(here),
        notes: history.x.len(),
    };
    Ok(Found::of_rounds(found, history, &rounds, which, basis))
}

pub(super) fn excursion(here: &StageResults<'_>) -> Answer {
    let (history, draws) = here.history()?;
    let (note, name) = here.watched_note(history)?;
    let rounds = history.stage_points();
    if rounds.len() < 2 {
        return Err(here.too_few_rounds(Rounds::Change, rounds.len(), 2));
    }
    let notes = history.x.len();
    let found = extreme(history, draws, |values| {
        range_of_note(values, notes, note, &rounds)
    });
    let raw: Vec<f64> = rounds
        .iter()
        .map(|place| history.points[*place].y[note])
        .collect();
    let largest = raw
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).abs())
        .fold(0.0, f64::max);
    let basis = Basis::Excursion {
        note: name,
        smoothed_over: history.smoother.reach,
        single: 2.0 * half_range(&raw),
        step: largest,
    };
    Ok(Found::of_rounds(found, history, &rounds, Which::All, basis))
}

pub(super) fn drift_rate(here: &StageResults<'_>) -> Answer {
    let (history, _) = here.history()?;
    let (note, name) = here.watched_note(history)?;
    let all = history.stage_points();
    let warm = here.warm_since();
    let after: Vec<usize> = all
        .iter()
        .copied()
        .filter(|place| warm.is_none_or(|t| history.points[*place].t >= t))
        .collect();
    let (rounds, which) = match warm {
        Some(since_s) if after.len() >= 3 => (after, Which::Warm { since_s }),
        _ => (all, Which::All),
    };
    let times: Vec<f64> = rounds
        .iter()
        .map(|place| history.points[*place].t)
        .collect();
    let values: Vec<f64> = rounds
        .iter()
        .map(|place| history.points[*place].y[note])
        .collect();
    let found = here
        .drifted
        .get_or_init(|| drift(&times, &values, &mut here.trials("drift")))
        .ok_or_else(|| here.too_few_rounds(Rounds::DriftRate, times.len(), 3))?;
    let per_hour = 3600.0;
    // What the control source may have drifted by over the run, limits of
    // rectangles for gain and offset (GUM 4.3.7).
    let unit = &here.curves.unit;
    let own_note = &unit.notes[here.curves.stages[&here.index].fit.notes[note]];
    let limits = here.curves.limits;
    let lasted = times[times.len() - 1] - times[0];
    let gain = own_note.per_gain * limits.gain_drift / lasted;
    let offset = own_note.per_volt * limits.offset_drift / lasted;
    let source = gain.hypot(offset) / 3f64.sqrt();
    let u = found.u.hypot(source);
    // An interval must hold at the edges of both limits.
    let reach = gain.abs() + offset.abs();
    let (low, high) = (found.low - reach, found.high + reach);
    let mut draws = Vec::new();
    if !here.for_share {
        let mut own = here.trials("drift rate");
        draws = joint::split_normal(found.rate, found.low, found.high, &mut own);
        let drifts = here
            .sources
            .gain_drift
            .iter()
            .zip(&here.sources.offset_drift);
        for (draw, (of_gain, of_offset)) in draws.iter_mut().zip(drifts) {
            *draw = (*draw + gain * of_gain + offset * of_offset) * per_hour;
        }
        draws = joint::stretched(draws, low * per_hour, high * per_hour);
    }
    let known = Known::value_of(
        found.rate * per_hour,
        Some(u * per_hour),
        Some(low * per_hour),
        Some(high * per_hour),
    );
    let basis = Basis::DriftRate { note: name };
    Ok(Found {
        readings: readings(history, &rounds),
        rig_share: (u > 0.0).then(|| (source / u).powi(2)),
        draws,
        ..Found::new(known, over(history, &rounds, which), basis)
    })
}

pub(super) fn repeatability(here: &StageResults<'_>) -> Answer {
    let stage = here.heard()?;
    let pooled = visits::repeatability(&here.curves.unit, here.index, &stage.fit)
        .ok_or(NotDetermined::NoNoteTwice)?;
    let (low, high) = pooled.interval();
    let basis = Basis::Repeatability {
        freedom: pooled.degrees_of_freedom,
    };
    let known = Known::value_of(pooled.sd, Some(pooled.u()), Some(low), Some(high));
    Ok(Found {
        readings: pooled.readings,
        ..Found::new(known, here.whole_stage(), basis)
    })
}
