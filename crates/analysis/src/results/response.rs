//! Results of what happens when the note changes.

use crate::readings::settling::Heard;
use crate::results::found::{Answer, Found};
use crate::results::hysteresis as two_sided;
use crate::results::stage::StageResults;
use crate::statistics::{quantile, standard_deviation};
use crate::uncertainty::shared_sources::TRIALS;
use model::result::{Basis, Choice, Known, NotDetermined, NotReached};

/// How near counts as settled unless a plan says otherwise, in cents.
const USUAL_BAND: f64 = 1.0;
/// Draws of an overshoot.
const DRAWS: usize = 1000;

pub(super) fn settling_time(here: &StageResults<'_>, choice: &Choice) -> Answer {
    let response = &here.heard()?.response;
    let band = choice.band.unwrap_or(USUAL_BAND);
    // One that did not settle while it was listened to took longer than any that did.
    let end = |heard: &Heard| heard.settled(band).map_or(f64::INFINITY, |(_, by)| by);
    let longest = response
        .heard
        .iter()
        .filter(|heard| !heard.windows.is_empty())
        .max_by(|a, b| end(a).total_cmp(&end(b)));
    if let Some(heard) = longest {
        if heard.scatter > band / 2.0 {
            return Err(NotDetermined::Scatters {
                window_s: heard.hop,
                cents: heard.scatter,
                band,
            });
        }
        if heard.slid.abs() > band {
            return Err(NotDetermined::Slides {
                cents: heard.slid,
                band,
            });
        }
        let basis = Basis::SettlingTime {
            band,
            window_s: heard.hop,
            changes: response.heard.len(),
        };
        let Some((from, by)) = heard.settled(band) else {
            let by_s = heard.windows.last().map_or(0.0, |(end, _)| *end);
            let why = NotReached::Settled { band, by_s };
            return Ok(not_reached(here, by_s, why, basis));
        };
        // Anywhere between the two windows.
        let u = (by - from) / 12f64.sqrt();
        let known = Known::value_of(f64::midpoint(from, by), Some(u), Some(from), Some(by));
        return Ok(Found {
            readings: response.heard.iter().map(|heard| heard.windows.len()).sum(),
            ..Found::new(known, here.whole_stage(), basis)
        });
    }
    let within = here.until_steady.filter(|_| !response.waited.is_empty());
    let Some(within) = within else {
        return Err(NotDetermined::NotHeard {
            late_s: response.late,
        });
    };
    let changes = response.waited.len();
    let longest = response
        .waited
        .iter()
        .map(|waited| waited.0)
        .fold(0.0, f64::max);
    let unsteady = response.waited.iter().filter(|waited| !waited.1).count();
    let basis = Basis::SettlingTimeWaited { within, changes };
    if choice.band.is_some_and(|band| band < within) {
        return Err(NotDetermined::PlanGoesOn { within });
    }
    if unsteady > 0 {
        let why = NotReached::Steady { unsteady, changes };
        return Ok(not_reached(here, longest, why, basis));
    }
    Ok(Found {
        readings: changes,
        ..Found::new(Known::AtMost { high: longest }, here.whole_stage(), basis)
    })
}

/// That a change took no less than so long.
fn not_reached(here: &StageResults<'_>, low: f64, why: NotReached, basis: Basis) -> Found {
    let why = NotDetermined::NotReached(why);
    Found {
        draws: vec![f64::INFINITY; TRIALS],
        ..Found::new(Known::AtLeast { low, why }, here.whole_stage(), basis)
    }
}

pub(super) fn overshoot(here: &StageResults<'_>) -> Answer {
    let response = &here.heard()?.response;
    if response.heard.is_empty() {
        return Err(match response.late {
            late_s @ Some(_) => NotDetermined::NotHeard { late_s },
            None => NotDetermined::NoNoteFromBeginning,
        });
    }
    let known: Vec<_> = response
        .heard
        .iter()
        .filter(|heard| heard.way != 0.0)
        .collect();
    if known.is_empty() {
        return Err(NotDetermined::NoteBeforeUnknown);
    }
    // The largest of many windows is too large by what the largest of so much
    // noise is; there is no curve to take it of instead.
    let mut trials = here.trials("overshoot");
    let seen = known
        .iter()
        .flat_map(|heard| heard.windows.iter().map(|(_, off)| heard.way * off))
        .fold(0.0, f64::max);
    let scatter = known.iter().map(|heard| heard.scatter).fold(0.0, f64::max);
    let wandered = known.iter().map(|heard| heard.wandered).fold(0.0, f64::max);
    let windows: usize = known.iter().map(|heard| heard.windows.len()).sum();
    let mut noise: Vec<f64> = (0..DRAWS)
        .map(|_| {
            (0..windows)
                .map(|_| scatter * trials.normal())
                .fold(0.0, f64::max)
        })
        .collect();
    noise.sort_by(f64::total_cmp);
    let basis = Basis::Overshoot {
        changes: known.len(),
        single: seen,
        window_s: known[0].hop,
    };
    let known = Known::value_of(
        (seen - quantile(&noise, 0.5)).max(0.0),
        Some(scatter.hypot(standard_deviation(&noise)).hypot(wandered)),
        Some((seen - quantile(&noise, 0.975).hypot(2.0 * wandered)).max(0.0)),
        Some(seen + 2.0 * scatter.hypot(wandered)),
    );
    Ok(Found {
        readings: windows,
        ..Found::new(known, here.whole_stage(), basis)
    })
}

pub(super) fn hysteresis(here: &StageResults<'_>) -> Answer {
    let stage = here.heard()?;
    let found = two_sided::hysteresis(&here.curves.unit, here.index, &stage.fit)?;
    let reach = crate::statistics::chi_square::student(found.freedom, 0.975) * found.u;
    let (note, cents) = found.largest;
    let basis = Basis::Hysteresis {
        pairs: found.pairs,
        note: here.note_name(note),
        cents,
    };
    let (low, high) = (Some(found.mean - reach), Some(found.mean + reach));
    let known = Known::value_of(found.mean, Some(found.u), low, high);
    Ok(Found {
        readings: 2 * found.pairs,
        ..Found::new(known, here.whole_stage(), basis)
    })
}
