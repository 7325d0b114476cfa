//! The page: safe whatever it is fed, whole by itself, readable.

mod specimen;

use analysis::{Analysis, analyse};
use model::record::{EventKind, Measured, State};
use model::result::{
    Basis, Because, Choice, Contribution, Finding, JointRisk, Known, Noise, NotDetermined,
    NotReached, Outcome, ResultName, Scope, UncertaintySource, Verdict,
};
use report::RunView;
use specimen::{CHARACTERS, Character, Specimen};

const HOSTILE: &str =
    "\"><script>alert(1)</script><img src=x onerror='alert(2)'> & ]]> \u{7} \u{202e}";

fn drawings(page: &str) -> Vec<&str> {
    page.split("<svg ")
        .skip(1)
        .map(|rest| &rest[..rest.find("</svg>").unwrap()])
        .collect()
}

fn parsed(drawing: &str) -> String {
    format!("<svg {drawing}</svg>")
}

/// Marks that turn the direction of writing, or are not seen, are shown as what they are;
/// and no name takes more room than a name needs.
#[test]
fn names_are_short_and_plain() {
    let mut run = Specimen::night(&CHARACTERS[..2]);
    for unit in run.record.header.units.values_mut() {
        unit.serial = format!("{}{}", "W".repeat(1500), unit.serial);
        unit.model = Some("a\u{202e}b\u{2028}c\u{200b}d\u{85}e".to_owned());
    }
    let run = run.analysed_again();
    let page = report::html(&run.view());
    assert!(!page.contains(&"W".repeat(81)));
    let unseen = ['\u{202e}', '\u{2028}', '\u{200b}', '\u{85}'];
    assert!(!page.contains(unseen));
    assert!(page.contains("a\\u202eb\\u2028c\\u200bd\\u0085e"));
    // In drawings a text ends where they do, or little beyond.
    for drawing in drawings(&page) {
        let longest = drawing
            .split(['<', '>'])
            .map(|text| text.matches('W').count());
        assert!(longest.max() < Some(40), "{drawing}");
    }
}

#[test]
fn nothing_a_person_typed_becomes_markup() {
    let mut run = Specimen::night(&CHARACTERS[..2]);
    for unit in run.record.header.units.values_mut() {
        unit.serial = HOSTILE.to_owned();
        unit.model = Some(HOSTILE.to_owned());
        unit.notes = Some(HOSTILE.to_owned());
        unit.settings = [(HOSTILE.to_owned(), HOSTILE.to_owned())].into();
    }
    for gap in &mut run.record.gaps {
        gap.reason = HOSTILE.to_owned();
    }
    for event in &mut run.record.events {
        event.text = HOSTILE.to_owned();
    }
    run.record.header.plan_text.push_str(HOSTILE);
    run.record.header.rig_text.push_str(HOSTILE);
    run.plan.title = HOSTILE.to_owned();
    run.rig.name = HOSTILE.to_owned();
    let run = run.analysed_again();
    let page = report::html(&run.view());
    assert!(!page.contains("<script"));
    assert!(!page.contains("<img"));
    for drawing in drawings(&page) {
        let drawing = parsed(drawing);
        let document = roxmltree::Document::parse(&drawing).unwrap();
        assert!(
            document
                .descendants()
                .filter(|node| node.is_element())
                .flat_map(|node| node.attributes())
                .all(|attribute| !attribute.name().starts_with("on"))
        );
    }
    // Nor does it reach the terminal as a control character.
    let text = report::text(&run.view());
    assert!(text.chars().all(|c| c == '\n' || !c.is_control()));
}

#[test]
fn the_page_needs_nothing_beside_itself() {
    let run = Specimen::night(&CHARACTERS);
    let page = report::html(&run.view());
    for word in [
        "http",
        "url(",
        "src=",
        "@import",
        "<script",
        "<link",
        "@font-face",
    ] {
        assert!(!page.contains(word), "{word}");
    }
    assert!(page.contains("prefers-color-scheme:dark") && page.contains("@media print"));
    // Sentences come before the first drawing.
    assert!(page.find("In short").unwrap() < page.find("<svg").unwrap());
    // Said on the page of every such run.
    assert!(page.contains("Uncalibrated rig"));
}

/// Texts of one drawing do not cover each other or leave it, by a measure of
/// their width that is not the drawing's own: 0.5 em a letter, the mean of the
/// usual sans-serif faces (common practice, no source).
#[test]
fn texts_of_a_drawing_keep_apart() {
    let crowd: Vec<Character> = CHARACTERS
        .into_iter()
        // All lines end in the same place.
        .map(|character| Character {
            scale: 0.0,
            scale_cold: 0.0,
            high: 0.0,
            low: 0.0,
            ..character
        })
        .collect();
    for run in [Specimen::night(&CHARACTERS), Specimen::night(&crowd)] {
        let page = report::html(&run.view());
        let drawings = drawings(&page);
        assert!(drawings.len() > 15, "{}", drawings.len());
        for drawing in drawings {
            let drawing = parsed(drawing);
            let document = roxmltree::Document::parse(&drawing).unwrap();
            let size: Vec<f64> = document
                .root_element()
                .attribute("viewBox")
                .unwrap()
                .split(' ')
                .map(|number| number.parse().unwrap())
                .collect();
            let texts: Vec<_> = document
                .descendants()
                .filter(|node| node.has_tag_name("text") && node.attribute("transform").is_none())
                .map(|node| {
                    let number = |name| node.attribute(name).unwrap().parse::<f64>().unwrap();
                    let words = node.text().unwrap_or_default().to_owned();
                    let wide = words.chars().count() as f64 * 12.0 * 0.5;
                    let left = match node.attribute("text-anchor").unwrap() {
                        "start" => number("x"),
                        "middle" => number("x") - wide / 2.0,
                        _ => number("x") - wide,
                    };
                    (
                        words,
                        left,
                        left + wide,
                        number("y") - 9.0,
                        number("y") + 3.0,
                    )
                })
                .collect();
            for (index, a) in texts.iter().enumerate() {
                assert!(
                    a.1 >= 0.0 && a.2 <= size[2] && a.4 <= size[3],
                    "{a:?} leaves {size:?}"
                );
                for b in &texts[index + 1..] {
                    let apart = a.2 <= b.1 || b.2 <= a.1 || a.4 <= b.3 || b.4 <= a.3;
                    assert!(apart, "{a:?} covers {b:?}");
                }
            }
        }
    }
}

#[test]
fn a_gap_is_not_drawn_over() {
    let mut run = Specimen::night(&CHARACTERS[..1]);
    let lines = |run: &Specimen| {
        let page = report::html(&run.view());
        let retuned = page.split("The same retuned").nth(1).unwrap().to_owned();
        drawings(&retuned)[0].matches("class=\"line ").count()
    };
    // Three rounds of the night are missing: each of five notes in two stretches,
    // and the warming before them.
    assert_eq!(lines(&run), 15);
    run.record
        .readings
        .retain(|reading| reading.key.stage != 3 || !(50..53).contains(&reading.key.round));
    let run = run.analysed_again();
    assert_eq!(lines(&run), 20);
}

fn renders(run: &Specimen) {
    let view = run.view();
    let page = report::html(&view);
    for drawing in drawings(&page) {
        assert!(
            !drawing.contains("NaN") && !drawing.contains("inf"),
            "{drawing}"
        );
        roxmltree::Document::parse(&parsed(drawing)).unwrap();
    }
    for line in report::text(&view).lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    let _ = report::sentences(&view);
    let numbers = format!(
        "{}{}",
        report::export_json(&view),
        report::results_json(&view)
    );
    assert!(!numbers.contains("NaN"));
    let _ = report::export_csv(&view, true);
}

#[test]
fn whatever_is_left_of_a_run_can_be_shown() {
    let whole = Specimen::night(&CHARACTERS[..2]);
    // Nothing at all.
    let mut run = Specimen::of(specimen::PLAN, specimen::RIG, &[]);
    run.record.events.clear();
    run.record.gaps.clear();
    renders(&run.analysed_again());
    // Readings without anything said of them.
    let mut run = Specimen::night(&CHARACTERS[..2]);
    run.analysis = Analysis {
        stages: Vec::new(),
        outcomes: Vec::new(),
        verdicts: Vec::new(),
        risks: Vec::new(),
        suggestions: Vec::new(),
        incidents: Vec::new(),
    };
    renders(&run);
    // Cut off early.
    for kept in [1, 2, 7, 15, 200, 700] {
        let mut run = Specimen::night(&CHARACTERS[..2]);
        run.record.readings.truncate(kept);
        run.record.traces.truncate(kept / 100);
        run.record
            .events
            .retain(|event| event.kind != EventKind::RunEnded);
        let run = run.analysed_again();
        renders(&run);
        let page = report::html(&run.view());
        assert!(page.contains("This run is incomplete"));
    }
    // Silent throughout.
    let mut run = Specimen::night(&CHARACTERS[..2]);
    for reading in &mut run.record.readings {
        reading.measured = Measured {
            state: State::Silent,
            frequency: None,
            u: None,
            u_noise: None,
            level: None,
            ..reading.measured
        };
    }
    run.record.traces.clear();
    renders(&run.analysed_again());
    // A stage that the plan does not have, and a unit that nobody named.
    let mut run = whole;
    for reading in &mut run.record.readings {
        reading.key.stage += 40;
    }
    run.record.header.units.clear();
    renders(&run);
}

#[test]
fn numbers_that_are_none_do_no_harm() {
    let mut run = Specimen::night(&CHARACTERS[..1]);
    for outcome in &mut run.analysis.outcomes {
        outcome.known = Known::Value {
            value: f64::NAN,
            u: Some(f64::INFINITY),
            low: Some(f64::NEG_INFINITY),
            high: outcome.high(),
        };
    }
    for stage in &mut run.analysis.stages {
        for unit in &mut stage.units {
            for note in &mut unit.notes {
                note.points[0].as_played = f64::NAN;
                note.points[0].retuned = Some(f64::INFINITY);
            }
            for curve in &mut unit.curves {
                curve.points[0] = (f64::NAN, 1.0, f64::NAN);
            }
            for point in &mut unit.profile {
                point.u = f64::NAN;
            }
        }
    }
    renders(&run);
}

/// Results as they might come out, so that the wording is looked at and not the
/// analysis.
fn outcome(position: &str, name: ResultName, numbers: Option<(f64, f64, f64)>) -> Outcome {
    let known = match numbers {
        Some((value, low, high)) => {
            Known::value_of(value, Some((high - low) / 4.0), Some(low), Some(high))
        }
        None => Known::NotDetermined(NotDetermined::NotReached(NotReached::Ready {
            record_s: 43_200.0,
            limit: 3.0,
            last: 9.4,
            perhaps: false,
        })),
    };
    let note = |name: &str| name.to_owned();
    let basis = match name {
        ResultName::HighEnd => Some(Basis::HighEnd {
            note: note("C7"),
            per_khz: [-0.2, 0.1],
            delay_us: 0.1,
            drift_in_it: false,
        }),
        ResultName::WorstBeats => Some(Basis::WorstBeats {
            pair: [note("C6"), note("C7")],
            pairs: 5,
        }),
        ResultName::ShortTermStability => Some(Basis::ShortTermStability {
            note: note("C4"),
            over_s: 1.0,
            stretch_s: 600.0,
            warm: true,
            with_meter: 0.008,
            noise: Noise::White,
            freedom: 500.0,
            drift: 0.0,
        }),
        _ => None,
    };
    Outcome {
        with: Choice {
            limit: 2.0,
            ..Choice::USUAL
        },
        scope: basis.is_some().then_some(Scope::Moment {
            t_s: 43_200.0,
            rounds: 1,
        }),
        basis,
        t_s: (name == ResultName::ErrorAfterOneTuning).then_some(1500.0),
        readings: 462,
        ..Outcome::new(
            name,
            model::record::PositionId::new(position),
            "night".to_owned(),
            known,
        )
    }
}

#[test]
fn sentences_as_they_read() {
    use ResultName::*;
    let mut run = Specimen::night(&CHARACTERS[..3]);
    run.analysis.outcomes = vec![
        outcome("a", ReadyAfter, Some((1320.0, 1260.0, 1500.0))),
        outcome("a", WarmUpTime, Some((1380.0, 1320.0, 1440.0))),
        outcome("a", ErrorAfterOneTuning, Some((3.1, 2.7, 3.5))),
        outcome("a", ErrorLeftAfterRetuning, Some((0.52, 0.3, 0.8))),
        outcome("a", ErrorLeftAfterTrimming, Some((0.41, 0.2, 0.6))),
        outcome("a", ScaleError, Some((0.11, -0.2, 0.4))),
        outcome("a", HighEnd, Some((-0.4, -1.4, 0.6))),
        outcome("a", FractionOfRounds, Some((0.96, 0.94, 0.97))),
        outcome("a", WorstBeats, Some((0.2, 0.0, 0.6))),
        outcome("a", SettlingTime, Some((0.3, 0.0, 0.3))),
        outcome("a", ShortTermStability, Some((0.0071, 0.0069, 0.0074))),
        outcome("a", OffsetTemperatureCoefficient, Some((-1.2, -1.3, -1.1))),
        outcome("b", ReadyAfter, None),
        outcome("b", WarmUpTime, None),
        outcome("b", ErrorLeftAfterRetuning, Some((22.4, 21.1, 23.7))),
        outcome("b", ErrorLeftAfterTrimming, Some((1.2, 0.8, 1.6))),
        outcome("b", ScaleError, Some((8.46, 7.86, 9.06))),
        outcome("b", WorstBeats, Some((4.4, 4.2, 4.6))),
        outcome("b", Hysteresis, Some((-1.4, -1.6, -1.2))),
        outcome("b", ScaleTemperatureCoefficient, None),
        outcome("b", Excursion, Some((26.4, 26.3, 26.5))),
        outcome("b", DriftRate, Some((-0.31, -0.4, -0.22))),
        outcome("c", ErrorLeftAfterTrimming, Some((2.8, 2.6, 3.0))),
        outcome("c", HighEnd, Some((-13.3, -14.3, -12.3))),
        outcome("c", LowEnd, Some((-25.6, -26.8, -24.4))),
    ];
    let outcomes = run.analysis.outcomes.clone();
    let verdict = |tolerance, position: &str, finding, name| {
        let mut own = outcomes
            .iter()
            .filter(|outcome| outcome.position.as_str() == position);
        Verdict {
            tolerance,
            position: model::record::PositionId::new(position),
            result: own.position(|outcome| outcome.name == name),
            finding,
            because: match finding {
                Finding::Pass => Because::Inside,
                Finding::Fail => Because::Outside,
                Finding::Undecided => Because::NotDetermined,
            },
            outside: None,
        }
    };
    run.analysis.verdicts = vec![
        verdict(0, "a", Finding::Pass, ScaleError),
        verdict(0, "b", Finding::Fail, ScaleError),
        verdict(1, "a", Finding::Pass, WarmUpTime),
        verdict(1, "b", Finding::Undecided, WarmUpTime),
        verdict(2, "a", Finding::Pass, ErrorLeftAfterTrimming),
        verdict(2, "b", Finding::Pass, ErrorLeftAfterTrimming),
    ];
    let risk = |position: &str, outside, counted| JointRisk {
        position: model::record::PositionId::new(position),
        outside: Some(outside),
        counted,
        tolerances: 3,
    };
    run.analysis.risks = vec![risk("a", 0.031, 3), risk("b", 0.9998, 2)];
    // What limits a result stands by those that a verdict hangs on, and a chance by a
    // verdict that is open: of a pass it would say nothing that the word does not.
    let budget = |parts: &[(UncertaintySource, f64)]| {
        parts
            .iter()
            .map(|(source, share)| Contribution {
                source: *source,
                u: 0.15 * share.sqrt(),
                share: *share,
            })
            .collect::<Vec<_>>()
    };
    for outcome in &mut run.analysis.outcomes {
        outcome.budget = match outcome.name {
            ScaleError => budget(&[
                (UncertaintySource::CvGain, 0.78),
                (UncertaintySource::CvSteps, 0.2),
                (UncertaintySource::Readings, 0.02),
            ]),
            HighEnd => budget(&[(UncertaintySource::CvSteps, 1.0)]),
            _ => Vec::new(),
        };
    }
    for verdict in &mut run.analysis.verdicts {
        verdict.outside = Some(if verdict.finding == Finding::Undecided {
            0.378
        } else {
            0.001
        });
    }
    insta::assert_snapshot!(report::text(&run.view()));
    let page = report::html(&run.view());
    let (_, limits) = page.split_once("<table class=\"limits\">").unwrap();
    let (limits, _) = limits.split_once("</table>").unwrap();
    let rows: Vec<&str> = limits.lines().filter(|line| line.contains("<td")).collect();
    assert_eq!(rows.len(), 3, "{limits}");
    assert!(rows[0].contains(">Scale error<") && rows[0].contains("0.13 cents/oct"));
    assert!(rows[1].contains("control voltage steps") && rows[1].contains("20 %"));
    assert!(rows[2].contains(">High end<") && rows[2].contains("100 %"));
    assert_eq!(page.matches("is 38\u{a0}%").count(), 1);
}

/// What a unit does before it is warm is no reason to turn its scale trimmer.
#[test]
fn warm_up_is_no_reason_to_trim() {
    use ResultName::*;
    let mut run = Specimen::night(&CHARACTERS[..1]);
    run.analysis.outcomes = vec![
        outcome("a", WarmUpTime, Some((600.0, 540.0, 660.0))),
        outcome("a", ErrorLeftAfterTrimming, Some((0.4, 0.3, 0.5))),
    ];
    let stage = run
        .analysis
        .stages
        .iter_mut()
        .find(|stage| stage.name == "night")
        .unwrap();
    let curves = &mut stage.units[0].curves;
    curves.retain(|curve| curve.name != ErrorLeftAfterRetuning);
    curves.push(model::result::Curve {
        name: ErrorLeftAfterRetuning,
        position: model::record::PositionId::new("a"),
        stage: "night".to_owned(),
        points: vec![(60.0, 20.0, 0.1), (3600.0, 0.5, 0.1), (7200.0, 0.4, 0.1)],
    });
    let one_line = |run: &Specimen| {
        report::text(&run.view())
            .split_whitespace()
            .collect::<Vec<_>>()
            .join(" ")
    };
    assert!(one_line(&run).contains("would gain little: retuning alone leaves up to 0.50 cents"));
    // Without a warm-up every round counts.
    run.analysis.outcomes.remove(0);
    assert!(one_line(&run).contains("would help: retuning alone leaves up to 20.00 cents"));
}

#[test]
fn a_sweep_alone_has_a_page() {
    let plan = "\
nightbench: plan 1
title: Tracking
reference: C4
stages:
  - sweep: {name: fine tracking, notes: {range: {from: C2, to: C7, step: 100 cents}}, order: up_then_down}
";
    let run = Specimen::of(plan, specimen::RIG, &CHARACTERS[2..3]);
    renders(&run);
    let page = report::html(&run.view());
    assert!(page.contains("Deviation against note"));
    assert!(!page.contains("Each note as played"));
    let view: RunView<'_> = run.view();
    assert_eq!(report::sentences(&view)[0].finding, None);
    assert_eq!(*view.analysis, analyse(view.plan, view.rig, view.record));
}

#[test]
fn another_note_is_not_called_the_reference_note() {
    let plan = "\
nightbench: plan 1
title: One low note
reference: C4
stages:
  - rounds: {name: low, notes: {list: [C2]}, every: 1 min, for: 20 min}
";
    let run = Specimen::of(plan, specimen::RIG, &CHARACTERS[..1]);
    let text = report::text(&run.view());
    assert!(text.contains("Its note C2 wandered over"), "{text}");
}

#[test]
fn a_caption_tells_how_far_a_scale_went_and_not_where_it_began() {
    // Cold, this unit's octaves are 9 cents wider than warm. In the hours in between they
    // are at their narrowest.
    let mut run = Specimen::night(&CHARACTERS[1..2]);
    for stage in &mut run.analysis.stages {
        for unit in &mut stage.units {
            let scales = |curve: &&mut model::result::Curve| curve.name == ResultName::ScaleError;
            for curve in unit.curves.iter_mut().filter(scales) {
                let middle = curve.points.len() / 2;
                curve.points[middle].1 = -77.0;
            }
        }
    }
    let page = report::html(&run.view());
    assert!(page.contains("Between \u{2212}77.00 and +"), "no caption");
}
