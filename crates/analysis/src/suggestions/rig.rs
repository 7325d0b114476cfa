//! What is seen of all units of a rig together, and of units against each other.

use super::draft::{bare, draft, evidence, plain, with_u};
use super::law::Sized;
use super::portrait::{Jump, Portrait, range};
use super::unit::Common;
use crate::statistics::median;
use crate::words::duration;
use model::document::rig::Rig;
use model::record::PositionId;
use model::result::{Suggestion, SuggestionKind as Kind};
use std::collections::BTreeMap;

/// Less than this is no scale error of the interface to speak of, cents per octave.
const LEAST_SCALE: f64 = 1.0;
/// Root mean square off a smooth law that is no unit's own, cents.
const LEAST_STEPS: f64 = 0.5;
/// Movement of all units together, cents.
const LEAST_MOVEMENT: f64 = 3.0;
/// Jumps so near in time belong together, seconds.
const TOGETHER_S: f64 = 30.0;
/// Readings of a jump lie no further apart than this, seconds.
const ONE_JUMP_S: f64 = 1500.0;

fn all_of(portraits: &[&Portrait]) -> Vec<PositionId> {
    portraits.iter().map(|unit| unit.position.clone()).collect()
}

fn how_many(count: usize) -> String {
    match count {
        2 => "Both units".to_owned(),
        _ => format!("All {count} units"),
    }
}

/// Steps of the control source: what is off any smooth law, on most units.
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
        return (None, 0.0);
    }
    let (worst, note) = off
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
    let whose = if off.len() == 1 {
        "This unit".to_owned()
    } else {
        how_many(off.len())
    };
    let has = if off.len() == 1 { "has" } else { "have" };
    let mut made = draft(
        Kind::SourceSteps,
        all_of(&off),
        &off[0].stage,
        2.0 * typical,
        format!(
            "{whose} {has} single notes off any smooth law by {} cents (root mean square), the same in every round; the largest is {} cents, {} octaves from the reference note.",
            plain(typical),
            plain(worst.abs()),
            plain(note)
        ),
    );
    made.evidence.push(bare(
        "single notes off the law, root mean square",
        typical,
        "cents",
    ));
    made.evidence
        .push(bare("largest note off the law", worst, "cents"));
    if off.len() == 1 {
        made.doubt = Some("With one unit it cannot be told from a unit that is uneven by itself: put another unit in this position.".to_owned());
    }
    (Some(made), typical)
}

/// The scale error that all units share, and what is likely to make it.
pub(super) fn shared_scale(rig: &Rig, portraits: &[Portrait]) -> (Option<Suggestion>, Common) {
    let known: Vec<(&Portrait, Sized)> = portraits
        .iter()
        .filter_map(|unit| Some((unit, unit.law.as_ref()?.scale)))
        .collect();
    let mut common = Common::default();
    if known.len() < 2 {
        return (None, common);
    }
    let scales: Vec<f64> = known.iter().map(|(_, scale)| scale.value).collect();
    let typical = median(&scales);
    let apart = median(
        &scales
            .iter()
            .map(|b| (b - typical).abs())
            .collect::<Vec<_>>(),
    );
    let alike: Vec<&(&Portrait, Sized)> = known
        .iter()
        .filter(|(_, scale)| (scale.value - typical).abs() <= (0.3 * typical.abs()).max(0.7))
        .collect();
    // Two units say little: one of them may be off by itself.
    let several = known.len() >= 3 && alike.len() * 4 >= known.len() * 3;
    if several {
        common.compared = true;
    }
    let u = known[0].1.u.max(apart);
    let shared = Sized { value: typical, u };
    let pair = known.len() == 2 && alike.len() == 2 && typical.abs() > 3.0;
    if !(several || pair) || !shared.is_beyond(LEAST_SCALE, 4.0) {
        return (None, common);
    }
    common.compared = true;
    common.scale = typical;
    let units: Vec<&Portrait> = alike.iter().map(|(unit, _)| *unit).collect();
    let on_one = on_one_voltage(rig, &units);
    let loaded = typical < 0.0 && on_one >= 2;
    let kind = if loaded {
        Kind::Loading
    } else {
        Kind::InterfaceGain
    };
    let way = if typical > 0.0 { "wide" } else { "narrow" };
    let mut seen = format!(
        "{} have octaves too {way} by about {} cents",
        how_many(units.len()),
        with_u(shared)
    );
    if loaded {
        seen += &format!(", and {on_one} of them hang on one control voltage");
        if let Some(ohms) = output_resistance(rig, &units, typical) {
            seen += &format!(
                "; an output resistance of about {} ohm would do that",
                plain_ohms(ohms)
            );
        }
    }
    let span = units[0].span;
    let mut made = draft(
        kind,
        all_of(&units),
        &units[0].stage,
        typical.abs() * span / 2.0,
        seen + ".",
    );
    made.evidence.push(evidence(
        "scale error common to the units",
        shared,
        "cents/oct",
    ));
    made.evidence
        .push(bare("how far apart the units are", apart, "cents/oct"));
    if loaded {
        made.evidence.push(bare(
            "inputs on one control voltage",
            on_one as f64,
            "inputs",
        ));
        made.doubt = Some("A gain that is too small at the interface looks the same: measure its output with nothing plugged in.".to_owned());
    } else if typical < 0.0 {
        made.doubt = Some("Each input loads its own output as well: 1 kilohm into 100 kilohm is 12 cents per octave.".to_owned());
    } else if pair {
        made.doubt = Some("Two units may be off alike by chance: try a third.".to_owned());
    }
    (Some(made), common)
}

/// The most units that hang on one control voltage.
fn on_one_voltage(rig: &Rig, units: &[&Portrait]) -> usize {
    let mut counts: BTreeMap<(&str, u8), usize> = BTreeMap::new();
    for unit in units {
        if let Some(position) = rig.positions.get(unit.position.as_str()) {
            *counts
                .entry((&position.cv.sender, position.cv.channel))
                .or_default() += 1;
        }
    }
    counts.into_values().max().unwrap_or(0)
}

/// The output resistance that would make such a scale error of the units' inputs.
fn output_resistance(rig: &Rig, units: &[&Portrait], cents: f64) -> Option<f64> {
    let mut conductance = 0.0;
    let first = rig.positions.get(units.first()?.position.as_str())?;
    for position in rig.positions.values().filter(|position| {
        position.cv.sender == first.cv.sender && position.cv.channel == first.cv.channel
    }) {
        conductance += 1.0 / position.input_resistance?.get().max(1.0);
    }
    let left = 1.0 + cents / 1200.0;
    (left > 0.1 && left < 1.0 && conductance > 0.0).then(|| (1.0 / left - 1.0) / conductance)
}

fn plain_ohms(ohms: f64) -> String {
    let digits = 10f64.powf(ohms.abs().max(1.0).log10().floor() - 1.0);
    format!("{:.0}", (ohms / digits).round() * digits)
}

/// A unit's offset over time (seconds of the run, cents): beside the others, and what
/// the others share.
pub(super) type Levels = (Vec<(f64, f64)>, Vec<(f64, f64)>);

/// How each unit's offset moved when warm, and what of it the other units share.
pub(super) fn levels(portraits: &[Portrait]) -> Vec<Levels> {
    portraits
        .iter()
        .enumerate()
        .map(|(own, unit)| {
            let mut alone = Vec::new();
            let mut shared = Vec::new();
            for moment in unit.warm() {
                let others: Vec<f64> = portraits
                    .iter()
                    .enumerate()
                    .filter(|(other, _)| *other != own)
                    .filter_map(|(_, other)| {
                        other
                            .warm()
                            .min_by(|a, b| {
                                (a.run_s - moment.run_s)
                                    .abs()
                                    .total_cmp(&(b.run_s - moment.run_s).abs())
                            })
                            .filter(|near| (near.run_s - moment.run_s).abs() < 900.0)
                            .map(|near| near.level)
                    })
                    .collect();
                // One other unit may be the one that moves.
                let common = if others.len() >= 2 {
                    median(&others)
                } else {
                    0.0
                };
                alone.push((moment.run_s, moment.level - common));
                shared.push((moment.run_s, common));
            }
            (alone, shared)
        })
        .collect()
}

/// By how much an offset over time moved.
fn movement(points: &[(f64, f64)]) -> f64 {
    let (least, most) = range(&points.iter().map(|point| point.1).collect::<Vec<_>>());
    most - least
}

/// All units moving together.
pub(super) fn moving_together(portraits: &[Portrait], levels: &[Levels]) -> Option<Suggestion> {
    if portraits.len() < 3 {
        return None;
    }
    let shared = median(
        &levels
            .iter()
            .map(|(_, shared)| movement(shared))
            .collect::<Vec<_>>(),
    );
    let alone = median(
        &levels
            .iter()
            .map(|(alone, _)| movement(alone))
            .collect::<Vec<_>>(),
    );
    if shared < LEAST_MOVEMENT || alone > 0.35 * shared {
        return None;
    }
    let all: Vec<&Portrait> = portraits.iter().collect();
    let mut made = draft(
        Kind::MovingTogether,
        all_of(&all),
        &all[0].stage,
        shared / 2.0,
        format!(
            "{} moved by {} cents together when warm, and by no more than {} cents beside each other.",
            how_many(all.len()),
            plain(shared),
            plain(alone)
        ),
    );
    made.evidence
        .push(bare("movement that the units share", shared, "cents"));
    made.evidence
        .push(bare("movement of each beside the others", alone, "cents"));
    Some(made)
}

/// Jumps that come back: of one unit, or of all at once.
pub(super) fn jumps(portraits: &[Portrait]) -> Vec<Suggestion> {
    let mut found = Vec::new();
    let together = |unit: &Portrait, jump: &Jump| {
        portraits.len() >= 2
            && portraits
                .iter()
                .filter(|other| other.position != unit.position)
                .filter(|other| {
                    other
                        .jumps
                        .iter()
                        .any(|theirs| (theirs.run_s - jump.run_s).abs() < TOGETHER_S)
                })
                .count()
                * 2
                >= portraits.len()
    };
    let mut shared = 0;
    for unit in portraits {
        let (all, own): (Vec<Jump>, Vec<Jump>) =
            unit.jumps.iter().partition(|jump| together(unit, jump));
        shared += all.len();
        // Readings in a row make one jump; a single one may be a bad reading.
        let mut jumps: Vec<Vec<Jump>> = Vec::new();
        for jump in own {
            let sign = jump.cents.signum();
            match jumps.last_mut() {
                Some(last)
                    if last.last().is_some_and(|before| {
                        jump.run_s - before.run_s < ONE_JUMP_S && before.cents.signum() == sign
                    }) =>
                {
                    last.push(jump);
                }
                _ => jumps.push(vec![jump]),
            }
        }
        jumps.retain(|readings| {
            let sizes: Vec<f64> = readings.iter().map(|jump| jump.cents).collect();
            let middle = median(&sizes);
            let alike = sizes
                .iter()
                .filter(|size| (*size - middle).abs() < 0.4 * middle.abs());
            readings.len() >= 2 && alike.count() * 3 >= sizes.len() * 2
        });
        let Some(largest) = jumps.iter().max_by(|a, b| {
            let size = |readings: &[Jump]| {
                median(&readings.iter().map(|j| j.cents.abs()).collect::<Vec<_>>())
            };
            size(a).total_cmp(&size(b))
        }) else {
            continue;
        };
        let size = median(&largest.iter().map(|jump| jump.cents).collect::<Vec<_>>());
        let readings: usize = jumps.iter().map(Vec::len).sum();
        let times = match jumps.len() {
            1 => "once".to_owned(),
            count => format!("{count} times"),
        };
        let mut made = draft(
            Kind::IntermittentContact,
            vec![unit.position.clone()],
            &unit.stage,
            size.abs(),
            format!(
                "Its pitch jumped {times} and came back: by {} cents at {} of the run, {readings} readings in all, while the other notes before and after stood where they were.",
                plain(size),
                duration(largest[0].run_s)
            ),
        );
        made.evidence.push(bare("largest jump", size, "cents"));
        made.evidence
            .push(bare("jumps", jumps.len() as f64, "jumps"));
        made.evidence
            .push(bare("readings off", readings as f64, "readings"));
        found.push(made);
    }
    if shared >= 2 * portraits.len().max(2) {
        let all: Vec<&Portrait> = portraits.iter().collect();
        let sizes: Vec<f64> = portraits
            .iter()
            .flat_map(|unit| &unit.jumps)
            .map(|jump| jump.cents.abs())
            .collect();
        let size = median(&sizes);
        let mut made = draft(
            Kind::MovingTogether,
            all_of(&all),
            &all[0].stage,
            size,
            format!(
                "Several units jumped at the same moments, by about {} cents, and came back.",
                plain(size)
            ),
        );
        made.evidence
            .push(bare("readings off together", shared as f64, "readings"));
        made.evidence.push(bare("typical jump", size, "cents"));
        found.push(made);
    }
    found
}

/// Units that scatter far more than the meter says and than the others do.
pub(super) fn unsteady(portraits: &[Portrait]) -> Vec<Suggestion> {
    portraits
        .iter()
        .filter(|unit| {
            let others: Vec<f64> = portraits
                .iter()
                .filter(|other| other.position != unit.position)
                .map(|other| other.scatter)
                .collect();
            let alone = others.is_empty() || unit.scatter > 4.0 * median(&others);
            unit.scatter > 0.3 && unit.scatter > 8.0 * unit.meter && alone && unit.jumps.is_empty()
        })
        .map(|unit| {
            let mut made = draft(
                Kind::Unsteady,
                vec![unit.position.clone()],
                &unit.stage,
                unit.scatter,
                format!(
                    "A note scatters by {} cents from round to round; the meter's own noise is {} cents.",
                    plain(unit.scatter),
                    crate::words::number(unit.meter, Some(unit.meter))
                ),
            );
            made.evidence.push(bare("scatter of a note", unit.scatter, "cents"));
            made.evidence.push(bare("the meter's noise", unit.meter, "cents"));
            made
        })
        .collect()
}

/// Two units that sound exactly alike.
pub(super) fn locked(portraits: &[Portrait]) -> Option<Suggestion> {
    let locked: Vec<&Portrait> = portraits
        .iter()
        .filter(|unit| unit.maybe_locked.len() >= 3)
        .collect();
    if locked.len() < 2 {
        return None;
    }
    let readings: usize = locked.iter().map(|unit| unit.maybe_locked.len()).sum();
    let mut made = draft(
        Kind::LockedUnits,
        all_of(&locked),
        &locked[0].stage,
        2.0,
        format!("In {readings} readings they sounded exactly the same pitch."),
    );
    made.evidence
        .push(bare("readings exactly alike", readings as f64, "readings"));
    Some(made)
}
