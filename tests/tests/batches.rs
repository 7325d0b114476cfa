//! `batch`: many runs taken together, and what cannot be.

use serde_json::Value;
use std::path::Path;
use tests::program::{command, json_lines, last_word, repository, run, told};

const PLAN: &str = "\
nightbench: plan 1
title: Quick sweep
reference: C4
listen: {settle: {fixed: 100 ms}, window: {fixed: 250 ms}, repeats: 1}
stages:
  - power_on
  - wait: {for: 20 min}
  - sweep: {name: tracking, notes: {range: {from: C1, to: C7, step: 1200 cents}}}
tolerances:
  - {result: scale_error, of: tracking, allow: {within: 2 cents/oct}}
  - {result: error_left_after_retuning, of: tracking, allow: {at_most: 8 cents}}
";

/// A folder with a plan, two rigs that differ by name only, and a store.
struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let rig = std::fs::read_to_string(repository().join("rigs/simulated.yaml")).unwrap();
        let other = rig.replacen("name: simulated shelf", "name: other shelf", 1);
        assert_ne!(rig, other);
        let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text);
        write("plan.yaml", PLAN).unwrap();
        write("shelf.yaml", &rig).unwrap();
        write("other.yaml", &other).unwrap();
        Self { folder }
    }

    fn path(&self, name: &str) -> String {
        self.folder.path().join(name).display().to_string()
    }

    /// Runs a plan on four units, whose serial numbers begin as said; gives the run.
    fn run(&self, plan: &str, rig: &str, seed: u32, serial: &str) -> String {
        let (plan, rig, store) = (self.path(plan), self.path(rig), self.path("store"));
        let seed = seed.to_string();
        let units: Vec<String> = (1..=4).map(|n| format!("bay-{n}={serial}{n}")).collect();
        let mut arguments = vec![
            "run", &plan, "--rig", &rig, "--store", &store, "--seed", &seed,
        ];
        for unit in &units {
            arguments.extend(["--unit", unit]);
        }
        let output = run(&arguments);
        assert!(
            matches!(output.status.code(), Some(0 | 1 | 4)),
            "{}",
            told(&output)
        );
        last_word(&output)
    }

    fn batch(&self, runs: &[&str], more: &[&str]) -> std::process::Output {
        let store = self.path("store");
        let mut arguments = vec!["batch"];
        arguments.extend(runs);
        arguments.extend(["--store", &store]);
        arguments.extend(more);
        run(&arguments)
    }

    fn json(&self, runs: &[&str]) -> Value {
        let output = self.batch(runs, &["--format", "json"]);
        serde_json::from_slice(&output.stdout).unwrap_or_else(|_| panic!("{}", told(&output)))
    }

    /// Asserts that runs are refused with exit code 2 and these words.
    fn refuses(&self, runs: &[&str], words: &str) {
        let output = self.batch(runs, &[]);
        assert_eq!(output.status.code(), Some(2), "{}", told(&output));
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(said.contains(words), "{said}");
        assert!(output.stdout.is_empty(), "{}", told(&output));
    }
}

fn result<'a>(batch: &'a Value, name: &str) -> &'a Value {
    let results = batch["results"].as_array().unwrap();
    let mut named = results.iter().filter(|result| result["name"] == name);
    named.next().unwrap_or_else(|| panic!("no {name}"))
}

#[test]
fn units_of_several_runs_are_one_batch() {
    let bench = Bench::new();
    let runs: Vec<String> = (1..=3)
        .map(|seed| bench.run("plan.yaml", "shelf.yaml", seed, &format!("B{seed}-")))
        .collect();
    let runs: Vec<&str> = runs.iter().map(String::as_str).collect();
    let page = bench.path("batch.html");
    let output = bench.batch(&runs, &["--out", &page]);
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(
        text.contains("12 units in 3 runs of “Quick sweep”"),
        "{text}"
    );
    assert!(
        text.lines().all(|line| line.chars().count() <= 80),
        "{text}"
    );
    let batch = bench.json(&runs);
    assert_eq!(batch["kind"], "batch");
    assert_eq!(batch["same_plan"], true);
    assert_eq!(batch["units"].as_array().unwrap().len(), 12);

    // The exit code and the yield are what the verdicts of the runs say.
    let store = bench.path("store");
    let mut findings = Vec::new();
    let mut values = Vec::new();
    for run_id in &runs {
        let shown = run(&["show", run_id, "--store", &store, "--format", "json"]);
        for unit in one_document(&shown.stdout)["units"].as_array().unwrap() {
            findings.push(unit["finding"].as_str().unwrap().to_owned());
            let results = unit["results"].as_array().unwrap();
            let scale = results
                .iter()
                .find(|result| result["name"] == "scale_error");
            values.push(scale.unwrap()["value"].as_f64().unwrap());
        }
    }
    let with = |word: &str| findings.iter().filter(|finding| *finding == word).count();
    assert_eq!(batch["yield"]["passed"], with("pass"));
    assert_eq!(batch["yield"]["failed"], with("fail"));
    assert_eq!(batch["yield"]["undecided"], with("undecided"));
    let expected = match (with("fail"), with("undecided")) {
        (0, 0) => 0,
        (0, _) => 4,
        _ => 1,
    };
    assert_eq!(output.status.code(), Some(expected), "{}", told(&output));
    values.sort_by(f64::total_cmp);
    let median = f64::midpoint(values[5], values[6]);
    let scale = result(&batch, "scale_error");
    let found = scale["spread"]["median"].as_f64().unwrap();
    assert!((found - median).abs() < 1e-9, "{found} {median}");
    // Twelve are too few for a capability, and it says so.
    assert!(scale["tolerances"][0]["capability"].is_null());
    assert!(text.contains("Cp and Cpk are not stated"), "{text}");

    let html = std::fs::read_to_string(page).unwrap();
    assert!(html.contains("<svg") && html.contains("B3-4") && html.contains("Uncalibrated rig"));
    assert!(!html.contains("http") && !html.contains("<script"));
}

fn one_document(stdout: &[u8]) -> Value {
    serde_json::from_slice(stdout).unwrap()
}

#[test]
fn thirty_two_units_have_a_capability() {
    let bench = Bench::new();
    let runs: Vec<String> = (1..=8)
        .map(|seed| bench.run("plan.yaml", "shelf.yaml", seed, &format!("B{seed}-")))
        .collect();
    let runs: Vec<&str> = runs.iter().map(String::as_str).collect();
    let batch = bench.json(&runs);
    let scale = result(&batch, "scale_error");
    let capability = &scale["tolerances"][0]["capability"];
    let (cp, cpk) = (&capability["cp"], &capability["cpk"]);
    for index in [cp, cpk] {
        let [value, low, high] = ["value", "low", "high"].map(|key| index[key].as_f64().unwrap());
        assert!(low < value && value < high, "{index}");
    }
    assert!(cpk["value"].as_f64() <= cp["value"].as_f64());
    assert!(
        capability["standard_deviation"].as_f64() <= capability["standard_deviation_seen"].as_f64()
    );
    // What cannot be negative has percentiles instead.
    let left = result(&batch, "error_left_after_retuning");
    assert!(left["tolerances"][0]["capability"].is_null());
    assert!(left["spread"]["percentiles"]["p90"].is_number());
    let counts = scale["histogram"]["counts"].as_array().unwrap();
    assert_eq!(counts.iter().filter_map(Value::as_u64).sum::<u64>(), 32);
}

#[test]
fn the_same_units_on_two_benches_twice_are_a_study() {
    let bench = Bench::new();
    let runs: Vec<String> = [
        (1, "shelf.yaml"),
        (2, "shelf.yaml"),
        (3, "other.yaml"),
        (4, "other.yaml"),
    ]
    .map(|(seed, rig)| bench.run("plan.yaml", rig, seed, "A-"))
    .into();
    let runs: Vec<&str> = runs.iter().map(String::as_str).collect();
    let batch = bench.json(&runs);
    assert_eq!(batch["kind"], "study");
    let study = &result(&batch, "scale_error")["study"];
    let lines = ["units", "benches", "interaction", "repeats", "total"];
    let freedom = lines.map(|line| study[line]["degrees_of_freedom"].as_u64().unwrap());
    assert_eq!(freedom, [3, 1, 3, 8, 15]);
    let squares = lines.map(|line| study[line]["sum_of_squares"].as_f64().unwrap());
    let sum: f64 = squares[..4].iter().sum();
    assert!((sum / squares[4] - 1.0).abs() < 1e-9, "{squares:?}");
    // These four differ by far more than a bench does from one time to the next.
    let variance = |key: &str| study[key].as_f64().unwrap();
    assert!(variance("between_units_variance") > 10.0 * variance("measurement_variance"));

    // One run less, and it is a design no more.
    bench.refuses(&runs[..3], "repeating, not a batch");
    bench.refuses(&runs[..2], "unit A-1 is measured 2 times");
}

#[test]
fn what_cannot_be_taken_together_is_refused() {
    let bench = Bench::new();
    let id = bench.run("plan.yaml", "shelf.yaml", 1, "B1-");
    bench.refuses(&[], "name the runs");
    bench.refuses(&[&id, "ffffffffff"], "ffffffffff");
    bench.refuses(&[&id, &id[..6]], "named twice");
    let nowhere = Path::new("nowhere/at/all.html").display().to_string();
    let output = bench.batch(&[&id], &["--out", &nowhere]);
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    assert!(output.stdout.is_empty());
}

#[test]
fn different_plans_are_named() {
    let bench = Bench::new();
    let wider = PLAN
        .replace("Quick sweep", "Wider sweep")
        .replace("2 cents/oct", "20 cents/oct");
    std::fs::write(bench.path("wider.yaml"), wider).unwrap();
    let one = bench.run("plan.yaml", "shelf.yaml", 1, "B1-");
    let other = bench.run("wider.yaml", "shelf.yaml", 2, "B2-");
    let output = bench.batch(&[&one, &other], &[]);
    // Lines are broken to 80 columns.
    let text = String::from_utf8_lossy(&output.stdout).replace('\n', " ");
    assert!(
        text.contains("plans differ") && text.contains("“Wider sweep”"),
        "{text}"
    );
    let batch = bench.json(&[&one, &other]);
    assert_eq!(batch["same_plan"], false);
    // The result is one, the tolerances on it are two, each on its own four units.
    let tolerances = &result(&batch, "scale_error")["tolerances"];
    assert_eq!(tolerances.as_array().unwrap().len(), 2);
    for tolerance in tolerances.as_array().unwrap() {
        let count = |key: &str| tolerance["yield"][key].as_u64().unwrap();
        assert_eq!(count("passed") + count("failed") + count("undecided"), 4);
    }
}

#[test]
fn a_run_that_is_still_going_on_is_refused() {
    let bench = Bench::new();
    let store = bench.path("store");
    let night = repository().join("rigs/plans/overnight.yaml");
    let (night, rig) = (night.display().to_string(), bench.path("shelf.yaml"));
    let mut child = command(&["run", &night, "--rig", &rig, "--store", &store])
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let begun = std::time::Instant::now();
    let hanging = std::time::Duration::from_secs(120);
    let waiting = std::iter::repeat_with(|| begun.elapsed() < hanging).take_while(|wait| *wait);
    let going_on = waiting.into_iter().find_map(|_| {
        let listed = run(&["runs", "--store", &store, "--format", "json"]);
        let runs = if listed.status.success() {
            json_lines(&listed.stdout)
        } else {
            Vec::new()
        };
        let first = runs.first()?;
        (first["standing"] == "in_progress").then(|| first["run"].as_str().unwrap().to_owned())
    });
    let refused = going_on.map(|id| bench.batch(&[&id], &[]));
    let _ = child.kill();
    let _ = child.wait();
    let refused = refused.expect("the run was seen in progress");
    assert_eq!(refused.status.code(), Some(2), "{}", told(&refused));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("still going on"));
}
