//! Results of one moment.

use crate::curves::moment::{MomentOf, notes_of_two_note_slope};
use crate::curves::tracking::CENTS_PER_E;
use crate::results::extremes::extreme;
use crate::results::found::{Answer, Found};
use crate::results::linearity::linearity;
use crate::results::stage::StageResults;
use crate::statistics::minimax::half_range;
use crate::uncertainty::joint::stretched;
use model::result::{Basis, Choice, Known, NotDetermined, ResultName, Scope};

pub(super) fn of_moment(here: &StageResults<'_>, name: ResultName, choice: &Choice) -> Answer {
    let shared = here
        .curves
        .shared(here.index)
        .ok_or_else(|| here.nothing())?;
    let moment = here.moment(choice.at).ok_or_else(|| here.nothing())?;
    let unit = &here.curves.unit;
    let pair = match name {
        ResultName::TwoNoteSlope => {
            Some(notes_of_two_note_slope(unit, shared.stage, choice.between)?)
        }
        _ => None,
    };
    let of = MomentOf::new(name, pair);
    let moment = moment + here.origin_s();
    let found = match of.at(&shared, moment) {
        Ok(found) => found,
        Err(why) => return none_stands_out(here, of, moment, why),
    };
    let (low, high, draws) = if here.for_share {
        (0.0, 0.0, Vec::new())
    } else {
        let which = format!("{name} {choice:?}");
        let (low, high) = found
            .sources
            .interval(&mut here.trials(&format!("interval of {which}")));
        let mut draws = found.sources.draws(&here.sources, &mut here.trials(&which));
        draws.iter_mut().for_each(|draw| *draw += found.value);
        let draws = stretched(draws, found.value + low, found.value + high);
        (low, high, draws)
    };
    let u = found.sources.u();
    let ends = (found.value + low, found.value + high);
    let scope = Scope::Moment {
        t_s: found.t - here.origin_s(),
        rounds: found.rounds,
    };
    let notes = &shared.stage.notes;
    let drift_in_it = found.rounds == 1 && !shared.stage.timed;
    let ends_of_span = (notes[0], notes[notes.len() - 1]);
    let basis = basis(
        here,
        name,
        pair.unwrap_or(ends_of_span),
        (found.value, u),
        drift_in_it,
    );
    Ok(Found {
        readings: found.readings,
        rig_share: (u > 0.0).then(|| 1.0 - found.sources.own / (u * u)),
        draws,
        ..Found::new(
            Known::value_of(found.value, Some(u), Some(ends.0), Some(ends.1)),
            scope,
            basis,
        )
    })
}

/// What a result of a moment rests on, from one note to another.
fn basis(
    here: &StageResults<'_>,
    name: ResultName,
    (lowest, highest): (usize, usize),
    (value, u): (f64, f64),
    drift_in_it: bool,
) -> Basis {
    let unit = &here.curves.unit;
    let kilohertz = unit.reference_hz * 1e-3;
    let span = [here.note_name(lowest), here.note_name(highest)];
    match name {
        ResultName::ScaleError => Basis::ScaleError { span, drift_in_it },
        ResultName::HighEnd => {
            let octaves = unit.notes[highest].x;
            let per_khz = value / (octaves.exp2() - 1.0) / kilohertz;
            Basis::HighEnd {
                note: here.note_name(highest),
                per_khz: [per_khz, u / (octaves.exp2() - 1.0).abs() / kilohertz],
                // 1731 cents are a factor of e; a delay t per cycle costs f t of it.
                delay_us: -per_khz / CENTS_PER_E * 1e3,
                drift_in_it,
            }
        }
        ResultName::LowEnd => {
            let bottom = unit.notes[lowest].x.exp2();
            Basis::LowEnd {
                note: here.note_name(lowest),
                // A factor of e is 1731 cents; what leaks is a frequency all notes share.
                leak_hz: (value / CENTS_PER_E).exp_m1() * bottom * kilohertz * 1e3,
                drift_in_it,
            }
        }
        ResultName::VoltageOffset => Basis::VoltageOffset { span, drift_in_it },
        ResultName::TwoNoteSlope => Basis::TwoNoteSlope {
            between: span,
            drift_in_it,
        },
        // Of a moment there is no other.
        _ => Basis::MeanSlope { span, drift_in_it },
    }
}

/// Of a low end that does not stand out, what it lies between all the same, which is enough
/// to pass a tolerance; of others, why there is no number.
fn none_stands_out(
    here: &StageResults<'_>,
    of: MomentOf,
    moment: f64,
    why: NotDetermined,
) -> Answer {
    let not_there = MomentOf {
        not_there: true,
        ..of
    };
    let found = here
        .curves
        .shared(here.index)
        .filter(|_| of.name == ResultName::LowEnd)
        .and_then(|shared| not_there.at(&shared, moment).ok());
    let Some(found) = found else {
        return Err(why);
    };
    let mut trials = here.trials("interval of a low end that is not there");
    let (low, high) = found.sources.interval(&mut trials);
    Ok(Found::between(found.value + low, found.value + high, why))
}

pub(super) fn linearity_error(here: &StageResults<'_>) -> Answer {
    let shared = here
        .curves
        .shared(here.index)
        .ok_or_else(|| here.nothing())?;
    let mut trials = here.trials("linearity error");
    let found = linearity(&shared, &here.sources, here.for_share, &mut trials)?;
    let (place, cents) = found.at;
    let basis = Basis::LinearityError {
        note: here.name_of(place),
        cents,
        notes: shared.stage.notes.len(),
        rms: found.rms,
        freedom: found.freedom_per_round,
    };
    Ok(Found {
        readings: found.readings,
        ..Found::of_extreme(found.largest, here.whole_stage(), basis)
    })
}

pub(super) fn error_left_after_retuning(here: &StageResults<'_>, choice: &Choice) -> Answer {
    let (history, draws) = here.history()?;
    here.several_notes()?;
    let place = here.round_at(history, choice.at)?;
    let notes = history.x.len();
    let stretch = place * notes..(place + 1) * notes;
    let found = extreme(history, draws, |values| {
        half_range(&values[stretch.clone()])
    });
    let basis = Basis::ErrorLeftAfterRetuning {
        notes,
        single: half_range(history.points[place].y.as_slice()),
    };
    Ok(Found::of_round(found, history, place, basis))
}
