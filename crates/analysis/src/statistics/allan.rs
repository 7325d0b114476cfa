//! Deviations of a frequency against itself: how much a pitch changes from one
//! stretch of time to the next.
//!
//! Definitions, the published test sets and the determination of the type of
//! noise are those of NIST Special Publication 1065 (Riley 2008, "Handbook of
//! Frequency Stability Analysis"). Everything here takes frequency (deviations in
//! cents, say), evenly spaced and without a gap, never phase; `m` is the averaging
//! time in samples.

use crate::statistics::chi_square;
use crate::statistics::mean;

/// Fewer samples than this do not show what kind of noise they have.
const SAMPLES_FOR_TYPE: usize = 30;

/// Running sums: phase in units of frequency times samples, beginning with zero.
fn phase(frequency: &[f64]) -> Vec<f64> {
    // What all share would only cost digits.
    let mean = mean(frequency);
    let mut sum = 0.0;
    std::iter::once(0.0)
        .chain(frequency.iter().map(|value| {
            sum += value - mean;
            sum
        }))
        .collect()
}

/// Overlapping Allan deviation over `m` samples: the root of half the mean square
/// of the change from each mean over `m` to the mean over the next `m`, wherever
/// they begin (SP 1065, 5.2.4). `None` when there are fewer than two such means.
pub(crate) fn overlapping_allan(frequency: &[f64], m: usize) -> Option<f64> {
    let x = phase(frequency);
    let changes = x
        .len()
        .checked_sub(2 * m)
        .filter(|count| m > 0 && *count > 0)?;
    let sum: f64 = (0..changes)
        .map(|i| (x[i + 2 * m] - 2.0 * x[i + m] + x[i]).powi(2))
        .sum();
    Some((sum / (2.0 * (m * m) as f64 * changes as f64)).sqrt())
}

/// The correlation of neighbouring values: `sum (y_i - mean)(y_i+1 - mean)` over
/// `sum (y_i - mean)^2` (as NIST's univariate reference sets have it).
pub(crate) fn lag_one_autocorrelation(values: &[f64]) -> Option<f64> {
    let mean = mean(values);
    let all: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    let next: f64 = values
        .windows(2)
        .map(|pair| (pair[0] - mean) * (pair[1] - mean))
        .sum();
    let correlation = next / all;
    correlation.is_finite().then_some(correlation)
}

/// The types of noise of a frequency, by the exponent of its spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Noise {
    RandomWalk,
    Flicker,
    White,
    FlickerOfPhase,
    WhiteOfPhase,
}

impl Noise {
    /// The same as it is handed over.
    pub(crate) const fn kind(self) -> model::result::Noise {
        use model::result::Noise as N;
        match self {
            Self::RandomWalk => N::RandomWalk,
            Self::Flicker => N::Flicker,
            Self::White => N::White,
            Self::FlickerOfPhase => N::FlickerOfPhase,
            Self::WhiteOfPhase => N::WhiteOfPhase,
        }
    }

    /// The type that neighbouring means over `m` samples show by their lag-1
    /// autocorrelation r: differenced until r / (1 + r) is below 1/4, the exponent
    /// is twice what is left and how often that was (SP 1065, 5.5.6; Riley and
    /// Greenhall 2004). `None` with too few means.
    pub(crate) fn of(frequency: &[f64], m: usize) -> Option<Self> {
        let mut means: Vec<f64> = frequency.chunks_exact(m.max(1)).map(mean).collect();
        if means.len() < SAMPLES_FOR_TYPE {
            return None;
        }
        let mut times = 0.0;
        loop {
            let r = lag_one_autocorrelation(&means)?;
            let rest = r / (1.0 + r);
            if rest < 0.25 || times >= 2.0 {
                let exponent = -2.0 * (rest + times);
                return Some(match exponent.round() {
                    e if e <= -2.0 => Self::RandomWalk,
                    e if e <= -1.0 => Self::Flicker,
                    e if e <= 0.0 => Self::White,
                    e if e <= 1.0 => Self::FlickerOfPhase,
                    _ => Self::WhiteOfPhase,
                });
            }
            means = means.windows(2).map(|pair| pair[1] - pair[0]).collect();
            times += 1.0;
        }
    }

    /// Equivalent degrees of freedom of the overlapping Allan variance over `m` of
    /// `samples` frequencies (Howe, Allan and Barnes 1981, as in SP 1065, 5.4.1;
    /// formulas from memory, held against simulation in the tests).
    pub(crate) fn degrees_of_freedom(self, samples: usize, m: usize) -> f64 {
        let n = samples as f64 + 1.0;
        let m = m as f64;
        let freedom = match self {
            Self::WhiteOfPhase => (n + 1.0) * (n - 2.0 * m) / (2.0 * (n - m)),
            Self::FlickerOfPhase => {
                let one = ((n - 1.0) / (2.0 * m)).ln();
                let other = ((2.0 * m + 1.0) * (n - 1.0) / 4.0).ln();
                (one * other).max(0.0).sqrt().exp()
            }
            Self::White => {
                let square = 4.0 * m * m;
                (3.0 * (n - 1.0) / (2.0 * m) - 2.0 * (n - 2.0) / n) * square / (square + 5.0)
            }
            Self::Flicker if m < 1.5 => 2.0 * (n - 2.0).powi(2) / (2.3 * n - 4.9),
            Self::Flicker => 5.0 * n * n / (4.0 * m * (n + 3.0 * m)),
            Self::RandomWalk => {
                (n - 2.0) / m * ((n - 1.0).powi(2) - 3.0 * m * (n - 1.0) + 4.0 * m * m)
                    / (n - 3.0).powi(2)
            }
        };
        if freedom.is_finite() {
            freedom.max(1.0)
        } else {
            1.0
        }
    }
}

/// The 95 % interval of a deviation seen with so many degrees of freedom:
/// `d sqrt(n / chi^2)`.
pub(crate) fn interval(deviation: f64, degrees_of_freedom: f64) -> (f64, f64) {
    let at = |share: f64| {
        deviation * (degrees_of_freedom / chi_square::quantile(degrees_of_freedom, share)).sqrt()
    };
    (at(0.975), at(0.025))
}

/// The root of half the mean square of changes between values that are one step apart:
/// the deviation of readings with gaps between them. `None` without a pair.
pub(crate) fn root_half_mean_square(changes: &[f64]) -> Option<f64> {
    let count = changes.len();
    (count > 0).then(|| {
        (changes.iter().map(|change| change * change).sum::<f64>() / (2.0 * count as f64)).sqrt()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::standard_deviation;
    use crate::statistics::trials::Trials;

    /// Means of neighbouring `m` values.
    fn means(values: &[f64], m: usize) -> Vec<f64> {
        values.chunks_exact(m).map(mean).collect()
    }

    /// Allan deviation of means that do not overlap (SP 1065, 5.2.2).
    fn allan(frequency: &[f64], m: usize) -> f64 {
        let means = means(frequency, m);
        let steps: Vec<f64> = means.windows(2).map(|pair| pair[1] - pair[0]).collect();
        root_half_mean_square(&steps).unwrap()
    }

    /// Modified Allan deviation (SP 1065, 5.2.5), from its definition.
    fn modified_allan(frequency: &[f64], m: usize) -> f64 {
        let x = phase(frequency);
        let changes: Vec<f64> = (0..=x.len() - 3 * m)
            .map(|j| {
                (j..j + m)
                    .map(|i| x[i + 2 * m] - 2.0 * x[i + m] + x[i])
                    .sum::<f64>()
            })
            .collect();
        root_half_mean_square(&changes).unwrap() / (m * m) as f64
    }

    /// Overlapping Hadamard deviation (SP 1065, 5.2.9), from its definition.
    fn overlapping_hadamard(frequency: &[f64], m: usize) -> f64 {
        let x = phase(frequency);
        let squares: f64 = (0..x.len() - 3 * m)
            .map(|i| (x[i + 3 * m] - 3.0 * x[i + 2 * m] + 3.0 * x[i + m] - x[i]).powi(2))
            .sum();
        (squares / (6.0 * (x.len() - 3 * m) as f64)).sqrt() / m as f64
    }

    fn near(found: f64, printed: f64) {
        assert!((found / printed - 1.0).abs() < 1e-6, "{found} {printed}");
    }

    #[test]
    fn the_nine_point_set_of_sp_1065() {
        // NBS Monograph 140, Annex 8.E, as in SP 1065, 12.4, Tables 29 and 30; the
        // digits beyond the printed ones by the formulas.
        let y = [892., 809., 823., 798., 671., 644., 883., 903., 677.];
        near(mean(&y), 788.888_888_9);
        near(standard_deviation(&y), 100.977_0);
        near(standard_deviation(&means(&y, 2)), 102.603_9);
        near(allan(&y, 1), 91.229_45);
        near(allan(&y, 2), 115.808_211);
        near(overlapping_allan(&y, 1).unwrap(), 91.229_45);
        near(overlapping_allan(&y, 2).unwrap(), 85.952_869_8);
        near(modified_allan(&y, 1), 91.229_45);
        near(modified_allan(&y, 2), 74.788_493_4);
        near(2.0 * modified_allan(&y, 2) / 3f64.sqrt(), 86.358_313_6);
        // Printed as 70.80607 and as 70.80608.
        assert!((overlapping_hadamard(&y, 1) - 70.806_07).abs() < 2e-5);
        near(overlapping_hadamard(&y, 2), 85.614_871_7);
        assert_eq!(overlapping_allan(&y, 5), None);
        assert_eq!(overlapping_allan(&[], 1), None);
    }

    #[test]
    fn the_thousand_point_set_of_sp_1065() {
        // SP 1065, 12.4, Tables 31 and 32.
        let mut n = 1_234_567_890u64;
        let mut y = Vec::with_capacity(1000);
        for _ in 0..1000 {
            y.push(n as f64 / 2_147_483_647.0);
            n = 16_807 * n % 2_147_483_647;
        }
        near(mean(&y), 0.489_774_462_9);
        for (m, sd, adev, oadev, mdev, tdev, ohdev) in [
            (
                1,
                2.884_664e-1,
                2.922_319e-1,
                0.292_231_878_106_76,
                2.922_319e-1,
                1.687_202e-1,
                0.294_388_329_124_13,
            ),
            (
                10,
                9.296_352e-2,
                9.965_736e-2,
                0.091_599_534_201_19,
                0.061_723_763_824_52,
                3.563_623e-1,
                0.095_810_831_732_52,
            ),
            (
                100,
                3.206_656e-2,
                3.897_804e-2,
                0.032_413_430_260_57,
                0.021_709_209_136_94,
                1.253_382,
                0.032_376_382_527_61,
            ),
        ] {
            near(standard_deviation(&means(&y, m)), sd);
            near(allan(&y, m), adev);
            near(overlapping_allan(&y, m).unwrap(), oadev);
            near(modified_allan(&y, m), mdev);
            near(m as f64 * modified_allan(&y, m) / 3f64.sqrt(), tdev);
            near(overlapping_hadamard(&y, m), ohdev);
        }
        assert_eq!(Noise::of(&y, 1), Some(Noise::White));
        assert_eq!(Noise::of(&y, 10), Some(Noise::White));
        assert_eq!(Noise::of(&y, 100), None);
    }

    #[test]
    fn steady_drift_and_alternation_give_what_they_must() {
        // Identities: D tau / sqrt 2; sqrt 2, then nothing.
        let drift: Vec<f64> = (0..200).map(|i| 0.3 * f64::from(i)).collect();
        for m in [1usize, 4, 30] {
            near(
                overlapping_allan(&drift, m).unwrap(),
                0.3 * m as f64 / 2f64.sqrt(),
            );
            assert!(overlapping_hadamard(&drift, m) < 1e-9);
        }
        let there_and_back: Vec<f64> = (0..200).map(|i| f64::from(1 - 2 * (i % 2))).collect();
        near(overlapping_allan(&there_and_back, 1).unwrap(), 2f64.sqrt());
        assert!(overlapping_allan(&there_and_back, 2).unwrap() < 1e-9);
    }

    /// Noise of one type.
    fn make(noise: Noise, count: usize, trials: &mut Trials) -> Vec<f64> {
        let white: Vec<f64> = (0..=count).map(|_| trials.normal()).collect();
        match noise {
            Noise::White => white[1..].to_vec(),
            Noise::RandomWalk => {
                let mut sum = 0.0;
                white[1..]
                    .iter()
                    .map(|step| {
                        sum += step;
                        sum
                    })
                    .collect()
            }
            _ => white.windows(2).map(|pair| pair[1] - pair[0]).collect(),
        }
    }

    #[test]
    fn noise_is_known_by_its_type_and_the_interval_holds_the_truth() {
        for (noise, share) in [
            (Noise::White, 0.95),
            (Noise::RandomWalk, 0.90),
            (Noise::WhiteOfPhase, 0.90),
        ] {
            let mut trials = Trials::of([77, noise as u64, 0]);
            let known = (0..100)
                .filter(|_| Noise::of(&make(noise, 300, &mut trials), 1) == Some(noise))
                .count();
            assert!(known as f64 >= share * 100.0, "{noise:?} {known}");
            for m in [1usize, 8] {
                // The true deviation from one very long record.
                let long = make(noise, 400_000, &mut trials);
                let truth = overlapping_allan(&long, m).unwrap();
                let held = (0..400)
                    .filter(|_| {
                        let y = make(noise, 200, &mut trials);
                        let seen = overlapping_allan(&y, m).unwrap();
                        let freedom = noise.degrees_of_freedom(y.len(), m);
                        let (low, high) = interval(seen, freedom);
                        low <= truth && truth <= high
                    })
                    .count();
                assert!((372..=392).contains(&held), "{noise:?} {m} {held}");
            }
        }
    }

    /// The numbers of a NIST data file from line 61 on.
    fn data(text: &str) -> Vec<f64> {
        text.lines()
            .skip(60)
            .filter_map(|line| line.trim().parse().ok())
            .collect()
    }

    #[test]
    fn univariate_sets_of_nist_as_certified() {
        // NIST Statistical Reference Datasets, univariate: mean, standard deviation,
        // lag-1 autocorrelation. The data of the last two are not representable in
        // binary, which bounds what can be reached: 1e-9 and 1e-8.
        macro_rules! set {
            ($name:literal) => {
                data(include_str!(concat!(
                    "../../../../tests/reference-data/strd/",
                    $name,
                    ".dat"
                )))
            };
        }
        for (y, count, mean_y, sd, r, within) in [
            (
                set!("Lew"),
                200,
                -177.435,
                277.332_168_044_316,
                -0.307_304_800_605_679,
                1e-12,
            ),
            (
                set!("Lottery"),
                218,
                518.958_715_596_330,
                291.699_727_470_969,
                -0.120_948_622_967_393,
                1e-12,
            ),
            (
                set!("Mavro"),
                50,
                2.001_856,
                0.000_429_123_454_003_053,
                0.937_989_183_438_248,
                1e-11,
            ),
            (
                set!("Michelso"),
                100,
                299.852_4,
                0.079_010_547_819_051_8,
                0.535_199_668_621_283,
                1e-11,
            ),
            (set!("NumAcc1"), 3, 10_000_002.0, 1.0, -0.5, 1e-12),
            (set!("NumAcc2"), 1001, 1.2, 0.1, -0.999, 1e-12),
            (set!("NumAcc3"), 1001, 1_000_000.2, 0.1, -0.999, 1e-9),
            (set!("NumAcc4"), 1001, 10_000_000.2, 0.1, -0.999, 1e-8),
        ] {
            assert_eq!(y.len(), count);
            let off = |found: f64, certified: f64| (found / certified - 1.0).abs();
            assert!(off(mean(&y), mean_y) < 1e-14, "{mean_y}");
            assert!(
                off(standard_deviation(&y), sd) < within,
                "sd {sd}: {:e}",
                off(standard_deviation(&y), sd)
            );
            let found = lag_one_autocorrelation(&y).unwrap();
            assert!(off(found, r) < within, "r {r}: {:e}", off(found, r));
        }
    }
}
