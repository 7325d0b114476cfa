//! Results of what the surroundings do to a unit.

use crate::curves::moment::MomentOf;
use crate::readings::USUAL_LIMIT;
use crate::results::coefficient::{Coefficient, with_supply, with_temperature};
use crate::results::found::{Answer, Found};
use crate::results::stage::StageResults;
use crate::results::warm_up::Steady;
use crate::statistics::trials::Trials;
use crate::uncertainty::joint;
use model::pitch::ControlLaw;
use model::quantity::Cents;
use model::result::{Air, Basis, Known, NotDetermined, OneNote, ResultName, Scope, Which};

/// Absolute zero, in degrees Celsius.
const ABSOLUTE_ZERO: f64 = -273.15;

/// After so long a unit is taken to be warm where no limit shows it, in seconds (common
/// practice, no source).
const WARM_ALL_THE_SAME: f64 = 7200.0;
/// So many time constants of what is left of warming are then taken to have passed.
const TIME_CONSTANTS_PASSED: f64 = 4.0;

/// Values at times of the run that count for a coefficient.
type Course = (Vec<f64>, Vec<f64>, usize);

/// From when on a unit is so warm that what is left of it cannot be taken for
/// temperature: after twice the time at which a limit of cents was met, since a limit
/// of 3 cents leaves 3 cents, and they would be the effect of a kelvin or two.
fn warm_enough(here: &StageResults<'_>) -> Result<f64, NotDetermined> {
    let known = here
        .curves
        .stages
        .get(&here.index)
        .is_some_and(|stage| stage.origin.is_power_on);
    match here.warm()? {
        Steady::From { t, .. } => Ok(2.0 * t),
        // A unit that was on before is not warming.
        _ if !known => Ok(f64::NEG_INFINITY),
        // One that follows the air so much that it never stays within a limit: it is
        // of such that the coefficient is wanted.
        _ => Ok(WARM_ALL_THE_SAME),
    }
}

/// The time constant with which the rest of warming up goes: that of the way from the
/// first round to the limit.
fn rest(here: &StageResults<'_>) -> Option<f64> {
    let stage = here.curves.stages.get(&here.index)?;
    let (history, _) = here.history().ok()?;
    let (note, _) = here.watched_note(history).ok()?;
    let Some(t) = here.warm_since() else {
        return stage
            .origin
            .is_power_on
            .then_some(WARM_ALL_THE_SAME / TIME_CONSTANTS_PASSED);
    };
    let first = history.points.first()?.t;
    let series = history.raw(note);
    let later = &series[series.len() - series.len().div_ceil(4)..];
    let later = later.iter().sum::<f64>() / later.len() as f64;
    let times_limit = (series[0] - later).abs() / USUAL_LIMIT;
    (stage.origin.is_power_on && times_limit > 1.5 && t > first)
        .then(|| (t - first) / times_limit.ln())
}

/// The reference note over the warm rounds of the stage.
fn reference_course(here: &StageResults<'_>) -> Result<Course, NotDetermined> {
    let (history, _) = here.history()?;
    let (note, _) = here.watched_note(history)?;
    let warm = warm_enough(here)?;
    let (mut times, mut values, mut readings) = (Vec::new(), Vec::new(), 0);
    for point in history
        .points
        .iter()
        .filter(|point| point.in_stage && point.t >= warm)
    {
        times.push(point.t + here.origin_s());
        values.push(point.y[note]);
        readings += point.readings;
    }
    Ok((times, values, readings))
}

/// The scale error, else the mean slope, over the warm rounds of the stage.
fn scale_course(here: &StageResults<'_>) -> Result<(Course, ResultName), NotDetermined> {
    let warm = warm_enough(here)? + here.origin_s();
    let shared = here
        .curves
        .shared(here.index)
        .ok_or_else(|| here.nothing())?;
    if shared.stage.notes.len() == 1 {
        return Err(shared.stage.one_note(OneNote::Scale));
    }
    let name = if shared.stage.named
        && matches!(here.curves.unit.law, ControlLaw::VoltsPerOctave { .. })
    {
        ResultName::ScaleError
    } else {
        ResultName::MeanSlope
    };
    let of = MomentOf::new(name, None);
    let (mut times, mut values, mut readings) = (Vec::new(), Vec::new(), 0);
    for round in shared.stage.rounds.iter().filter(|round| round.t >= warm) {
        if let Some(scale) = of.of_round(&shared, round) {
            times.push(round.t);
            values.push(scale.value);
            readings += round.note_of.len();
        }
    }
    Ok(((times, values, readings), name))
}

/// A coefficient with what the thermometer may be off: at either end of the
/// span by its limit, a rectangle each (GUM 4.3.7); the share of the variance that
/// this has; and what the coefficient is in each joint trial.
fn with_thermometer(
    here: &StageResults<'_>,
    found: Coefficient,
    mut own: Trials,
) -> (Coefficient, f64, Vec<f64>) {
    let u = found.value.abs() * here.curves.limits.thermometer * (2f64 / 3.0).sqrt()
        / found.span.max(1e-6);
    let all = found.u.hypot(u);
    let widened = Coefficient {
        u: all,
        low: found.value - (found.value - found.low).hypot(1.9 * u),
        high: found.value + (found.high - found.value).hypot(1.9 * u),
        ..found
    };
    let mut draws = Vec::new();
    if !here.for_share {
        draws = joint::split_normal(found.value, found.low, found.high, &mut own);
        let [one, other] = &here.sources.thermometer;
        let relative = here.curves.limits.thermometer / found.span.max(1e-6);
        for (draw, (one, other)) in draws.iter_mut().zip(one.iter().zip(other)) {
            *draw += found.value * relative * (one - other);
        }
    }
    let share = if all > 0.0 { (u / all).powi(2) } else { 0.0 };
    (widened, share, draws)
}

/// A coefficient over warm rounds at these times of the run.
fn of_coefficient(
    here: &StageResults<'_>,
    found: &Coefficient,
    (times, _, readings): &Course,
    basis: Basis,
) -> Found {
    let t = |time: Option<&f64>| time.map_or(0.0, |time| time - here.origin_s());
    let scope = Scope::Rounds {
        which: match here.warm_since() {
            Some(since) => Which::Warm {
                since_s: 2.0 * since,
            },
            None => Which::NeverWarm,
        },
        from_s: t(times.first()),
        to_s: t(times.last()),
        count: times.len(),
    };
    let (low, high) = (found.low.min(found.value), found.high.max(found.value));
    let known = Known::value_of(found.value, Some(found.u), Some(low), Some(high));
    Found {
        readings: *readings,
        ..Found::new(known, scope, basis)
    }
}

fn air_of(here: &StageResults<'_>, found: &Coefficient) -> Air {
    Air {
        first_left_out_s: warm_enough(here)
            .ok()
            .filter(|from| *from == WARM_ALL_THE_SAME),
        mean: found.mean,
        span: found.span,
        lag_s: found.lag,
    }
}

pub(super) fn offset_temperature_coefficient(here: &StageResults<'_>) -> Answer {
    let course = reference_course(here)?;
    let mut trials = here.trials("offset with temperature");
    let air = &here.curves.surroundings.air;
    let found = with_temperature(&course.0, &course.1, air, rest(here), &mut trials)?;
    let (found, rig, draws) = with_thermometer(here, found, here.trials("offset coefficient"));
    let basis = Basis::OffsetTemperatureCoefficient(air_of(here, &found));
    Ok(Found {
        rig_share: Some(rig),
        draws,
        ..of_coefficient(here, &found, &course, basis)
    })
}

pub(super) fn scale_temperature_coefficient(here: &StageResults<'_>) -> Answer {
    let (course, of) = scale_course(here)?;
    let air = &here.curves.surroundings.air;
    let mut trials = here.trials("scale with temperature");
    let found = with_temperature(&course.0, &course.1, air, rest(here), &mut trials)?;
    let (found, rig, draws) = with_thermometer(here, found, here.trials("scale coefficient"));
    let basis = Basis::ScaleTemperatureCoefficient {
        of,
        air: air_of(here, &found),
        ppm: [found.value, found.u].map(|cents| cents / 1200.0 * 1e6),
        // 1200 cents per octave are the whole scale; of a bare pair of transistors it
        // goes with 1/T.
        bare: 1200.0 / (found.mean - ABSOLUTE_ZERO),
        pivot: pivot(here, &found),
    };
    Ok(Found {
        rig_share: Some(rig),
        draws,
        ..of_coefficient(here, &found, &course, basis)
    })
}

/// The control voltage at which temperature does not move the pitch, with its standard
/// uncertainty, in volts.
fn pivot(here: &StageResults<'_>, scale: &Coefficient) -> Option<[f64; 2]> {
    if scale.value.abs() <= 2.0 * scale.u {
        return None;
    }
    let (times, values, _) = reference_course(here).ok()?;
    let mut trials = here.trials("offset with temperature");
    let air = &here.curves.surroundings.air;
    let offset = with_temperature(&times, &values, air, rest(here), &mut trials).ok()?;
    let octaves = -offset.value / scale.value;
    let unit = &here.curves.unit;
    let note = unit.notes.get(unit.reference?)?;
    let ControlLaw::VoltsPerOctave {
        slope,
        zero_pitch,
        zero_voltage,
    } = unit.law
    else {
        return None;
    };
    let pitch = note.pitch.shifted(Cents::new(1200.0 * octaves).ok()?);
    let volts = zero_voltage.get() + slope.get() * pitch.cents_from(zero_pitch).get() / 1200.0;
    let u = (offset.u / scale.value).hypot(octaves * scale.u / scale.value) * slope.get();
    (u < 20.0).then_some([volts, u])
}

pub(super) fn supply_sensitivity(here: &StageResults<'_>) -> Answer {
    let course = reference_course(here)?;
    let supply = &here.curves.surroundings.supply;
    let mut trials = here.trials("supply");
    let found = with_supply(&course.0, &course.1, supply, &mut trials)?;
    let basis = Basis::SupplySensitivity {
        mean: found.mean,
        span: found.span,
    };
    Ok(of_coefficient(here, &found, &course, basis))
}
