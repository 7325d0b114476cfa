//! The unit that stands at the limit of a tolerance: where the uncertainty of a result
//! depends on the result, it is what decides.

use super::Desk;
use crate::curves::unit::UnitCurves;
use crate::foresight::ideal::{Ideal, Imagined, Shape};
use crate::results::compute::Computed;
use crate::uncertainty::limits::RigLimits;
use model::document::plan::Tolerance;
use model::result::{Choice, ResultName};

/// From how far off a unit comes to rest, in cents, and in how many times the limit
/// where that is more.
pub(super) const FROM_CENTS: f64 = 20.0;
const FROM_LIMITS: f64 = 5.0;
/// How near a note must come unless a plan says otherwise, in cents.
const USUAL_BAND: f64 = 1.0;

/// A steady unit, listened to as it matters to a result.
pub(super) const fn listened_to(name: ResultName) -> Imagined {
    Imagined {
        short_windows: matches!(
            name,
            ResultName::SettlingTime | ResultName::Overshoot | ResultName::ShortTermStability
        ),
        ..Imagined::STEADY
    }
}

/// A shape and how much of it.
enum Amount {
    /// So much that the result is at the limit, by what one of it gives.
    Scaled(Shape),
    Known(Shape, f64),
}

impl Desk<'_> {
    /// A result of a unit at its limit, and the curves that shows it; `None` where it is
    /// as uncertain as any other.
    pub(super) fn at_limit(
        &self,
        stage: u16,
        tolerance: &Tolerance,
        limit: f64,
    ) -> Option<(Computed, UnitCurves)> {
        if limit <= 0.0 {
            return None;
        }
        let position = self.positions.first()?;
        let ideal = Ideal::of(self.plan, self.rig, position)?;
        let curves = |unit: Imagined, limits: RigLimits| {
            UnitCurves::new(self.plan, self.rig, &ideal.record(unit), position, limits)
        };
        let unit = match self.amount(stage, tolerance, limit)? {
            Amount::Known(shape, amount) => Imagined {
                shape,
                amount,
                ..listened_to(tolerance.result)
            },
            Amount::Scaled(shape) => {
                let one = Imagined {
                    shape,
                    amount: 1.0,
                    noisy: false,
                    ..listened_to(tolerance.result)
                };
                let one = curves(one, self.limits.none());
                let value = self.compute(&one, stage, tolerance).outcome.value()?.abs();
                if value < 1e-6 {
                    return None;
                }
                Imagined {
                    shape,
                    amount: limit / value,
                    ..listened_to(tolerance.result)
                }
            }
        };
        let curves = curves(unit, self.limits);
        let computed = self.compute(&curves, stage, tolerance);
        Some((computed, curves))
    }

    /// What a unit does whose result stands at a limit; `None` where it does not matter
    /// to how uncertain the result is.
    fn amount(&self, stage: u16, tolerance: &Tolerance, limit: f64) -> Option<Amount> {
        use ResultName as R;
        let choice = Choice::of(tolerance, self.plan, self.steady.unit.law);
        let from = FROM_CENTS.max(FROM_LIMITS * choice.limit);
        // The time constant with which `from` becomes the limit in so long.
        let constant = |time: f64, within: f64| time / (from / within.max(1e-6)).ln().max(0.1);
        let notes = &self.steady.stages.get(&stage)?.fit.notes;
        let x = |note: Option<&usize>| note.map(|note| self.steady.unit.notes[*note].x);
        let half_span = ((x(notes.last())? - x(notes.first())?) / 2.0).max(1e-3);
        Some(match tolerance.result {
            R::ErrorLeftAfterRetuning | R::ErrorAfterOneTuning | R::WorstBeats => {
                Amount::Scaled(Shape::Slope)
            }
            R::ErrorLeftAfterTrimming => Amount::Scaled(Shape::Bow),
            R::ErrorLeftAfterBothTrimmers => Amount::Scaled(Shape::Leaning),
            R::Excursion | R::LargestChangeBetweenRounds => Amount::Scaled(Shape::Ramp),
            R::LinearityError => Amount::Scaled(Shape::Zigzag),
            R::Repeatability | R::ShortTermStability | R::ChangeBetweenReadings => {
                Amount::Scaled(Shape::Scatter)
            }
            R::DriftRate => Amount::Known(Shape::Ramp, limit),
            // A drift that takes so long to come to what may be moved by.
            R::TuningHolds => Amount::Known(Shape::Ramp, choice.limit / (limit / 3600.0)),
            R::LowEnd => Amount::Known(
                Shape::Leak,
                limit / ((-x(notes.first())?).exp2() - 1.0).abs().max(1e-3),
            ),
            R::WarmUpTime => Amount::Known(Shape::Warming(constant(limit, choice.limit)), from),
            R::ReadyAfter => Amount::Known(
                Shape::Straightening(constant(limit, choice.limit)),
                from / half_span,
            ),
            R::Convergence => Amount::Known(Shape::Warming(limit), FROM_CENTS),
            R::SettlingTime => Amount::Known(
                Shape::Settling(constant(limit, choice.band.unwrap_or(USUAL_BAND))),
                from,
            ),
            R::OffsetTemperatureCoefficient => Amount::Known(Shape::WithAir, limit),
            R::ScaleTemperatureCoefficient => Amount::Known(Shape::ScaleWithAir, limit),
            R::SupplySensitivity => Amount::Known(Shape::WithSupply, limit),
            // A slope that leaves so many octaves just within the limit.
            R::InTuneRange => Amount::Known(Shape::Slope, 1.98 * choice.limit / limit),
            // A slope that is too much after that share of the stage.
            R::FractionOfRounds => {
                let stage = self.steady.stages.get(&stage)?;
                let t = |round: Option<&crate::curves::tracking::RoundFit>| {
                    round.map(|round| round.t - stage.origin.at.seconds())
                };
                let (first, last) = (t(stage.fit.rounds.first())?, t(stage.fit.rounds.last())?);
                let hours = (first + limit.min(1.0) * (last - first)).max(1.0) / 3600.0;
                Amount::Known(Shape::Leaning, choice.limit / half_span / hours)
            }
            _ => return None,
        })
    }
}
