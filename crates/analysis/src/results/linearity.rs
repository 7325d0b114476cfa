//! How far single notes lie off the unit's own curve.

use crate::curves::shared::Shared;
use crate::curves::tracking::Shape;
use crate::results::extremes::{Extreme, debiased, ends};
use crate::statistics::mean;
use crate::statistics::trials::Trials;
use crate::uncertainty::shared_sources::{SharedSources, TRIALS};
use model::result::{NotDetermined, OneNote};
use nalgebra::{DMatrix, DVector};
use std::collections::BTreeMap;

/// Draws of the interval; fewer will do for a source's share.
const DRAWS_FOR_SHARE: usize = 200;
const DRAWS: usize = TRIALS;

/// The largest deviation of a note from the curve.
#[derive(Debug, Clone)]
pub(crate) struct Linearity {
    pub(crate) largest: Extreme,
    /// The note it is of, as a place in the stage, and its deviation with its sign.
    pub(crate) at: (usize, f64),
    /// Standard deviation of single readings off the curve.
    pub(crate) rms: f64,
    pub(crate) freedom_per_round: f64,
    pub(crate) readings: usize,
}

/// Means over all rounds of what each note is off the round's curve. What repeats is
/// the unit's, or steps of the control source; noise of the means makes the largest
/// of them too large, and is taken out as for all maxima.
pub(crate) fn linearity(
    shared: &Shared<'_>,
    sources: &SharedSources,
    for_share: bool,
    trials: &mut Trials,
) -> Result<Linearity, NotDetermined> {
    let stage = shared.stage;
    let rounds = &stage.rounds;
    if rounds.is_empty() {
        return Err(NotDetermined::NoneCounts);
    }
    let freedom: usize = rounds.iter().map(|round| round.degrees_of_freedom).sum();
    if matches!(stage.shape, Shape::NoteByNote) || freedom == 0 {
        return Err(match stage.notes.len() {
            1 => stage.one_note(OneNote::Curve),
            notes => NotDetermined::CurveThroughAll { notes },
        });
    }
    let mut sums: BTreeMap<usize, (f64, f64, usize)> = BTreeMap::new();
    let (mut squares, mut readings) = (0.0, 0usize);
    for round in rounds {
        for ((note, residual), sd) in round
            .note_of
            .iter()
            .zip(&round.residuals)
            .zip(&round.own_sd)
        {
            let sum = sums.entry(*note).or_default();
            sum.0 += residual;
            sum.1 += sd * sd;
            sum.2 += 1;
            squares += residual * residual;
            readings += 1;
        }
    }
    // The fit takes some of the noise with it.
    let left = freedom as f64 / readings as f64;
    let count = stage.notes.len();
    let of = |number: &dyn Fn(&(f64, f64, usize)) -> f64| -> DVector<f64> {
        DVector::from_iterator(
            count,
            stage
                .notes
                .iter()
                .map(|note| sums.get(note).map_or(0.0, number)),
        )
    };
    let means = of(&|sum| sum.0 / sum.2 as f64);
    let sds = of(&|sum| (sum.1 * left).sqrt() / sum.2 as f64);
    // A step at a note moves the curve too: what is left of it off the curve.
    let middle = &rounds[rounds.len() / 2];
    let mut off: DMatrix<f64> = DMatrix::identity(count, count);
    for place in 0..count {
        let moved = middle.by_note(&middle.map.row(place).transpose(), stage);
        for other in 0..count {
            off[(place, other)] -= moved[other];
        }
    }
    let largest = |values: &DVector<f64>| values.amax();
    let draws = if for_share { DRAWS_FOR_SHARE } else { DRAWS };
    let [mut own, mut all, mut errors] = [(); 3].map(|()| Vec::with_capacity(draws));
    // With each step at the end of its limit that it is nearer to.
    let [mut all_at_ends, mut errors_at_ends] = [(); 2].map(|()| Vec::with_capacity(draws));
    for trial in 0..draws {
        let noise = DVector::from_fn(count, |note, _| sds[note] * trials.normal());
        let steps = DVector::from_fn(count, |note, _| {
            shared.step(note) * sources.steps[note][trial]
        });
        // The other way, as for all maxima.
        own.push(largest(&(&means - &noise)));
        let at_ends = DVector::from_fn(count, |note, _| shared.step(note).copysign(steps[note]));
        let error = &noise + &off * steps;
        all.push(largest(&(&means - &error)));
        errors.push(largest(&error));
        let error = noise + &off * at_ends;
        all_at_ends.push(largest(&(&means - &error)));
        errors_at_ends.push(largest(&error));
    }
    let place = means.icamax();
    let seen = largest(&means);
    let bias = mean(&own) - seen;
    let mut found = debiased(seen, &own, &all, &vec![seen; all.len()], &errors);
    found.reach(ends(seen, bias, &all_at_ends, &errors_at_ends));
    Ok(Linearity {
        largest: found,
        at: (place, means[place]),
        rms: (squares / freedom as f64).sqrt(),
        freedom_per_round: freedom as f64 / rounds.len() as f64,
        readings,
    })
}
