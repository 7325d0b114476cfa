//! Draws of several numbers that are uncertain together, with a given covariance.
//!
//! The covariance comes as what makes it up: a table of independent contributions, a row
//! each, by the numbers they move (so that it is the table's transpose times the table).
//! Readings' own noise through the fit of a round is such a table, and so are the
//! deviations of simultaneous observations from their means (GUM 5.2 and H.2).

use crate::statistics::trials::Trials;
use nalgebra::DMatrix;

/// A triangular root of a covariance: so many independent normal numbers as the
/// covariance has rank make numbers that vary together as it says.
#[derive(Debug, Clone)]
pub(crate) struct Factor(DMatrix<f64>);

impl Factor {
    /// The factor of independent contributions of standard deviation one, a row each.
    pub(crate) fn of(contributions: DMatrix<f64>) -> Self {
        let root = contributions.qr().r();
        let largest = root.amax();
        let counting: Vec<usize> = (0..root.nrows())
            .filter(|row| root.row(*row).amax() > 1e-9 * largest)
            .collect();
        Self(root.select_rows(&counting).transpose())
    }

    /// Adds a draw to numbers.
    pub(crate) fn add_draw(&self, trials: &mut Trials, numbers: &mut [f64]) {
        for column in self.0.column_iter() {
            let normal = trials.normal();
            for (number, weight) in numbers.iter_mut().zip(&column) {
                *number += weight * normal;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::{mean, standard_deviation};

    /// GUM (JCGM 100:2008) H.2, table H.2: five simultaneous observations of the amplitude
    /// of a voltage (V), that of a current (A) and the phase between them (rad).
    const VOLTS: [f64; 5] = [5.007, 4.994, 5.005, 4.990, 4.999];
    const AMPERES: [f64; 5] = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3];
    const PHASE: [f64; 5] = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];

    /// Resistance, reactance and impedance, in ohms.
    fn impedance([volts, amperes, phase]: [f64; 3]) -> [f64; 3] {
        let ratio = volts / amperes;
        [ratio * phase.cos(), ratio * phase.sin(), ratio]
    }

    fn means() -> [f64; 3] {
        [mean(&VOLTS), mean(&AMPERES), mean(&PHASE)]
    }

    /// What each observation contributes to the uncertainty of the means (GUM 5.2.3).
    fn factor() -> Factor {
        let n = VOLTS.len() as f64;
        let columns = [VOLTS, AMPERES, PHASE];
        let means = means();
        Factor::of(DMatrix::from_fn(VOLTS.len(), 3, |row, column| {
            (columns[column][row] - means[column]) / (n * (n - 1.0)).sqrt()
        }))
    }

    fn correlation(one: &[f64], other: &[f64]) -> f64 {
        let (a, b) = (mean(one), mean(other));
        let products: f64 = one.iter().zip(other).map(|(x, y)| (x - a) * (y - b)).sum();
        products / (one.len() - 1) as f64 / standard_deviation(one) / standard_deviation(other)
    }

    fn near(found: f64, published: f64, within: f64) {
        assert!((found - published).abs() <= within, "{found} {published}");
    }

    /// The means, with their standard deviations and correlations, as printed in table H.2
    /// of the GUM; the further digits were recomputed with GTC, an open library.
    #[test]
    fn correlated_means_are_drawn_as_published() {
        let (factor, means) = (factor(), means());
        near(means[0], 4.9990, 5e-5);
        near(means[1], 19.6610e-3, 5e-8);
        near(means[2], 1.044_46, 5e-6);
        // First order: rows of the factor hold the covariance exactly.
        let u = |row: usize| factor.0.row(row).norm();
        near(u(0), 0.003_209_4, 5e-8);
        near(u(1), 0.009_471_0e-3, 5e-11);
        near(u(2), 0.000_752_06, 5e-9);
        let r = |a: usize, b: usize| factor.0.row(a).dot(&factor.0.row(b)) / u(a) / u(b);
        near(r(0, 1), -0.355_311, 1e-6);
        near(r(0, 2), 0.857_624, 1e-6);
        near(r(1, 2), -0.645_111, 1e-6);
    }

    /// Resistance, reactance and impedance: table H.4 of the GUM prints R = 127.732 with
    /// u = 0.071, X = 219.847 with 0.295, Z = 254.260 with 0.236 (in ohms), and the
    /// correlations -0.588, -0.485 and 0.993. The u of X is 0.2956 from the raw data
    /// (GTC), which rounds to 0.296: here the formula is followed.
    #[test]
    fn correlated_results_are_those_of_the_gum() {
        let (factor, means) = (factor(), means());
        let mut trials = Trials::of([0x47, 0x48, 0x22]);
        let count = 400_000;
        let mut drawn = [const { Vec::new() }; 3];
        for _ in 0..count {
            let mut inputs = means;
            factor.add_draw(&mut trials, &mut inputs);
            for (all, value) in drawn.iter_mut().zip(impedance(inputs)) {
                all.push(value);
            }
        }
        let [r, x, z] = &drawn;
        // A standard deviation of so many scatters by 0.11 % of itself, a correlation by
        // (1 - r^2) / sqrt(n), which is at most 0.0013: four of these.
        let published = [
            (r, 127.732_170, 0.071_071_4),
            (x, 219.846_512, 0.295_581_7),
            (z, 254.259_702, 0.236_336_1),
        ];
        for (all, value, u) in published {
            near(mean(all), value, 4.0 * u / f64::from(count).sqrt() + 1e-4);
            near(standard_deviation(all), u, 0.0045 * u);
        }
        near(correlation(r, x), -0.588_430, 0.0045);
        near(correlation(r, z), -0.485_259, 0.0052);
        near(correlation(x, z), 0.992_512, 0.0001);
        // As printed.
        near(mean(r), 127.732, 0.0006);
        near(standard_deviation(r), 0.071, 0.0005);
        near(standard_deviation(z), 0.236, 0.0015);

        // First order, by the factor: what a small change of each input does.
        let results = impedance(means);
        let slopes = DMatrix::from_fn(3, 3, |result, input| {
            let step = means[input] * 1e-6;
            let mut moved = means;
            moved[input] += step;
            (impedance(moved)[result] - results[result]) / step
        });
        let through = slopes * &factor.0;
        let u = |row: usize| through.row(row).norm();
        let r = |a: usize, b: usize| through.row(a).dot(&through.row(b)) / u(a) / u(b);
        for (row, (value, of)) in [
            (127.732_170, 0.071_071_4),
            (219.846_512, 0.295_581_7),
            (254.259_702, 0.236_336_1),
        ]
        .into_iter()
        .enumerate()
        {
            near(results[row], value, 1e-6);
            near(u(row), of, 2e-6);
        }
        near(r(0, 1), -0.588_430, 1e-5);
        near(r(0, 2), -0.485_259, 1e-5);
        near(r(1, 2), 0.992_512, 1e-6);
    }

    /// Approach 2 of GUM H.2.4: each set gives its own R, X and Z, and these are averaged:
    /// 127.732 (0.071), 219.847 (0.295), 254.260 (0.236); further digits by GTC.
    #[test]
    fn results_of_each_set_average_to_the_same() {
        let sets: Vec<[f64; 3]> = (0..VOLTS.len())
            .map(|set| impedance([VOLTS[set], AMPERES[set], PHASE[set]]))
            .collect();
        let published = [
            (127.731_630, 0.071_273_5),
            (219.846_895, 0.295_489_1),
            (254.260_050, 0.236_247_5),
        ];
        for (result, (value, u)) in published.into_iter().enumerate() {
            let all: Vec<f64> = sets.iter().map(|set| set[result]).collect();
            near(mean(&all), value, 1e-6);
            near(standard_deviation(&all) / 5f64.sqrt(), u, 1e-6);
        }
    }
}
