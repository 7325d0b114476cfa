//! A waveform as text, JSON and columns.

use meter::{Measure, Waveform};
use report::Cell;
use serde_json::{Value, json};

/// As many harmonics have a column each, and are named in text.
const COLUMNS: usize = 10;

/// The names of the columns.
pub fn columns() -> Vec<String> {
    let mut names = [
        "thd_of_fundamental_percent",
        "u_thd_of_fundamental_percent",
        "thd_of_total_percent",
        "u_thd_of_total_percent",
        "even_to_odd_db",
        "u_even_to_odd_db",
        "dc_of_full_scale",
        "duty_cycle_percent",
        "u_duty_cycle_percent",
        "harmonics_counted",
    ]
    .map(str::to_owned)
    .to_vec();
    names.extend((1..=COLUMNS).map(|number| format!("harmonic_{number}_dbfs")));
    names
}

/// What stands in the columns; nothing where there is nothing.
pub fn cells(waveform: Option<&Waveform>) -> Vec<Cell<'static>> {
    let mut cells: Vec<Option<f64>> = Vec::new();
    let mut put = |measure: Option<Measure>, scale: f64| {
        cells.push(measure.map(|measure| measure.value * scale));
        cells.push(measure.map(|measure| measure.u * scale));
    };
    put(waveform.map(|waveform| waveform.thd_of_fundamental), 100.0);
    put(waveform.map(|waveform| waveform.thd_of_total), 100.0);
    put(waveform.and_then(|waveform| waveform.even_to_odd_db), 1.0);
    cells.push(waveform.map(|waveform| waveform.dc));
    let duty = waveform.and_then(|waveform| waveform.duty_cycle);
    cells.push(duty.map(|duty| duty.value * 100.0));
    cells.push(duty.map(|duty| duty.u * 100.0));
    let counted = waveform.map(|waveform| Cell::Whole(waveform.counted as i64));
    let mut cells: Vec<Cell<'_>> = cells.into_iter().map(Cell::from).collect();
    cells.push(counted.unwrap_or(Cell::Empty));
    for number in 1..=COLUMNS {
        let level = waveform.and_then(|waveform| level(waveform, number));
        cells.push(level.into());
    }
    cells
}

fn level(waveform: &Waveform, number: usize) -> Option<f64> {
    let harmonic = waveform.harmonics.iter().find(|h| h.number == number)?;
    Some(harmonic.level.get())
}

/// The waveform as an object.
pub fn json(waveform: &Waveform) -> Value {
    let percent = |measure: Measure| (measure.value * 100.0, measure.u * 100.0);
    let (of_fundamental, u_of_fundamental) = percent(waveform.thd_of_fundamental);
    let (of_total, u_of_total) = percent(waveform.thd_of_total);
    let harmonics: Vec<Value> = waveform
        .harmonics
        .iter()
        .map(|harmonic| {
            json!({
                "number": harmonic.number,
                "level_dbfs": harmonic.level.get(),
                "relative_db": harmonic.relative_db,
                "u_db": harmonic.u_db,
                "phase_cycles": harmonic.phase,
            })
        })
        .collect();
    json!({
        "thd_of_fundamental_percent": of_fundamental,
        "u_thd_of_fundamental_percent": u_of_fundamental,
        "thd_of_total_percent": of_total,
        "u_thd_of_total_percent": u_of_total,
        "even_to_odd_db": waveform.even_to_odd_db.map(|balance| balance.value),
        "u_even_to_odd_db": waveform.even_to_odd_db.map(|balance| balance.u),
        "dc_of_full_scale": waveform.dc,
        "duty_cycle_percent": waveform.duty_cycle.map(|duty| percent(duty).0),
        "u_duty_cycle_percent": waveform.duty_cycle.map(|duty| percent(duty).1),
        "harmonics_counted": waveform.counted,
        "harmonics": harmonics,
    })
}

/// The waveform in a line or two.
pub fn text(waveform: &Waveform) -> Vec<String> {
    let mut first = format!(
        "THD {:.3} % of the fundamental, {:.3} % of the whole (harmonics to {})",
        waveform.thd_of_fundamental.value * 100.0,
        waveform.thd_of_total.value * 100.0,
        waveform.counted
    );
    if let Some(balance) = waveform.even_to_odd_db {
        first += &format!("  even/odd {:+.2} dB", balance.value);
    }
    first += &format!("  mean {:+.5}", waveform.dc);
    if let Some(duty) = waveform.duty_cycle {
        first += &format!(
            "  duty {:.2} % (u {:.2} %)",
            duty.value * 100.0,
            duty.u * 100.0
        );
    }
    let rest: Vec<String> = waveform
        .harmonics
        .iter()
        .filter(|harmonic| (2..=COLUMNS).contains(&harmonic.number))
        .map(|harmonic| format!("{}: {:.1} dB", harmonic.number, harmonic.relative_db))
        .collect();
    if rest.is_empty() {
        return vec![first];
    }
    vec![first, format!("harmonics {}", rest.join("  "))]
}
