//! A meter that has seen a window of a length asks for no more memory, whatever tone the
//! next one holds.
#[path = "tones/mod.rs"]
mod tones;

use meter::Meter;
use model::quantity::Hertz;
use model::time::SampleRate;
use tones::{Case, Dice, Motion, Wave, tone, with_noise};

#[test]
fn no_allocation_once_warmed_up() {
    let rate = SampleRate::new(Hertz::of(48_000.0)).unwrap();
    let mut meter = Meter::new(rate);
    let mut dice = Dice::new(5);
    let first = with_noise(
        &tone(&Wave::saw(), 48_000.0, 0.5, &Motion::steady(100.0)),
        40.0,
        &mut dice,
    );
    let warming = allocation_counter::measure(|| {
        meter.estimate(&first);
    });
    assert!(warming.count_total > 0, "nothing is counted");
    for category in [
        "any", "low", "high", "noisy", "drift", "hum", "jitter", "naive", "clipped",
    ] {
        for _ in 0..20 {
            let case = Case::draw(category, &mut dice);
            let counted = allocation_counter::measure(|| {
                meter.estimate(&case.samples);
            });
            assert_eq!(counted.count_total, 0, "{}", case.story);
        }
    }
}
