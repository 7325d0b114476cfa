//! The drawings of a batch: each result that stands in the units' lines.

use super::BatchView;
use super::say::{Digits, count, named, shown};
use crate::outline::title;
use crate::page::charts::Figure;
use crate::page::lines::allowed_range;
use crate::plot::of_batch::{Dot, OfBatch, of_batch};
use analysis::batch::{BatchResult, Histogram, Known};
use model::quantity::Dimension;

/// The drawings, in the order of the units' lines.
pub(crate) fn figures(view: &BatchView<'_>) -> Vec<Figure> {
    view.keys()
        .into_iter()
        .filter_map(|result| figure(view, result))
        .collect()
}

fn figure(view: &BatchView<'_>, result: &BatchResult) -> Option<Figure> {
    let dimension = result.name.dimension();
    // Times are drawn in minutes.
    let drawn = |value: f64| match dimension {
        Dimension::Duration => value / 60.0,
        _ => shown(dimension, value),
    };
    let is_study = view.batch.design.is_some();
    let mut dots: Vec<Dot> = view
        .batch
        .members
        .iter()
        .zip(&result.values)
        .filter_map(|(member, value)| {
            let value = value.as_ref()?;
            let known = value.known()?;
            let number = drawn(known.number());
            let reached = matches!(known, Known::Value(_));
            let end = |end: Option<f64>| end.map(drawn).filter(|end| reached && end.is_finite());
            Some(Dot {
                name: if is_study {
                    format!("{}, {}", member.name, member.bench)
                } else {
                    member.name.clone()
                },
                value: (
                    number,
                    end(value.outcome.low()).unwrap_or(number),
                    end(value.outcome.high()),
                ),
                reached,
                outlier: value.is_outlier(),
            })
        })
        .collect();
    if dots.is_empty() {
        return None;
    }
    // What was not reached stands last. In a study, the same units stand together.
    dots.sort_by(|a, b| {
        let name = |dot: &Dot| is_study.then(|| dot.name.clone());
        name(a)
            .cmp(&name(b))
            .then((!a.reached).cmp(&!b.reached))
            .then(a.value.0.total_cmp(&b.value.0))
    });
    let allowed = result
        .tolerances
        .first()
        .and_then(|of| allowed_range(&of.tolerance))
        .map(|(low, high)| (drawn(low), drawn(high)));
    let histogram = result.histogram.as_ref().map(
        |Histogram {
             from,
             width,
             counts,
         }| (drawn(*from), drawn(*width), counts.as_slice()),
    );
    let spread = result.spread.as_ref();
    let unit = match dimension {
        Dimension::Duration => "minutes",
        dimension => crate::numbers::shown_unit(dimension),
    };
    let name = named(result);
    let x_title = format!("{} ({unit})", title(result.name));
    let drawing = of_batch(&OfBatch {
        title: &name,
        x_title: &x_title,
        dots: &dots,
        histogram,
        median: spread.and_then(|spread| spread.median).map(drawn),
        allowed,
    });
    Some(Figure {
        caption: caption(view, result, &dots, allowed.is_some()),
        heading: name,
        svg: drawing.svg,
    })
}

/// The width of a bin, a round number as it is.
fn step(result: &BatchResult, width: f64) -> String {
    let dimension = result.name.dimension();
    if dimension == Dimension::Duration {
        return crate::numbers::duration(width);
    }
    let number = crate::numbers::exact(shown(dimension, width));
    format!("{number} {}", crate::numbers::spoken_unit(dimension))
}

fn caption(view: &BatchView<'_>, result: &BatchResult, dots: &[Dot], allowed: bool) -> String {
    let digits = Digits::of(result);
    let mut said = if view.batch.design.is_some() {
        format!(
            "{} measurements, by unit and bench; whiskers are 95 % intervals.",
            dots.len()
        )
    } else {
        format!(
            "{} in the order of their values; whiskers are 95 % intervals.",
            count(dots.len(), "unit", "units")
        )
    };
    let median = result.spread.as_ref().and_then(|spread| spread.median);
    if let Some(median) = median {
        said += &format!(" Dashed: the median, {}.", digits.spoken(median));
    }
    if allowed {
        said += " Shaded: what the plan allows.";
    }
    if dots.iter().any(|dot| dot.outlier) {
        said += " Diamonds stand out from the batch.";
    }
    if dots.iter().any(|dot| !dot.reached) {
        said += " Arrows: not reached within the record.";
    }
    if let Some(histogram) = &result.histogram {
        said += &format!(
            " Above: how many units in steps of {}.",
            step(result, histogram.width)
        );
    }
    let missing = view.batch.members.len() - dots.len();
    if missing > 0 {
        said += &format!(" Of {} it cannot be said.", count(missing, "unit", "units"));
    }
    said
}
