//! Results round by round, and the deviation against note at the end of a stage.

use crate::curves::moment::{MomentOf, notes_of_two_note_slope};
use crate::curves::shared::Shared;
use crate::curves::tracking::RoundFit;
use model::pitch::Pitch;
use model::record::PositionId;
use model::result::{Curve, ResultName};
use nalgebra::DVector;

/// The deviation of one note at the end of a stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProfilePoint {
    /// The note.
    pub asked: Pitch,
    /// Mean retuned deviation, in cents.
    pub cents: f64,
    /// Its standard uncertainty, the rig's part included, in cents.
    pub u: f64,
}

/// The results of single rounds.
const ROUND_BY_ROUND: [ResultName; 5] = [
    ResultName::ErrorLeftAfterRetuning,
    ResultName::ScaleError,
    ResultName::HighEnd,
    ResultName::MeanSlope,
    ResultName::TwoNoteSlope,
];

/// The curves of one unit in one stage.
pub(crate) fn curves(
    shared: &Shared<'_>,
    position: &PositionId,
    stage_name: &str,
    origin_s: f64,
) -> Vec<Curve> {
    let pair = notes_of_two_note_slope(shared.unit, shared.stage, None).ok();
    ROUND_BY_ROUND
        .into_iter()
        .filter_map(|name| {
            let points: Vec<(f64, f64, f64)> = shared
                .stage
                .rounds
                .iter()
                .filter_map(|round| {
                    let (value, weights) = if name == ResultName::ErrorLeftAfterRetuning {
                        half_range(shared, round)?
                    } else {
                        let functional = MomentOf::new(name, pair).of_round(shared, round)?;
                        (functional.value, functional.weights)
                    };
                    Some((
                        round.t - origin_s,
                        value,
                        shared.sources(round, &weights).u(),
                    ))
                })
                .filter(|(t, value, u)| t.is_finite() && value.is_finite() && u.is_finite())
                .collect();
            (!points.is_empty()).then(|| Curve {
                name,
                position: position.clone(),
                stage: stage_name.to_owned(),
                points,
            })
        })
        .collect()
}

/// Half of what lies between the highest and the lowest note of a round's curve:
/// the smallest possible largest deviation after the best retuning.
fn half_range(shared: &Shared<'_>, round: &RoundFit) -> Option<(f64, DVector<f64>)> {
    let y = &round.y + &shared.stage.proven;
    if y.len() < 2 {
        return None;
    }
    let (low, high) = (y.imin(), y.imax());
    let weights = (round.map.row(high) - round.map.row(low)).transpose() / 2.0;
    Some(((y[high] - y[low]) / 2.0, weights))
}

/// Over how many rounds at the end of a stage the profile is a mean.
const PROFILE_ROUNDS: usize = 5;

/// Retuned deviation against note, over the last rounds of a stage.
pub(crate) fn profile(shared: &Shared<'_>) -> Vec<ProfilePoint> {
    let rounds = &shared.stage.rounds;
    let Some(reference) = shared
        .unit
        .reference
        .filter(|note| shared.stage.place(*note).is_some())
    else {
        return Vec::new();
    };
    let last = &rounds[rounds.len().saturating_sub(PROFILE_ROUNDS)..];
    shared
        .stage
        .notes
        .iter()
        .filter_map(|&note| {
            let mut parts = Vec::new();
            let mut sum = 0.0;
            for round in last {
                let Some(difference) = shared.stage.difference(round, reference, note) else {
                    continue;
                };
                sum += difference.value;
                parts.push((1.0, shared.sources(round, &difference.weights)));
            }
            let count = parts.len() as f64;
            for part in &mut parts {
                part.0 = 1.0 / count;
            }
            let sources = crate::uncertainty::sources::Sources::of_sum(&parts)?;
            Some(ProfilePoint {
                asked: shared.unit.notes[note].pitch,
                cents: sum / count,
                u: sources.u(),
            })
        })
        .collect()
}
