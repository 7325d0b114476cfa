//! What has to be said of the rig on every page: whether it is a simulation,
//! whether anybody has calibrated it, and which results it limits.

use crate::RunView;
use crate::limited;
use crate::list;
use crate::numbers::{duration, exact, number};
use crate::outline::title;
use model::document::rig::{Bounds, Law, Standing, Wiring};
use model::record::{MAY_STILL_BE_ON, PositionId};
use model::result::{Contribution, ResultName, UncertaintySource};
use std::collections::BTreeMap;

/// Whether certificates in force stand behind the whole rig; the pages and exports
/// ask here.
pub(crate) fn is_calibrated(view: &RunView<'_>) -> bool {
    view.rig.is_calibrated(view.day)
}

/// What stands before everything else where a supply may have stayed on.
#[must_use]
pub fn may_still_be_on(view: &RunView<'_>) -> Option<String> {
    let uncertain = view.record.may_still_be_on();
    let positions: Vec<&str> = uncertain.keys().map(PositionId::as_str).collect();
    let mut said: Vec<&str> = Vec::new();
    for sentence in uncertain.values() {
        if !said.contains(sentence) {
            said.push(sentence);
        }
    }
    (!positions.is_empty()).then(|| {
        format!(
            "{MAY_STILL_BE_ON} ({}): {}",
            positions.join(", "),
            said.join("; ")
        )
    })
}

/// The same of several runs: a sentence for each that needs one.
pub(crate) fn may_still_be_on_after(views: &[RunView<'_>]) -> Vec<String> {
    let of_run =
        |view| may_still_be_on(view).map(|said| format!("{said} (run {})", view.record.id));
    views.iter().filter_map(of_run).collect()
}

/// What the rig lacks to be called calibrated, in a phrase each.
fn lacking(view: &RunView<'_>) -> Vec<String> {
    let needed = view.rig.backing().into_iter().filter(|part| part.needed);
    needed
        .filter_map(|part| {
            let of = part.of;
            let certificate = part.certificate;
            match part.standing(view.day) {
                Standing::InForce => None,
                Standing::Missing => Some(format!("there is no certificate of the {of}")),
                Standing::NotYet => Some(format!(
                    "the certificate of the {of} is of {}, after the run began",
                    certificate?.date
                )),
                Standing::Overdue => Some(format!(
                    "the certificate of the {of} was due again on {}, before the run began",
                    certificate?.due.as_ref()?
                )),
            }
        })
        .collect()
}

/// The certificates of a rig, in a sentence.
fn certificates(view: &RunView<'_>) -> String {
    let said = view.rig.backing().into_iter().filter_map(|part| {
        let certificate = part.certificate?;
        let mut said = format!(
            "{} by {}, certificate {} of {}",
            part.of, certificate.what, certificate.number, certificate.date
        );
        if let Some(due) = &certificate.due {
            said += &format!(", due {due}");
        }
        if let Some(found) = &certificate.as_found {
            said += &format!(", as found {found}");
        }
        if let Some(left) = &certificate.as_left {
            said += &format!(", as left {left}");
        }
        Some(said)
    });
    said.collect::<Vec<_>>().join("; ")
}

/// What is said of the rig, in sentences.
pub(crate) fn statement(view: &RunView<'_>) -> Vec<String> {
    let mut said = Vec::new();
    if matches!(view.rig.wiring, Wiring::Simulated(_)) {
        said.push(
            "Simulated rig: these units exist only in the program, nothing was measured on a bench."
                .to_owned(),
        );
    }
    if let Wiring::Recorded(recorded) = &view.rig.wiring {
        said.push(format!(
            "Imported recording: {} ({}, {}, {}). Nothing was played or switched by this program: t = 0 is the beginning of the file, and supply and temperature are not known. The notes come from {}.",
            recorded.file,
            duration(recorded.lasts.get()),
            match recorded.channels {
                1 => "1 channel".to_owned(),
                count => format!("{count} channels"),
            },
            recorded.rate,
            recorded.notes_from,
        ));
    }
    let bounds = &view.rig.bounds;
    let limits = format!(
        "sample clock {} ppm, control voltage gain {} %, offset {} mV, steps {} mV",
        exact(bounds.sample_clock.get() * 1e6),
        exact(bounds.cv_gain.get() * 1e2),
        exact(bounds.cv_offset.get() * 1e3),
        exact(bounds.cv_step.get() * 1e3),
    );
    let lacking = lacking(view);
    if lacking.is_empty() {
        said.push(format!(
            "Calibrated rig: {} (limits: {limits}).",
            certificates(view)
        ));
        return said;
    }
    if !view.rig.certificates.is_empty() {
        said.push(format!(
            "Uncalibrated rig: {}. Its certificates: {} (limits: {limits}).",
            lacking.join(", and "),
            certificates(view)
        ));
        return said;
    }
    said.push(if *bounds == Bounds::default() {
        format!(
            "Uncalibrated rig: nobody has said how far off it may be, so wide limits stand in ({limits})."
        )
    } else {
        format!(
            "Uncalibrated rig: no certificate stands behind it; its limits of error are those of the rig file ({limits})."
        )
    });
    said
}

/// The standard uncertainty that the gain of the rig's control voltage puts into
/// a slope, in cents per octave: a rectangular distribution of the half-width in
/// the rig file (GUM 4.3.7).
pub(crate) fn gain_share(view: &RunView<'_>, position: &PositionId) -> Option<f64> {
    let law = &view.rig.positions.get(position.as_str())?.cv.law;
    matches!(law, Law::VoltsPerOctave { .. })
        .then(|| 1200.0 * view.rig.bounds.cv_gain.get() / 3.0_f64.sqrt())
}

/// The results of which the rig makes up most of the uncertainty, in one sentence.
pub(crate) fn limits_results(view: &RunView<'_>, position: &PositionId) -> Option<String> {
    let mut shares: BTreeMap<UncertaintySource, f64> = BTreeMap::new();
    let mut names = Vec::new();
    for outcome in ResultName::ALL
        .into_iter()
        .filter_map(|name| view.best(position, name))
    {
        let parts = outcome.budget.iter();
        let rigs: Vec<&Contribution> = parts
            .filter(|part| {
                !matches!(
                    part.source,
                    UncertaintySource::Readings | UncertaintySource::OffCurve
                )
            })
            .collect();
        if rigs.iter().map(|part| part.share).sum::<f64>() > 0.5 {
            names.push(title(outcome.name).to_lowercase());
            for part in rigs {
                *shares.entry(part.source).or_default() += part.share;
            }
        }
    }
    let (most, _) = shares.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let why = match gain_share(view, position).filter(|_| most == UncertaintySource::CvGain) {
        // The limit in the rig file itself: of a rectangular distribution nothing lies
        // beyond it.
        Some(share) => format!(
            "the gain of its control voltage alone may be off by up to {} cents per octave",
            number(share * 3.0_f64.sqrt(), None)
        ),
        None => format!("most of that is its {}", limited::source(most)),
    };
    Some(format!(
        "The rig, not the unit, limits what can be said of {}: {why}. {} would say more.",
        list::all(&names),
        if is_calibrated(view) {
            "A rig known more closely"
        } else {
            "A calibrated rig"
        },
    ))
}
