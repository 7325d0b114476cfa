//! What is seen of one unit beside the others.

use super::draft::{bare, draft, evidence, plain, with_u};
use super::law::Sized;
use super::portrait::{Moment, Portrait, range};
use crate::statistics::median;
use crate::words::duration;
use model::result::{Suggestion, SuggestionKind as Kind};

/// Less than this is no scale error to speak of, cents per octave.
const LEAST_SCALE: f64 = 1.5;
/// Droop that good designs have, cents at the top.
const LEAST_DROOP: f64 = 4.0;
const LEAST_RISE: f64 = 3.0;
const LEAST_LEAK: f64 = 2.5;
/// Movement of the offset after warm-up, cents.
const LEAST_DRIFT: f64 = 4.0;
/// A scale that is still off by this between twelve and twenty minutes is slow.
const LEAST_LATE: f64 = 1.5;
/// A scale that begins off by this, cold.
const LEAST_COLD: f64 = 4.0;

/// What is known of the rig before its units are looked at.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Common {
    /// The scale error that all units have, cents per octave.
    pub(super) scale: f64,
    /// Whether scale errors are held against other units of the rig, so that the
    /// rig's own gain is out of them.
    pub(super) compared: bool,
    /// Whether steps of the control source were found: they bend any fit.
    pub(super) steps: f64,
}

/// Slope of y against x by least squares, its standard uncertainty and the
/// correlation of the two.
fn regression(points: &[(f64, f64)]) -> Option<(Sized, f64)> {
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
    Some((Sized { value: slope, u }, xy / (xx * yy).sqrt()))
}

/// All that is seen of one unit. `level` is how its offset moved beside the others.
pub(super) fn suggestions(
    unit: &Portrait,
    common: Common,
    level: &[(f64, f64)],
) -> Vec<Suggestion> {
    let mut found = Vec::new();
    let compensation = compensation(unit);
    let moving_scale = compensation.is_some();
    found.extend(compensation);
    if let Some(scale) = scale(unit, common).filter(|_| !moving_scale) {
        found.push(scale);
    }
    found.extend(ends(unit, common));
    found.extend(reference_current(unit, level));
    found.extend(hum(unit));
    found.extend(up_and_down(unit));
    found
}

fn stage_only(unit: &Portrait, kind: Kind, size: f64, seen: String) -> Suggestion {
    draft(kind, vec![unit.position.clone()], &unit.stage, size, seen)
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
    let scale = Sized { value: own, u };
    let times = if common.steps > 0.0 { 8.0 } else { 4.0 };
    if !scale.is_beyond(LEAST_SCALE.max(2.0 * common.steps), times) {
        return None;
    }
    let way = if own > 0.0 { "wide" } else { "narrow" };
    let warm: Vec<f64> = unit.warm().filter_map(|moment| moment.scale).collect();
    let (least, most) = range(&warm);
    let flat = if warm.len() >= 6 {
        format!(", flat in time to {} cents per octave", plain(most - least))
    } else {
        String::new()
    };
    let others = if common.compared {
        ", beside the other units of this rig"
    } else {
        ""
    };
    let mut made = stage_only(
        unit,
        Kind::ScaleTrimmer,
        own.abs() * unit.span / 2.0,
        format!(
            "Its octaves are too {way} by {} cents each{others}{flat}.",
            with_u(scale)
        ),
    );
    made.evidence
        .push(evidence("scale error", scale, "cents/oct"));
    if warm.len() >= 6 {
        made.evidence.push(bare(
            "range of the scale when warm",
            most - least,
            "cents/oct",
        ));
    }
    // A leak makes the low notes flat, which looks like octaves that are too wide.
    if law.bottom.is_none() && own > 0.0 {
        made.doubt = Some(format!(
            "From {} to {} a leak at the bottom looks much like this: play six octaves, from C1 up where the unit goes that low, before turning the trimmer.",
            unit.lowest, unit.highest
        ));
    } else if law.top.is_none() && own < 0.0 {
        made.doubt = Some(format!(
            "From {} to {} a droop at the top looks much like this: play four octaves or more before turning the trimmer.",
            unit.lowest, unit.highest
        ));
    } else if !common.compared {
        made.doubt = Some(
            "With one unit on the rig its scale cannot be told from the interface's gain: put another unit in this position.".to_owned(),
        );
    }
    Some(made)
}

fn ends(unit: &Portrait, common: Common) -> Vec<Suggestion> {
    let Some(law) = &unit.law else {
        return Vec::new();
    };
    let mut found = Vec::new();
    let times = if common.steps > 0.0 { 8.0 } else { 4.0 };
    let floor = 4.0 * common.steps;
    if let Some(top) = law.top {
        let (kind, least) = if top.value < 0.0 {
            (Kind::DroopAtTheTop, LEAST_DROOP)
        } else {
            (Kind::TopOverdone, LEAST_RISE)
        };
        if top.is_beyond(least.max(floor), times) {
            let way = if top.value < 0.0 { "flat" } else { "sharp" };
            let mut made = stage_only(
                unit,
                kind,
                top.value.abs() / 2.0,
                format!(
                    "At {} it is {} cents {way} beside its own scale, growing with the frequency.",
                    unit.highest,
                    with_u(top)
                ),
            );
            made.evidence
                .push(evidence("high end at the top note", top, "cents"));
            found.push(made);
        }
    }
    if let Some(bottom) = law.bottom
        && bottom.is_beyond(LEAST_LEAK.max(floor), times)
    {
        let way = if bottom.value < 0.0 { "flat" } else { "sharp" };
        let mut made = stage_only(
            unit,
            Kind::LeakageAtTheBottom,
            bottom.value.abs() / 2.0,
            format!(
                "At {} it is, all warm rounds taken together, {} cents {way} beside its own scale, twice as much for every octave down.",
                unit.lowest,
                with_u(bottom)
            ),
        );
        made.evidence
            .push(evidence("low end at the lowest note", bottom, "cents"));
        found.push(made);
    }
    found
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
    let early = |from: f64, to: f64| -> Vec<f64> {
        unit.moments
            .iter()
            .filter(|moment| moment.t >= from && moment.t < to && !moment.warm)
            .filter_map(|moment| moment.scale)
            .collect()
    };
    let half_span = unit.span / 2.0;
    if unit.from_cold {
        let first = early(0.0, 120.0).first().copied().unwrap_or(0.0);
        let late = early(720.0, 1260.0);
        let late = if late.is_empty() { 0.0 } else { median(&late) };
        let largest = early(0.0, 3600.0)
            .into_iter()
            .fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
        let begins_off = first >= LEAST_COLD
            || (first <= -2.0 * LEAST_COLD
                && first.abs() > 0.8 * largest.abs()
                && late < 0.25 * first);
        if begins_off {
            return Some(off_when_cold(unit, first, night, kelvin, follows));
        }
        if late.abs() >= LEAST_LATE && late.abs() > 1.5 * night {
            let way = if late > 0.0 { "wider" } else { "narrower" };
            let mut made = stage_only(
                unit,
                Kind::CompensationSlow,
                late.abs().max(largest.abs()) * half_span,
                format!(
                    "While it warmed, its octaves went {} cents {}, a quarter of an hour after power-on they were still {} cents {way} than warm, and then they came to rest (within {} cents).",
                    plain(largest.abs()),
                    if largest > 0.0 { "wide" } else { "narrow" },
                    plain(late.abs()),
                    plain(night)
                ),
            );
            made.evidence.push(bare(
                "scale a quarter of an hour after power-on, less when warm",
                late,
                "cents/oct",
            ));
            made.evidence.push(bare(
                "largest departure of the scale while warming",
                largest,
                "cents/oct",
            ));
            made.evidence
                .push(bare("range of the scale when warm", night, "cents/oct"));
            return Some(made);
        }
    }
    let (slope, correlation) = follows?;
    if night >= 1.0 && correlation.abs() > 0.85 && slope.is_beyond(0.7, 4.0) {
        let mut made = stage_only(
            unit,
            Kind::CompensationMissing,
            night * half_span,
            format!(
                "Its octaves followed the temperature by {} cents per kelvin each, over {} K.",
                with_u(slope),
                plain(kelvin)
            ),
        );
        made.evidence
            .push(evidence("scale against temperature", slope, "cents/oct/K"));
        made.evidence
            .push(bare("range of the scale when warm", night, "cents/oct"));
        return Some(made);
    }
    None
}

/// A scale that is off when cold: missing compensation where it goes on following
/// the temperature, slow or partial where it comes to rest.
fn off_when_cold(
    unit: &Portrait,
    first: f64,
    night: f64,
    kelvin: f64,
    follows: Option<(Sized, f64)>,
) -> Suggestion {
    let way = if first > 0.0 { "wider" } else { "narrower" };
    let mut seen = format!(
        "Cold, its octaves were {} cents {way} than warm",
        plain(first.abs())
    );
    let with_temperature = follows
        .filter(|(slope, correlation)| correlation.abs() > 0.7 && night > 0.5 && slope.u > 0.0);
    let (kind, doubt) = match (with_temperature, follows) {
        (Some((slope, _)), _) => {
            seen += &format!(
                ", and all night they followed the temperature by {} cents per kelvin each",
                with_u(slope)
            );
            (Kind::CompensationMissing, None)
        }
        (None, Some(_)) => {
            seen += &format!(
                "; in the night they moved by {} cents while the room moved by {} K",
                plain(night),
                plain(kelvin)
            );
            (
                Kind::CompensationSlow,
                Some(
                    "A compensating resistor out of contact with the pair looks the same: it follows the room and not the unit.",
                ),
            )
        }
        (None, None) => {
            seen += &format!("; warm they moved by {} cents", plain(night));
            let kind = if night > 0.8 && night > 0.05 * first.abs() {
                Kind::CompensationMissing
            } else {
                Kind::CompensationSlow
            };
            (
                kind,
                Some(
                    "Without a thermometer that moved by half a kelvin it is not known whether it follows the temperature.",
                ),
            )
        }
    };
    let mut made = stage_only(unit, kind, first.abs() * unit.span / 2.0, seen + ".");
    made.evidence
        .push(bare("scale when cold less when warm", first, "cents/oct"));
    made.evidence
        .push(bare("range of the scale when warm", night, "cents/oct"));
    if let Some((slope, _)) = with_temperature {
        made.evidence
            .push(evidence("scale against temperature", slope, "cents/oct/K"));
    }
    made.doubt = doubt.map(str::to_owned);
    made
}

/// An offset that moves, beside the other units, while the scale does not.
fn reference_current(unit: &Portrait, level: &[(f64, f64)]) -> Option<Suggestion> {
    if level.len() < 6 {
        return None;
    }
    let values: Vec<f64> = level.iter().map(|point| point.1).collect();
    let (least, most) = range(&values);
    let moved = most - least;
    let scales: Vec<f64> = unit.warm().filter_map(|moment| moment.scale).collect();
    let (scale_least, scale_most) = range(&scales);
    let by_scale = (scale_most - scale_least) * unit.span / 2.0;
    if moved < LEAST_DRIFT || moved < 2.0 * by_scale {
        return None;
    }
    let first = level.first()?.0;
    let hours = (level.last()?.0 - first) / 3600.0;
    let rate = regression(
        &level
            .iter()
            .map(|point| ((point.0 - first) / 3600.0, point.1))
            .collect::<Vec<_>>(),
    );
    let mut made = stage_only(
        unit,
        Kind::ReferenceCurrent,
        moved / 2.0,
        format!(
            "Warm, its pitch moved by {} cents in {}, all notes alike; its octaves moved by no more than {} cents each.",
            plain(moved),
            duration(hours * 3600.0),
            plain(scale_most - scale_least)
        ),
    );
    made.evidence.push(bare(
        "range of the offset when warm, beside the other units",
        moved,
        "cents",
    ));
    if let Some((rate, correlation)) = rate
        && correlation.abs() > 0.9
    {
        made.evidence
            .push(evidence("drift of the offset", rate, "cents/h"));
    }
    Some(made)
}

fn hum(unit: &Portrait) -> Option<Suggestion> {
    let (note, hums, all) = unit.beside_hum.as_ref()?;
    if *hums < 4 || hums * 2 < *all {
        return None;
    }
    let mut made = stage_only(
        unit,
        Kind::Hum,
        // It spoils single notes only.
        1.0,
        format!(
            "{hums} of {all} readings of {note} have a line of the mains so near to a harmonic that it pulls them or hides them."
        ),
    );
    made.evidence.push(bare(
        "readings beside a line of the mains",
        *hums as f64,
        "readings",
    ));
    made.evidence
        .push(bare("readings of that note", *all as f64, "readings"));
    Some(made)
}

fn up_and_down(unit: &Portrait) -> Option<Suggestion> {
    let (difference, pairs) = unit.up_and_down?;
    if !difference.is_beyond(0.5, 5.0) {
        return None;
    }
    let mut made = stage_only(
        unit,
        Kind::UpAndDown,
        difference.value.abs() / 2.0,
        format!(
            "Reached from above, notes are {} cents {} than reached from below, drift taken out.",
            with_u(difference),
            if difference.value > 0.0 {
                "higher"
            } else {
                "lower"
            }
        ),
    );
    made.evidence
        .push(evidence("from above less from below", difference, "cents"));
    made.evidence
        .push(bare("notes compared", pairs as f64, "notes"));
    Some(made)
}
