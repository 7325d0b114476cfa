//! Results of what the surroundings do to a unit.

use super::{Found, Missing, Night};
use crate::curves::moment::MomentOf;
use crate::readings::USUAL_LIMIT;
use crate::results::coefficient::{Coefficient, with_supply, with_temperature};
use crate::results::warm_up::{Steady, USUAL_STAY_S, Watched};
use crate::uncertainty::joint;
use crate::words::{duration, number};
use model::pitch::ControlLaw;
use model::quantity::Cents;
use model::result::ResultName;

/// Absolute zero, in degrees Celsius.
const ABSOLUTE_ZERO: f64 = -273.15;

/// After so long a unit is taken to be warm where no limit shows it, in seconds (common
/// practice, no source).
const WARM_ALL_THE_SAME: f64 = 7200.0;
/// So many time constants of what is left of warming are then taken to have passed.
const TIME_CONSTANTS_PASSED: f64 = 4.0;

/// Values at times of the run that count for a coefficient.
type Course = (Vec<f64>, Vec<f64>, usize);

impl Night<'_> {
    /// From when on a unit is so warm that what is left of it cannot be taken for
    /// temperature: after twice the time at which a limit of cents was met, since a limit
    /// of 3 cents leaves 3 cents, and they would be the effect of a kelvin or two.
    fn warm(&self) -> Result<f64, Missing> {
        let known = self
            .curves
            .stages
            .get(&self.index)
            .is_some_and(|stage| stage.origin.is_power_on);
        match self.steady(Watched::ReferenceNote, USUAL_LIMIT, USUAL_STAY_S)? {
            Steady::From { t, .. } => Ok(2.0 * t),
            // A unit that was on before is not warming.
            _ if !known => Ok(f64::NEG_INFINITY),
            // One that follows the air so much that it never stays within a limit: it is
            // of such that the coefficient is wanted.
            _ => Ok(WARM_ALL_THE_SAME),
        }
    }

    /// What was left out, in words.
    fn left_out(&self) -> String {
        match self.warm() {
            Ok(from) if from == WARM_ALL_THE_SAME => {
                format!("the first {} left out", duration(from))
            }
            _ => "warm-up left out".to_owned(),
        }
    }

    /// The time constant with which the rest of warming up goes: that of the way from the
    /// first round to the limit.
    fn rest(&self) -> Option<f64> {
        let stage = self.curves.stages.get(&self.index)?;
        let (history, _) = self.history().ok()?;
        let (note, _) = self.watched_note(history).ok()?;
        let steady = self.steady(Watched::ReferenceNote, USUAL_LIMIT, USUAL_STAY_S);
        let Ok(Steady::From { t, .. }) = steady else {
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
    fn reference_course(&self) -> Result<Course, Missing> {
        let (history, _) = self.history()?;
        let (note, _) = self.watched_note(history)?;
        let warm = self.warm()?;
        let (mut times, mut values, mut readings) = (Vec::new(), Vec::new(), 0);
        for point in history
            .points
            .iter()
            .filter(|point| point.in_stage && point.t >= warm)
        {
            times.push(point.t + self.origin_s());
            values.push(point.y[note]);
            readings += point.readings;
        }
        Ok((times, values, readings))
    }

    /// The scale error, else the mean slope, over the warm rounds of the stage.
    fn scale_course(&self) -> Result<(Course, &'static str), Missing> {
        let warm = self.warm()? + self.origin_s();
        let shared = self
            .curves
            .shared(self.index)
            .ok_or_else(|| self.nothing())?;
        if shared.stage.notes.len() == 1 {
            return Err(shared.stage.one_note_words("a scale takes two").into());
        }
        let (name, words) = if shared.stage.named
            && matches!(self.curves.unit.law, ControlLaw::VoltsPerOctave { .. })
        {
            (ResultName::ScaleError, "scale error")
        } else {
            (ResultName::MeanSlope, "mean slope")
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
        Ok(((times, values, readings), words))
    }

    /// A coefficient with what the thermometer may be off: at either end of the
    /// span by its limit, a rectangle each (GUM 4.3.7); the share of the variance that
    /// this has; and what the coefficient is in each joint trial.
    fn with_thermometer(&self, found: Coefficient, which: &str) -> (Coefficient, f64, Vec<f64>) {
        let u = found.value.abs() * self.curves.limits.thermometer * (2f64 / 3.0).sqrt()
            / found.span.max(1e-6);
        let all = found.u.hypot(u);
        let widened = Coefficient {
            u: all,
            low: found.value - (found.value - found.low).hypot(1.9 * u),
            high: found.value + (found.high - found.value).hypot(1.9 * u),
            ..found
        };
        let mut draws = Vec::new();
        if !self.for_share {
            let mut own = self.trials(which);
            draws = joint::split_normal(found.value, found.low, found.high, &mut own);
            let [one, other] = &self.sources.thermometer;
            let relative = self.curves.limits.thermometer / found.span.max(1e-6);
            for (draw, (one, other)) in draws.iter_mut().zip(one.iter().zip(other)) {
                *draw += found.value * relative * (one - other);
            }
        }
        let share = if all > 0.0 { (u / all).powi(2) } else { 0.0 };
        (widened, share, draws)
    }

    fn of_coefficient(found: Coefficient, readings: usize, meaning: String) -> Found {
        Found {
            value: found.value,
            u: Some(found.u),
            low: Some(found.low.min(found.value)),
            high: Some(found.high.max(found.value)),
            readings,
            needs_until: Some(f64::INFINITY),
            ..Found::with(meaning)
        }
    }

    fn air_words(found: &Coefficient) -> String {
        let lag = if found.lag > 0.0 {
            format!("behind the air by {}", duration(found.lag))
        } else {
            "without a lag".to_owned()
        };
        format!(
            "at {:.1} °C on average over {:.1} K of the air, {lag}",
            found.mean, found.span
        )
    }

    pub(super) fn offset_temperature_coefficient(&self) -> Result<Found, Missing> {
        let (times, values, readings) = self.reference_course()?;
        let mut trials = self.trials("offset with temperature");
        let air = &self.curves.surroundings.air;
        let found = with_temperature(&times, &values, air, self.rest(), &mut trials)?;
        let (found, rig, draws) = self.with_thermometer(found, "offset coefficient");
        let meaning = format!(
            "of the reference note, {}; {}",
            self.left_out(),
            Self::air_words(&found)
        );
        Ok(Found {
            rig_share: Some(rig),
            draws,
            ..Self::of_coefficient(found, readings, meaning)
        })
    }

    pub(super) fn scale_temperature_coefficient(&self) -> Result<Found, Missing> {
        let ((times, values, readings), name) = self.scale_course()?;
        let air = &self.curves.surroundings.air;
        let mut trials = self.trials("scale with temperature");
        let found = with_temperature(&times, &values, air, self.rest(), &mut trials)?;
        let (found, rig, draws) = self.with_thermometer(found, "scale coefficient");
        // 1200 cents per octave are the whole scale; of a bare pair of transistors it
        // goes with 1/T.
        let bare = 1200.0 / (found.mean - ABSOLUTE_ZERO);
        let mut meaning = format!(
            "of the {name}, {}; {} ppm per kelvin; {}; a converter without compensation has {bare:.2}, as 1/T",
            self.left_out(),
            number(found.value / 1200.0 * 1e6, Some(found.u / 1200.0 * 1e6)),
            Self::air_words(&found),
        );
        if let Some(pivot) = self.pivot(&found) {
            meaning += &format!("; temperature does not move the pitch at {pivot}");
        }
        Ok(Found {
            rig_share: Some(rig),
            draws,
            ..Self::of_coefficient(found, readings, meaning)
        })
    }

    /// The control voltage at which temperature does not move the pitch, in words.
    fn pivot(&self, scale: &Coefficient) -> Option<String> {
        if scale.value.abs() <= 2.0 * scale.u {
            return None;
        }
        let (times, values, _) = self.reference_course().ok()?;
        let mut trials = self.trials("offset with temperature");
        let air = &self.curves.surroundings.air;
        let offset = with_temperature(&times, &values, air, self.rest(), &mut trials).ok()?;
        let octaves = -offset.value / scale.value;
        let unit = &self.curves.unit;
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
        (u < 20.0).then(|| format!("{} V", number(volts, Some(u))))
    }

    pub(super) fn supply_sensitivity(&self) -> Result<Found, Missing> {
        let (times, values, readings) = self.reference_course()?;
        let supply = &self.curves.surroundings.supply;
        let mut trials = self.trials("supply");
        let found = with_supply(&times, &values, supply, &mut trials)?;
        let meaning = format!(
            "of the reference note, all rails moved together; {:.2} V on average, moved by {:.2} V",
            found.mean, found.span
        );
        Ok(Self::of_coefficient(found, readings, meaning))
    }
}
