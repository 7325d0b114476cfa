//! Exponential fits: how a pitch comes to rest, and with which time constants.

use crate::statistics::least_squares::{Fit, fit};
use crate::statistics::level_model::{Wander, filtered};
use model::result::{NoExponential, NotDetermined, Rounds};
use nalgebra::{DMatrix, DVector};

/// The shape of each term, by its time constant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Form {
    /// `exp(-t / tau)`, beside a level that is free.
    Decay,
    /// `1 - exp(-t / tau)`, from zero.
    #[cfg(test)]
    Rise,
}

impl Form {
    fn value(self, t: f64, tau: f64) -> f64 {
        match self {
            Self::Decay => (-t / tau).exp(),
            #[cfg(test)]
            Self::Rise => -(-t / tau).exp_m1(),
        }
    }
    /// The derivative by the logarithm of the time constant.
    fn slope(self, t: f64, tau: f64) -> f64 {
        let decay = (-t / tau).exp() * t / tau;
        match self {
            Self::Decay => decay,
            #[cfg(test)]
            Self::Rise => -decay,
        }
    }
}

/// Exponentials fitted to a series.
#[derive(Debug, Clone)]
pub(crate) struct Exponentials {
    /// Time constants in seconds, the shortest first, each with the standard
    /// uncertainty of its logarithm.
    pub(crate) constants: Vec<(f64, f64)>,
    /// Their sizes and standard uncertainties, in the unit of the values.
    pub(crate) sizes: Vec<(f64, f64)>,
    /// Standard deviation of what is left.
    #[cfg(test)]
    sd: f64,
    pub(crate) freedom: usize,
    log_likelihood: f64,
}

/// Fits a sum of exponentials by Gauss and Newton with the linear coefficients
/// solved for in each step (Golub and Pereyra 1973, SIAM J. Numer. Anal. 10:413;
/// Kaufman's simplification), steps halved until they help. `wander` says how the
/// level moves besides; without one there is no level.
pub(crate) fn refine(
    times: &[f64],
    values: &[f64],
    form: Form,
    starts: &[f64],
    wander: Option<Wander>,
) -> Option<Exponentials> {
    let through = |columns: &[Vec<f64>]| -> (DVector<f64>, DMatrix<f64>) {
        match wander {
            Some(wander) => {
                let series: Vec<&[f64]> = std::iter::once(values)
                    .chain(columns.iter().map(Vec::as_slice))
                    .collect();
                let rows = filtered(times, &series, wander).rows;
                (rows[0].clone(), DMatrix::from_columns(&rows[1..]))
            }
            None => (
                DVector::from_column_slice(values),
                DMatrix::from_fn(times.len(), columns.len(), |row, column| {
                    columns[column][row]
                }),
            ),
        }
    };
    let column = |of: fn(Form, f64, f64) -> f64, tau: f64| -> Vec<f64> {
        times.iter().map(|t| of(form, *t, tau)).collect()
    };
    let linear = |logs: &[f64]| -> Option<(Fit, f64)> {
        let columns: Vec<Vec<f64>> = logs
            .iter()
            .map(|log| column(Form::value, log.exp()))
            .collect();
        let (y, design) = through(&columns);
        let found = fit(&design, y.as_slice(), &vec![1.0; y.len()])?;
        let squares = found.residuals.norm_squared();
        squares.is_finite().then_some((found, squares))
    };
    // Of a pitch a millionth of the time constant is more than enough.
    let (enough, least_share) = if wander.is_some() {
        (1e-6, 1e-3)
    } else {
        (1e-14, 1e-6)
    };
    let terms = starts.len();
    let mut logs: Vec<f64> = starts.iter().map(|tau| tau.ln()).collect();
    let (mut now, mut squares) = linear(&logs)?;
    let mut last: Option<(Fit, f64)> = None;
    for _ in 0..100 {
        let mut columns: Vec<Vec<f64>> = logs
            .iter()
            .map(|log| column(Form::value, log.exp()))
            .collect();
        for (term, log) in logs.iter().enumerate() {
            let size = now.coefficients[term];
            columns.push(
                column(Form::slope, log.exp())
                    .into_iter()
                    .map(|slope| slope * size)
                    .collect(),
            );
        }
        let (_, design) = through(&columns);
        let step = fit(
            &design,
            now.residuals.as_slice(),
            &vec![1.0; now.residuals.len()],
        )?;
        let change: Vec<f64> = (0..terms)
            .map(|term| step.coefficients[terms + term])
            .collect();
        last = Some((step, squares));
        let mut share = 1.0;
        let better = loop {
            let tried: Vec<f64> = logs
                .iter()
                .zip(&change)
                .map(|(log, change)| log + share * change.clamp(-2.0, 2.0))
                .collect();
            match linear(&tried) {
                // Near the bottom rounding alone makes sums of squares differ.
                Some((found, less)) if less <= squares * (1.0 + 1e-13) => {
                    break Some((tried, found, less));
                }
                _ if share > least_share => share /= 2.0,
                _ => break None,
            }
        };
        let Some((tried, found, less)) = better else {
            break;
        };
        let moved = logs
            .iter()
            .zip(&tried)
            .map(|(before, after)| (before - after).abs())
            .fold(0.0, f64::max);
        (logs, now, squares) = (tried, found, less);
        if moved < enough {
            break;
        }
    }
    let (step, _) = last?;
    let freedom = now
        .residuals
        .len()
        .checked_sub(2 * terms)
        .filter(|n| *n > 0)?;
    let scale = (squares / freedom as f64).sqrt();
    let u = |row: usize| scale * step.map.row(row).norm();
    let log_variances = wander.map_or(0.0, |wander| {
        crate::statistics::level_model::log_variances(times, wander)
    });
    let mut order: Vec<usize> = (0..terms).collect();
    order.sort_by(|a, b| logs[*a].total_cmp(&logs[*b]));
    Some(Exponentials {
        constants: order
            .iter()
            .map(|&term| (logs[term].exp(), u(terms + term)))
            .collect(),
        sizes: order
            .iter()
            .map(|&term| (now.coefficients[term], u(term)))
            .collect(),
        #[cfg(test)]
        sd: scale,
        freedom,
        log_likelihood: -0.5
            * (now.residuals.len() as f64 * (scale * scale).max(1e-300).ln() + log_variances),
    })
}

/// Fewer readings than this show no exponential.
const LEAST_READINGS: usize = 12;

/// Finds the exponentials with which values come to rest, by the rules: two only
/// if their time constants differ by a factor of 3, the record is at least twice
/// the longer and each is known to 25 %; else one, known as well and with a record
/// twice as long; else none, and why.
pub(crate) fn convergence(times: &[f64], values: &[f64]) -> Result<Exponentials, NotDetermined> {
    let distinct = times.windows(2).filter(|pair| pair[1] > pair[0]).count() + 1;
    if distinct < LEAST_READINGS {
        return Err(NotDetermined::TooFewRounds {
            to: Rounds::Exponential,
            have: distinct,
            takes: LEAST_READINGS,
        });
    }
    let origin = times[0];
    let times: Vec<f64> = times.iter().map(|time| time - origin).collect();
    let length = times[times.len() - 1];
    let shortest = times
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|step| *step > 0.0)
        .fold(f64::INFINITY, f64::min);
    let wanders = Wander::all(&times);
    let best = |starts: &[Vec<f64>]| -> Option<Exponentials> {
        let mut best: Option<Exponentials> = None;
        for wander in std::iter::once(Wander::STILL).chain(wanders.iter().step_by(3).copied()) {
            for start in starts {
                let found = refine(&times, values, Form::Decay, start, Some(wander));
                if let Some(found) = found
                    && best
                        .as_ref()
                        .is_none_or(|best| found.log_likelihood > best.log_likelihood)
                {
                    best = Some(found);
                }
            }
        }
        best
    };
    let good = |found: &Exponentials| {
        found
            .constants
            .iter()
            .zip(&found.sizes)
            .all(|((tau, u), (size, u_size))| {
                *u <= 0.25 && *tau >= shortest / 2.0 && size.abs() > 3.0 * u_size
            })
            && found
                .constants
                .last()
                .is_some_and(|(tau, _)| length >= 2.0 * tau)
    };
    let one = best(&[vec![length / 30.0], vec![length / 6.0], vec![length / 2.0]]);
    let two = best(&[
        vec![length / 60.0, length / 10.0],
        vec![length / 20.0, length / 4.0],
    ])
    .filter(good)
    .filter(|two| two.constants[1].0 >= 3.0 * two.constants[0].0)
    .filter(|two| {
        // Two more parameters must earn their place (likelihood ratio at 1 %).
        one.as_ref()
            .is_none_or(|one| 2.0 * (two.log_likelihood - one.log_likelihood) > 9.2)
    });
    if let Some(two) = two {
        return Ok(two);
    }
    let Some(one) = one else {
        return Err(NotDetermined::NoExponential(NoExponential::NoneFits));
    };
    if good(&one) {
        return Ok(one);
    }
    let (tau, u) = one.constants[0];
    let (size, u_size) = one.sizes[0];
    Err(NotDetermined::NoExponential(
        if size.abs() <= 3.0 * u_size {
            NoExponential::NoneStandsOut
        } else if length < 2.0 * tau {
            NoExponential::RecordTooShort
        } else if u > 0.25 {
            NoExponential::Vague(u)
        } else {
            NoExponential::TooFast
        },
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::trials::Trials;

    struct Certified {
        starts: [f64; 2],
        b1: (f64, f64),
        b2: (f64, f64),
        squares: f64,
        sd: f64,
    }

    /// Holds `b1 (1 - exp(-b2 x))` against what is certified.
    fn check(x: &[f64], y: &[f64], certified: &Certified) {
        for start in certified.starts {
            let found = refine(x, y, Form::Rise, &[1.0 / start], None).unwrap();
            let (tau, u) = found.constants[0];
            let (size, u_size) = found.sizes[0];
            for (name, found, certified) in [
                ("b1", size, certified.b1.0),
                ("sd of b1", u_size, certified.b1.1),
                ("b2", 1.0 / tau, certified.b2.0),
                ("sd of b2", u / tau, certified.b2.1),
                (
                    "squares",
                    found.sd.powi(2) * found.freedom as f64,
                    certified.squares,
                ),
                ("residual sd", found.sd, certified.sd),
            ] {
                let off = (found / certified - 1.0).abs();
                assert!(off < 1e-9, "{name} {found} {certified}: {off:e}");
            }
        }
    }

    #[test]
    fn misra1a_as_certified() {
        // NIST StRD, nonlinear: Misra1a, from both of its starts for b2.
        let x = [
            77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1,
            689.1, 760.0,
        ];
        let y = [
            10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40,
            75.47, 81.78,
        ];
        check(
            &x,
            &y,
            &Certified {
                starts: [0.0001, 0.00025],
                b1: (238.942_129_18, 2.707_007_524_1),
                b2: (5.501_564_318_1e-4, 7.266_868_843_6e-6),
                squares: 0.124_551_388_94,
                sd: 0.101_878_763_30,
            },
        );
    }

    #[test]
    fn box_bod_as_certified() {
        // NIST StRD, nonlinear: BoxBOD, from both of its starts for b2.
        check(
            &[1.0, 2.0, 3.0, 5.0, 7.0, 10.0],
            &[109.0, 149.0, 149.0, 191.0, 213.0, 224.0],
            &Certified {
                starts: [1.0, 0.75],
                b1: (213.809_408_89, 12.354_515_176),
                b2: (0.547_237_485_42, 0.104_559_932_37),
                squares: 1_168.008_876_6,
                sd: 17.088_072_423,
            },
        );
    }

    fn night() -> Vec<f64> {
        (0..30)
            .map(|i| f64::from(i) * 60.0)
            .chain((0..60).map(|i| 1800.0 + f64::from(i) * 600.0))
            .collect()
    }

    #[test]
    fn one_two_or_none() {
        let mut trials = Trials::of([8, 8, 8]);
        let times = night();
        let mut make = |parts: &[(f64, f64)]| -> Vec<f64> {
            times
                .iter()
                .map(|t| {
                    parts
                        .iter()
                        .map(|(size, tau)| size * (-t / tau).exp())
                        .sum::<f64>()
                        + 0.05 * trials.normal()
                })
                .collect()
        };
        let one = convergence(&times, &make(&[(-12.0, 600.0)])).unwrap();
        assert_eq!(one.constants.len(), 1);
        assert!((one.constants[0].0 / 600.0 - 1.0).abs() < 0.03, "{one:?}");
        let two = convergence(&times, &make(&[(-8.0, 240.0), (5.0, 3600.0)])).unwrap();
        assert_eq!(two.constants.len(), 2, "{two:?}");
        assert!((two.constants[0].0 / 240.0 - 1.0).abs() < 0.1, "{two:?}");
        assert!((two.constants[1].0 / 3600.0 - 1.0).abs() < 0.1, "{two:?}");
        // Too much alike to be told apart.
        let alike = convergence(&times, &make(&[(-8.0, 600.0), (-8.0, 900.0)])).unwrap();
        assert_eq!(alike.constants.len(), 1);
        assert!(convergence(&times, &make(&[])).is_err());
        assert!(convergence(&times[..5], &[0.0; 5]).is_err());
        assert!(convergence(&times, &[1.0; 90]).is_err());
        assert!(convergence(&[3.0; 40], &[1.0; 40]).is_err());
    }

    #[test]
    fn a_random_walk_has_no_time_constant() {
        let times = night();
        let claimed = (0..60)
            .filter(|night| {
                let mut trials = Trials::of([9, *night, 8]);
                let mut level = 0.0;
                let values: Vec<f64> = times
                    .iter()
                    .map(|_| {
                        level += 0.1 * trials.normal();
                        level + 0.03 * trials.normal()
                    })
                    .collect();
                convergence(&times, &values).is_ok()
            })
            .count();
        assert!(claimed <= 6, "{claimed} of 60");
    }
}
