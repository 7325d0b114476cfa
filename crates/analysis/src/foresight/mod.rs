//! What a rig will be able to decide, before the night: the analysis itself, on
//! the readings that a steady unit would give under the plan.
//!
//! There is no second uncertainty budget here. What the rig's bounds do to a
//! result is found by analysing an ideal record, what limits it by analysing the
//! same record with one bound at a time.

mod ideal;
mod limit;

use crate::curves::unit::UnitCurves;
use crate::foresight::ideal::{AIR_MOVES_K, Ideal, Imagined, SUPPLY_MOVES_V};
use crate::judging::verdict::{Limits, decide};
use crate::results::compute::{Computed, compute};
use crate::results::stage::StageResults;
use crate::uncertainty::limits::RigLimits;
use limit::{FROM_CENTS, listened_to};
use model::document::plan::{Plan, Settle, Stage, Tolerance};
use model::document::rig::Rig;
use model::record::PositionId;
use model::result::{Choice, Finding, Known, NotDetermined, ResultName};

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
    /// result's unit; of a unit without error or of one at the limit, whichever is
    /// more.
    pub expanded: Option<f64>,
    /// From where to where a unit near the upper limit (the lower, where there is
    /// no upper) stays undecided, in the result's unit; only where `decides`.
    pub undecided: Option<(f64, f64)>,
    /// The bound that counts most, and what it alone stands for: half of the 95 %
    /// interval, in the result's unit.
    pub limited_by: Option<(Source, f64)>,
    /// What it hangs on.
    pub because: Foreseen,
}

/// Why a tolerance can be decided or not. "A unit" is the one that is imagined.
#[derive(Debug, Clone, PartialEq)]
pub enum Foreseen {
    /// The uncertainty that is to be expected; `assuming` is what must happen besides.
    Uncertainty {
        /// None where nothing must.
        assuming: Option<Assumption>,
    },
    /// The rig has no thermometer.
    NoThermometer,
    /// Nothing reads the voltage of the unit's supply.
    SupplyNotRead,
    /// A settling time in a stage that waits until a note is steady.
    SettlesUnheard,
    /// A size that single windows of a hold will show.
    ShownWhenHeard,
    /// The plan ends before the limit of a time.
    PlanEnds {
        /// How long the record is then, in seconds.
        record: f64,
    },
    /// Even of a unit without error a time that is not reached for certain.
    MayNotBeSeen,
    /// Nothing is known even of a unit without error, or of one at the limit.
    NotDetermined {
        /// Which of them.
        at_limit: bool,
        /// Why its result has no value, where it has none.
        why_not: Option<NotDetermined>,
    },
    /// A unit well within passes or not, and of one near the limit nothing is known.
    NotNearTheLimit {
        /// Why its result has no value, where it has none.
        why_not: Option<NotDetermined>,
    },
}

/// What must happen during a stage for a result to be stated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Assumption {
    /// The air moves by so many kelvin and back while the unit is warm.
    AirMoves(f64),
    /// The unit's supply moves by so many volts and back.
    SupplyMoves(f64),
    /// The unit comes to rest from so many cents off and does nothing else.
    ComesToRest(f64),
}

/// What can limit a result before anything is measured.
pub use model::result::UncertaintySource as Source;

/// The half of an interval on either side of its value.
#[derive(Debug, Clone, Copy)]
struct Reach {
    down: f64,
    up: f64,
}

impl Reach {
    fn of(computed: &Computed) -> Option<Self> {
        let outcome = &computed.outcome;
        let (low, high) = (outcome.low()?, outcome.high()?);
        // Of what does not stand out only its bounds are known.
        let value = outcome.value().unwrap_or(f64::midpoint(low, high));
        Some(Self {
            down: (value - low).max(0.0),
            up: (high - value).max(0.0),
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
/// assumption, small beside any rig's bounds). Where the uncertainty of a result
/// depends on the result, a second one is imagined that stands at the limit. A real
/// unit's own noise comes on top, so a tolerance that cannot be decided here cannot be
/// decided at all. Nothing is foreseen of a tolerance on a stage that does not measure.
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

/// One control law's positions, with the record of a steady unit.
struct Desk<'a> {
    plan: &'a Plan,
    rig: &'a Rig,
    positions: &'a [PositionId],
    limits: RigLimits,
    steady: UnitCurves,
}

impl<'a> Desk<'a> {
    fn new(plan: &'a Plan, rig: &'a Rig, positions: &'a [PositionId]) -> Option<Self> {
        let position = positions.first()?;
        let limits = RigLimits::of(rig, position);
        let record = Ideal::of(plan, rig, position)?.record(Imagined::STEADY);
        Some(Self {
            plan,
            rig,
            positions,
            limits,
            steady: UnitCurves::new(plan, rig, &record, position, limits),
        })
    }

    /// Another unit on this rig.
    fn curves(&self, unit: Imagined) -> Option<UnitCurves> {
        let position = self.positions.first()?;
        let record = Ideal::of(self.plan, self.rig, position)?.record(unit);
        Some(UnitCurves::new(
            self.plan,
            self.rig,
            &record,
            position,
            self.limits,
        ))
    }

    /// A result under a tolerance.
    fn compute(&self, curves: &UnitCurves, stage: u16, tolerance: &Tolerance) -> Computed {
        let choice = Choice::of(tolerance, self.plan, curves.unit.law);
        let here = StageResults::new(curves, stage, &tolerance.of);
        compute(&here, tolerance.result, &choice)
    }

    fn foresight(&self, number: usize, tolerance: &Tolerance) -> Option<Foresight> {
        let (index, stage) = crate::readings::measuring_stages(self.plan)
            .find(|(_, stage)| stage.name() == tolerance.of)?;
        let limits = Limits::of(&tolerance.allow, tolerance.result)?;
        let name = tolerance.result;
        let bare = |(decides, because)| Foresight {
            tolerance: number,
            positions: self.positions.to_vec(),
            decides,
            expanded: None,
            undecided: None,
            limited_by: None,
            because,
        };
        if let Some(beyond) = self.beyond_foresight(stage, name) {
            return Some(bare(beyond));
        }
        let closely = listened_to(name);
        let listened = (closely != Imagined::STEADY)
            .then(|| self.curves(closely))
            .flatten();
        let curves = listened.as_ref().unwrap_or(&self.steady);
        let steady = self.compute(curves, index, tolerance);
        let near = [limits.upper, limits.lower]
            .into_iter()
            .find(|limit| limit.is_finite());
        if steady.outcome.value().is_some() {
            if name == ResultName::Overshoot {
                return Some(bare((None, Foreseen::ShownWhenHeard)));
            }
            if let Some(record) = self.ends_before(index, name, near.unwrap_or(0.0)) {
                return Some(bare((Some(true), Foreseen::PlanEnds { record })));
            }
        }
        let at_limit = near.and_then(|limit| self.at_limit(index, tolerance, limit.abs()));
        let steady_reach = Reach::of(&steady);
        let (reach, curves) = match &at_limit {
            Some((computed, curves)) => (Reach::of(computed), curves),
            None => (steady_reach, curves),
        };
        let at_limit = at_limit.as_ref().map(|(computed, _)| computed);
        // What only a unit shows that has something of it.
        let shown_by_some = matches!(name, ResultName::LowEnd | ResultName::Convergence);
        let Some(steady_reach) = steady_reach.or(reach.filter(|_| shown_by_some)) else {
            return Some(bare(not_determined(&steady, at_limit, shown_by_some)));
        };
        let middle = middle(&steady, limits, steady_reach, reach.unwrap_or(steady_reach));
        let guard = self.plan.decision.guard_band;
        let passes = decide(&middle, &tolerance.allow, guard, &[], None).0 == Finding::Pass;
        let Some(reach) = reach else {
            let why_not = at_limit.and_then(|computed| computed.outcome.why_not().cloned());
            return Some(bare((Some(passes), Foreseen::NotNearTheLimit { why_not })));
        };
        let assuming = assuming(name);
        Some(Foresight {
            expanded: Some(steady_reach.wider().max(reach.wider())),
            undecided: near
                .filter(|_| passes)
                .map(|limit| undecided(name, limit, guard, reach)),
            limited_by: self.limited_by(curves, index, tolerance),
            ..bare((Some(passes), Foreseen::Uncertainty { assuming }))
        })
    }

    /// How long the record of a unit is that is to be warm or ready, where it ends before
    /// the limit.
    fn ends_before(&self, stage: u16, name: ResultName, limit: f64) -> Option<f64> {
        if !matches!(name, ResultName::WarmUpTime | ResultName::ReadyAfter) {
            return None;
        }
        let origin = self.steady.stages.get(&stage)?.origin.at.seconds();
        let rounds = self
            .steady
            .stages
            .values()
            .flat_map(|stage| &stage.fit.rounds);
        let last = rounds.map(|round| round.t - origin).fold(0.0, f64::max);
        (last < limit).then_some(last)
    }

    /// The source that alone makes a result most uncertain, and how uncertain.
    fn limited_by(
        &self,
        curves: &UnitCurves,
        stage: u16,
        tolerance: &Tolerance,
    ) -> Option<(Source, f64)> {
        let readings = (Source::Readings, self.limits.none());
        let alone = Source::ALL
            .into_iter()
            .filter_map(|source| Some((source, self.limits.only(source)?)));
        std::iter::once(readings)
            .chain(alone)
            .filter_map(|(source, limits)| {
                let curves = curves.with_limits(limits);
                let reach = Reach::of(&self.compute(&curves, stage, tolerance))?;
                Some((source, reach.wider()))
            })
            .filter(|(_, reach)| *reach > 0.0)
            .reduce(|most, next| if next.1 > most.1 { next } else { most })
    }

    /// Results of which nothing can be foreseen, and why.
    fn beyond_foresight(
        &self,
        stage: &Stage,
        name: ResultName,
    ) -> Option<(Option<bool>, Foreseen)> {
        use ResultName as R;
        let (air, supply) = Ideal::of(self.plan, self.rig, self.positions.first()?)?.reads();
        match name {
            R::OffsetTemperatureCoefficient | R::ScaleTemperatureCoefficient if !air => {
                Some((Some(false), Foreseen::NoThermometer))
            }
            R::SupplySensitivity if !supply => Some((Some(false), Foreseen::SupplyNotRead)),
            R::SettlingTime => match (stage, stage.listen(self.plan).settle.clone()) {
                (
                    Stage::Rounds(_) | Stage::Sweep(_) | Stage::Alternate(_),
                    Settle::UntilSteady { .. },
                ) => Some((None, Foreseen::SettlesUnheard)),
                _ => None,
            },
            _ => None,
        }
    }
}

/// Whether a tolerance can be decided of which nothing is known even of the unit that shows
/// it best, and why nothing is.
fn not_determined(
    steady: &Computed,
    at_limit: Option<&Computed>,
    shown_by_some: bool,
) -> (Option<bool>, Foreseen) {
    let best = at_limit.filter(|_| shown_by_some).unwrap_or(steady);
    // A time that even a unit without error does not reach for certain is the rig's doing.
    let may_never = !shown_by_some
        && best.record().is_some()
        && best.outcome.value().is_some()
        && best.outcome.high().is_none();
    let why_not = best.outcome.why_not().cloned();
    let because = if may_never && why_not.is_none() {
        Foreseen::MayNotBeSeen
    } else {
        Foreseen::NotDetermined {
            at_limit: shown_by_some,
            why_not,
        }
    };
    let decides = (may_never || steady.not_reached_in().is_some()).then_some(false);
    (decides, because)
}

/// From where to where a unit near a limit stays undecided.
fn undecided(name: ResultName, limit: f64, guard: f64, reach: Reach) -> (f64, f64) {
    let (from, to) = (limit - guard * reach.up, limit + guard * reach.down);
    let least = if has_least(name) {
        0.0
    } else {
        f64::NEG_INFINITY
    };
    (from.max(least), to.min(most_of(name)))
}

/// The unit in the middle of a tolerance: the steady one moved there. A result with
/// nothing below zero has its middle where the unit without error is, unless the
/// tolerance begins above that; what has a largest value is best there.
fn middle(steady: &Computed, limits: Limits, steady_reach: Reach, at_limit: Reach) -> Computed {
    let mut middle = steady.clone();
    let outcome = &mut middle.outcome;
    let has_least = has_least(outcome.name);
    let reach = if has_least { at_limit } else { steady_reach };
    let value = outcome.value().unwrap_or(0.0);
    let to = match (limits.lower.is_finite(), limits.upper.is_finite()) {
        _ if most_of(outcome.name).is_finite() && outcome.value().is_some() => return middle,
        _ if has_least && limits.lower <= 0.0 && outcome.value().is_some() => return middle,
        (true, true) => f64::midpoint(limits.lower, limits.upper),
        // As far from the only limit as it takes.
        (true, false) => value.max(limits.lower + 10.0 * (reach.down + 1e-9)),
        (false, true) => value.min(limits.upper - 10.0 * (reach.up + 1e-9)),
        (false, false) => value,
    };
    let to = if has_least { to.max(0.0) } else { to };
    let (low, high) = (to - reach.down, to + reach.up);
    outcome.known = Known::value_of(to, outcome.u(), Some(low), Some(high));
    middle
}

const fn assuming(name: ResultName) -> Option<Assumption> {
    match name {
        ResultName::OffsetTemperatureCoefficient | ResultName::ScaleTemperatureCoefficient => {
            Some(Assumption::AirMoves(AIR_MOVES_K))
        }
        ResultName::SupplySensitivity => Some(Assumption::SupplyMoves(SUPPLY_MOVES_V)),
        ResultName::Convergence => Some(Assumption::ComesToRest(FROM_CENTS)),
        _ => None,
    }
}

/// Whether a result is a size of something, with nothing below zero.
const fn has_least(name: ResultName) -> bool {
    !name.has_sign()
}

/// The largest that a result can be at all. The range in tune ends with the notes that
/// are played, and a unit without error has all of it.
const fn most_of(name: ResultName) -> f64 {
    match name {
        ResultName::FractionOfRounds => 1.0,
        ResultName::InTuneRange => f64::MAX,
        _ => f64::INFINITY,
    }
}
