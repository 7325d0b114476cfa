//! What a rig will be able to decide, as it reads.

use analysis::foresee;
use model::document::{read_plan, read_rig};

fn foreseen(rig: &str, guard: &str) -> Vec<String> {
    let plan = format!(
        "nightbench: plan 1
title: A sweep
reference: C4
listen:
  settle: {{until_steady: {{within: 0.5 cents, at_most: 3 s}}}}
  window: {{until_uncertainty: {{reaches: 0.05 cents, at_most: 4 s}}}}
stages:
  - sweep: {{name: fine, notes: {{range: {{from: C2, to: C7, step: 300 cents}}}}, order: up_then_down}}
decision: {{guard_band: {guard}}}
tolerances:
  - {{result: scale_error, of: fine, allow: {{within: 1 cent/oct}}}}
  - {{result: repeatability, of: fine, allow: {{at_most: 0.5 cents}}}}
  - {{result: settling_time, of: fine, allow: {{at_most: 1 s}}}}
"
    );
    let plan = read_plan("plan.yaml", plan.as_bytes()).unwrap().value;
    let rig = read_rig("rig.yaml", rig.as_bytes()).unwrap().value;
    let all = foresee(&plan, &rig);
    all.iter()
        .map(|one| report::foreseen(&plan, &rig, one))
        .collect()
}

#[test]
fn what_is_foreseen_says_what_it_hangs_on() {
    let bench = include_str!("../../../rigs/bench.yaml");
    let simulated = include_str!("../../../rigs/simulated.yaml");
    let [slope, scatter, settling] = &foreseen(bench, "1")[..] else {
        panic!("three tolerances");
    };
    assert!(
        slope.starts_with("scale error of \"fine\": this rig cannot decide a tolerance of 1 cent/oct, because it knows the result to \u{b1}")
            && slope.contains("(1 kohm, uncalibrated) alone makes \u{b1}")
            && slope.ends_with(" cents/oct; calibrate the rig or widen the tolerance"),
        "{slope}"
    );
    assert!(
        scatter.contains("can decide a tolerance of at most 0.5 cents: it knows")
            && scatter.ends_with("undecided; most of that is the noise of the readings")
            && !scatter.contains("0.00"),
        "{scatter}"
    );
    assert!(
        settling.contains("of \"fine\", at most 1 s: cannot be foreseen: in this stage"),
        "{settling}"
    );
    let slope = &foreseen(simulated, "1")[0];
    assert!(
        slope.contains("either way, undecided; most of that is the gain of its control voltage ("),
        "{slope}"
    );
    let alone = &foreseen(bench, "0")[0];
    assert!(
        alone.contains("the plan judges by the value alone, without a guard band"),
        "{alone}"
    );
}
