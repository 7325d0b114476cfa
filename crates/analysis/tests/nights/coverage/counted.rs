//! What is counted over the trials of a case, and when that is too few or too many.

use super::known::Key;
use model::result::ResultName;
use std::collections::BTreeMap;
use std::fmt::{self, Write as _};

/// At least this share of 95 % intervals is to hold the truth.
const HELD: f64 = 0.93;
/// From this share on the width is held beside what an oracle would need.
const WIDE: f64 = 0.98;
/// At most this share of units just beyond a limit is to pass: one side of 95 %.
const PASSED: f64 = 0.025;
/// Chance alone may bring what is counted so low or so high with this probability.
const CHANCE: f64 = 1e-3;

/// A result of a trial beside what it truly is.
#[derive(Debug, Clone, Copy)]
pub struct Seen {
    pub key: Key,
    /// Infinite where a time is never reached.
    pub truth: f64,
    pub value: Option<f64>,
    /// Ends of the 95 % interval; one alone is a bound.
    pub low: Option<f64>,
    pub high: Option<f64>,
    /// Whether a unit passes "at most" a limit just below what it truly is, and "at least"
    /// one just above.
    pub passes: [bool; 2],
}

impl Seen {
    fn is_determined(&self) -> bool {
        self.low.is_some() || self.high.is_some()
    }

    /// A bound holds where the truth lies beyond it.
    fn is_held(&self) -> bool {
        self.low.is_none_or(|low| low <= self.truth)
            && self.high.is_none_or(|high| self.truth <= high)
    }
}

impl fmt::Display for Seen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (stage, name) = self.key;
        let short = |number: Option<f64>| number.map_or("-".to_owned(), |n| format!("{n:.5}"));
        let [value, low, high] = [self.value, self.low, self.high].map(short);
        let missed = if self.is_held() { "" } else { " missed" };
        write!(
            f,
            "{stage} {name}: truly {:.5}, stated {value} [{low}, {high}]{missed}",
            self.truth
        )
    }
}

/// A result over the trials of a case.
#[derive(Debug, Clone, Default)]
pub struct Row {
    pub trials: u64,
    pub determined: u64,
    pub held: u64,
    /// Passes beyond an upper and beyond a lower limit.
    pub passed: [u64; 2],
    /// Half widths of intervals, and what values are off.
    half_widths: Vec<f64>,
    errors: Vec<f64>,
}

impl Row {
    fn count(&mut self, seen: &Seen) {
        self.trials += 1;
        self.determined += u64::from(seen.is_determined());
        self.held += u64::from(seen.is_determined() && seen.is_held());
        for (passed, passes) in self.passed.iter_mut().zip(seen.passes) {
            *passed += u64::from(passes);
        }
        if let (Some(low), Some(high)) = (seen.low, seen.high) {
            self.half_widths.push((high - low) / 2.0);
        }
        if let Some(value) = seen.value.filter(|_| seen.truth.is_finite()) {
            self.errors.push(value - seen.truth);
        }
    }

    fn share(&self) -> f64 {
        self.held as f64 / self.determined as f64
    }

    /// Of intervals with both ends.
    fn half_width(&self) -> f64 {
        self.half_widths.iter().sum::<f64>() / self.half_widths.len() as f64
    }

    /// The half width of one who knows how values scatter about the truth, though not in
    /// which trial how: 1.96 standard deviations of what they are off in all trials.
    fn oracle(&self) -> f64 {
        if self.errors.len() < 10 {
            return f64::NAN;
        }
        let n = self.errors.len() as f64;
        let mean = self.errors.iter().sum::<f64>() / n;
        let squares: f64 = self.errors.iter().map(|error| (error - mean).powi(2)).sum();
        1.96 * (squares / (n - 1.0)).sqrt()
    }

    /// Whether intervals hold the truth too seldom.
    pub fn misses(&self) -> bool {
        let missed = self.determined - self.held;
        at_least(self.determined, missed, 1.0 - HELD) < CHANCE
    }

    /// Whether too many units pass beyond a limit, above and below.
    pub fn passes(&self) -> [bool; 2] {
        self.passed
            .map(|passed| at_least(self.trials, passed, PASSED) < CHANCE)
    }

    /// What is wrong with it, in words; nothing where all is well.
    pub fn complaint(&self) -> String {
        let [above, below] = self.passes();
        let all = [
            (self.misses(), "misses"),
            (above, "passes above its limit"),
            (below, "passes below its limit"),
        ];
        let words: Vec<&str> = all
            .iter()
            .filter(|(is, _)| *is)
            .map(|(_, word)| *word)
            .collect();
        words.join(", ")
    }
}

/// The probability of so many of `n` or more, each with the probability `p` (the binomial
/// distribution, summed up).
pub fn at_least(n: u64, many: u64, p: f64) -> f64 {
    let mut log = n as f64 * (1.0 - p).ln();
    let mut sum = 0.0;
    for i in 0..=n {
        if i >= many {
            sum += log.exp();
        }
        log += ((n - i) as f64 / (i + 1) as f64).ln() + (p / (1.0 - p)).ln();
    }
    sum.min(1.0)
}

/// The 95 % interval of a share (Wilson 1927, J. Am. Stat. Assoc. 22:209).
fn wilson(of: u64, n: u64) -> (f64, f64) {
    const Z: f64 = 1.96;
    let (n, share) = (n as f64, of as f64 / n as f64);
    let middle = share + Z * Z / (2.0 * n);
    let reach = Z * (share * (1.0 - share) / n + Z * Z / (4.0 * n * n)).sqrt();
    let all = 1.0 + Z * Z / n;
    ((middle - reach) / all, (middle + reach) / all)
}

/// All results of a case.
#[derive(Debug, Clone, Default)]
pub struct Table(pub BTreeMap<Key, Row>);

impl Table {
    pub fn of(seen: impl IntoIterator<Item = Seen>) -> Self {
        let mut table = Self::default();
        for seen in seen {
            table.0.entry(seen.key).or_default().count(&seen);
        }
        table
    }

    /// Rows in the order in which results are shown.
    pub fn rows(&self) -> Vec<(&'static str, ResultName, &Row)> {
        let mut rows: Vec<_> = self
            .0
            .iter()
            .map(|((stage, name), row)| (*stage, *name, row))
            .collect();
        let place = |name| ResultName::ALL.iter().position(|other| *other == name);
        rows.sort_by_key(|(stage, name, _)| (*stage, place(*name)));
        rows
    }

    /// As text, or as comma-separated values with the case before each row.
    pub fn text(&self, case: &str, csv: bool) -> String {
        let mut text = String::new();
        let heads = [
            "result",
            "trials",
            "determined",
            "held %",
            "from",
            "to",
            "half width",
            "oracle",
            "passes at most",
            "passes at least",
            "wrong",
        ];
        if csv {
            let _ = writeln!(text, "case,stage,{}", heads.join(","));
        } else {
            let _ = writeln!(
                text,
                "{:<44}{:>6}{:>11}{:>8}  {:<13}{:>11}{:>11}{:>16}",
                "stage, result",
                "trials",
                "determined",
                "held %",
                "95 % of that",
                "half width",
                "oracle's",
                "passes <=, >=",
            );
        }
        for (stage, name, row) in self.rows() {
            let (from, to) = if row.determined > 0 {
                wilson(row.held, row.determined)
            } else {
                (0.0, 1.0)
            };
            let percent = 100.0 * row.share();
            let (half, oracle) = (row.half_width(), row.oracle());
            let [above, below] = row.passed;
            let wide = row.share() > WIDE && half > 2.0 * oracle;
            let mut wrong = row.complaint();
            if wrong.is_empty() && wide {
                wrong = format!("{:.1} times as wide", half / oracle);
            }
            let _ = if csv {
                writeln!(
                    text,
                    "{case},{stage},{name},{},{},{percent:.2},{:.2},{:.2},{half:.5},{oracle:.5},{above},{below},{wrong}",
                    row.trials,
                    row.determined,
                    100.0 * from,
                    100.0 * to,
                )
            } else {
                writeln!(
                    text,
                    "{:<44}{:>6}{:>11}{percent:>8.1}  {:<13}{:>11}{:>11}{:>16}  {wrong}",
                    format!("{stage}, {name}"),
                    row.trials,
                    row.determined,
                    format!("{:.1} to {:.1}", 100.0 * from, 100.0 * to),
                    short(half),
                    short(oracle),
                    format!("{above}, {below}"),
                )
            };
        }
        text
    }
}

/// Three digits.
fn short(number: f64) -> String {
    if !number.is_finite() {
        "-".to_owned()
    } else if number >= 100.0 {
        format!("{number:.0}")
    } else if number >= 1.0 {
        format!("{number:.2}")
    } else {
        format!("{number:.4}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 20 000 intervals of a normal distribution, 400 at a time: they hold it as often as
    /// they say, and with seven tenths of their width they are found out.
    #[test]
    fn intervals_that_are_too_narrow_are_found_out() {
        let mut random = crate::night::Random::new(1);
        for (shrunk, misses) in [(1.0, false), (0.7, true)] {
            for _ in 0..5 {
                let seen = (0..400).map(|_| {
                    let value = random.normal();
                    let [low, high] = [-1.96, 1.96].map(|z| value + shrunk * z);
                    Seen {
                        key: ("night", ResultName::ScaleError),
                        truth: 0.0,
                        value: Some(value),
                        low: Some(low),
                        high: Some(high),
                        passes: [high < 0.0, low > 0.0],
                    }
                });
                let table = Table::of(seen);
                let row = &table.0[&("night", ResultName::ScaleError)];
                assert_eq!(row.misses(), misses, "{row:?}");
                assert_eq!(row.passes().contains(&true), misses, "{row:?}");
                assert!((row.oracle() - 1.96).abs() < 0.3, "{}", row.oracle());
            }
        }
    }

    #[test]
    fn a_bound_holds_what_lies_beyond_it() {
        let at_least = |low: f64, truth: f64| {
            let seen = Seen {
                key: ("night", ResultName::WarmUpTime),
                truth,
                value: None,
                low: Some(low),
                high: None,
                passes: [false; 2],
            };
            seen.is_determined() && seen.is_held()
        };
        assert!(at_least(100.0, f64::INFINITY) && at_least(100.0, 120.0));
        assert!(!at_least(100.0, 80.0));
    }

    #[test]
    fn the_binomial_distribution_is_that_of_the_tables() {
        // 3 or more of 10 at one half: 968 of 1024; at a tenth: 0.0702 (any table).
        assert!((at_least(10, 3, 0.5) - 968.0 / 1024.0).abs() < 1e-12);
        assert!((at_least(10, 3, 0.1) - 0.0702).abs() < 1e-4);
        assert!((at_least(10_000, 0, 0.93) - 1.0).abs() < 1e-9);
        // 15 of 20 (Wilson's interval by its formula, from memory): 0.531 to 0.888.
        let (from, to) = wilson(15, 20);
        assert!((from - 0.531).abs() < 1e-3 && (to - 0.888).abs() < 1e-3);
    }
}
