//! What was seen, as a sentence and as a list of numbers.

use super::OneEvidence;
use crate::document::Number;
use model::quantity::Dimension;
use model::quantity::shown::{duration, number};
use model::result::{Seen, Suggestion, SuggestionKind, Uncertain, WithAir};

/// "3.42 ± 0.12", at 95 %.
fn with_u(found: Uncertain) -> String {
    let expanded = 2.0 * found.u;
    let shown = |value: f64| number(value, Some(expanded));
    format!("{} ± {}", shown(found.value.abs()), shown(expanded))
}

/// A number with one decimal where that says something.
fn plain(value: f64) -> String {
    if value.abs() < 10.0 {
        format!("{value:.1}")
    } else {
        format!("{value:.0}")
    }
}

/// A resistance with two digits.
fn plain_ohms(ohms: f64) -> String {
    let digits = 10f64.powf(ohms.abs().max(1.0).log10().floor() - 1.0);
    format!("{:.0}", (ohms / digits).round() * digits)
}

fn how_many(count: usize) -> String {
    match count {
        1 => "This unit".to_owned(),
        2 => "Both units".to_owned(),
        _ => format!("All {count} units"),
    }
}

/// One word for what is above nought, another one for what is not.
fn way<'a>(value: f64, above: &'a str, below: &'a str) -> &'a str {
    if value > 0.0 { above } else { below }
}

/// What was seen.
pub(super) fn sentence(suggestion: &Suggestion) -> String {
    let units = suggestion.positions.len();
    match &suggestion.seen {
        Seen::Scale {
            error,
            beside_others,
            moved,
        } => {
            let others = if *beside_others {
                ", beside the other units of this rig"
            } else {
                ""
            };
            let flat = moved.map_or_else(String::new, |moved| {
                format!(", flat in time to {} cents per octave", plain(moved))
            });
            let way = way(error.value, "wide", "narrow");
            let error = with_u(*error);
            format!("Its octaves are too {way} by {error} cents each{others}{flat}.")
        }
        Seen::SharedScale {
            error,
            on_one,
            ohms,
            ..
        } => {
            let way = way(error.value, "wide", "narrow");
            let (units, error) = (how_many(units), with_u(*error));
            let mut seen = format!("{units} have octaves too {way} by about {error} cents");
            if let Some(on_one) = on_one {
                seen += &format!(", and {on_one} of them hang on one control voltage");
            }
            if let Some(ohms) = ohms {
                let ohms = plain_ohms(*ohms);
                seen += &format!("; an output resistance of about {ohms} ohm would do that");
            }
            seen + "."
        }
        Seen::Steps {
            off,
            largest,
            octaves,
        } => format!(
            "{} {} single notes off any smooth law by {} cents (root mean square), the same in every round; the largest is {} cents, {} octaves from the reference note.",
            how_many(units),
            if units == 1 { "has" } else { "have" },
            plain(*off),
            plain(largest.abs()),
            plain(*octaves)
        ),
        Seen::Together { shared, alone } => format!(
            "{} moved by {} cents together when warm, and by no more than {} cents beside each other.",
            how_many(units),
            plain(*shared),
            plain(*alone)
        ),
        Seen::OffTogether {
            cents,
            at,
            came_back,
        } => format!(
            "Several units jumped at the same moments, by about {} cents, first at {} of the run, and {}.",
            plain(cents.abs()),
            duration(at.seconds()),
            if *came_back {
                "came back"
            } else {
                "stayed there"
            }
        ),
        Seen::ScaleLate {
            late,
            largest,
            night,
        } => format!(
            "While it warmed, its octaves went {} cents {}, a quarter of an hour after power-on they were still {} cents {} than warm, and then they came to rest (within {} cents).",
            plain(largest.abs()),
            way(*largest, "wide", "narrow"),
            plain(late.abs()),
            way(*late, "wider", "narrower"),
            plain(*night)
        ),
        Seen::ScaleCold { first, night, air } => {
            let way = way(*first, "wider", "narrower");
            let first = plain(first.abs());
            let after = scale_when_warm(*night, *air);
            format!("Cold, its octaves were {first} cents {way} than warm{after}.")
        }
        Seen::ScaleWithAir {
            per_kelvin, kelvin, ..
        } => format!(
            "Its octaves followed the temperature by {} cents per kelvin each, over {} K.",
            with_u(*per_kelvin),
            plain(*kelvin)
        ),
        Seen::End { note, cents } => end(suggestion.kind, note, *cents),
        Seen::Offset {
            moved,
            seconds,
            scale,
            ..
        } => format!(
            "Warm, its pitch moved by {} cents in {}, all notes alike; its octaves moved by no more than {} cents each.",
            plain(*moved),
            duration(*seconds),
            plain(*scale)
        ),
        Seen::BesideHum {
            note,
            hums,
            readings,
        } => format!(
            "{hums} of {readings} readings of {note} have a line of the mains so near to a harmonic that it pulls them or hides them."
        ),
        Seen::Scatter { cents, meter } => format!(
            "A note scatters by {} cents from round to round; the meter's own noise is {} cents.",
            plain(*cents),
            number(*meter, Some(2.0 * meter))
        ),
        Seen::UpAndDown { cents, .. } => format!(
            "Reached from above, notes are {} cents {} than reached from below, drift taken out.",
            with_u(*cents),
            way(cents.value, "higher", "lower")
        ),
        off @ Seen::OffCourse { .. } => off_course(off),
        Seen::Alike { readings } => {
            format!("In {readings} readings they sounded exactly the same pitch.")
        }
    }
}

fn scale_when_warm(night: f64, air: WithAir) -> String {
    match air {
        WithAir::Followed(slope) => format!(
            ", and all night they followed the temperature by {} cents per kelvin each",
            with_u(slope)
        ),
        WithAir::DidNot(kelvin) => format!(
            "; in the night they moved by {} cents while the room moved by {} K",
            plain(night),
            plain(kelvin)
        ),
        WithAir::Unknown => format!("; warm they moved by {} cents", plain(night)),
    }
}

fn end(kind: SuggestionKind, note: &str, cents: Uncertain) -> String {
    let way = way(cents.value, "sharp", "flat");
    let cents = with_u(cents);
    if kind == SuggestionKind::LeakageAtTheBottom {
        format!(
            "At {note} it is, all warm rounds taken together, {cents} cents {way} beside its own scale, twice as much for every octave down."
        )
    } else {
        format!(
            "At {note} it is {cents} cents {way} beside its own scale, growing with the frequency."
        )
    }
}

/// When it jumped, how often, and for how long.
fn off_course(seen: &Seen) -> String {
    let Seen::OffCourse {
        times,
        for_good,
        cents,
        at,
        seconds,
        readings,
    } = seen
    else {
        return String::new();
    };
    let (cents, at) = (plain(cents.abs()), duration(at.seconds()));
    let often = match times {
        1 => "once".to_owned(),
        count => format!("{count} times"),
    };
    if for_good == times {
        return format!(
            "Its pitch jumped {often} and stayed there: by {cents} cents at {at} of the run."
        );
    }
    let stayed = match for_good {
        0 => "and came back",
        _ => "and did not always come back",
    };
    let readings = match readings {
        1 => "1 reading".to_owned(),
        count => format!("{count} readings"),
    };
    format!(
        "Its pitch jumped {often} {stayed}: by {cents} cents at {at} of the run, for {} or more, {readings} in all.",
        duration(*seconds)
    )
}

/// In which unit a number is.
enum In {
    Is(Dimension),
    Count(&'static str),
}

/// The numbers it rests on.
pub(super) fn evidence(suggestion: &Suggestion) -> Vec<OneEvidence> {
    use Dimension::{DriftRate, Interval, ScaleError, ScalePerKelvin};
    let bare = |what: &'static str, value: f64, unit: In| OneEvidence {
        what,
        value: Some(Number(value)),
        u: None,
        unit: match unit {
            In::Is(dimension) => dimension.unit(),
            In::Count(of) => of,
        },
    };
    let cents = |what, value| bare(what, value, In::Is(Interval));
    let scale = |what, value| bare(what, value, In::Is(ScaleError));
    let count = |what, value: usize, of| bare(what, value as f64, In::Count(of));
    let with_u = |what, found: Uncertain, dimension| OneEvidence {
        u: (found.u > 0.0).then_some(Number(found.u)),
        ..bare(what, found.value, In::Is(dimension))
    };
    let warm = |night: f64| scale("range of the scale when warm", night);
    let follows = |slope| with_u("scale against temperature", slope, ScalePerKelvin);
    match &suggestion.seen {
        Seen::Scale { error, moved, .. } => {
            let mut all = vec![with_u("scale error", *error, ScaleError)];
            all.extend(moved.map(warm));
            all
        }
        Seen::SharedScale {
            error,
            apart,
            on_one,
            ..
        } => {
            let mut all = vec![
                with_u("scale error common to the units", *error, ScaleError),
                scale("how far apart the units are", *apart),
            ];
            all.extend(
                on_one.map(|on_one| count("inputs on one control voltage", on_one, "inputs")),
            );
            all
        }
        Seen::Steps { off, largest, .. } => vec![
            cents("single notes off the law, root mean square", *off),
            cents("largest note off the law", *largest),
        ],
        Seen::Together { shared, alone } => vec![
            cents("movement that the units share", *shared),
            cents("movement of each beside the others", *alone),
        ],
        Seen::OffTogether { cents: size, .. } => vec![cents("typical jump", *size)],
        Seen::ScaleLate {
            late,
            largest,
            night,
        } => vec![
            scale(
                "scale a quarter of an hour after power-on, less when warm",
                *late,
            ),
            scale("largest departure of the scale while warming", *largest),
            warm(*night),
        ],
        Seen::ScaleCold { first, night, air } => {
            let mut all = vec![
                scale("scale when cold less when warm", *first),
                warm(*night),
            ];
            if let WithAir::Followed(slope) = air {
                all.push(follows(*slope));
            }
            all
        }
        Seen::ScaleWithAir {
            per_kelvin, night, ..
        } => vec![follows(*per_kelvin), warm(*night)],
        Seen::End { cents, .. } => {
            let what = match suggestion.kind {
                SuggestionKind::LeakageAtTheBottom => "low end at the lowest note",
                _ => "high end at the top note",
            };
            vec![with_u(what, *cents, Interval)]
        }
        Seen::Offset { moved, rate, .. } => {
            let mut all = vec![cents(
                "range of the offset when warm, beside the other units",
                *moved,
            )];
            all.extend(rate.map(|rate| with_u("drift of the offset", rate, DriftRate)));
            all
        }
        Seen::BesideHum { hums, readings, .. } => vec![
            count("readings beside a line of the mains", *hums, "readings"),
            count("readings of that note", *readings, "readings"),
        ],
        Seen::Scatter { cents: size, meter } => vec![
            cents("scatter of a note", *size),
            cents("the meter's noise", *meter),
        ],
        Seen::UpAndDown { cents, pairs } => vec![
            with_u("from above less from below", *cents, Interval),
            count("notes compared", *pairs, "notes"),
        ],
        Seen::OffCourse {
            times,
            cents: size,
            readings,
            ..
        } => vec![
            cents("largest jump", *size),
            count("jumps", *times, "jumps"),
            count("readings off", *readings as usize, "readings"),
        ],
        Seen::Alike { readings } => vec![count("readings exactly alike", *readings, "readings")],
    }
}
