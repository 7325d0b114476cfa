//! What is left off the curves of the rounds: noise, what repeats from round to
//! round, and whether a low end is in it.

use crate::curves::tracking::{Functional, RoundFit};
use crate::readings::deviation::UnitReadings;
use crate::uncertainty::limits::RigLimits;
use nalgebra::DVector;
use std::collections::BTreeMap;

/// From so many rounds on, what repeats can be told from what is noise.
const ROUNDS_THAT_PROVE: usize = 4;

/// Residuals by note and visit, so that rounds can be held against each other.
fn by_visit(round: &RoundFit) -> BTreeMap<(usize, usize), f64> {
    let mut seen: BTreeMap<usize, usize> = BTreeMap::new();
    let mut residuals = BTreeMap::new();
    for (note, residual) in round.note_of.iter().zip(&round.residuals) {
        let visit = seen.entry(*note).or_default();
        residuals.insert((*note, *visit), *residual);
        *visit += 1;
    }
    residuals
}

/// Splits what is off the curves into what repeats from round to round (standard
/// deviation, degrees of freedom) and noise beyond what the meter says. With too
/// few rounds to tell, all of it counts as repeating: then it does not average.
pub(crate) fn noise(rounds: &[RoundFit]) -> ((f64, usize), f64) {
    let readings: usize = rounds.iter().map(|round| round.own_sd.len()).sum();
    let freedom: usize = rounds.iter().map(|round| round.degrees_of_freedom).sum();
    if readings == 0 || freedom == 0 {
        return ((0.0, 0), 0.0);
    }
    let meter = rounds
        .iter()
        .flat_map(|round| &round.own_sd)
        .map(|sd| sd * sd)
        .sum::<f64>()
        / readings as f64;
    let squares: f64 = rounds
        .iter()
        .flat_map(|round| &round.residuals)
        .map(|residual| residual * residual)
        .sum();
    if rounds.len() < ROUNDS_THAT_PROVE {
        let repeating = (squares / freedom as f64 - meter).max(0.0);
        return ((repeating.sqrt(), freedom), 0.0);
    }
    let visits: Vec<_> = rounds.iter().map(by_visit).collect();
    let (mut steps, mut step_freedom) = (0.0, 0.0);
    for (pair, round) in visits.windows(2).zip(rounds) {
        let both = pair[0]
            .iter()
            .filter_map(|(key, before)| Some(pair[1].get(key)? - before));
        steps += both.map(|step| step * step / 2.0).sum::<f64>();
        step_freedom += round.degrees_of_freedom as f64;
    }
    let random = if step_freedom > 0.0 {
        steps / step_freedom
    } else {
        0.0
    };
    let mut means: BTreeMap<(usize, usize), (f64, usize)> = BTreeMap::new();
    for residuals in &visits {
        for (key, residual) in residuals {
            let mean = means.entry(*key).or_default();
            mean.0 += residual;
            mean.1 += 1;
        }
    }
    let share = freedom as f64 / readings as f64;
    let free = (means.len() as f64 * share).max(1.0);
    let repeating = means
        .values()
        .map(|(sum, count)| (sum / *count as f64).powi(2))
        .sum::<f64>()
        / free
        - random / rounds.len() as f64;
    (
        (repeating.max(0.0).sqrt(), free.round() as usize),
        (random - meter).max(0.0).sqrt(),
    )
}

/// Mean residuals that are both certain and beyond what steps of the control source can
/// leave off the curve: those at the note itself, and those at all others, which move it.
pub(crate) fn proven(
    rounds: &[RoundFit],
    unit: &UnitReadings,
    notes: &[usize],
    limits: RigLimits,
    excess: f64,
) -> DVector<f64> {
    let mut proven = DVector::zeros(notes.len());
    if rounds.len() < ROUNDS_THAT_PROVE {
        return proven;
    }
    let middle = &rounds[rounds.len() / 2];
    for (place, note) in notes.iter().enumerate() {
        let (mut sum, mut variance, mut count) = (0.0, 0.0, 0.0);
        for round in rounds {
            let readings = round
                .note_of
                .iter()
                .zip(&round.residuals)
                .zip(&round.own_sd);
            for ((_, residual), sd) in readings.filter(|((other, _), _)| *other == note) {
                sum += residual;
                variance += sd * sd + excess * excess;
                count += 1.0;
            }
        }
        if count > 0.0 {
            let mean = sum / count;
            let off = off_curve_by_note(middle, notes, place);
            let steps = off
                .iter()
                .zip(notes)
                .map(|(off, note)| limits.step * (off * unit.notes[*note].per_volt).abs());
            let steps: f64 = steps.sum();
            if mean.abs() > 3.0 * variance.sqrt() / count && mean.abs() > steps {
                proven[place] = mean;
            }
        }
    }
    proven
}

/// How far a note comes off the curve of a round with a cent at each note.
fn off_curve_by_note(round: &RoundFit, notes: &[usize], place: usize) -> Vec<f64> {
    let mut off = vec![0.0; notes.len()];
    off[place] = 1.0;
    for (weight, note) in round.map.row(place).iter().zip(&round.note_of) {
        if let Ok(other) = notes.binary_search(note) {
            off[other] -= weight;
        }
    }
    off
}

/// Whether the low end is more than three times its uncertainty, steps of the
/// control source included: those do not average over rounds.
pub(crate) fn low_end_is_there(
    rounds: &[RoundFit],
    unit: &UnitReadings,
    limits: RigLimits,
) -> bool {
    let terms: Vec<(&RoundFit, &Functional)> = rounds
        .iter()
        .filter_map(|round| Some((round, round.low_end.as_ref()?)))
        .collect();
    let Some((middle, of_middle)) = terms.get(terms.len() / 2) else {
        return false;
    };
    let n = terms.len() as f64;
    let mean = terms.iter().map(|(_, term)| term.value).sum::<f64>() / n;
    let own = terms
        .iter()
        .map(|(round, term)| round.own_variance(&term.weights))
        .sum::<f64>()
        / (n * n);
    let mut by_note: BTreeMap<usize, f64> = BTreeMap::new();
    for (weight, note) in of_middle.weights.iter().zip(&middle.note_of) {
        *by_note.entry(*note).or_default() += weight;
    }
    let ((misfit, _), _) = noise(rounds);
    let shared: f64 = by_note
        .into_iter()
        .map(|(note, weight)| {
            let step = limits.step * unit.notes[note].per_volt.abs() / 3f64.sqrt();
            (weight * misfit.max(step)).powi(2)
        })
        .sum();
    mean.abs() > 3.0 * (own + shared).sqrt()
}
