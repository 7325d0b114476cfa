//! The drawings of a run as a whole: its units side by side, its conditions.

use super::charts::{Figure, range};
use super::lines::allowed_range;
use crate::RunView;
use crate::numbers::{self, fixed};
use crate::outline::{stated, title};
use crate::plot::over_time::{OverTime, Series, over_time};
use crate::plot::overview::{Panel, overview};
use model::result::ResultName;
use std::collections::BTreeMap;

/// All units side by side; only where there are several.
pub(crate) fn of_all(view: &RunView<'_>) -> Option<Figure> {
    let positions = view.positions();
    if positions.len() < 2 {
        return None;
    }
    let panels: Vec<Panel> = [
        ResultName::ErrorAfterOneTuning,
        ResultName::ErrorLeftAfterTrimming,
        ResultName::ErrorLeftAfterRetuning,
        ResultName::ScaleError,
        ResultName::HighEnd,
        ResultName::Excursion,
        ResultName::DriftRate,
    ]
    .into_iter()
    .filter_map(|name| {
        let values: Vec<_> = positions
            .iter()
            .map(|position| {
                let value = stated(view.best(position, name)?)?;
                let (low, high) = value.interval.unwrap_or((value.value, value.value));
                Some((value.value, low, high))
            })
            .collect();
        values.iter().any(Option::is_some).then(|| Panel {
            title: title(name).to_owned(),
            unit: name.dimension().unit().to_owned(),
            values,
            allowed: view
                .plan
                .tolerances
                .iter()
                .find(|tolerance| tolerance.result == name)
                .and_then(allowed_range),
        })
    })
    .take(4)
    .collect();
    if panels.is_empty() {
        return None;
    }
    let names: Vec<String> = positions
        .iter()
        .map(|position| view.name_of(position))
        .collect();
    let drawing = overview("Results of all units side by side", &names, &panels);
    let worst = panels.first().and_then(|panel| {
        let known = panel
            .values
            .iter()
            .zip(&names)
            .filter_map(|(value, name)| Some((value.as_ref()?, name)));
        let best = known
            .clone()
            .min_by(|a, b| a.0.0.abs().total_cmp(&b.0.0.abs()))?;
        let worst = known.max_by(|a, b| a.0.0.abs().total_cmp(&b.0.0.abs()))?;
        let number = |(value, low, high): (f64, f64, f64)| {
            numbers::number(value, Some((high - value).max(value - low)))
        };
        (best.1 != worst.1).then(|| {
            format!(
                "{}: least on {} ({} {unit}), most on {} ({} {unit}). ",
                panel.title,
                best.1,
                number(*best.0),
                worst.1,
                number(*worst.0),
                unit = panel.unit
            )
        })
    });
    let shaded = if panels.iter().any(|panel| panel.allowed.is_some()) {
        " Shaded: what the plan allows."
    } else {
        ""
    };
    Some(Figure {
        heading: "All units side by side".to_owned(),
        svg: drawing.svg,
        caption: format!(
            "{}Whiskers are 95 % intervals.{shaded}",
            worst.unwrap_or_default()
        ),
    })
}

/// Air temperature and supply voltages over the run.
pub(crate) fn of_conditions(view: &RunView<'_>) -> Vec<Figure> {
    let mut air = Vec::new();
    let mut readings: Vec<_> = view.record.readings.iter().collect();
    readings.sort_by(|a, b| (a.at, &a.key).cmp(&(b.at, &b.key)));
    for reading in &readings {
        if let Some(celsius) = reading.conditions.air {
            air.push((reading.at.seconds(), celsius.get(), 0.0));
        }
    }
    let mut by_supply: BTreeMap<&str, Vec<(f64, f64, f64)>> = BTreeMap::new();
    for reading in &readings {
        let position = view.rig.positions.get(reading.key.position.as_str());
        if let Some(supply) = position.and_then(|position| position.supply.as_deref())
            && let Some(volts) = reading.conditions.supply
        {
            by_supply
                .entry(supply)
                .or_default()
                .push((reading.at.seconds(), volts.get(), 0.0));
        }
    }
    let alone = by_supply.len() == 1;
    let supplies: Vec<Series> = by_supply
        .into_iter()
        .filter(|(_, points)| points.len() > 1)
        .enumerate()
        .map(|(index, (name, points))| Series {
            name: if alone {
                String::new()
            } else {
                name.to_owned()
            },
            style: index,
            stretches: vec![points],
        })
        .collect();
    let air = (air.len() > 1).then(|| Series {
        name: String::new(),
        style: 0,
        stretches: vec![air],
    });
    let mut figures = Vec::new();
    figures.extend(air.and_then(|air| condition(&[air], "Air temperature", "°C", 0.5)));
    if !supplies.is_empty() {
        figures.extend(condition(&supplies, "Supply voltage", "V", 0.1));
    }
    figures
}

fn condition(series: &[Series], name: &str, unit: &str, least: f64) -> Option<Figure> {
    let points = || {
        series
            .iter()
            .flat_map(|line| line.stretches.iter().flatten())
    };
    let (from, to) = range(points().map(|point| point.0))?;
    let (low, high) = range(points().map(|point| point.1))?;
    let decimals = if high - low < 1.0 { 2 } else { 1 };
    let (lowest, highest) = (fixed(low, decimals), fixed(high, decimals));
    if lowest == highest {
        // A straight line says less than a sentence.
        return Some(Figure {
            heading: name.to_owned(),
            svg: String::new(),
            caption: format!("{lowest} {unit} whenever a note was measured."),
        });
    }
    let drawing = over_time(&OverTime {
        title: name,
        y_title: &format!("{name} ({unit})"),
        x_title: "Time since the run began",
        height: 180.0,
        range: (from, to),
        warm: None,
        stages: &[],
        series,
        bands: false,
        allowed: None,
        least,
        zero: false,
    });
    Some(Figure {
        heading: name.to_owned(),
        svg: drawing.svg,
        caption: format!("Between {lowest} and {highest} {unit} while notes were measured."),
    })
}
