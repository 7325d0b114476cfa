//! Weighted linear least squares by QR of scaled columns.

use nalgebra::{DMatrix, DVector};

/// A linear fit. Besides the coefficients it keeps how they depend on the
/// observations, because what is shared between observations (a step of the
/// control source, say) is propagated through just that.
#[derive(Debug, Clone)]
pub(crate) struct Fit {
    /// The coefficients, in the order of the columns.
    pub(crate) coefficients: DVector<f64>,
    /// `coefficients = map * observations`.
    pub(crate) map: DMatrix<f64>,
    /// Observations less fitted values.
    pub(crate) residuals: DVector<f64>,
    /// Observations less coefficients.
    pub(crate) degrees_of_freedom: usize,
}

/// Fits `observations = columns * coefficients`, each observation with its own
/// standard deviation. `None` when there are fewer observations than columns or
/// the columns cannot be told apart.
///
/// Columns are scaled to unit length first, then `QR = W^(1/2) X` and
/// `coefficients = R^-1 Q^T W^(1/2) y` (any text on numerical linear algebra;
/// the normal equations would square the condition number).
pub(crate) fn fit(columns: &DMatrix<f64>, observations: &[f64], sd: &[f64]) -> Option<Fit> {
    let (rows, count) = columns.shape();
    if rows < count || count == 0 || observations.len() != rows || sd.len() != rows {
        return None;
    }
    let root_weights: Vec<f64> = sd.iter().map(|sd| 1.0 / sd).collect();
    if !root_weights.iter().all(|weight| weight.is_finite()) {
        return None;
    }
    let mut scaled = DMatrix::from_fn(rows, count, |row, column| {
        columns[(row, column)] * root_weights[row]
    });
    let mut lengths = Vec::with_capacity(count);
    for mut column in scaled.column_iter_mut() {
        let length = column.norm();
        if !(length > 0.0 && length.is_finite()) {
            return None;
        }
        column /= length;
        lengths.push(length);
    }
    let qr = scaled.qr();
    let r = qr.r();
    // Columns of unit length: the diagonal of R is each column's distance from
    // the space of those before it.
    if (0..count).any(|index| r[(index, index)].abs() < 1e-9) {
        return None;
    }
    let mut map = qr.q().transpose();
    if !r.solve_upper_triangular_mut(&mut map) {
        return None;
    }
    for row in 0..count {
        for column in 0..rows {
            map[(row, column)] *= root_weights[column] / lengths[row];
        }
    }
    let y = DVector::from_column_slice(observations);
    let coefficients = &map * &y;
    let residuals = &y - columns * &coefficients;
    // One step of refinement takes out most of the rounding of the first pass.
    let coefficients = coefficients + &map * &residuals;
    let residuals = y - columns * &coefficients;
    Some(Fit {
        coefficients,
        map,
        residuals,
        degrees_of_freedom: rows - count,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The numbers of the lines `from..=to` (counted from 1) of a NIST data file.
    fn rows(text: &str, from: usize, to: usize) -> Vec<Vec<f64>> {
        text.lines()
            .skip(from - 1)
            .take(to + 1 - from)
            .map(|line| {
                line.split_whitespace()
                    .map(|word| word.parse().unwrap())
                    .collect()
            })
            .collect()
    }

    struct Certified {
        estimate: f64,
        sd: f64,
    }

    fn check(
        data: &[Vec<f64>],
        make: impl Fn(&[f64]) -> Vec<f64>,
        certified: &[Certified],
        digits: f64,
    ) {
        let design: Vec<Vec<f64>> = data.iter().map(|row| make(&row[1..])).collect();
        let columns = DMatrix::from_fn(data.len(), certified.len(), |row, column| {
            design[row][column]
        });
        let y: Vec<f64> = data.iter().map(|row| row[0]).collect();
        let fit = fit(&columns, &y, &vec![1.0; y.len()]).unwrap();
        let variance = fit.residuals.norm_squared() / fit.degrees_of_freedom as f64;
        for (index, expected) in certified.iter().enumerate() {
            let relative = (fit.coefficients[index] / expected.estimate - 1.0).abs();
            assert!(relative < 10f64.powf(-digits), "B{index}: {relative:e}");
            let sd = (variance * fit.map.row(index).norm_squared()).sqrt();
            assert!(
                (sd / expected.sd - 1.0).abs() < 10f64.powf(-digits),
                "sd of B{index}"
            );
        }
    }

    // NIST Statistical Reference Datasets, linear least squares: certified values
    // printed in the files themselves.

    #[test]
    fn norris_as_certified() {
        let text = include_str!("../../../../tests/reference-data/strd/Norris.dat");
        let certified = [
            Certified {
                estimate: -0.262_323_073_774_029,
                sd: 0.232_818_234_301_152,
            },
            Certified {
                estimate: 1.002_116_818_020_45,
                sd: 0.429_796_848_199_937e-3,
            },
        ];
        check(&rows(text, 61, 96), |x| vec![1.0, x[0]], &certified, 10.0);
    }

    #[test]
    fn pontius_as_certified() {
        let text = include_str!("../../../../tests/reference-data/strd/Pontius.dat");
        let certified = [
            Certified {
                estimate: 0.673_565_789_473_684e-3,
                sd: 0.107_938_612_033_077e-3,
            },
            Certified {
                estimate: 0.732_059_160_401_003e-6,
                sd: 0.157_817_399_981_659e-9,
            },
            Certified {
                estimate: -0.316_081_871_345_029e-14,
                sd: 0.486_652_849_992_036e-16,
            },
        ];
        check(
            &rows(text, 61, 100),
            |x| vec![1.0, x[0], x[0] * x[0]],
            &certified,
            9.0,
        );
    }

    #[test]
    fn longley_as_certified() {
        let text = include_str!("../../../../tests/reference-data/strd/Longley.dat");
        let certified = [
            Certified {
                estimate: -3_482_258.634_595_82,
                sd: 890_420.383_607_373,
            },
            Certified {
                estimate: 15.061_872_271_373_3,
                sd: 84.914_925_774_766_9,
            },
            Certified {
                estimate: -0.358_191_792_925_910e-1,
                sd: 0.334_910_077_722_432e-1,
            },
            Certified {
                estimate: -2.020_229_803_816_83,
                sd: 0.488_399_681_651_699,
            },
            Certified {
                estimate: -1.033_226_867_173_59,
                sd: 0.214_274_163_161_675,
            },
            Certified {
                estimate: -0.511_041_056_535_807e-1,
                sd: 0.226_073_200_069_370,
            },
            Certified {
                estimate: 1_829.151_464_613_55,
                sd: 455.478_499_142_212,
            },
        ];
        check(
            &rows(text, 61, 76),
            |x| std::iter::once(1.0).chain(x.iter().copied()).collect(),
            &certified,
            9.0,
        );
    }

    #[test]
    fn lines_without_an_intercept_as_certified() {
        let text = include_str!("../../../../tests/reference-data/strd/NoInt1.dat");
        let certified = [Certified {
            estimate: 2.074_380_165_289_26,
            sd: 0.165_289_256_198_347e-1,
        }];
        check(&rows(text, 61, 71), |x| vec![x[0]], &certified, 12.0);
        let text = include_str!("../../../../tests/reference-data/strd/NoInt2.dat");
        let certified = [Certified {
            estimate: 0.727_272_727_272_727,
            sd: 0.420_827_318_078_432e-1,
        }];
        check(&rows(text, 61, 63), |x| vec![x[0]], &certified, 12.0);
    }

    /// JCGM 100:2008 (GUM), H.3: the corrections of a thermometer as a straight line about
    /// 20 °C. Printed: intercept -0.1712 (s 0.0029), slope 0.00218 (s 0.00067), correlation
    /// -0.930, s 0.0035, predicted at 30 °C -0.1494 (u 0.0041) with 9 degrees of freedom.
    /// Data and printed figures as the documentation of GTC quotes them, an open library,
    /// with which the further digits were computed.
    #[test]
    fn a_calibration_line_is_that_of_the_gum() {
        let temperatures = [
            21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
        ];
        let corrections = [
            -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
        ];
        let columns =
            DMatrix::from_fn(11, 2, |row, column| [1.0, temperatures[row] - 20.0][column]);
        let fit = fit(&columns, &corrections, &[1.0; 11]).unwrap();
        let near = |found: f64, printed: f64, by: f64, recomputed: f64| {
            assert!((found - printed).abs() < by, "{found} {printed}");
            assert!(
                (found / recomputed - 1.0).abs() < 1e-8,
                "{found} {recomputed}"
            );
        };
        assert_eq!(fit.degrees_of_freedom, 9);
        let variance = fit.residuals.norm_squared() / 9.0;
        near(variance.sqrt(), 0.0035, 5e-5, 0.003_497_563_964);
        near(fit.coefficients[0], -0.1712, 5e-5, -0.171_203_790_131);
        near(fit.coefficients[1], 0.002_18, 5e-6, 0.002_182_697_740);
        // How coefficients depend on observations is what carries their covariance.
        let covariance = &fit.map * fit.map.transpose() * variance;
        let u = |index: usize| covariance[(index, index)].sqrt();
        near(u(0), 0.0029, 5e-5, 0.002_877_597_835);
        near(u(1), 0.000_67, 5e-6, 0.000_667_938_773);
        near(
            covariance[(0, 1)] / u(0) / u(1),
            -0.930,
            5e-4,
            -0.930_429_603,
        );
        let at = DVector::from_vec(vec![1.0, 10.0]);
        near(at.dot(&fit.coefficients), -0.1494, 5e-5, -0.149_376_813);
        let u = at.dot(&(&covariance * &at)).sqrt();
        near(u, 0.0041, 5e-5, 0.004_138_595_753);
    }

    #[test]
    fn columns_that_cannot_be_told_apart_are_no_fit() {
        let columns = DMatrix::from_fn(5, 2, |row, column| (row as f64) * (column as f64 + 1.0));
        assert!(fit(&columns, &[0.0; 5], &[1.0; 5]).is_none());
        let constant = DMatrix::from_element(2, 3, 1.0);
        assert!(fit(&constant, &[0.0; 2], &[1.0; 2]).is_none());
    }
}
