//! Analysis of variance: whether groups differ, and what a measurement adds to units
//! that were measured on several benches several times (gauge repeatability and
//! reproducibility).
//!
//! The study is the crossed, balanced one with random effects: measurement systems
//! analysis of the automotive trade (AIAG, chapter III, from memory), and Vardeman and
//! VanValkenburg, "Two-way random-effects analyses and gauge R&R studies",
//! Technometrics 41 (1999). An interaction whose variance comes out negative is taken as
//! none, and pooled with the repeats.

use crate::statistics::chi_square;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

/// A line of a table of variances.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Degrees of freedom.
    pub freedom: usize,
    /// Sum of squares.
    pub squares: f64,
}

impl Line {
    /// Mean square; nought without degrees of freedom.
    #[must_use]
    pub fn mean(&self) -> f64 {
        if self.freedom > 0 {
            self.squares / self.freedom as f64
        } else {
            0.0
        }
    }

    /// Several lines as one.
    fn pooled(lines: impl IntoIterator<Item = Self>) -> Self {
        let none = Self {
            freedom: 0,
            squares: 0.0,
        };
        lines.into_iter().fold(none, |sum, line| Self {
            freedom: sum.freedom + line.freedom,
            squares: sum.squares + line.squares,
        })
    }

    /// How likely so large a mean square is beside that of `other` by chance alone.
    fn chance_beside(&self, other: &Self) -> Option<f64> {
        let f = self.mean() / other.mean();
        let distribution = FisherSnedecor::new(self.freedom as f64, other.freedom as f64).ok()?;
        f.is_finite().then(|| distribution.sf(f))
    }
}

/// Groups held against each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OneWay {
    /// Between the groups.
    pub between: Line,
    /// Within them.
    pub within: Line,
    /// How likely such a difference between groups is by chance alone.
    pub chance: f64,
}

/// Whether groups differ; they may be of different size. `None` unless there are two, and
/// repeats in one of them, and any scatter.
#[must_use]
pub(super) fn one_way(groups: &[Vec<f64>]) -> Option<OneWay> {
    let groups: Vec<&Vec<f64>> = groups.iter().filter(|group| !group.is_empty()).collect();
    let all = mean(groups.iter().copied().flatten());
    let within = Line::pooled(groups.iter().map(|group| scatter(group)));
    let squares = groups
        .iter()
        .map(|group| group.len() as f64 * (mean(*group) - all).powi(2))
        .sum();
    let between = Line {
        freedom: groups.len().checked_sub(1)?,
        squares,
    };
    Some(OneWay {
        chance: between.chance_beside(&within)?,
        between,
        within,
    })
}

/// What a study of units on benches says. Variances are those of one measurement, in the
/// square of the result's unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Study {
    /// How many units, benches and repeats.
    pub size: (usize, usize, usize),
    /// Between units.
    pub units: Line,
    /// Between benches.
    pub benches: Line,
    /// Units that come out differently on different benches.
    pub interaction: Line,
    /// Between repeats.
    pub repeats: Line,
    /// All together.
    pub total: Line,
    /// How likely such an interaction is if there is none.
    pub interaction_chance: Option<f64>,
    /// Whether the interaction was none, and pooled with the repeats.
    pub pooled: bool,
    /// Repeatability: variance of repeats on one bench.
    pub repeatability: f64,
    /// Its 95 % interval.
    pub repeatability_interval: (f64, f64),
    /// Reproducibility: variance between benches, and of the interaction if there is any.
    pub reproducibility: f64,
    /// Variance between units.
    pub between_units: f64,
}

impl Study {
    /// Variance of the measurement: repeatability and reproducibility together.
    #[must_use]
    pub fn measurement(&self) -> f64 {
        self.repeatability + self.reproducibility
    }
    /// Variance of all that was seen.
    #[must_use]
    pub fn all(&self) -> f64 {
        self.measurement() + self.between_units
    }
    /// How many classes of units the measurement can tell apart: 1.41 standard deviations
    /// of the units over that of the measurement.
    #[must_use]
    pub fn classes(&self) -> Option<f64> {
        let measurement = self.measurement();
        (measurement > 0.0).then(|| 1.41 * (self.between_units / measurement).sqrt())
    }
}

/// Studies values by unit, then bench, then repeat.
///
/// # Errors
/// Why it is no such design: fewer than two of anything, not as many repeats everywhere,
/// or what is no number.
pub(super) fn study(values: &[Vec<Vec<f64>>]) -> Result<Study, String> {
    let n = values.len();
    let k = values.first().map_or(0, Vec::len);
    let r = values
        .first()
        .and_then(|unit| unit.first())
        .map_or(0, Vec::len);
    let balanced = values
        .iter()
        .all(|unit| unit.len() == k && unit.iter().all(|bench| bench.len() == r));
    if n < 2 || k < 2 || r < 2 || !balanced {
        return Err(
            "it takes two units or more, each measured on two benches or more, everywhere equally often and at least twice"
                .to_owned(),
        );
    }
    if values.iter().flatten().flatten().any(|v| !v.is_finite()) {
        return Err("a value is no number".to_owned());
    }
    let all = mean(values.iter().flatten().flatten());
    let squares_of = |means: &[f64]| means.iter().map(|m| (m - all).powi(2)).sum::<f64>();
    let of_units: Vec<f64> = values
        .iter()
        .map(|unit| mean(unit.iter().flatten()))
        .collect();
    let of_benches: Vec<f64> = (0..k)
        .map(|bench| mean(values.iter().flat_map(|unit| &unit[bench])))
        .collect();
    let (nf, kf, rf) = (n as f64, k as f64, r as f64);
    let units = Line {
        freedom: n - 1,
        squares: kf * rf * squares_of(&of_units),
    };
    let benches = Line {
        freedom: k - 1,
        squares: nf * rf * squares_of(&of_benches),
    };
    let mut interaction = Line {
        freedom: (n - 1) * (k - 1),
        squares: 0.0,
    };
    for (unit, of_unit) in values.iter().zip(&of_units) {
        for (cell, of_bench) in unit.iter().zip(&of_benches) {
            interaction.squares += rf * (mean(cell) - of_unit - of_bench + all).powi(2);
        }
    }
    let repeats = Line::pooled(values.iter().flatten().map(|cell| scatter(cell)));
    let total = Line {
        freedom: n * k * r - 1,
        squares: values
            .iter()
            .flatten()
            .flatten()
            .map(|value| (value - all).powi(2))
            .sum(),
    };
    let pooled = interaction.mean() <= repeats.mean();
    let (within, against, of_interaction) = if pooled {
        let both = Line::pooled([interaction, repeats]);
        (both, both.mean(), 0.0)
    } else {
        let between = (interaction.mean() - repeats.mean()) / rf;
        (repeats, interaction.mean(), between)
    };
    let at = |share: f64| within.squares / chi_square::quantile(within.freedom as f64, share);
    Ok(Study {
        size: (n, k, r),
        units,
        benches,
        interaction,
        repeats,
        total,
        interaction_chance: interaction.chance_beside(&repeats),
        pooled,
        repeatability: within.mean(),
        repeatability_interval: (at(0.975), at(0.025)),
        // A variance cannot be negative; an estimate below nought says that it is small.
        reproducibility: ((benches.mean() - against) / (nf * rf)).max(0.0) + of_interaction,
        between_units: ((units.mean() - against) / (kf * rf)).max(0.0),
    })
}

fn mean<'a>(values: impl IntoIterator<Item = &'a f64>) -> f64 {
    let (sum, count) = values
        .into_iter()
        .fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    sum / count
}

/// The squares of values around their own mean.
fn scatter(values: &[f64]) -> Line {
    let middle = mean(values);
    Line {
        freedom: values.len().saturating_sub(1),
        squares: values.iter().map(|value| (value - middle).powi(2)).sum(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, by: f64) {
        assert!((found - expected).abs() < by, "{found} {expected}");
    }

    /// The example of the AIAG manual, chapter III: ten parts, three appraisers, three
    /// trials. Data and printed sums of squares were recalled separately and agree to all
    /// printed digits; what follows from them was computed with capstat-core as well.
    #[test]
    fn ten_parts_three_appraisers_three_trials() {
        let text = include_str!("../../../../tests/reference-data/gauge-rr-10x3x3.csv");
        let mut values = vec![vec![Vec::new(); 3]; 10];
        for line in text.lines().skip(1) {
            let fields: Vec<&str> = line.split(',').collect();
            let appraiser = ["A", "B", "C"]
                .iter()
                .position(|name| *name == fields[0])
                .unwrap();
            for (part, value) in fields[2..].iter().enumerate() {
                values[part][appraiser].push(value.parse().unwrap());
            }
        }
        let found = study(&values).unwrap();
        // Printed: 3.1673, 88.3619, 0.3590, 2.7589, 94.6471.
        near(found.benches.squares, 3.167_262_222_2, 1e-9);
        near(found.units.squares, 88.361_934_444_4, 1e-9);
        near(found.interaction.squares, 0.358_982_222_2, 1e-9);
        near(found.repeats.squares, 2.758_933_333_3, 1e-9);
        near(found.total.squares, 94.647_112_222_2, 1e-9);
        let freedom = [
            found.benches,
            found.units,
            found.interaction,
            found.repeats,
            found.total,
        ]
        .map(|line| line.freedom);
        assert_eq!(freedom, [2, 9, 18, 60, 89]);
        // The interaction's own variance is -0.00868.
        near(
            (found.interaction.mean() - found.repeats.mean()) / 3.0,
            -0.008_679_6,
            1e-7,
        );
        near(found.interaction_chance.unwrap(), 0.974_106, 1e-6);
        assert!(found.pooled);
        near(found.repeatability, 0.039_973_276_4, 1e-9);
        near(found.reproducibility, 0.051_455_261_2, 1e-9);
        near(found.between_units, 1.086_446_604_4, 1e-9);
        near(found.all(), 1.177_875_141_9, 1e-9);
        // 27.86 % of the total deviation; 4.86 classes, which the manual rounds to 5.
        near((found.measurement() / found.all()).sqrt(), 0.2786, 5e-5);
        near(found.classes().unwrap(), 4.8605, 1e-4);
        let (low, high) = found.repeatability_interval;
        assert!(low < found.repeatability && found.repeatability < high);
    }

    /// Vardeman and VanValkenburg (1999), five operators by two parts by three trials, as
    /// printed in the manual of the R package qualityTools.
    #[test]
    fn two_parts_five_operators_three_trials() {
        let trials = [
            [
                [3.481, 3.448, 3.485, 3.475, 3.472],
                [3.258, 3.254, 3.256, 3.249, 3.241],
            ],
            [
                [3.477, 3.472, 3.464, 3.472, 3.470],
                [3.254, 3.247, 3.257, 3.238, 3.250],
            ],
            [
                [3.470, 3.470, 3.477, 3.473, 3.474],
                [3.258, 3.239, 3.245, 3.240, 3.254],
            ],
        ];
        let mut values = vec![vec![Vec::new(); 5]; 2];
        for trial in &trials {
            for (part, row) in trial.iter().enumerate() {
                for (operator, value) in row.iter().enumerate() {
                    values[part][operator].push(*value);
                }
            }
        }
        let found = study(&values).unwrap();
        near(found.benches.squares, 5.016_666_67e-4, 1e-11);
        near(found.units.squares, 0.371_853_333, 1e-9);
        near(found.interaction.squares, 1.763_333_33e-4, 1e-11);
        near(found.repeats.squares, 1.023_333_33e-3, 1e-10);
        near(found.total.squares, 0.373_554_667, 1e-9);
        near(found.interaction.mean(), 4.408_333_33e-5, 1e-12);
        assert!(found.pooled);
        near(found.repeatability, 4.998_611_11e-5, 1e-12);
    }

    /// NIST Statistical Reference Datasets, analysis of variance, SiRstv: resistivities by
    /// five instruments, five each. Nine of the certified digits.
    #[test]
    fn resistivities_by_five_instruments() {
        let groups: Vec<Vec<f64>> = [
            [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
            [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
            [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
            [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
            [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
        ]
        .map(Vec::from)
        .into();
        let found = one_way(&groups).unwrap();
        assert_eq!((found.between.freedom, found.within.freedom), (4, 20));
        near(found.between.squares, 5.114_626_16e-2, 5e-11);
        near(found.within.squares, 2.166_365_6e-1, 2e-10);
        let f = found.between.mean() / found.within.mean();
        near(f, 1.180_462_374_402_55, 1e-9);
        near(found.within.mean().sqrt(), 0.104_076_068_334_656, 1e-10);
        // F(4, 20) is above 2.866 in 5 % of cases (any table), so this is chance.
        assert!(found.chance > 0.3 && found.chance < 0.4);
    }

    /// JCGM 100:2008 (GUM), H.5: a voltage standard on ten days, five readings a day, of
    /// which the means (here microvolts above 10 V) and standard deviations are printed,
    /// and nothing else counts. Printed: s_a 128, s_b 85, F(9, 40) 2.25 between F.95 = 2.12
    /// and F.975 = 2.45, between days 43, u of the grand mean 18 microvolts; all recalled
    /// and confirmed by recomputing, whence the further digits (2.25 is the F of the
    /// rounded deviations).
    #[test]
    fn days_differ_as_in_the_gum() {
        let means = [
            172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0,
        ];
        let deviations = [60.0, 77.0, 111.0, 101.0, 67.0, 93.0, 80.0, 73.0, 88.0, 86.0];
        let days: Vec<Vec<f64>> = std::iter::zip(means, deviations)
            .map(|(mean, s)| {
                // Any five with this mean and deviation.
                [-2.0, -1.0, 0.0, 1.0, 2.0]
                    .map(|place: f64| mean + s * place / 2.5f64.sqrt())
                    .to_vec()
            })
            .collect();
        let found = one_way(&days).unwrap();
        assert_eq!((found.between.freedom, found.within.freedom), (9, 40));
        let (between, within) = (found.between.mean(), found.within.mean());
        near(between.sqrt(), 127.656, 1e-3);
        near(within.sqrt(), 84.887, 1e-3);
        near(between / within, 2.2615, 5e-5);
        near(((between - within) / 5.0).sqrt(), 42.6386, 5e-5);
        near((between / 50.0).sqrt(), 18.0533, 5e-5);
        assert!(found.chance > 0.025 && found.chance < 0.05);
        let within = Line {
            freedom: 40,
            squares: 40.0,
        };
        for (f, chance) in [(2.1240, 0.05), (2.4519, 0.025)] {
            let between = Line {
                freedom: 9,
                squares: 9.0 * f,
            };
            near(between.chance_beside(&within).unwrap(), chance, 1e-5);
        }
    }

    /// NIST/SEMATECH e-Handbook 2.4.4 (pages mpc443 and mpc444), probe 2362: repeatability
    /// over five runs of 60 degrees of freedom, and the long-term deviation.
    #[test]
    fn repeatability_of_a_probe_is_pooled() {
        let runs = [0.48115, 0.69209, 0.48483, 1.21752, 0.30076].map(|squares| Line {
            freedom: 60,
            squares,
        });
        near(Line::pooled(runs).mean().sqrt(), 0.102_897, 1e-6);
        let stability = [0.0223f64, 0.0027, 0.0289, 0.0133, 0.0205].map(|s| Line {
            freedom: 1,
            squares: s * s,
        });
        // Printed with four places, from deviations that are printed with four.
        near(Line::pooled(stability).mean().sqrt(), 0.0197, 5e-5);
    }

    #[test]
    fn what_is_no_design_is_refused() {
        assert!(study(&[]).is_err());
        assert!(study(&[vec![vec![1.0, 2.0], vec![1.0]], vec![vec![1.0, 2.0]; 2]]).is_err());
        assert!(study(&vec![vec![vec![f64::NAN; 2]; 2]; 2]).is_err());
        // Nothing scatters at all.
        let flat = study(&vec![vec![vec![1.0; 2]; 2]; 2]).unwrap();
        assert_eq!((flat.measurement(), flat.classes()), (0.0, None));
        assert_eq!(flat.interaction_chance, None);
        assert_eq!(one_way(&[]), None);
        assert_eq!(one_way(&[vec![1.0], vec![2.0]]), None);
        assert_eq!(one_way(&[vec![1.0; 3], vec![1.0; 3]]), None);
    }
}
