//! What is seen of all units of a rig together, and of units against each other.

use super::law::law;
use super::portrait::{Portrait, range};
use super::unit::Level;
use crate::statistics::median;
use model::record::PositionId;
use model::result::{Doubt, Seen, Suggestion, SuggestionKind as Kind};

/// Root mean square off a smooth law that is no unit's own, cents.
pub(super) const LEAST_STEPS: f64 = 0.5;
/// Movement of all units together, cents.
const LEAST_MOVEMENT: f64 = 3.0;
/// What the last note is off the others' law where a control source ends, cents.
const LEAST_END: f64 = 5.0;
/// Rounds of two units belong together where they are so near in time, seconds.
const NEAR_S: f64 = 900.0;

fn all_of(portraits: &[&Portrait]) -> Vec<PositionId> {
    portraits.iter().map(|unit| unit.position.clone()).collect()
}

/// By how much the highest (or lowest) note is off the law of the others, which fits.
fn beyond_end(unit: &Portrait, top: bool) -> Option<f64> {
    let whole = unit.law.as_ref().filter(|law| law.off > LEAST_STEPS)?;
    let last = if top {
        unit.profile.len().checked_sub(1)?
    } else {
        0
    };
    let mut rest = unit.profile.clone();
    let end = rest.remove(last);
    let without = law(&rest)?;
    if without.degrees_of_freedom == 0 || without.off * 8.0 > whole.off {
        return None;
    }
    let next = rest[if top { rest.len() - 1 } else { 0 }];
    // A straight line is near enough for so large a departure.
    let off = end.cents - next.cents - without.scale.value * (end.x - next.x);
    (off.abs() > LEAST_END).then_some(off)
}

/// A control source whose range ends before the notes do: the last note alone is off, and on
/// all units alike. The laws of the units are taken without it.
pub(super) fn end_of_range(portraits: &mut [Portrait]) -> Option<Suggestion> {
    for top in [true, false] {
        let offs: Vec<Option<f64>> = portraits.iter().map(|unit| beyond_end(unit, top)).collect();
        let seen: Vec<f64> = offs.iter().copied().flatten().collect();
        if seen.is_empty() || seen.len() * 4 < portraits.len() * 3 {
            continue;
        }
        // Above its range it is flat, below it sharp.
        let typical = median(&seen);
        if (typical > 0.0) == top {
            continue;
        }
        let having: Vec<&Portrait> = portraits
            .iter()
            .zip(&offs)
            .filter_map(|(unit, off)| off.map(|_| unit))
            .collect();
        let notes = &having[0].profile;
        let end = notes[if top { notes.len() - 1 } else { 0 }];
        let made = Suggestion {
            kind: Kind::SourceSteps,
            positions: all_of(&having),
            stage: having[0].stage.clone(),
            seen: Seen::Steps {
                off: having[0].law.as_ref().map_or(0.0, |law| law.off),
                largest: typical,
                octaves: end.x,
            },
            doubt: Some(Doubt::EndOfRange),
            size_cents: typical.abs() / 2.0,
        };
        for (unit, _) in portraits
            .iter_mut()
            .zip(&offs)
            .filter(|(_, off)| off.is_some())
        {
            let last = if top { unit.profile.len() - 1 } else { 0 };
            unit.profile.remove(last);
            unit.law = law(&unit.profile);
        }
        return Some(made);
    }
    None
}

/// Steps of the control source: what is off any smooth law, on most units; and how far off
/// units typically are, root mean square.
pub(super) fn steps(portraits: &[Portrait]) -> (Option<Suggestion>, f64) {
    let known: Vec<&Portrait> = portraits
        .iter()
        .filter(|unit| {
            unit.law
                .as_ref()
                .is_some_and(|law| law.degrees_of_freedom >= 2)
        })
        .collect();
    let offs: Vec<f64> = known
        .iter()
        .filter_map(|unit| unit.law.as_ref().map(|law| law.off))
        .collect();
    if offs.is_empty() {
        return (None, 0.0);
    }
    let typical = median(&offs);
    let sems: Vec<f64> = known
        .iter()
        .flat_map(|unit| unit.profile.iter().map(|note| note.sem))
        .collect();
    let off: Vec<&Portrait> = known
        .iter()
        .copied()
        .filter(|unit| unit.law.as_ref().is_some_and(|law| law.off > LEAST_STEPS))
        .collect();
    let most = off.len() * 4 >= known.len() * 3;
    if typical < LEAST_STEPS || typical < 4.0 * median(&sems) || !most {
        return (None, typical);
    }
    let (largest, octaves) = off
        .iter()
        .flat_map(|unit| {
            let law = unit.law.as_ref();
            law.into_iter()
                .flat_map(|law| law.residuals.iter().zip(&unit.profile))
        })
        .fold((0.0_f64, 0.0), |worst, (residual, note)| {
            if residual.abs() > worst.0.abs() {
                (*residual, note.x)
            } else {
                worst
            }
        });
    let made = Suggestion {
        kind: Kind::SourceSteps,
        positions: all_of(&off),
        stage: off[0].stage.clone(),
        seen: Seen::Steps {
            off: typical,
            largest,
            octaves,
        },
        doubt: (off.len() == 1).then_some(Doubt::StepsOrUnit),
        size_cents: 2.0 * typical,
    };
    (Some(made), typical)
}

/// A unit's offset over time (seconds of the run, cents): beside the others, and what
/// the others share.
pub(super) struct Levels {
    pub(super) alone: Vec<(f64, f64)>,
    shared: Vec<(f64, f64)>,
}

/// How each unit's offset moved when warm, and what of it all units share. Two units share
/// nothing that can be told from either of them.
pub(super) fn levels(portraits: &[Portrait]) -> Vec<Levels> {
    let near = |unit: &Portrait, run_s: f64| {
        let off = |t: f64| (t - run_s).abs();
        let nearest = unit
            .warm()
            .min_by(|a, b| off(a.run_s).total_cmp(&off(b.run_s)));
        nearest
            .filter(|near| off(near.run_s) < NEAR_S)
            .map(|near| near.level)
    };
    portraits
        .iter()
        .map(|unit| {
            let (mut alone, mut shared) = (Vec::new(), Vec::new());
            for moment in unit.warm() {
                let levels: Vec<f64> = portraits
                    .iter()
                    .filter_map(|unit| near(unit, moment.run_s))
                    .collect();
                let common = if levels.len() >= 3 {
                    median(&levels)
                } else {
                    0.0
                };
                alone.push((moment.run_s, moment.level - common));
                shared.push((moment.run_s, common));
            }
            Levels { alone, shared }
        })
        .collect()
}

/// By how much an offset over time moved.
fn movement(points: &[(f64, f64)]) -> f64 {
    let (least, most) = range(&points.iter().map(|point| point.1).collect::<Vec<_>>());
    most - least
}

/// A unit's own movement; none where two units moved and nothing tells whose it is.
pub(super) fn level(levels: &[Levels], place: usize, together: bool) -> Option<Level<'_>> {
    let points = &levels[place].alone;
    let rival = |(other, levels): (usize, &Levels)| {
        other != place && movement(&levels.alone) > 0.35 * movement(points)
    };
    let two = levels.len() == 2;
    if two && (together || levels.iter().enumerate().any(rival)) {
        return None;
    }
    Some(Level {
        points,
        by_itself: levels.len() == 1,
    })
}

/// All units moving together.
pub(super) fn moving_together(portraits: &[Portrait], levels: &[Levels]) -> Option<Suggestion> {
    let typical = |of: &dyn Fn(&Levels) -> f64| median(&levels.iter().map(of).collect::<Vec<_>>());
    let (shared, alone) = match levels {
        [] | [_] => return None,
        [one, other] => {
            let apart: Vec<(f64, f64)> = one
                .alone
                .iter()
                .zip(&other.alone)
                .map(|(a, b)| (a.0, a.1 - b.1))
                .collect();
            (
                movement(&one.alone).min(movement(&other.alone)),
                movement(&apart),
            )
        }
        _ => (
            typical(&|levels| movement(&levels.shared)),
            typical(&|levels| movement(&levels.alone)),
        ),
    };
    if shared < LEAST_MOVEMENT || alone > 0.35 * shared {
        return None;
    }
    let all: Vec<&Portrait> = portraits.iter().collect();
    Some(Suggestion {
        kind: Kind::MovingTogether,
        positions: all_of(&all),
        stage: all[0].stage.clone(),
        seen: Seen::Together { shared, alone },
        doubt: None,
        size_cents: shared / 2.0,
    })
}

/// Units that scatter far more than the meter says and than the others do.
pub(super) fn unsteady(portraits: &[Portrait]) -> Vec<Suggestion> {
    let unsteady = portraits.iter().filter(|unit| {
        let others: Vec<f64> = portraits
            .iter()
            .filter(|other| other.position != unit.position)
            .map(|other| other.scatter)
            .collect();
        let alone = others.is_empty() || unit.scatter > 4.0 * median(&others);
        unit.scatter > 0.3 && unit.scatter > 8.0 * unit.meter && alone
    });
    let said = unsteady.map(|unit| {
        let seen = Seen::Scatter {
            cents: unit.scatter,
            meter: unit.meter,
        };
        let mut made = unit.suggestion(Kind::Unsteady, unit.scatter, seen);
        made.doubt = (portraits.len() == 1).then_some(Doubt::RigOrUnit);
        made
    });
    said.collect()
}
