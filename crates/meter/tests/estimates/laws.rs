//! What must not matter: level, polarity, offset, the direction of time.

use crate::meter_at;
use crate::tones::{Case, Dice};
use meter::Estimate;

fn same(a: &Estimate, b: &Estimate, what: &str, story: &str) {
    assert_eq!(a.state, b.state, "{what}: {story}");
    let (Some(fa), Some(fb)) = (a.frequency, b.frequency) else {
        return;
    };
    let u = a.u.unwrap().get();
    // A tenth of the uncertainty, or what single precision leaves.
    let most = 0.1 * u + 1e-8 * fa.get();
    assert!(
        (fa.get() - fb.get()).abs() < most,
        "{what}: {} {} u {u} {story}",
        fa.get(),
        fb.get()
    );
}

#[test]
fn scale_polarity_offset_and_direction() {
    let mut meter = meter_at(48_000.0);
    for index in 0..40 {
        let category = ["any", "drift", "folded", "pulse"][index % 4];
        let case = Case::draw(category, &mut Dice::new(900 + index as u64));
        let plain = meter.estimate(&case.samples);
        // Powers of two and signs are exact in floating point.
        let changed = |change: &dyn Fn(f32) -> f32| -> Vec<f32> {
            case.samples.iter().map(|x| change(*x)).collect()
        };
        same(
            &plain,
            &meter.estimate(&changed(&|x| x * 0.125)),
            "scale",
            &case.story,
        );
        same(
            &plain,
            &meter.estimate(&changed(&|x| -x)),
            "polarity",
            &case.story,
        );
        same(
            &plain,
            &meter.estimate(&changed(&|x| x * 0.25 + 0.1)),
            "offset",
            &case.story,
        );
        let mut back = case.samples.clone();
        back.reverse();
        let back = meter.estimate(&back);
        // Backwards, the window [0, T) ends a sample earlier in the tone.
        let slip = plain.rate_of_change.unwrap_or(0.0) / 48_000.0;
        let back_in_place = Estimate {
            frequency: back
                .frequency
                .map(|f| model::quantity::Hertz::of(f.get() + slip)),
            ..back
        };
        same(&plain, &back_in_place, "direction", &case.story);
        if let (Some(a), Some(b)) = (plain.rate_of_change, back.rate_of_change) {
            // Ten times the uncertainty of the mean is about that of the change.
            let most = 10.0 * plain.u.unwrap().get() + 1e-6 * a.abs() + 1e-7 * case.truth;
            assert!((a + b).abs() < most, "direction: {a} {b} {}", case.story);
        }
    }
}

#[test]
fn the_same_samples_give_the_same_answer() {
    let mut meter = meter_at(48_000.0);
    let case = Case::draw("saw", &mut Dice::new(4));
    let first = meter.estimate(&case.samples);
    let other = Case::draw("folded", &mut Dice::new(5));
    let _ = meter.estimate(&other.samples[..9_999]);
    assert_eq!(meter.estimate(&case.samples), first);
    assert_eq!(meter_at(48_000.0).estimate(&case.samples), first);
}

#[test]
fn a_meter_can_move_to_another_thread() {
    fn send<T: Send>(_: &T) {}
    send(&meter_at(48_000.0));
}
