//! One case again, with all that is known of it.

use laboratory::case::Case;
use laboratory::category::Category;
use laboratory::judge::Meters;
use laboratory::motion::CENTS;
use std::error::Error;
use std::path::Path;

/// Prints it, and writes it as a recording.
pub fn show(
    category: Category,
    seed: u64,
    index: u64,
    wav: Option<&Path>,
) -> Result<(), Box<dyn Error>> {
    let case = Case::draw(category, seed, index);
    let judged = Meters::default().judge(&case);
    let estimate = judged.estimate;
    println!("{} {index}, seed {seed}: {}", category.name(), case.story);
    println!(
        "window   {} samples at {} Hz, {:.4} s, {:.2} periods",
        case.samples.len(),
        case.rate,
        case.seconds(),
        case.periods()
    );
    let hertz = |value: Option<f64>| value.map_or("none".to_owned(), |hz| format!("{hz:.9} Hz"));
    println!("true     {}", hertz(case.truth));
    let found = estimate.frequency.map(|f| f.get());
    println!("found    {}, {}", hertz(found), judged.words());
    let cents = |hz: f64| hz / case.truth.unwrap_or(f64::NAN) * CENTS;
    if let Some(error) = judged.error_cents {
        println!("error    {error:.9} cent");
    }
    for (name, value) in [
        ("bound", case.bound),
        ("u", estimate.u.map(|u| u.get())),
        ("u osc", estimate.u_oscillator.map(|u| u.get())),
    ] {
        if let Some(value) = value {
            println!("{name:8} {value:.3e} Hz, {:.3e} cent", cents(value));
        }
    }
    if let Some(ratio) = judged.error_in_u {
        println!("error    {ratio:.2} u");
    }
    if let Some(rate) = estimate.rate_of_change {
        println!("change   {:.4} cent/s", cents(rate));
    }
    if let (Some(explained), Some(level)) = (estimate.explained, estimate.level) {
        println!("explains {explained:.9} of {:.2} dBFS", level.get());
    }
    if let Some(path) = wav {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: case.rate as u32,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut writer = hound::WavWriter::create(path, spec)?;
        for sample in &case.samples {
            writer.write_sample(*sample)?;
        }
        writer.finalize()?;
    }
    Ok(())
}
