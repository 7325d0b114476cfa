//! What a rig will be able to decide, before the night: the analysis itself, on
//! the readings that a steady unit would give under the plan.
//!
//! There is no second uncertainty budget here. What the rig's bounds do to a
//! result is found by analysing an ideal record, what limits it by analysing the
//! same record with one bound at a time.

use crate::bench::Bench;
use crate::choice::Choice;
use crate::ideal::{Ideal, Shape};
use crate::outcome::{Computed, Night};
use crate::uncertainty::RigLimits;
use crate::verdict::{Limits, allow_words, decide, words_of};
use crate::words::{number, quantity};
use model::document::plan::{Plan, Tolerance};
use model::document::rig::{Bounds, Rig};
use model::quantity::Dimension;
use model::record::PositionId;
use model::result::{Finding, ResultName};

/// What the rig can say of a tolerance.
#[derive(Debug, Clone, PartialEq)]
pub struct Foresight {
    /// The tolerance, counted from 0 in the plan.
    pub tolerance: usize,
    /// The positions for which this holds: those of one control law.
    pub positions: Vec<PositionId>,
    /// Whether a unit exactly in the middle of the tolerance would pass, guard band
    /// included. `None` where the plan does not give the result at all.
    pub decides: Option<bool>,
    /// Half of the 95 % interval that is to be expected, the wider side, in the
    /// result's unit; not said for times, which the unit's own course decides.
    pub expanded: Option<f64>,
    /// From where to where a unit near the upper limit (the lower, where there is
    /// no upper) stays undecided, in the result's unit; only where `decides`.
    pub undecided: Option<(f64, f64)>,
    /// The bound that counts most, and what it alone stands for: half of the 95 %
    /// interval, in the result's unit.
    pub limited_by: Option<(Source, f64)>,
    /// All of it in a sentence.
    pub sentence: String,
}

/// What can limit a result before anything is measured.
pub use model::result::UncertaintySource as Source;

/// A source in words, with its bound, and whether that is the usual one.
fn source_words(source: Source, bounds: &Bounds) -> String {
    let usual = Bounds::default();
    let (what, bound, is_usual) = match source {
        Source::CvGain => (
            "the gain of its control voltage",
            bounds.cv_gain.to_string(),
            bounds.cv_gain == usual.cv_gain,
        ),
        Source::CvOffset => (
            "the offset of its control voltage",
            bounds.cv_offset.to_string(),
            bounds.cv_offset == usual.cv_offset,
        ),
        Source::CvSteps => (
            "the steps of its control voltage",
            bounds.cv_step.to_string(),
            bounds.cv_step == usual.cv_step,
        ),
        Source::CvDrift => (
            "the drift of its control voltage",
            format!("{}, {}", bounds.cv_gain_drift, bounds.cv_offset_drift),
            bounds.cv_gain_drift == usual.cv_gain_drift
                && bounds.cv_offset_drift == usual.cv_offset_drift,
        ),
        Source::Loading => (
            "the loading of its control voltage",
            bounds.cv_output_resistance.to_string(),
            bounds.cv_output_resistance == usual.cv_output_resistance,
        ),
        Source::Session => (
            "the gain of its control voltage from session to session",
            bounds.cv_session.to_string(),
            bounds.cv_session == usual.cv_session,
        ),
        Source::Thermometer => (
            "its thermometer",
            bounds.thermometer.to_string(),
            bounds.thermometer == usual.thermometer,
        ),
        Source::SampleClock => (
            "its sample clock",
            bounds.sample_clock.to_string(),
            bounds.sample_clock == usual.sample_clock,
        ),
        Source::Readings | Source::OffCurve => return "the noise of the readings".to_owned(),
    };
    let uncalibrated = if is_usual { ", uncalibrated" } else { "" };
    format!("{what} ({bound}{uncalibrated})")
}

/// The half of an interval on either side of its value.
#[derive(Debug, Clone, Copy)]
struct Reach {
    down: f64,
    up: f64,
}

impl Reach {
    fn of(computed: &Computed) -> Option<Self> {
        let outcome = &computed.outcome;
        let value = outcome.value?;
        Some(Self {
            down: (value - outcome.low?).max(0.0),
            up: (outcome.high? - value).max(0.0),
        })
    }
    fn wider(self) -> f64 {
        self.down.max(self.up)
    }
}

/// Says for every tolerance of a plan what a rig will be able to decide.
///
/// The unit that is imagined is steady, without error, and read to the uncertainty
/// the plan asks for (0.05 cents where its windows have a fixed length: an
/// assumption, small beside any rig's bounds). A real unit's own noise comes on
/// top, so a tolerance that cannot be decided here cannot be decided at all.
/// Nothing is foreseen of a tolerance on a stage that does not measure.
#[must_use]
pub fn foresee(plan: &Plan, rig: &Rig) -> Vec<Foresight> {
    // Loading may differ where inputs share a control voltage.
    type Alike<'a> = (&'a model::document::rig::Law, RigLimits);
    let mut groups: Vec<(Alike<'_>, Vec<PositionId>)> = Vec::new();
    for (name, position) in &rig.positions {
        let id = PositionId::new(name);
        let alike = (&position.cv.law, RigLimits::of(rig, &id));
        match groups.iter_mut().find(|(other, _)| *other == alike) {
            Some((_, positions)) => positions.push(id),
            None => groups.push((alike, vec![id])),
        }
    }
    let mut all = Vec::new();
    for (_, positions) in groups {
        let Some(desk) = Desk::new(plan, rig, &positions) else {
            continue;
        };
        all.extend(
            plan.tolerances
                .iter()
                .enumerate()
                .filter_map(|(number, tolerance)| desk.foresight(number, tolerance)),
        );
    }
    all.sort_by_key(|foresight| foresight.tolerance);
    all
}

/// One control law's positions, with the ideal record analysed under each set of
/// bounds.
struct Desk<'a> {
    plan: &'a Plan,
    rig: &'a Rig,
    positions: &'a [PositionId],
    limits: RigLimits,
    whole: Bench,
    alone: Vec<(Source, Bench)>,
}

impl<'a> Desk<'a> {
    fn new(plan: &'a Plan, rig: &'a Rig, positions: &'a [PositionId]) -> Option<Self> {
        let position = positions.first()?;
        let limits = RigLimits::of(rig, position);
        let record = Ideal::of(plan, rig, position)?.record(Shape::Steady, 0.0);
        let bench = |limits| Bench::new(plan, rig, &record, position, limits);
        Some(Self {
            plan,
            rig,
            positions,
            limits,
            whole: bench(limits),
            alone: std::iter::once((Source::Readings, bench(limits.none())))
                .chain(
                    Source::ALL
                        .into_iter()
                        .filter_map(|source| Some((source, bench(limits.only(source)?)))),
                )
                .collect(),
        })
    }

    /// A result under a tolerance.
    fn compute(&self, bench: &Bench, stage: u16, tolerance: &Tolerance) -> Computed {
        let choice = Choice::of(tolerance, self.plan, bench.unit.law);
        Night::new(bench, stage, &tolerance.of, u64::from(stage) << 16)
            .compute(tolerance.result, &choice)
    }

    /// The result of a unit that stands at a limit, where uncertainty depends on
    /// the value as it does for results that take a maximum.
    fn at_limit(&self, stage: u16, tolerance: &Tolerance, limit: f64) -> Option<Computed> {
        let shape = match tolerance.result {
            ResultName::ErrorLeftAfterRetuning | ResultName::ErrorAfterOneTuning => Shape::Slope,
            ResultName::ErrorLeftAfterTrimming => Shape::Bow,
            ResultName::Excursion => Shape::Ramp,
            ResultName::Repeatability
            | ResultName::ShortTermStability
            | ResultName::ChangeBetweenReadings => Shape::Scatter,
            _ => return None,
        };
        let position = self.positions.first()?;
        let ideal = Ideal::of(self.plan, self.rig, position)?;
        let of = |amount: f64, limits: RigLimits| {
            let record = ideal.record(shape, amount);
            let bench = Bench::new(self.plan, self.rig, &record, position, limits);
            self.compute(&bench, stage, tolerance)
        };
        let unit = of(1.0, self.limits.none()).outcome.value?;
        (unit > 1e-6).then(|| of(limit / unit, self.limits))
    }

    fn foresight(&self, number: usize, tolerance: &Tolerance) -> Option<Foresight> {
        let (stage, _) =
            crate::measuring_stages(self.plan).find(|(_, stage)| stage.name() == tolerance.of)?;
        let limits = Limits::of(&tolerance.allow, tolerance.result)?;
        let name = tolerance.result;
        let what = format!(
            "{} of \"{}\", {}",
            words_of(name),
            tolerance.of,
            allow_words(&tolerance.allow)
        );
        let mut foresight = Foresight {
            tolerance: number,
            positions: self.positions.to_vec(),
            decides: None,
            expanded: None,
            undecided: None,
            limited_by: None,
            sentence: String::new(),
        };
        if let Some((decides, why)) = self.beyond_foresight(name) {
            foresight.decides = decides;
            foresight.sentence = format!("{what}: {why}");
            return Some(foresight);
        }
        let ideal = self.compute(&self.whole, stage, tolerance);
        let Some(reach) = Reach::of(&ideal) else {
            let why = ideal.outcome.why_not.as_deref();
            let why = why.unwrap_or("its uncertainty cannot be foreseen");
            // A time that even a unit without error does not reach is the rig's doing.
            foresight.decides = ideal.not_reached_in.map(|_| false);
            foresight.sentence =
                format!("{what}: cannot be said even of a unit without error: {why}");
            return Some(foresight);
        };
        let near = [limits.upper, limits.lower]
            .into_iter()
            .find(|limit| limit.is_finite());
        let limited = near.filter(|limit| *limit > 0.0 && is_never_negative(name));
        let at_limit = limited
            .and_then(|limit| self.at_limit(stage, tolerance, limit))
            .and_then(|computed| Reach::of(&computed))
            .unwrap_or(reach);
        let middle = self.middle(&ideal, limits, at_limit);
        let guard = self.plan.decision.guard_band;
        let (finding, _) = decide(&middle, &tolerance.allow, guard, None, None);
        let is_time = name.dimension() == Dimension::Duration;
        let decides = finding == Finding::Pass;
        foresight.decides = Some(decides);
        if is_time && decides {
            foresight.sentence = format!(
                "{what}: the rig does not stand in its way; how surely the time is known depends on how the unit warms up and on how often it is listened to"
            );
            return Some(foresight);
        }
        foresight.expanded = Some(reach.wider().max(at_limit.wider()));
        if let Some(limit) = near.filter(|_| decides && !is_time) {
            let (inside, outside) = if limit == limits.upper {
                (at_limit.up, at_limit.down)
            } else {
                (at_limit.down, at_limit.up)
            };
            let (one, other) = if limit == limits.upper {
                (limit - guard * inside, limit + guard * outside)
            } else {
                (limit - guard * outside, limit + guard * inside)
            };
            foresight.undecided = Some((one, other));
        }
        foresight.limited_by = self
            .alone
            .iter()
            .filter_map(|(source, bench)| {
                let reach = Reach::of(&self.compute(bench, stage, tolerance))?;
                Some((*source, reach.wider()))
            })
            .filter(|(_, reach)| *reach > 0.0)
            .reduce(|most, next| if next.1 > most.1 { next } else { most });
        foresight.sentence = self.sentence(&foresight, tolerance, &what);
        Some(foresight)
    }

    /// Results of which a steady unit without error says nothing, and why.
    fn beyond_foresight(&self, name: ResultName) -> Option<(Option<bool>, &'static str)> {
        use ResultName as R;
        Some(match name {
            R::OffsetTemperatureCoefficient | R::ScaleTemperatureCoefficient => {
                if self.rig.thermometer.is_none() {
                    (Some(false), "the rig has no thermometer")
                } else {
                    (
                        None,
                        "not foreseen; it takes a room that moves by 3 K and back while the unit is warm",
                    )
                }
            }
            R::SupplySensitivity => (
                None,
                "not foreseen; it takes a supply whose voltage is logged and moves",
            ),
            R::Convergence => (None, "not foreseen; it depends on how the unit warms up"),
            R::SettlingTime | R::Overshoot => (
                None,
                "not foreseen; it depends on how the unit changes from note to note",
            ),
            R::LowEnd => (
                None,
                "not foreseen; it is stated only where it stands out of its uncertainty",
            ),
            _ => return None,
        })
    }

    /// The unit in the middle of a tolerance: the ideal one moved there. A result
    /// that is never negative has its middle where the unit without error is, unless
    /// the tolerance begins above that.
    fn middle(&self, ideal: &Computed, limits: Limits, at_limit: Reach) -> Computed {
        let mut middle = ideal.clone();
        let outcome = &mut middle.outcome;
        let Some(value) = outcome.value else {
            return middle;
        };
        let never_negative = is_never_negative(outcome.name);
        let reach = if never_negative {
            at_limit
        } else {
            Reach::of(ideal).unwrap_or(at_limit)
        };
        let to = match (limits.lower.is_finite(), limits.upper.is_finite()) {
            _ if never_negative && limits.lower <= 0.0 => return middle,
            (true, true) => f64::midpoint(limits.lower, limits.upper),
            // As far from the only limit as it takes.
            (true, false) => value.max(limits.lower + 10.0 * (reach.down + 1e-9)),
            (false, true) => value.min(limits.upper - 10.0 * (reach.up + 1e-9)),
            (false, false) => value,
        };
        outcome.value = Some(to);
        outcome.low = Some(to - reach.down);
        outcome.high = Some(to + reach.up);
        middle
    }

    fn sentence(&self, foresight: &Foresight, tolerance: &Tolerance, what: &str) -> String {
        let dimension = tolerance.result.dimension();
        let said = |value: f64| quantity(value, Some(value / 2.0), dimension);
        let expanded = foresight.expanded.unwrap_or(0.0);
        let most = foresight
            .limited_by
            .map(|(source, reach)| (source_words(source, &self.rig.bounds), said(reach), source));
        if foresight.decides == Some(false) {
            let mut sentence = format!(
                "{what}: this rig cannot decide it, even for a unit in the middle: +-{} must be reckoned with",
                said(expanded)
            );
            if let Some((source, reach, kind)) = most {
                let cure = match kind {
                    Source::Readings | Source::OffCurve => {
                        "listen longer or more often, or widen the tolerance"
                    }
                    _ => "calibrate the rig or widen the tolerance",
                };
                let verb = match kind {
                    Source::CvSteps => "stand",
                    _ => "stands",
                };
                sentence += &format!("; {source} alone {verb} for +-{reach}; {cure}");
            }
            return sentence;
        }
        let mut sentence = format!("{what}: can be decided, to +-{}", said(expanded));
        if self.plan.decision.guard_band == 0.0 {
            sentence += "; the plan judges by the value alone, without a guard band";
        } else if let Some((from, to)) = foresight.undecided {
            let u = Some(expanded / 2.0);
            sentence += &format!(
                "; from {} to {} it stays undecided",
                number(from, u),
                quantity(to, u, dimension)
            );
            if let Some(limits) = Limits::of(&tolerance.allow, tolerance.result)
                && limits.lower == -limits.upper
                && !is_never_negative(tolerance.result)
            {
                sentence += ", either way";
            }
        }
        if let Some((source, _, _)) = most {
            sentence += &format!("; most of that is {source}");
        }
        sentence
    }
}

/// Whether a result is a size of something, with nothing below zero.
const fn is_never_negative(name: ResultName) -> bool {
    !name.has_sign()
}
