//! The meter beside public estimators, on the same cases in one run.

use crate::speed::processor_seconds;
use laboratory::case::Case;
use laboratory::category::Category;
use laboratory::classics::{autocorrelation_peak, spectral_peak};
use laboratory::judge::{GROSS_CENTS, Meters, quantile};
use laboratory::motion::CENTS;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::error::Error;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::Command;

/// What a method found in each case, and how long it took.
#[derive(Default)]
struct Method {
    found: BTreeMap<usize, f64>,
    spent: f64,
}

/// Runs all on cases of the categories that have one tone.
pub fn compare(seed: u64, cases: u64, python: &str) -> Result<(), Box<dyn Error>> {
    let cases: Vec<Case> = Category::ALL
        .into_iter()
        .filter(|category| category.has_a_tone() && *category != Category::TwoTones)
        .flat_map(|category| (0..cases).map(move |index| Case::draw(category, seed, index)))
        .collect();
    let mut methods: Vec<(String, Method)> = Vec::new();
    let mut meters = Meters::default();
    methods.push((
        "this meter".into(),
        own(&cases, |case| {
            let judged = meters.judge(case);
            judged.estimate.frequency.map(|hertz| hertz.get())
        }),
    ));
    methods.push((
        "spectral peak, parabola".into(),
        own(&cases, |case| spectral_peak(&case.samples, case.rate)),
    ));
    methods.push((
        "autocorrelation, parabola".into(),
        own(&cases, |case| {
            autocorrelation_peak(&case.samples, case.rate)
        }),
    ));
    match outside(&cases, python) {
        Ok(more) => methods.extend(more),
        Err(error) => println!("without public estimators: {python}: {error}"),
    }
    let audio: f64 = cases.iter().map(Case::seconds).sum();
    println!("{} cases, seed {seed}", cases.len());
    println!(
        "{:26} {:>8} {:>8} {:>10} {:>10} {:>12}",
        "method", "nothing", "gross %", "rms cents", "median", "CPU s per s"
    );
    for (name, method) in &methods {
        let errors: Vec<f64> = method
            .found
            .iter()
            .filter_map(|(index, hz)| Some(CENTS * (hz / cases[*index].truth?).ln()))
            .collect();
        let fine = || errors.iter().filter(|error| error.abs() <= GROSS_CENTS);
        let gross = errors.len() - fine().count();
        let rms = (fine().map(|error| error * error).sum::<f64>() / fine().count() as f64).sqrt();
        let median = quantile(fine().map(|error| error.abs()), 0.5).unwrap_or(f64::NAN);
        println!(
            "{name:26} {:8} {:8.2} {rms:10.5} {median:10.6} {:12.4}",
            cases.len() - errors.len(),
            100.0 * gross as f64 / cases.len() as f64,
            method.spent / audio
        );
    }
    Ok(())
}

fn own(cases: &[Case], mut find: impl FnMut(&Case) -> Option<f64>) -> Method {
    let mut method = Method::default();
    for (index, case) in cases.iter().enumerate() {
        let begun = processor_seconds();
        let found = find(case);
        method.spent += processor_seconds() - begun;
        if let Some(hz) = found.filter(|hz| *hz > 0.0) {
            method.found.insert(index, hz);
        }
    }
    method
}

/// Hands the cases to a Python script and reads what it says.
fn outside(cases: &[Case], python: &str) -> Result<Vec<(String, Method)>, Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    write_cases(cases, folder.path())?;
    let script = folder.path().join("estimators.py");
    fs::write(&script, include_str!("estimators.py"))?;
    let output = Command::new(python)
        .arg(&script)
        .arg(folder.path())
        .output()?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into());
    }
    let mut methods: Vec<(String, Method)> = Vec::new();
    for line in String::from_utf8_lossy(&output.stdout).lines() {
        let line: Value = serde_json::from_str(line)?;
        if let Some(missing) = line["missing"].as_str() {
            println!("not installed: {missing}");
            continue;
        }
        let name = line["method"].as_str().ok_or("no method")?;
        let index: usize = line["file"]
            .as_str()
            .and_then(|file| file.strip_suffix(".f32"))
            .ok_or("no file")?
            .parse()?;
        if methods.last().is_none_or(|(last, _)| last != name) {
            methods.push((name.to_owned(), Method::default()));
        }
        if let Some((_, method)) = methods.last_mut() {
            method.spent += line["cpu_s"].as_f64().unwrap_or(0.0);
            if let Some(hz) = line["hz"].as_f64().filter(|hz| *hz > 0.0) {
                method.found.insert(index, hz);
            }
        }
    }
    Ok(methods)
}

fn write_cases(cases: &[Case], folder: &Path) -> Result<(), Box<dyn Error>> {
    let mut list = String::new();
    for (index, case) in cases.iter().enumerate() {
        let file = format!("{index}.f32");
        let bytes: Vec<u8> = case
            .samples
            .iter()
            .flat_map(|sample| sample.to_ne_bytes())
            .collect();
        fs::write(folder.join(&file), bytes)?;
        let line = json!({"file": file, "rate": case.rate, "seconds": case.seconds()});
        writeln!(list, "{line}")?;
    }
    fs::write(folder.join("cases.jsonl"), list)?;
    Ok(())
}
