//! What must not change the answer, on the laboratory's signals.

use laboratory::case::Case;
use laboratory::category::Category;
use laboratory::dice::Dice;
use laboratory::shape::Shape;
use laboratory::table::{Table, harmonics_below};
use meter::{Estimate, Meter};
use model::quantity::Hertz;
use model::record::State;
use model::time::SampleRate;
use proptest::prelude::*;

fn meter_at(rate: f64) -> Meter {
    Meter::new(SampleRate::new(Hertz::of(rate)).unwrap())
}

/// Categories whose signals are smooth and unclipped, so that the laws hold exactly.
const SMOOTH: [Category; 8] = [
    Category::Saw,
    Category::Pulse,
    Category::Triangle,
    Category::Sine,
    Category::Skewed,
    Category::Filtered,
    Category::Drift,
    Category::Rates,
];

fn any_case() -> impl Strategy<Value = Case> {
    (0..SMOOTH.len(), 0..10_000_u64)
        .prop_map(|(category, index)| Case::draw(SMOOTH[category], 71, index))
}

fn agree(a: &Estimate, b: &Estimate, shift: f64, share_of_u: f64) -> Result<(), TestCaseError> {
    prop_assert_eq!(a.state, b.state);
    if let (Some(fa), Some(fb), Some(u)) = (a.frequency, b.frequency, a.u) {
        let most = share_of_u * u.get() + 3e-8 * fa.get();
        let apart = fb.get() + shift - fa.get();
        prop_assert!(apart.abs() < most, "{} and {}, u {}", fa, fb, u);
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: ProptestConfig::default().cases / 6, failure_persistence: None, ..ProptestConfig::default() })]

    /// Any gain, not only powers of two: rounding adds noise far below the tone's.
    #[test]
    fn gain_and_polarity(case in any_case(), gain in -1.0_f64..1.0) {
        let gain = if gain.abs() < 0.05 { 0.05 } else { gain };
        let mut meter = meter_at(case.rate);
        let plain = meter.estimate(&case.samples);
        let scaled: Vec<f32> = case.samples.iter().map(|y| (f64::from(*y) * gain) as f32).collect();
        let scaled = meter.estimate(&scaled);
        agree(&plain, &scaled, 0.0, 0.2)?;
        if let (Some(a), Some(b)) = (plain.level, scaled.level) {
            let apart = b.get() - a.get() - 20.0 * gain.abs().log10();
            prop_assert!(apart.abs() < 1e-3);
        }
    }

    #[test]
    fn a_constant(case in any_case(), constant in -0.3_f64..0.3) {
        let mut meter = meter_at(case.rate);
        let plain = meter.estimate(&case.samples);
        let moved: Vec<f32> = case
            .samples
            .iter()
            .map(|y| (f64::from(*y) * 0.5 + constant) as f32)
            .collect();
        agree(&plain, &meter.estimate(&moved), 0.0, 0.2)?;
    }

    /// Backwards the mean is the same, but for the sample by which [0, T) shifts, and
    /// the drift is the other way.
    #[test]
    fn time_reversed(case in any_case()) {
        let mut meter = meter_at(case.rate);
        let plain = meter.estimate(&case.samples);
        let mut back = case.samples.clone();
        back.reverse();
        let back = meter.estimate(&back);
        let change = plain.rate_of_change.unwrap_or(0.0);
        agree(&plain, &back, change / case.rate, 0.2)?;
        if let (Some(other), Some(u)) = (back.rate_of_change, plain.u) {
            let most = 10.0 * u.get() / case.seconds() + 1e-6 * change.abs();
            prop_assert!((change + other).abs() < most + 1e-6, "{} {}", change, other);
        }
    }

    /// One analogue signal at four sampling rates, all with the harmonics that the
    /// lowest can carry, each in noise of its own.
    #[test]
    fn resampled(hertz in 30.0_f64..6_000.0, duty in 0.05_f64..0.5, index in 0..1_000_u64) {
        let shape = Shape::pulse(800, duty).normalised();
        let table = Table::new(&shape, harmonics_below(44_100.0, hertz));
        let mut dice = Dice::new(81, "resampled", index);
        for rate in [44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            let samples: Vec<f32> = (0..(rate * 0.5) as usize)
                .map(|n| {
                    let y = table.at(hertz * n as f64 / rate) + 1e-3 * dice.normal();
                    (0.1 * y) as f32
                })
                .collect();
            let estimate = meter_at(rate).estimate(&samples);
            prop_assert_eq!(estimate.state, State::Ok);
            let (found, u) = (estimate.frequency.unwrap().get(), estimate.u.unwrap().get());
            // Five standard deviations: 160 readings.
            prop_assert!((found - hertz).abs() < 5.0 * u, "{} at {}: {} u {}", hertz, rate, found, u);
        }
    }
}
