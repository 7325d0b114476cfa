//! What the best settings of a few knobs leave of a table of numbers, exactly.
//!
//! Each knob moves each column by so much, in all rows alike. What counts of a row is half
//! of what lies between its highest and its lowest number, of the table its worst row. That
//! is a linear programme in the settings and what is left; it is solved by cutting planes
//! (Kelley, J. E.: The cutting-plane method for solving convex programs, J. SIAM 8, 1960).

/// Half of what one number of a row has more than another one, which no setting may leave
/// larger than what is said to be left.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Cut {
    row: usize,
    high: usize,
    low: usize,
}

/// A cut of a given table: with settings `z` at least `value - slope . z` is left.
#[derive(Debug, Clone, Copy)]
struct Plane {
    value: f64,
    slope: [f64; 2],
}

impl Plane {
    fn at(&self, settings: [f64; 2]) -> f64 {
        self.value - self.slope[0] * settings[0] - self.slope[1] * settings[1]
    }
}

/// Less than this, in the numbers' unit, is nothing.
const NOTHING: f64 = 1e-9;
/// So many cuts of a table are tried first with the next one.
const REMEMBERED: usize = 12;

/// Finds what is left of tables of the same columns.
///
/// The cuts that decided one table nearly decide the next if it is like it, which makes
/// that one faster, and changes what is found by no more than rounding.
#[derive(Debug, Clone)]
pub(crate) struct Minimax<'a> {
    rows: &'a [usize],
    /// What each knob moves each column by; nothing, where there is no such knob.
    by: Vec<[f64; 2]>,
    /// Pairs of columns that together fix the settings: none, one or two.
    fixing: Vec<[usize; 2]>,
    remembered: Vec<Cut>,
}

impl<'a> Minimax<'a> {
    /// With up to two knobs, for these rows of the tables. A knob that moves all columns
    /// alike, or as the other one does, counts for nothing.
    pub(crate) fn new(knobs: &[&[f64]], rows: &'a [usize]) -> Self {
        debug_assert!(knobs.len() <= 2);
        let columns = knobs.iter().map(|knob| knob.len()).min().unwrap_or(0);
        let mut by: Vec<[f64; 2]> = vec![[0.0; 2]; columns];
        let mut count = 0;
        for knob in knobs {
            let reach = 2.0 * half_range(knob);
            if reach > 0.0 && reach.is_finite() {
                for (moves, knob) in by.iter_mut().zip(*knob) {
                    moves[count] = knob / reach;
                }
                count += 1;
            }
        }
        let apart = |[one, other]: [usize; 2]| -> [f64; 2] {
            [0, 1].map(|knob| by[one][knob] - by[other][knob])
        };
        let pairs = (0..columns).flat_map(|one| (0..one).map(move |other| [one, other]));
        let first = pairs
            .clone()
            .max_by(|a, b| apart(*a)[0].abs().total_cmp(&apart(*b)[0].abs()));
        let mut fixing: Vec<[usize; 2]> = first.into_iter().take(count).collect();
        if let (2, Some(first)) = (count, first) {
            let area = |pair: &[usize; 2]| cross(apart(first), apart(*pair)).abs();
            let second = pairs.max_by(|a, b| area(a).total_cmp(&area(b)));
            match second.filter(|pair| area(pair) > NOTHING) {
                Some(second) => fixing.push(second),
                None => by.iter_mut().for_each(|moves| moves[1] = 0.0),
            }
        }
        Self {
            rows,
            by,
            fixing,
            remembered: Vec::new(),
        }
    }

    /// What the best settings leave of the rows of a table, which stands row after row;
    /// nothing of fewer than two columns.
    ///
    /// What the cuts so far allow at best is never more than what can be reached. The
    /// settings that reach it are tried on all rows, and the cut that the worst row makes
    /// comes in, until no row is worse than the cuts allow. There are only so many cuts, so
    /// that happens.
    pub(crate) fn left(&mut self, table: &[f64]) -> f64 {
        let (columns, Some(first)) = (self.by.len(), self.rows.first()) else {
            return 0.0;
        };
        if columns < 2 {
            return 0.0;
        }
        let mut cuts = Vec::with_capacity(4 + REMEMBERED);
        for [one, other] in self.fixing.clone() {
            for (high, low) in [(one, other), (other, one)] {
                let row = *first;
                cuts.push(Cut { row, high, low });
            }
        }
        let mut planes: Vec<Plane> = cuts.iter().map(|cut| self.plane(table, *cut)).collect();
        let mut at = self.start(&planes);
        let mut allowed = 0.0;
        let tried = std::mem::take(&mut self.remembered);
        loop {
            let left_by = |cut: &Cut| self.plane(table, *cut).at(at);
            let known = tried
                .iter()
                .copied()
                .max_by(|a, b| left_by(a).total_cmp(&left_by(b)));
            let missed = |cut: &Cut| left_by(cut) > allowed + NOTHING && !cuts.contains(cut);
            let next = known.filter(missed).or_else(|| {
                let worst = self.worst(table, at)?;
                Some(worst).filter(missed)
            });
            let Some(next) = next else { break };
            let plane = self.plane(table, next);
            (allowed, at) = self.lowest(&planes, plane);
            cuts.push(next);
            planes.push(plane);
        }
        let slack = |place: &usize| allowed - planes[*place].at(at);
        let mut places: Vec<usize> = (2 * self.fixing.len()..cuts.len()).collect();
        places.sort_by(|a, b| slack(a).total_cmp(&slack(b)));
        places.truncate(REMEMBERED);
        self.remembered = places.into_iter().map(|place| cuts[place]).collect();
        allowed
    }

    fn plane(&self, table: &[f64], cut: Cut) -> Plane {
        let place = cut.row * self.by.len();
        let [high, low] = [cut.high, cut.low].map(|column| self.by[column]);
        Plane {
            value: (table[place + cut.high] - table[place + cut.low]) / 2.0,
            slope: [0, 1].map(|knob| (high[knob] - low[knob]) / 2.0),
        }
    }

    /// Where nothing is left of the pairs that fix the settings.
    fn start(&self, planes: &[Plane]) -> [f64; 2] {
        match self.fixing.len() {
            0 => [0.0; 2],
            1 => [planes[0].value / planes[0].slope[0], 0.0],
            _ => crossing(planes[0], planes[2]),
        }
    }

    /// The lowest point above all planes and a new one that the lowest point so far is not
    /// above, and therefore lies on: one of those where it meets as many of them as there
    /// are knobs. Taken as high as it must be there to be above all, so that rounding makes
    /// none too low.
    fn lowest(&self, planes: &[Plane], new: Plane) -> (f64, [f64; 2]) {
        let off = |plane: &Plane| Plane {
            value: new.value - plane.value,
            slope: [0, 1].map(|knob| new.slope[knob] - plane.slope[knob]),
        };
        let mut best = (f64::INFINITY, [0.0; 2]);
        let mut meet = |at: [f64; 2]| {
            let height = planes.iter().fold(new.at(at), |most, p| most.max(p.at(at)));
            if height < best.0 && at.iter().all(|setting| setting.is_finite()) {
                best = (height, at);
            }
        };
        match self.fixing.len() {
            0 => meet([0.0; 2]),
            1 => {
                for one in planes.iter().map(off) {
                    meet([one.value / one.slope[0], 0.0]);
                }
            }
            _ => {
                for (place, one) in planes.iter().enumerate() {
                    let one = off(one);
                    for other in &planes[..place] {
                        meet(crossing(one, off(other)));
                    }
                }
            }
        }
        best
    }

    /// The cut that the worst row makes at some settings.
    fn worst(&self, table: &[f64], settings: [f64; 2]) -> Option<Cut> {
        let columns = self.by.len();
        let moved: Vec<f64> = self
            .by
            .iter()
            .map(|by| by[0] * settings[0] + by[1] * settings[1])
            .collect();
        let ends = |row: usize| {
            let values = &table[row * columns..(row + 1) * columns];
            values
                .iter()
                .zip(&moved)
                .map(|(value, moved)| value - moved)
        };
        let (mut worst, mut most) = (None, f64::NEG_INFINITY);
        for row in self.rows {
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            for value in ends(*row) {
                low = if value < low { value } else { low };
                high = if value > high { value } else { high };
            }
            if high - low > most {
                (worst, most) = (Some(*row), high - low);
            }
        }
        let row = worst?;
        let order = |a: &(usize, f64), b: &(usize, f64)| a.1.total_cmp(&b.1);
        let (high, _) = ends(row).enumerate().max_by(order)?;
        let (low, _) = ends(row).enumerate().min_by(order)?;
        Some(Cut { row, high, low })
    }
}

/// Where two planes are both nought (Cramer's rule); not a number where they are parallel.
fn crossing(one: Plane, other: Plane) -> [f64; 2] {
    let area = cross(one.slope, other.slope);
    [
        (one.value * other.slope[1] - other.value * one.slope[1]) / area,
        (one.slope[0] * other.value - other.slope[0] * one.value) / area,
    ]
}

fn cross(one: [f64; 2], other: [f64; 2]) -> f64 {
    one[0] * other[1] - one[1] * other[0]
}

/// Half of what lies between highest and lowest: the smallest possible largest
/// deviation after the best offset.
pub(crate) fn half_range(values: &[f64]) -> f64 {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for value in values {
        low = low.min(*value);
        high = high.max(*value);
    }
    if high >= low { (high - low) / 2.0 } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::trials::Trials;
    use proptest::prelude::*;

    const X: [f64; 6] = [-2.0, -1.0, 0.0, 1.0, 2.0, 3.0];
    const BEND: [f64; 6] = [-0.75, -0.5, 0.0, 1.0, 3.0, 7.0];
    const NO_KNOB: [f64; 6] = [1.0; 6];

    fn left(table: &[f64], knobs: &[&[f64]]) -> f64 {
        let rows: Vec<usize> = (0..table.len() / knobs[0].len()).collect();
        Minimax::new(knobs, &rows).left(table)
    }

    /// What settings leave, as the definition has it.
    fn left_at(table: &[f64], knobs: &[&[f64]], settings: &[f64]) -> f64 {
        let rows = table.chunks_exact(knobs[0].len()).map(|row| {
            let off = row.iter().enumerate().map(|(column, value)| {
                let moved = knobs.iter().zip(settings).map(|(by, z)| by[column] * z);
                value - moved.sum::<f64>()
            });
            half_range(&off.collect::<Vec<_>>())
        });
        rows.fold(0.0, f64::max)
    }

    /// The least at all corners: wherever two or three pairs of numbers are as far apart.
    fn of_all_corners(table: &[f64], knobs: &[&[f64]]) -> f64 {
        let columns = knobs[0].len();
        let mut pairs = Vec::new();
        for row in table.chunks_exact(columns) {
            for high in 0..columns {
                for low in (0..columns).filter(|low| *low != high) {
                    let by = |knob: usize| knobs.get(knob).map_or(0.0, |by| by[high] - by[low]);
                    pairs.push([row[high] - row[low], by(0), by(1)]);
                }
            }
        }
        let apart = |a: &[f64; 3], b: &[f64; 3]| [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
        let mut least = f64::INFINITY;
        for (place, one) in pairs.iter().enumerate() {
            for (second, other) in pairs[..place].iter().enumerate() {
                let a = apart(one, other);
                if knobs.len() == 1 {
                    if a[1].abs() > 1e-9 {
                        least = least.min(left_at(table, knobs, &[a[0] / a[1]]));
                    }
                    continue;
                }
                for third in &pairs[..second] {
                    let b = apart(one, third);
                    let area = a[1] * b[2] - a[2] * b[1];
                    if area.abs() > 1e-9 {
                        let z = [
                            (a[0] * b[2] - a[2] * b[0]) / area,
                            (a[1] * b[0] - a[0] * b[1]) / area,
                        ];
                        least = least.min(left_at(table, knobs, &z));
                    }
                }
            }
        }
        least
    }

    #[test]
    fn it_is_the_least_of_all_corners() {
        let mut trials = Trials::of([5, 5, 5]);
        for case in 0..40 {
            // Whole numbers too: then many corners are one.
            let number = |normal: f64| {
                if case % 2 == 0 {
                    normal
                } else {
                    normal.round()
                }
            };
            let knobs: [&[f64]; 2] = [&X[..4], &BEND[..4]];
            let table: Vec<f64> = (0..8).map(|_| number(3.0 * trials.normal())).collect();
            for count in [1, 2] {
                let found = left(&table, &knobs[..count]);
                let least = of_all_corners(&table, &knobs[..count]);
                assert!((found - least).abs() < 1e-8, "{found} {least} {table:?}");
            }
        }
    }

    #[test]
    fn a_slope_is_cured_and_half_of_one_that_wanders_is_not() {
        let line = |b: f64| X.iter().map(move |x| 4.0 + b * x);
        let steady: Vec<f64> = line(7.0).chain(line(7.0)).collect();
        assert!(left(&steady, &[&X]) < 1e-9);
        // Slopes of 6 and 8: the best setting is 7, which leaves 1 over 5, and half of
        // that either way.
        let wandering: Vec<f64> = line(6.0).chain(line(8.0)).collect();
        assert!((left(&wandering, &[&X]) - 2.5).abs() < 1e-9);
        // A bend that comes and goes stays by half, whatever the slope.
        let bent = X.iter().zip(&BEND).map(|(x, bend)| 2.0 * x - 1.5 * bend);
        let both: Vec<f64> = bent.chain(line(2.0)).collect();
        assert!((left(&both, &[&X, &BEND]) - 0.75 * 7.75 / 2.0).abs() < 1e-9);
    }

    #[test]
    fn a_knob_that_does_nothing_counts_for_nothing() {
        let table = [1.0, 5.0, 2.0, 0.0, 3.0, 1.0];
        let alone = left(&table, &[&X]);
        let twice: Vec<f64> = X.iter().map(|x| 3.0 - 2.0 * x).collect();
        assert_eq!(left(&table, &[&NO_KNOB]), 2.5);
        for second in [&NO_KNOB[..], &twice] {
            assert!((left(&table, &[&X, second]) - alone).abs() < 1e-9);
            assert!((left(&table, &[second, &X]) - alone).abs() < 1e-9);
        }
        assert_eq!(Minimax::new(&[&[1.0]], &[0]).left(&[4.0]), 0.0);
        assert_eq!(Minimax::new(&[&X], &[]).left(&table), 0.0);
    }

    /// Rows that wander, as in a night.
    fn tables() -> impl Strategy<Value = Vec<f64>> {
        let moves = prop::collection::vec(-1.0..1.0f64, 6..240);
        moves.prop_map(|mut table| {
            table.truncate(table.len() / 6 * 6);
            for place in 6..table.len() {
                table[place] += table[place - 6];
            }
            table
        })
    }

    proptest! {
        #[test]
        fn each_knob_leaves_less(table in tables()) {
            let none = left(&table, &[&NO_KNOB]);
            let one = left(&table, &[&X]);
            let both = left(&table, &[&X, &BEND]);
            prop_assert!((none - left_at(&table, &[&X], &[0.0])).abs() < 1e-9);
            prop_assert!(none + 1e-9 >= one && one + 1e-9 >= both && both >= 0.0);
        }

        #[test]
        fn what_a_knob_does_it_undoes(table in tables(), b in -50.0..50.0, c in -50.0..50.0) {
            let sloping = table.iter().zip(X.iter().cycle()).map(|(e, x)| e + b * x);
            let sloping: Vec<f64> = sloping.collect();
            let bent = sloping.iter().zip(BEND.iter().cycle()).map(|(e, bend)| e + c * bend);
            let bent: Vec<f64> = bent.collect();
            let (one, both): ([&[f64]; 1], [&[f64]; 2]) = ([&X], [&X, &BEND]);
            prop_assert!((left(&table, &one) - left(&sloping, &one)).abs() < 1e-8);
            prop_assert!((left(&table, &both) - left(&bent, &both)).abs() < 1e-8);
        }

        #[test]
        fn fewer_rows_never_leave_more(table in tables(), every in 2usize..9) {
            let all: Vec<usize> = (0..table.len() / 6).collect();
            let some: Vec<usize> = all.iter().copied().step_by(every).collect();
            for knobs in [&[&X[..]][..], &[&X, &BEND]] {
                let of = |rows: &[usize]| Minimax::new(knobs, rows).left(&table);
                prop_assert!(of(&some) <= of(&all) + 1e-9);
            }
        }

        #[test]
        fn what_was_remembered_changes_nothing(tables in prop::collection::vec(tables(), 1..5)) {
            let rows: Vec<usize> = (0..tables.iter().map(Vec::len).min().unwrap() / 6).collect();
            let mut minimax = Minimax::new(&[&X, &BEND], &rows);
            for table in &tables {
                let fresh = Minimax::new(&[&X, &BEND], &rows).left(table);
                prop_assert!((minimax.left(table) - fresh).abs() < 1e-8);
            }
        }
    }

    #[test]
    fn one_bad_row_of_many_counts() {
        let rows: Vec<usize> = (0..700).collect();
        for bad in [0, 1, 333, 698, 699] {
            let mut table = vec![0.0; 700 * 6];
            table[bad * 6 + 2] = 8.0;
            // One setting must serve all rows: in the bad one and in the others it leaves as much.
            let knobs: [&[f64]; 2] = [&X, &BEND];
            let found = Minimax::new(&knobs, &rows).left(&table);
            let two_rows: Vec<f64> = table[bad * 6..(bad + 1) * 6]
                .iter()
                .copied()
                .chain([0.0; 6])
                .collect();
            assert!((found - of_all_corners(&two_rows, &knobs)).abs() < 1e-8);
        }
    }
}
