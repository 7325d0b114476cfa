//! The meter against tones of exactly known frequency.

#[path = "../tones/mod.rs"]
mod tones;

mod accuracy;
mod changes;
mod honesty;
mod laws;
mod states;
mod waveforms;
mod windows;

use meter::Meter;
use model::quantity::Hertz;
use model::time::SampleRate;

fn meter_at(rate: f64) -> Meter {
    Meter::new(SampleRate::new(Hertz::of(rate)).unwrap())
}
