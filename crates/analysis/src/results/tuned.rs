//! Results of a unit that is retuned or retrimmed: how wide it is in tune, how
//! often, how its octaves beat, and what two trimmers leave.

use crate::curves::history::{Draws, History, RigPart};
use crate::results::extremes::{extreme, left_after, widest_run};
use crate::results::found::{Answer, Found, at, over, readings};
use crate::results::stage::StageResults;
use crate::results::warm_up::Steady;
use crate::statistics::minimax::half_range;
use crate::statistics::{middle_95, standard_deviation};
use crate::uncertainty::joint::stretched;
use model::pitch::ControlLaw;
use model::result::{Basis, Choice, Known, NotDetermined, Scope, Trimmer, Which};

/// A number that goes by how much lies within a limit, of a curve and of the room that each
/// round has beyond the limit: the value seen, and the range of the draws.
fn of_draws(
    (history, draws): (&History, &Draws),
    number: impl Fn(&[f64], &[f64]) -> f64,
    limits: (f64, f64),
    scope: Scope,
    basis: Basis,
) -> Found {
    let smoothed = &history.smoothed;
    let no_room = vec![0.0; history.points.len()];
    let exactly = |values: &[f64]| number(values, &no_room);
    let seen = exactly(smoothed);
    let own = draws.evaluate(smoothed, RigPart::Nothing, draws.count, exactly);
    let all = draws.evaluate(smoothed, RigPart::AsDrawn, draws.count, exactly);
    let u = standard_deviation(&all);
    let own_u = standard_deviation(&own);
    let (lower, upper) = middle_95(&all);
    // Noise drawn around noise is biased; so is its mirror image, the other way.
    let mut low = lower.min(2.0 * seen - upper);
    let mut high = upper.max(2.0 * seen - lower);
    if draws.have_rig() {
        let (least, most) = draws.reach(smoothed, &number);
        (low, high) = (low.min(least), high.max(most));
    }
    let (low, high) = (low.max(limits.0), high.min(limits.1));
    let mut draws = stretched(all, low, high);
    for draw in &mut draws {
        *draw = draw.clamp(limits.0, limits.1);
    }
    Found {
        draws,
        rig_share: (u > 0.0).then(|| (1.0 - (own_u / u).powi(2)).clamp(0.0, 1.0)),
        ..Found::new(
            Known::value_of(seen, Some(u), Some(low), Some(high)),
            scope,
            basis,
        )
    }
}

pub(super) fn in_tune_range(here: &StageResults<'_>, choice: &Choice) -> Answer {
    let (history, draws) = here.history()?;
    here.several_notes()?;
    let place = here.round_at(history, choice.at)?;
    let notes = history.x.len();
    let stretch = place * notes..(place + 1) * notes;
    let run = |values: &[f64], limit: f64| widest_run(&values[stretch.clone()], &history.x, limit);
    let (octaves, first, last) = run(&history.smoothed, choice.limit);
    let span = history.x[notes - 1] - history.x[0];
    let basis = Basis::InTuneRange {
        run: [here.name_of(first), here.name_of(last)],
        whole: octaves >= span - 1e-9,
    };
    let scope = at(history, place);
    Ok(Found {
        readings: history.points[place].readings,
        ..of_draws(
            (history, draws),
            |values, room| run(values, choice.limit + room[place]).0,
            (0.0, span),
            scope,
            basis,
        )
    })
}

pub(super) fn fraction_of_rounds(here: &StageResults<'_>, choice: &Choice) -> Answer {
    let (history, draws) = here.history()?;
    here.several_notes()?;
    let rounds = history.stage_points();
    let notes = history.x.len();
    let share = |values: &[f64], room: &[f64]| {
        let within = rounds.iter().filter(|place| {
            let round = &values[**place * notes..(**place + 1) * notes];
            half_range(round) <= choice.limit + room[**place]
        });
        within.count() as f64 / rounds.len().max(1) as f64
    };
    let scope = over(history, &rounds, Which::All);
    let basis = Basis::FractionOfRounds { notes };
    Ok(Found {
        readings: readings(history, &rounds),
        ..of_draws((history, draws), share, (0.0, 1.0), scope, basis)
    })
}

pub(super) fn worst_beats(here: &StageResults<'_>, choice: &Choice) -> Answer {
    let (history, draws) = here.history()?;
    let place = here.round_at(history, choice.at)?;
    let notes = history.x.len();
    let pairs: Vec<(usize, usize)> = (0..notes)
        .flat_map(|low| (low + 1..notes).map(move |high| (low, high)))
        .filter(|(low, high)| (history.x[*high] - history.x[*low] - 1.0).abs() < 1e-6)
        .collect();
    if pairs.is_empty() {
        return Err(NotDetermined::NoOctaves);
    }
    // The second harmonic of the lower against the upper.
    let hz = |values: &[f64], note: usize| {
        let octaves = history.x[note] + values[place * notes + note] / 1200.0;
        here.curves.unit.reference_hz * octaves.exp2()
    };
    let beat = |values: &[f64], (low, high): (usize, usize)| {
        (2.0 * hz(values, low) - hz(values, high)).abs()
    };
    let found = extreme(history, draws, |values| {
        pairs
            .iter()
            .map(|pair| beat(values, *pair))
            .fold(0.0, f64::max)
    });
    let worst = pairs
        .iter()
        .copied()
        .max_by(|a, b| beat(&history.smoothed, *a).total_cmp(&beat(&history.smoothed, *b)))
        .unwrap_or(pairs[0]);
    let basis = Basis::WorstBeats {
        pair: [here.name_of(worst.0), here.name_of(worst.1)],
        pairs: pairs.len(),
    };
    Ok(Found::of_round(found, history, place, basis))
}

/// The rounds that what is left after trimming is judged by, and which these are.
pub(super) fn warm_rounds(
    here: &StageResults<'_>,
    history: &History,
) -> Result<(Vec<usize>, Which), NotDetermined> {
    let all = history.stage_points();
    let Steady::From { t: since_s, .. } = here.warm()? else {
        return Ok((all, Which::NeverWarm));
    };
    let is_warm = |place: &usize| history.points[*place].t >= since_s;
    let warm: Vec<usize> = all.iter().copied().filter(is_warm).collect();
    Ok(if warm.is_empty() {
        (all, Which::WarmLater)
    } else {
        (warm, Which::Warm { since_s })
    })
}

/// What a trimmer of the scale does to each note: a slope in cents per octave,
/// or under hertz per volt an offset of the voltage.
pub(super) fn by_trimmer(here: &StageResults<'_>, history: &History) -> Vec<f64> {
    match here.curves.unit.law {
        ControlLaw::VoltsPerOctave { .. } => history.x.clone(),
        ControlLaw::HertzPerVolt { .. } => history.x.iter().map(|x| 1.0 - (-x).exp2()).collect(),
    }
}

pub(super) fn trimmer(here: &StageResults<'_>) -> Trimmer {
    match here.curves.unit.law {
        ControlLaw::VoltsPerOctave { .. } => Trimmer::Scale,
        ControlLaw::HertzPerVolt { .. } => Trimmer::VoltageOffset,
    }
}

pub(super) fn error_left_after_both_trimmers(here: &StageResults<'_>) -> Answer {
    let (history, draws) = here.history()?;
    here.several_notes()?;
    let stage = &here.curves.stages[&here.index].fit;
    if stage.hides_low_end {
        return Err(stage.low_end_hidden());
    }
    if !stage.named {
        return Err(NotDetermined::TwoTrimmersAlike);
    }
    let (rounds, which) = warm_rounds(here, history)?;
    // A fitted curve of slope and high end leaves nothing of itself over.
    if rounds.len() < 2 {
        return Err(NotDetermined::TrimmersFitOneRound { trimmers: 2 });
    }
    let by_trimmer = by_trimmer(here, history);
    // A high-end trimmer gives back what goes with the frequency.
    let bend: Vec<f64> = history.x.iter().map(|x| x.exp2() - 1.0).collect();
    let alone = left_after(history, draws, &[&by_trimmer], &rounds);
    let found = left_after(history, draws, &[&by_trimmer, &bend], &rounds).no_more_than(&alone);
    let basis = Basis::ErrorLeftAfterBothTrimmers {
        trimmer: trimmer(here),
        alone: alone.value,
    };
    Ok(Found::of_rounds(found, history, &rounds, which, basis))
}
