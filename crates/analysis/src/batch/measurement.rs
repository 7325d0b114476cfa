//! What the measurement itself adds to the spread of a batch, and what it does to all of
//! it alike.
//!
//! Readings and what repeats off a unit's own curve belong to the unit's measurement
//! alone. An error of a control-voltage output is shared by all units that were measured
//! on it; clock and thermometer by all of a rig; what changes from session to session, and
//! what drifts within one, by the units of a run on one output. With shares w of the units
//! in groups that have an error of variance v in common, the mean has v * sum(w^2) of it,
//! and the variance seen from unit to unit is larger by v (1 - sum(w^2)) n / (n - 1).

use super::{BatchRun, Measurement, Member};
use model::result::{Contribution, Outcome, UncertaintySource};
use std::collections::BTreeMap;

/// Who has an error in common.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Commonly {
    Rig(String),
    Output(String, String, u8),
    Session(usize, String, u8),
}

/// The measurement's part in the outcomes of members.
pub(super) fn of<'a>(
    runs: &[BatchRun<'_>],
    parts: impl Iterator<Item = (&'a Outcome, &'a Member)>,
) -> Measurement {
    let mut count = 0usize;
    let mut own = 0.0;
    // By kind of community: the sum of variances, and how many are in each.
    let mut common: [(f64, BTreeMap<Commonly, usize>); 3] = Default::default();
    for (outcome, member) in parts {
        count += 1;
        let run = &runs[member.run];
        let cv = run
            .rig
            .positions
            .get(member.position.as_str())
            .map(|position| (position.cv.sender.clone(), position.cv.channel));
        // An output that is not known is taken as the position's own.
        let (sender, channel) = cv.unwrap_or_else(|| (member.position.to_string(), 0));
        let rig = run.rig.name.clone();
        let communities = [
            Commonly::Rig(rig.clone()),
            Commonly::Output(rig, sender.clone(), channel),
            Commonly::Session(member.run, sender, channel),
        ];
        for ((_, groups), community) in common.iter_mut().zip(communities) {
            *groups.entry(community).or_default() += 1;
        }
        let [unit, by_community @ ..] = variances(outcome);
        own += unit;
        for ((sum, _), variance) in common.iter_mut().zip(by_community) {
            *sum += variance;
        }
    }
    if count < 2 {
        return Measurement::default();
    }
    let n = count as f64;
    let mut measurement = Measurement {
        own: own / n,
        shared: 0.0,
    };
    for (sum, groups) in common {
        let (own, shared) = parted(sum / n, &groups.into_values().collect::<Vec<_>>());
        measurement.own += own;
        measurement.shared += shared;
    }
    measurement
}

/// The variance of an error that each group of units has in common: what it adds from
/// unit to unit, and what it does to the mean beyond what is seen from unit to unit.
fn parted(variance: f64, groups: &[usize]) -> (f64, f64) {
    let n = groups.iter().sum::<usize>() as f64;
    let together: f64 = groups.iter().map(|size| (*size as f64 / n).powi(2)).sum();
    let apart = (1.0 - together) * n / (n - 1.0);
    // What is seen from unit to unit is in the mean's own interval already.
    let beyond = (together - apart / n).max(0.0);
    (variance * apart, variance * beyond)
}

/// An outcome's variance by who has it in common: nobody, the rig, the output, the run.
fn variances(outcome: &Outcome) -> [f64; 4] {
    let all = outcome.u().map_or(0.0, |u| u * u);
    if outcome.budget.is_empty() {
        // Nothing is known of where it comes from.
        return [all, 0.0, 0.0, 0.0];
    }
    let mut variances = [0.0; 4];
    for Contribution { source, share, .. } in &outcome.budget {
        let who = match source {
            UncertaintySource::Readings | UncertaintySource::OffCurve => 0,
            UncertaintySource::SampleClock | UncertaintySource::Thermometer => 1,
            UncertaintySource::CvGain
            | UncertaintySource::CvOffset
            | UncertaintySource::CvSteps
            | UncertaintySource::Loading => 2,
            UncertaintySource::CvDrift | UncertaintySource::Session => 3,
        };
        variances[who] += share * all;
    }
    variances
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_for_all_is_a_shift_and_one_each_is_spread() {
        let (own, shared) = parted(4.0, &[12]);
        assert!(own.abs() < 1e-12 && (shared - 4.0).abs() < 1e-12);
        let (own, shared) = parted(4.0, &[1; 12]);
        assert!((own - 4.0).abs() < 1e-12 && shared.abs() < 1e-12);
    }

    /// As differences of two results have it.
    #[test]
    fn a_source_belongs_to_what_it_belongs_to_in_a_comparison() {
        let outcome = |source| Outcome {
            budget: vec![Contribution {
                source,
                u: 1.0,
                share: 1.0,
            }],
            ..Outcome::new(
                model::result::ResultName::Excursion,
                model::record::PositionId::new("left"),
                String::new(),
                model::result::Known::value_of(1.0, Some(1.0), None, None),
            )
        };
        // Other units, on one output of one rig, in one run and in two.
        let output = crate::readings::identity::Common {
            rig: true,
            thermometer: true,
            output: true,
            notes: true,
            ..crate::readings::identity::Common::default()
        };
        let session = crate::readings::identity::Common {
            run: true,
            ..output
        };
        for source in UncertaintySource::ALL {
            let [own, rig, on_output, in_session] = variances(&outcome(source));
            // The loading is the output's as far as its own resistance goes.
            if source != UncertaintySource::Loading {
                assert_eq!(rig + on_output > 0.0, output.has(source), "{source:?}");
                assert_eq!(own == 0.0, session.has(source), "{source:?}");
                assert_eq!(in_session > 0.0, session.has(source) && !output.has(source));
            }
        }
    }

    /// Errors of plus or minus one for each group, all eight ways with equal chance: the
    /// sample variance and the square of the mean can be counted out.
    #[test]
    fn groups_of_different_size_are_counted_out() {
        let groups = [5, 2, 1];
        let (mut spread, mut square) = (0.0, 0.0);
        for signs in 0..8u32 {
            let errors: Vec<f64> = groups
                .iter()
                .enumerate()
                .flat_map(|(group, size)| {
                    let error = if signs >> group & 1 == 1 { 1.0 } else { -1.0 };
                    vec![error; *size]
                })
                .collect();
            let mean = errors.iter().sum::<f64>() / 8.0;
            spread += errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / 7.0 / 8.0;
            square += mean * mean / 8.0;
        }
        let (own, shared) = parted(1.0, &groups);
        assert!((own - spread).abs() < 1e-12, "{own} {spread}");
        assert!(
            (shared + own / 8.0 - square).abs() < 1e-12,
            "{shared} {square}"
        );
    }
}
