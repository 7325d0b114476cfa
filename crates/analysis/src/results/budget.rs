//! What limits a result: its uncertainty by source.
//!
//! Sources of the rig are switched on one at a time beside the readings' own noise,
//! in the same draws; what the variance grows by is the source's. So the table
//! follows each result through whatever is done to it, maxima and crossings too, and
//! adds up to the standard uncertainty beside it (GUM 5.1.2).

use crate::curves::unit::UnitCurves;
use crate::results::compute::{Computed, compute};
use crate::results::stage::StageResults;
use model::result::{Choice, Contribution, ResultName, UncertaintySource};
use std::cell::OnceCell;

/// So many of the draws will do for a share.
const DRAWS: usize = 80;
/// Shares below this are not listed.
const LEAST_SHARE: f64 = 5e-4;

/// A unit on rigs of which only one source of error is left; gain, loading and
/// session act alike and are told apart by their limits.
pub(crate) struct Alone {
    units: Vec<(UncertaintySource, UnitCurves)>,
    gains: [f64; 3],
}

/// What acts as a gain, in the order of the limits.
const GAINS: [UncertaintySource; 3] = [
    UncertaintySource::CvGain,
    UncertaintySource::Loading,
    UncertaintySource::Session,
];

impl Alone {
    pub(crate) fn of(curves: &UnitCurves) -> Self {
        let readings = (
            UncertaintySource::Readings,
            curves.with_limits(curves.limits.none()),
        );
        let all = curves.limits.gains();
        // A rectangle with the variance of all that acts as a gain.
        let together = all.iter().map(|limit| limit * limit).sum::<f64>().sqrt();
        let sources = UncertaintySource::ALL.into_iter().filter_map(|source| {
            let limits = match source {
                UncertaintySource::CvGain if together > 0.0 => {
                    curves.limits.none().with_gain(together)
                }
                source if GAINS.contains(&source) => return None,
                source => curves.limits.only(source)?,
            };
            Some((source, curves.with_limits(limits)))
        });
        Self {
            units: std::iter::once(readings).chain(sources).collect(),
            gains: all,
        }
    }
}

/// A stage on those rigs, made when first asked for.
pub(crate) struct OnThose<'a> {
    alone: &'a Alone,
    made: OnceCell<Vec<(UncertaintySource, StageResults<'a>)>>,
}

impl<'a> OnThose<'a> {
    pub(crate) const fn of(alone: &'a Alone) -> Self {
        Self {
            alone,
            made: OnceCell::new(),
        }
    }

    /// The budget of a result of the stage. Empty without an uncertainty.
    pub(crate) fn budget(
        &self,
        here: &StageResults<'a>,
        computed: &Computed,
        choice: &Choice,
    ) -> Vec<Contribution> {
        let outcome = &computed.outcome;
        let Some(u) = outcome.u().filter(|u| *u > 0.0) else {
            return Vec::new();
        };
        let is_time = matches!(
            outcome.name,
            ResultName::WarmUpTime | ResultName::ReadyAfter
        );
        if computed.rig_share.is_none() && !is_time {
            return shares(vec![(UncertaintySource::Readings, u)], u);
        }
        let alone = self.made.get_or_init(|| {
            let alone = self.alone.units.iter();
            alone
                .map(|(source, curves)| (*source, here.for_share(curves, DRAWS)))
                .collect()
        });
        let mut parts = Vec::with_capacity(alone.len());
        let mut own = 0.0;
        let with_air = matches!(
            outcome.name,
            ResultName::OffsetTemperatureCoefficient | ResultName::ScaleTemperatureCoefficient
        );
        for (source, here) in alone {
            // The thermometer knows of coefficients only, and the rest not of them.
            let is_air = *source == UncertaintySource::Thermometer;
            if *source != UncertaintySource::Readings && is_air != with_air {
                continue;
            }
            let Some(u) = compute(here, outcome.name, choice).outcome.u() else {
                continue;
            };
            if *source == UncertaintySource::Readings {
                own = u;
                parts.push((*source, u));
            } else {
                let part = (u * u - own * own).max(0.0).sqrt();
                if *source == UncertaintySource::CvGain {
                    let gains = self.alone.gains;
                    let all = gains.iter().map(|limit| limit * limit).sum::<f64>().sqrt();
                    parts.extend(
                        GAINS
                            .into_iter()
                            .zip(gains)
                            .map(|(source, limit)| (source, part * limit / all)),
                    );
                } else {
                    parts.push((*source, part));
                }
            }
        }
        shares(parts, u)
    }
}

/// Standard uncertainties with their shares of the variance, largest first. What a source
/// does alone need not add up where a maximum is taken, and few draws say it roughly: the
/// parts are brought to what they must add up to, the standard uncertainty that is stated.
fn shares(parts: Vec<(UncertaintySource, f64)>, stated: f64) -> Vec<Contribution> {
    let total: f64 = parts.iter().map(|(_, u)| u * u).sum();
    if !(total > 0.0 && total.is_finite()) {
        return Vec::new();
    }
    let mut budget: Vec<Contribution> = parts
        .into_iter()
        .map(|(source, u)| {
            let share = u * u / total;
            Contribution {
                source,
                u: stated * share.sqrt(),
                share,
            }
        })
        .filter(|part| part.share >= LEAST_SHARE)
        .collect();
    budget.sort_by(|a, b| b.u.total_cmp(&a.u).then_with(|| a.source.cmp(&b.source)));
    budget
}
