//! What is seen of one unit beside the others.

use super::portrait::{Moment, Portrait, range};
use super::rig::LEAST_STEPS;
use super::scale::Common;
use crate::statistics::median;
use model::result::{Doubt, Seen, Suggestion, SuggestionKind as Kind, Uncertain, WithAir};

/// Less than this is no scale error to speak of, cents per octave.
const LEAST_SCALE: f64 = 1.5;
/// Droop that good designs have, cents at the top.
const LEAST_DROOP: f64 = 4.0;
const LEAST_RISE: f64 = 3.0;
const LEAST_LEAK: f64 = 2.5;
/// Movement of the offset after warm-up, cents.
const LEAST_DRIFT: f64 = 4.0;
/// What the offset of sound units moves with the air, cents per kelvin.
const SOUND_PER_KELVIN: f64 = 1.5;
/// An offset that wanders by fewer of a note's scatters than this is as unsteady as the notes.
const SCATTERS: f64 = 8.0;
/// A scale that moves by more than this share of its error when warm is no trimmer's.
const MOVES: f64 = 0.3;
/// A scale that is still off by this between twelve and twenty minutes is slow.
const LEAST_LATE: f64 = 1.5;
/// A scale that begins off by this, cold.
const LEAST_COLD: f64 = 4.0;

/// Slope of y against x by least squares, its standard uncertainty and the
/// correlation of the two.
fn regression(points: &[(f64, f64)]) -> Option<(Uncertain, f64)> {
    let n = points.len() as f64;
    if points.len() < 6 {
        return None;
    }
    let mx = points.iter().map(|p| p.0).sum::<f64>() / n;
    let my = points.iter().map(|p| p.1).sum::<f64>() / n;
    let xx: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let yy: f64 = points.iter().map(|p| (p.1 - my).powi(2)).sum();
    let xy: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    if xx <= 0.0 || yy <= 0.0 {
        return None;
    }
    let slope = xy / xx;
    let left = (yy - slope * xy).max(0.0);
    let u = (left / (n - 2.0) / xx).sqrt();
    Some((Uncertain { value: slope, u }, xy / (xx * yy).sqrt()))
}

/// How a unit's offset moved when warm: seconds of the run, and cents beside the others.
#[derive(Clone, Copy)]
pub(super) struct Level<'a> {
    pub(super) points: &'a [(f64, f64)],
    /// Whether nothing was there to hold it against.
    pub(super) by_itself: bool,
}

/// All that is seen of one unit.
pub(super) fn suggestions(
    unit: &Portrait,
    common: Common,
    level: Option<Level<'_>>,
) -> Vec<Suggestion> {
    let mut found = Vec::new();
    let compensation = compensation(unit);
    if compensation.is_none() {
        found.extend(scale(unit, common));
    }
    found.extend(compensation);
    found.extend(ends(unit, common));
    found.extend(level.and_then(|level| reference_current(unit, level)));
    found.extend(hum(unit));
    found.extend(up_and_down(unit));
    found
}

/// The range of the scale when warm.
fn scale_moved(unit: &Portrait) -> Option<f64> {
    let warm: Vec<f64> = unit.warm().filter_map(|moment| moment.scale).collect();
    let (least, most) = range(&warm);
    (warm.len() >= 6).then_some(most - least)
}

fn scale(unit: &Portrait, common: Common) -> Option<Suggestion> {
    let law = unit.law.as_ref()?;
    let own = law.scale.value - common.scale;
    // Held against others in the same rig its gain is out of it.
    let u = if common.compared {
        law.scale.u
    } else {
        law.scale.u.hypot(unit.gain / 3f64.sqrt())
    };
    let error = Uncertain { value: own, u };
    let times = if common.steps > LEAST_STEPS { 8.0 } else { 4.0 };
    if common.open || !error.is_beyond(LEAST_SCALE.max(2.0 * common.steps), times) {
        return None;
    }
    // A trimmer that is off makes a scale that stays where it is.
    let moved = scale_moved(unit);
    if moved.is_some_and(|moved| moved > MOVES * own.abs()) || late(unit).abs() > own.abs() / 2.0 {
        return None;
    }
    let span = || (unit.lowest.clone(), unit.highest.clone());
    let doubt = match span() {
        // A leak makes the low notes flat, which looks like octaves that are too wide.
        (lowest, highest) if law.bottom.is_none() && own > 0.0 => {
            Some(Doubt::Leak { lowest, highest })
        }
        (lowest, highest) if law.top.is_none() && own < 0.0 => {
            Some(Doubt::Droop { lowest, highest })
        }
        _ => (!common.compared).then_some(Doubt::GainOrUnit),
    };
    let seen = Seen::Scale {
        error,
        beside_others: common.compared,
        moved,
    };
    let mut made = unit.suggestion(Kind::ScaleTrimmer, own.abs() * unit.span / 2.0, seen);
    made.doubt = doubt;
    Some(made)
}

fn ends(unit: &Portrait, common: Common) -> Vec<Suggestion> {
    let Some(law) = &unit.law else {
        return Vec::new();
    };
    let times = if common.steps > LEAST_STEPS { 8.0 } else { 4.0 };
    let floor = 8.0 * common.steps;
    let top = law.top.map(|top| match top.value {
        below if below < 0.0 => (Kind::DroopAtTheTop, LEAST_DROOP, top, &unit.highest),
        _ => (Kind::TopOverdone, LEAST_RISE, top, &unit.highest),
    });
    let bottom = law.bottom;
    let bottom = bottom.map(|bottom| (Kind::LeakageAtTheBottom, LEAST_LEAK, bottom, &unit.lowest));
    let found = top.into_iter().chain(bottom);
    found
        .filter(|(_, least, cents, _)| cents.is_beyond(least.max(floor), times))
        .map(|(kind, _, cents, note)| {
            let note = note.clone();
            unit.suggestion(kind, cents.value.abs() / 2.0, Seen::End { note, cents })
        })
        .collect()
}

/// How the scale differed from when warm, between two times since the unit was powered.
fn early(unit: &Portrait, from: f64, to: f64) -> Vec<f64> {
    unit.moments
        .iter()
        .filter(|moment| moment.t >= from && moment.t < to && !moment.warm)
        .filter_map(|moment| moment.scale)
        .collect()
}

/// How the scale differs from when warm a quarter of an hour after power-on.
fn late(unit: &Portrait) -> f64 {
    let late = early(unit, 720.0, 1260.0);
    if !unit.from_cold || late.is_empty() {
        return 0.0;
    }
    median(&late)
}

/// The scale as the unit warms, and after.
fn compensation(unit: &Portrait) -> Option<Suggestion> {
    let warm: Vec<(&Moment, f64)> = unit
        .warm()
        .filter_map(|moment| Some((moment, moment.scale?)))
        .collect();
    let scales: Vec<f64> = warm.iter().map(|(_, scale)| *scale).collect();
    let (least, most) = range(&scales);
    let night = most - least;
    let with_air: Vec<(f64, f64)> = warm
        .iter()
        .filter_map(|(moment, scale)| Some((moment.air?, *scale)))
        .collect();
    let (air_least, air_most) = range(&with_air.iter().map(|p| p.0).collect::<Vec<_>>());
    let kelvin = air_most - air_least;
    let follows = regression(&with_air).filter(|_| kelvin >= 0.5);
    let half_span = unit.span / 2.0;
    if unit.from_cold {
        let first = early(unit, 0.0, 120.0).first().copied().unwrap_or(0.0);
        let late = late(unit);
        let largest = early(unit, 0.0, 3600.0)
            .into_iter()
            .fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
        let begins_off = first >= LEAST_COLD
            || (first <= -2.0 * LEAST_COLD
                && first.abs() > 0.8 * largest.abs()
                && late < 0.25 * first);
        if begins_off {
            return Some(off_when_cold(unit, first, night, kelvin, follows));
        }
        // One that comes back from the other side is not late.
        if late.abs() >= LEAST_LATE && late.abs() > 1.5 * night && late * largest > 0.0 {
            let size = late.abs().max(largest.abs()) * half_span;
            let seen = Seen::ScaleLate {
                late,
                largest,
                night,
            };
            return Some(unit.suggestion(Kind::CompensationSlow, size, seen));
        }
    }
    let (per_kelvin, correlation) = follows?;
    (night >= 1.0 && correlation.abs() > 0.85 && per_kelvin.is_beyond(0.7, 4.0)).then(|| {
        let seen = Seen::ScaleWithAir {
            per_kelvin,
            kelvin,
            night,
        };
        unit.suggestion(Kind::CompensationMissing, night * half_span, seen)
    })
}

/// A scale that is off when cold: missing compensation where it goes on following
/// the temperature, slow or partial where it comes to rest.
fn off_when_cold(
    unit: &Portrait,
    first: f64,
    night: f64,
    kelvin: f64,
    follows: Option<(Uncertain, f64)>,
) -> Suggestion {
    let followed = follows
        .filter(|(slope, correlation)| correlation.abs() > 0.7 && night > 0.5 && slope.u > 0.0);
    let (kind, air, doubt) = match (followed, follows) {
        (Some((slope, _)), _) => (Kind::CompensationMissing, WithAir::Followed(slope), None),
        (None, Some(_)) => (
            Kind::CompensationSlow,
            WithAir::DidNot(kelvin),
            Some(Doubt::SlowOrLoose),
        ),
        (None, None) if night > 0.8 && night > 0.05 * first.abs() => (
            Kind::CompensationMissing,
            WithAir::Unknown,
            Some(Doubt::AirUnknown),
        ),
        (None, None) => (
            Kind::CompensationSlow,
            WithAir::Unknown,
            Some(Doubt::AirUnknown),
        ),
    };
    let seen = Seen::ScaleCold { first, night, air };
    let mut made = unit.suggestion(kind, first.abs() * unit.span / 2.0, seen);
    made.doubt = doubt;
    made
}

/// An offset that moves, beside the other units, while the scale does not.
fn reference_current(unit: &Portrait, level: Level<'_>) -> Option<Suggestion> {
    let points = level.points;
    if points.len() < 6 {
        return None;
    }
    let values: Vec<f64> = points.iter().map(|point| point.1).collect();
    let moved = span_of(&values);
    let scale = scale_moved(unit).unwrap_or(0.0);
    let air: Vec<f64> = unit.warm().filter_map(|moment| moment.air).collect();
    let allowed = LEAST_DRIFT.max(SOUND_PER_KELVIN * span_of(&air));
    let is_noise = moved < SCATTERS * unit.scatter;
    if unit.disturbed || is_noise || moved < allowed || moved < scale * unit.span {
        return None;
    }
    let (first, last) = (points.first()?.0, points.last()?.0);
    let hours: Vec<(f64, f64)> = points
        .iter()
        .map(|point| ((point.0 - first) / 3600.0, point.1))
        .collect();
    if comes_to_rest(&values, moved) && !follows_air(unit, points) {
        return None;
    }
    let rate = regression(&hours).filter(|(_, correlation)| correlation.abs() > 0.9);
    let seen = Seen::Offset {
        moved,
        seconds: last - first,
        scale,
        rate: rate.map(|(rate, _)| rate),
    };
    let mut made = unit.suggestion(Kind::ReferenceCurrent, moved / 2.0, seen);
    made.doubt = level.by_itself.then_some(Doubt::RigOrUnit);
    Some(made)
}

fn span_of(values: &[f64]) -> f64 {
    let (least, most) = range(values);
    most - least
}

/// Whether nearly all of it was moved through in the first half: it is still warming up.
fn comes_to_rest(values: &[f64], moved: f64) -> bool {
    span_of(&values[values.len() / 2..]) < moved / 4.0
}

fn follows_air(unit: &Portrait, points: &[(f64, f64)]) -> bool {
    let with_air: Vec<(f64, f64)> = unit
        .warm()
        .zip(points)
        .filter_map(|(moment, point)| Some((moment.air?, point.1)))
        .collect();
    regression(&with_air).is_some_and(|(_, correlation)| correlation.abs() > 0.9)
}

fn hum(unit: &Portrait) -> Option<Suggestion> {
    let (note, hums, readings) = unit.beside_hum.clone()?;
    (hums >= 4 && hums * 2 >= readings).then(|| {
        let seen = Seen::BesideHum {
            note,
            hums,
            readings,
        };
        // It spoils single notes only.
        unit.suggestion(Kind::Hum, 1.0, seen)
    })
}

fn up_and_down(unit: &Portrait) -> Option<Suggestion> {
    let (cents, pairs) = unit.up_and_down?;
    cents.is_beyond(0.5, 5.0).then(|| {
        let seen = Seen::UpAndDown { cents, pairs };
        unit.suggestion(Kind::UpAndDown, cents.value.abs() / 2.0, seen)
    })
}
