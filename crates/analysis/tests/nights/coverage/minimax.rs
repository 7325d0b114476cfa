//! What the best settings of trimmers leave, exactly: a linear programme, solved by
//! exchange (any text on linear programming: the dual simplex method).

/// `h >= value - coefficients . z`: what is left of a pair of notes with settings `z`.
#[derive(Debug, Clone)]
pub struct Constraint {
    pub value: f64,
    pub coefficients: Vec<f64>,
}

/// Settings are looked for up to this size, either way.
const LARGEST: f64 = 1e4;

/// A row of the programme: `weights . (z, h) >= least`.
type Row = (Vec<f64>, f64);

/// The smallest `h` that meets all constraints with the best `settings` numbers.
///
/// So many rows as there are unknowns always hold with equality. The one that is missed by
/// most comes in, and of them all those stay that together allow the smallest `h`.
pub fn smallest(constraints: &[Constraint], settings: usize) -> f64 {
    let unknowns = settings + 1;
    let unit = |place: usize, size: f64| {
        let mut row = vec![0.0; unknowns];
        row[place] = size;
        row
    };
    let mut rows: Vec<Row> = vec![(unit(settings, 1.0), 0.0)];
    for place in 0..settings {
        rows.push((unit(place, 1.0), -LARGEST));
        rows.push((unit(place, -1.0), -LARGEST));
    }
    for constraint in constraints {
        let mut row = constraint.coefficients.clone();
        row.push(1.0);
        rows.push((row, constraint.value));
    }
    let missed = |row: &Row, at: &[f64]| {
        let sum: f64 = row.0.iter().zip(at).map(|(weight, z)| weight * z).sum();
        row.1 - sum
    };
    // Nothing is left at one corner of what may be set.
    let mut active: Vec<usize> = (0..unknowns)
        .map(|place| if place == 0 { 0 } else { 2 * place - 1 })
        .collect();
    let mut at = solved(&rows, &active).expect("the corner is one");
    for _ in 0..10_000 {
        let worst = (0..rows.len())
            .max_by(|a, b| missed(&rows[*a], &at).total_cmp(&missed(&rows[*b], &at)))
            .expect("there are rows");
        if missed(&rows[worst], &at) < 1e-9 {
            return at[settings];
        }
        let mut all = active.clone();
        all.push(worst);
        let best = (0..all.len())
            .filter_map(|out| {
                let mut kept = all.clone();
                let left = kept.remove(out);
                let found = solved(&rows, &kept)?;
                (missed(&rows[left], &found) < 1e-9).then_some((kept, found))
            })
            .min_by(|a, b| a.1[settings].total_cmp(&b.1[settings]));
        let Some((kept, found)) = best else {
            panic!("no corner is left: {active:?} and {worst}");
        };
        (active, at) = (kept, found);
    }
    panic!("it goes round in circles");
}

/// Where some rows hold with equality (Gauss, with pivots).
fn solved(rows: &[Row], which: &[usize]) -> Option<Vec<f64>> {
    let n = which.len();
    let mut all: Vec<Vec<f64>> = which
        .iter()
        .map(|row| {
            let mut line = rows[*row].0.clone();
            line.push(rows[*row].1);
            line
        })
        .collect();
    for column in 0..n {
        let pivot =
            (column..n).max_by(|a, b| all[*a][column].abs().total_cmp(&all[*b][column].abs()))?;
        if all[pivot][column].abs() < 1e-11 {
            return None;
        }
        all.swap(column, pivot);
        let line = all[column].clone();
        for (place, other) in all.iter_mut().enumerate() {
            if place != column {
                let share = other[column] / line[column];
                other
                    .iter_mut()
                    .zip(&line)
                    .for_each(|(a, b)| *a -= share * b);
            }
        }
    }
    Some((0..n).map(|row| all[row][n] / all[row][row]).collect())
}

/// Half of what lies between each two notes of a round, with what each trimmer moves it by.
pub fn pairs<'a>(e: &'a [f64], trimmers: &'a [Vec<f64>]) -> impl Iterator<Item = Constraint> + 'a {
    (0..e.len()).flat_map(move |one| {
        (0..e.len())
            .filter(move |other| *other != one)
            .map(move |other| Constraint {
                value: (e[one] - e[other]) / 2.0,
                coefficients: trimmers
                    .iter()
                    .map(|by| (by[one] - by[other]) / 2.0)
                    .collect(),
            })
    })
}

#[test]
fn exchange_finds_what_a_search_finds() {
    let mut random = crate::night::Random::new(8);
    for trimmers in [1, 2] {
        for _ in 0..5 {
            let by: Vec<Vec<f64>> = vec![
                vec![-2.0, -1.0, 0.0, 1.0, 2.0],
                vec![-0.75, -0.5, 0.0, 1.0, 3.0],
            ];
            let by = &by[..trimmers];
            let rounds: Vec<Vec<f64>> = (0..3)
                .map(|_| (0..5).map(|_| random.normal()).collect())
                .collect();
            let constraints: Vec<Constraint> = rounds
                .iter()
                .flat_map(|e| pairs(e, by).collect::<Vec<_>>())
                .collect();
            let found = smallest(&constraints, trimmers);
            let left = |z: &[f64]| {
                constraints
                    .iter()
                    .map(|row| {
                        let cured: f64 = row.coefficients.iter().zip(z).map(|(a, b)| a * b).sum();
                        row.value - cured
                    })
                    .fold(0.0, f64::max)
            };
            // Never below what any settings leave, and reached within the grid's mesh.
            let steps = || (-100..=100).map(|step| f64::from(step) * 0.02);
            let best = if trimmers == 1 {
                steps().map(|b| left(&[b])).fold(f64::INFINITY, f64::min)
            } else {
                steps()
                    .flat_map(|b| steps().map(move |c| [b, c]))
                    .map(|z| left(&z))
                    .fold(f64::INFINITY, f64::min)
            };
            assert!(
                found <= best + 1e-9 && best - found < 0.06,
                "{found} {best}"
            );
        }
    }
}
