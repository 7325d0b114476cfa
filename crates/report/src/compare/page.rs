//! A comparison as one HTML file.

use super::words::{
    as_stated, conditions, difference_stated, heading, job, label, said, statements,
};
use super::{Kind, Pair, Subject, pairs};
use crate::RunView;
use crate::numbers::{fixed, shown_unit};
use crate::outline::title;
use crate::page::unbroken;
use crate::plot::over_time::{OverTime, Series, over_time};
use crate::plot::profiles::{Profile, profiles};
use askama::Template;

#[derive(Debug)]
struct RowLine {
    name: &'static str,
    one: String,
    other: String,
    difference: String,
    unit: &'static str,
    error: String,
    stands_out: bool,
}

#[derive(Debug)]
struct PairPage {
    heading: String,
    one: String,
    other: String,
    facts: Vec<(String, String)>,
    said: Vec<String>,
    conditions: Vec<String>,
    figures: Vec<(String, String, String)>,
    rows: Vec<RowLine>,
    with_error: bool,
}

#[derive(Debug, Template)]
#[template(path = "compare.html")]
struct Page {
    style: &'static str,
    title: String,
    statement: Vec<String>,
    pairs: Vec<PairPage>,
}

/// Runs held against each other, as one HTML file.
#[must_use]
pub fn comparison_html(views: &[RunView<'_>]) -> String {
    let pairs: Vec<PairPage> = pairs(views).iter().map(pair_page).collect();
    let page = Page {
        style: include_str!("../../templates/style.css"),
        title: match pairs.as_slice() {
            [pair] => pair.heading.clone(),
            pairs if pairs.iter().all(|pair| pair.one == "before") => {
                format!("{} units before and after", pairs.len())
            }
            pairs => format!("{} comparisons", pairs.len()),
        },
        statement: statements(views)
            .iter()
            .map(|said| unbroken(said))
            .collect(),
        pairs,
    };
    let html = page
        .render()
        .unwrap_or_else(|error| format!("<!doctype html><title>Comparison</title><p>{error}</p>"));
    // Marks of direction and the like, from whoever wrote the names in it.
    model::plain(&html).into_owned()
}

fn pair_page(pair: &Pair<'_>) -> PairPage {
    let fact = |subject: &Subject<'_>| {
        let record = subject.view.record;
        let began = record.header.began.to_string();
        format!(
            "{} in {}, {}, {}{}",
            subject.name(),
            subject.position,
            subject.view.rig.name,
            began.get(..16).unwrap_or(&began).replace('T', " "),
            job(subject),
        )
    };
    let facts = [(false, &pair.one), (true, &pair.other)]
        .map(|(other, subject)| {
            (
                format!("{} ({})", label(pair, other), subject.view.record.id),
                fact(subject),
            )
        })
        .to_vec();
    PairPage {
        heading: heading(pair),
        one: label(pair, false),
        other: label(pair, true),
        facts,
        said: said(pair).iter().map(|said| unbroken(said)).collect(),
        conditions: conditions(pair).iter().map(|said| unbroken(said)).collect(),
        figures: profile_figure(pair)
            .into_iter()
            .chain(time_figure(pair))
            .collect(),
        with_error: pair.kind == Kind::RigAgainstRig,
        rows: pair
            .rows
            .iter()
            .map(|row| RowLine {
                name: title(row.name),
                one: as_stated(row.one),
                other: as_stated(row.other),
                difference: difference_stated(row),
                unit: shown_unit(row.name.dimension()),
                error: row
                    .difference
                    .normalised_error
                    .map_or_else(String::new, |error| fixed(error, 2)),
                stands_out: row.difference.stands_out(),
            })
            .collect(),
    }
}

/// Deviation over notes of both, retuned, on the same axes.
fn profile_figure(pair: &Pair<'_>) -> Option<(String, String, String)> {
    let of = |subject: &Subject<'_>, style: usize, name: String| {
        // The stage with most notes says most of a scale.
        let (_, unit) = subject
            .view
            .stages_of(subject.position)
            .into_iter()
            .filter(|(_, unit)| unit.profile.len() > 1)
            .max_by_key(|(_, unit)| unit.profile.len())?;
        let names: Vec<(f64, String)> = unit
            .notes
            .iter()
            .map(|note| (note.asked.note_number(), note.name.clone()))
            .collect();
        let points = unit
            .profile
            .iter()
            .map(|point| (point.asked.note_number(), point.cents, point.u))
            .collect();
        Some((
            Profile {
                name,
                style,
                points,
            },
            names,
        ))
    };
    let (one, mut names) = of(&pair.one, 1, label(pair, false))?;
    let (other, more) = of(&pair.other, 4, label(pair, true))?;
    names.extend(more);
    names.sort_by(|a, b| a.0.total_cmp(&b.0));
    names.dedup_by(|a, b| (a.0 - b.0).abs() < 1e-6);
    let svg = profiles(
        "Deviation over notes of both, retuned",
        &names,
        &[one, other],
    );
    Some((
        "Deviation over notes, retuned".to_owned(),
        svg,
        "Both at the end of their stage, each with its reference note tuned. Whiskers are twice the standard uncertainty, the rig's part included: what both have in common moves both alike.".to_owned(),
    ))
}

/// The reference note of both over time.
fn time_figure(pair: &Pair<'_>) -> Option<(String, String, String)> {
    let of = |subject: &Subject<'_>, style: usize, name: String| -> Option<Series> {
        let view = &subject.view;
        let law = view
            .rig
            .positions
            .get(subject.position.as_str())?
            .cv
            .law
            .control_law();
        let reference = view.plan.reference.pitch(view.plan.pitch, law);
        let (main, _) = view.main_stage(subject.position)?;
        let mut points: Vec<(f64, f64, f64)> = Vec::new();
        for (stage, unit) in view.stages_of(subject.position) {
            // One clock: stages that count from the same moment.
            if stage.origin != main.origin {
                continue;
            }
            for note in &unit.notes {
                if note.asked.cents_from(reference).abs().get() < 1e-3 {
                    points.extend(note.points.iter().map(|p| (p.t_s, p.as_played, p.u)));
                }
            }
        }
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        (points.len() > 2).then(|| Series {
            name,
            style,
            stretches: vec![points],
        })
    };
    let series = [
        of(&pair.one, 1, label(pair, false))?,
        of(&pair.other, 4, label(pair, true))?,
    ];
    let times = || {
        series
            .iter()
            .flat_map(|s| s.stretches.iter().flatten())
            .map(|p| p.0)
    };
    let from = times().fold(f64::INFINITY, f64::min);
    let to = times().fold(f64::NEG_INFINITY, f64::max);
    let warm = (to - from > 4.0 * 3600.0 && from < 600.0).then_some(from + 3600.0);
    let drawing = over_time(&OverTime {
        title: "The reference note of both over time",
        y_title: "Deviation as played (cents)",
        x_title: "Time since t = 0 of each",
        height: 260.0,
        range: (from, to),
        warm,
        stages: &[],
        series: &series,
        bands: false,
        allowed: None,
        least: 1.0,
        zero: false,
    });
    Some((
        "The reference note over time".to_owned(),
        drawing.svg,
        "As played, so a difference that stays is a panel knob's.".to_owned(),
    ))
}
