//! How much of the hostile tests is tried, and from which seed.
//!
//! They come from seeds, so what failed once fails again. CI tries a part of each with a fixed
//! seed; `scripts/hostile` tries the whole.

/// How many cases to try: `part` of them as a rule, `whole` where `NIGHTBENCH_HOSTILE` is
/// `whole`.
#[must_use]
pub fn cases(part: u32, whole: u32) -> u32 {
    if std::env::var_os("NIGHTBENCH_HOSTILE").is_some_and(|value| value == "whole") {
        whole
    } else {
        part
    }
}

/// The seed of all cases: `NIGHTBENCH_SEED`, else always the same. It is printed, which the
/// test runner shows when the test fails.
///
/// # Panics
/// When `NIGHTBENCH_SEED` is no whole number.
#[must_use]
pub fn seed() -> u64 {
    let seed = std::env::var("NIGHTBENCH_SEED").map_or(1, |text| {
        text.parse()
            .unwrap_or_else(|_| panic!("NIGHTBENCH_SEED is \"{text}\"; give a whole number"))
    });
    println!("the seed is {seed}; NIGHTBENCH_SEED={seed} tries the same again");
    seed
}
