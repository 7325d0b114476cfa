//! On what a result rests, in words.

use crate::numbers::{duration, number_within};
use model::document::plan::Moment;
use model::quantity::shown;
use model::result::{
    Air, Basis, Noise, OneTuning, Origin, Outcome, Reached, Scope, Trimmer, Tuned,
};
use model::result::{Choice, ColdStart, ResultName, Which};

/// What a result is of: what was chosen in it, without its small print.
pub(crate) fn choice(outcome: &Outcome) -> Option<String> {
    Some(parts(outcome)?.0)
}

/// All that a result rests on.
pub(crate) fn meaning(outcome: &Outcome) -> Option<String> {
    let (choice, rest) = parts(outcome)?;
    Some(choice + &rest)
}

/// The choice made in a result's name, in brackets.
pub(crate) fn in_brackets(outcome: &Outcome) -> String {
    choice(outcome).map_or_else(String::new, |choice| format!(" ({choice})"))
}

/// How near the reference note comes to rest.
pub(crate) fn near_its_end(with: &Choice) -> String {
    format!(
        "within {} cents of where it stands at the end of the run",
        with.limit
    )
}

/// What was chosen, and the small print behind it.
fn parts(outcome: &Outcome) -> Option<(String, String)> {
    let (basis, scope) = (outcome.basis.as_ref()?, outcome.scope?);
    let with = &outcome.with;
    let at = || moment(with.at, scope.extent().0);
    let of_moment = |drift_in_it: bool| {
        let drift = if drift_in_it {
            "; no note was played twice, so drift during the round is in it"
        } else {
            ""
        };
        format!(", {}, from {}{drift}", at(), rounds(count(scope)))
    };
    let pair = |[one, other]: &[String; 2], between: &str| format!("{one} {between} {other}");
    Some(match basis {
        Basis::ScaleError { span, drift_in_it } => (
            format!(
                "slope over {} with the high end taken out",
                pair(span, "to")
            ),
            of_moment(*drift_in_it),
        ),
        Basis::HighEnd {
            note,
            per_khz: [per_khz, u],
            delay_us,
            drift_in_it,
        } => (
            format!("at {note}"),
            format!(
                "; {} cents per kHz, as a delay of {delay_us:.2} \u{b5}s in every cycle makes it{}",
                number_within(*per_khz, Some(*u)),
                of_moment(*drift_in_it)
            ),
        ),
        Basis::LowEnd {
            note,
            leak_hz,
            drift_in_it,
        } => (
            format!("at {note}"),
            format!(
                "; as leakage worth {leak_hz:.3} Hz at every note makes it{}",
                of_moment(*drift_in_it)
            ),
        ),
        Basis::VoltageOffset { span, drift_in_it } => (
            "as if so much were added to the control voltage".to_owned(),
            format!(
                ", from {}; what is left when the gain is retuned{}",
                pair(span, "to"),
                of_moment(*drift_in_it)
            ),
        ),
        Basis::MeanSlope { span, drift_in_it } => (
            format!("straight line over {}", pair(span, "to")),
            format!(", high end and all{}", of_moment(*drift_in_it)),
        ),
        Basis::TwoNoteSlope {
            between,
            drift_in_it,
        } => (
            format!("from {}", pair(between, "to")),
            of_moment(*drift_in_it),
        ),
        Basis::LinearityError {
            note,
            cents,
            notes,
            rms,
            freedom,
        } => (
            format!("largest at {note}"),
            format!(
                ", where it is {} cents, off the unit's own curve through {notes} notes, mean of {}; rms {rms:.2} cents with {freedom:.1} degrees of freedom a round",
                signed(*cents),
                rounds(count(scope)),
            ),
        ),
        Basis::ErrorLeftAfterRetuning { notes, single } => (
            format!("largest deviation over {notes} notes with the best retuning"),
            format!(", {}; {single:.2} cents of that round alone", at()),
        ),
        Basis::ErrorAfterOneTuning {
            tuned,
            notes,
            single,
        } => {
            let (from, to) = scope.extent();
            let from = outcome.t_s.unwrap_or(from);
            (
                format!(
                    "tuned once at {} ({})",
                    duration(from),
                    why_then(*tuned, with)
                ),
                format!(
                    ", largest deviation of {notes} notes from then to {}; largest of a single round {single:.2} cents",
                    duration(to),
                ),
            )
        }
        Basis::TuningHolds {
            tuned,
            notes,
            first,
            left_aside,
        } => {
            let (from, _) = scope.extent();
            let by = first
                .as_ref()
                .map_or_else(String::new, |note| format!("; {note} moved first"));
            let aside = match left_aside {
                0 => String::new(),
                some => format!("; {} with an incident left aside", rounds(*some)),
            };
            (
                format!(
                    "within {} cents, tuned at {}",
                    with.limit,
                    duration(outcome.t_s.unwrap_or(from))
                ),
                format!(
                    " ({}), of {notes} notes each from where it stood then{by}{aside}",
                    why_then(*tuned, with)
                ),
            )
        }
        Basis::ErrorLeftAfterTrimming { trimmer, notes } => {
            let (which, why) = warm_rounds(scope);
            (
                format!("one setting of {} for {which}", name(*trimmer)),
                format!("{why}, retuned in each; {notes} notes"),
            )
        }
        Basis::ErrorLeftAfterBothTrimmers { trimmer, alone } => {
            let (which, why) = warm_rounds(scope);
            (
                format!(
                    "one setting of {} and one of a high-end trimmer for {which}",
                    name(*trimmer)
                ),
                format!("{why}, retuned in each; with the first alone {alone:.2} cents"),
            )
        }
        Basis::InTuneRange { run, whole } => (
            pair(run, "to"),
            format!(
                "{}; within {} cents with the best retuning, {}",
                if *whole { ", all that was played" } else { "" },
                with.limit,
                at()
            ),
        ),
        Basis::FractionOfRounds { notes } => (
            format!("of {}", rounds(count(scope))),
            format!(
                ", those whose {notes} notes one retuning puts within {} cents",
                with.limit
            ),
        ),
        Basis::WorstBeats {
            pair: octave,
            pairs,
        } => (
            pair(octave, "and"),
            format!(", of {}; {}", counted(*pairs, "pair"), at()),
        ),
        Basis::Excursion {
            note,
            smoothed_over,
            single,
            step,
        } => (
            format!("largest less smallest at {note} over the stage"),
            format!(
                ", smoothed over {smoothed_over} rounds; {single:.2} cents of single rounds; largest change from one round to the next {step:.2} cents"
            ),
        ),
        Basis::LargestChangeBetweenRounds {
            note,
            smoothed_over,
            single,
        } => (
            format!("of {note} from one round to the next"),
            format!(
                ", smoothed over {}; {single:.2} cents of single rounds",
                rounds(*smoothed_over)
            ),
        ),
        Basis::DriftRate { note } => {
            let (from, to) = scope.extent();
            (
                format!("at {note} from {} to {}", duration(from), duration(to)),
                match scope {
                    Scope::Rounds {
                        which: Which::Warm { .. },
                        ..
                    } => ", after warm-up".to_owned(),
                    _ => String::new(),
                },
            )
        }
        Basis::WarmUpTime(time) => (
            format!("reference note {}", near_its_end(with)),
            reached(time, with, ""),
        ),
        Basis::ReadyAfter {
            notes,
            reached: time,
            one_tuning,
        } => {
            let one_tuning = match one_tuning {
                OneTuning::From(t) => format!("; with one tuning only, from {} on", duration(*t)),
                OneTuning::Never => {
                    "; one tuning only did not last that long at any time".to_owned()
                }
                OneTuning::NotReady => String::new(),
            };
            (
                format!(
                    "error left after retuning within {} cents over {notes} notes",
                    with.limit
                ),
                format!(
                    ", retuned in each round{}",
                    reached(time, with, &one_tuning)
                ),
            )
        }
        Basis::Convergence {
            note,
            terms,
            origin: from,
        } => {
            let which = if terms.len() > 1 {
                "the longer of two"
            } else {
                "one exponential"
            };
            let terms: Vec<String> = terms
                .iter()
                .map(|[size, tau]| format!("{} cents with {}", signed(*size), duration(*tau)))
                .collect();
            (
                which.to_owned(),
                format!(
                    "; {note} comes to rest from {}, by all rounds since t = 0; {}",
                    terms.join(" and "),
                    origin(from)
                ),
            )
        }
        Basis::ChangeBetweenReadings {
            note,
            apart_s,
            changes,
            with_meter,
            noise,
        } => (
            format!("readings {} apart", duration(*apart_s)),
            format!(
                "; at {note}, root of half the mean square of {}, the meter's own share taken out of {with_meter:.3} cents; it moves like {}",
                counted(*changes, "change"),
                moves_like(*noise)
            ),
        ),
        Basis::ShortTermStability {
            note,
            over_s,
            stretch_s,
            warm,
            with_meter,
            noise,
            freedom,
            drift,
        } => {
            let warm = if *warm {
                ", after warm-up"
            } else {
                "; whether it was warm is not known"
            };
            (
                format!("over {}", duration(*over_s)),
                format!(
                    "; overlapping Allan deviation at {note} of {} without a gap{warm}; the meter's own share is taken out of {with_meter:.3} cents; {} with {freedom:.0} degrees of freedom; a steady drift of {} cents per hour is in it",
                    duration(*stretch_s),
                    moves_like(*noise),
                    signed(*drift)
                ),
            )
        }
        Basis::Repeatability { freedom } => (
            "standard deviation of a note left and come back to".to_owned(),
            format!(
                ", drift taken out, {freedom:.0} degrees of freedom; the meter's own noise is in it"
            ),
        ),
        Basis::Hysteresis { pairs, note, cents } => (
            "from above less from below".to_owned(),
            format!(
                ", drift taken out; mean of {}; largest at {note}, {} cents",
                counted(*pairs, "pair"),
                signed(*cents)
            ),
        ),
        Basis::SettlingTime {
            band,
            window_s,
            changes,
        } => (
            format!("within {} of its later value", cents(*band)),
            format!(
                ", heard from the beginning in windows of {:.0} ms; the longest of {}",
                window_s * 1e3,
                counted(*changes, "change")
            ),
        ),
        Basis::SettlingTimeWaited { within, changes } => (
            format!(
                "no longer than this: by then the pitch no longer moved by more than {} from one short listen to the next",
                cents(*within)
            ),
            format!(
                ", on any unit; the longest of {}",
                counted(*changes, "change")
            ),
        ),
        Basis::Overshoot {
            changes,
            single,
            window_s,
        } => (
            "beyond its later value".to_owned(),
            format!(
                ", after {}; {single:.2} cents of a single window of {:.0} ms",
                counted(*changes, "change"),
                window_s * 1e3
            ),
        ),
        Basis::OffsetTemperatureCoefficient(found_in) => (
            "of the reference note".to_owned(),
            format!(", {}; {}", left_out(found_in), air(found_in)),
        ),
        Basis::ScaleTemperatureCoefficient {
            of,
            air: found_in,
            ppm: [ppm, u],
            bare,
            pivot,
        } => {
            let pivot = pivot.map_or_else(String::new, |[volts, u]| {
                format!(
                    "; temperature does not move the pitch at {} V",
                    number_within(volts, Some(u))
                )
            });
            (
                format!("of the {}", ResultName::title(*of).to_lowercase()),
                format!(
                    ", {}; {} ppm per kelvin; {}; a converter without compensation has {bare:.2}, as 1/T{pivot}",
                    left_out(found_in),
                    number_within(*ppm, Some(*u)),
                    air(found_in)
                ),
            )
        }
        Basis::SupplySensitivity { mean, span } => (
            "of the reference note".to_owned(),
            format!(", all rails moved together; {mean:.2} V on average, moved by {span:.2} V"),
        ),
    })
}

fn moment(at: Moment, t: f64) -> String {
    match at {
        Moment::Start => format!("at the start of the stage ({})", duration(t)),
        Moment::End => format!("at the end of the stage ({})", duration(t)),
        Moment::After(_) => format!("at {}", duration(t)),
    }
}

/// How many rounds a scope has.
const fn count(scope: Scope) -> usize {
    match scope {
        Scope::Moment { rounds, .. } => rounds,
        Scope::Rounds { count, .. } => count,
        Scope::PowerCycle { .. } => 0,
    }
}

/// The rounds that what is left after trimming is judged by, and why it is these.
fn warm_rounds(scope: Scope) -> (String, &'static str) {
    let Scope::Rounds { which, count, .. } = scope else {
        return ("all rounds".to_owned(), "");
    };
    match which {
        Which::Warm { since_s } => (
            format!("all rounds after warm-up ({})", duration(since_s)),
            "",
        ),
        Which::WarmLater => ("all rounds".to_owned(), "; none of them is warm"),
        Which::NeverWarm if count == 1 => ("its one round".to_owned(), ""),
        Which::NeverWarm => (
            "all rounds".to_owned(),
            ", since the unit was not seen to become warm",
        ),
        Which::All | Which::SinceTuning => ("all rounds".to_owned(), ""),
    }
}

fn why_then(tuned: Tuned, with: &Choice) -> String {
    let limit = with.limit;
    match tuned {
        Tuned::AsPlanned => "as the plan says".to_owned(),
        Tuned::WarmAndReady => format!("when both warm and ready to {limit} cents"),
        Tuned::Ready => {
            format!("when ready to {limit} cents; it was not seen to become warm")
        }
        Tuned::Warm => {
            format!("when warm; it was not ready to {limit} cents within the record")
        }
        Tuned::AssumedWarm => {
            "at the start of the stage, taken to be warm: when it was switched on is not known"
                .to_owned()
        }
        Tuned::AtStart => {
            "at the start of the stage; it was neither warm nor ready within the record".to_owned()
        }
    }
}

const fn name(trimmer: Trimmer) -> &'static str {
    match trimmer {
        Trimmer::Scale => "the scale trimmer",
        Trimmer::VoltageOffset => "the trimmer of the voltage's offset",
    }
}

/// The small print of a time; `behind` is what only one of them has.
fn reached(time: &Reached, with: &Choice, behind: &str) -> String {
    let mut words = format!(", staying for {}", duration(time.stay_s));
    if time.stay_s < with.stay {
        words += &format!(
            " (the record of {} is too short for {})",
            duration(time.record_s),
            duration(with.stay)
        );
    }
    if time.other_stages {
        words += "; judged by all rounds since t = 0, those of other stages too";
    }
    if let Some(t) = time.left_aside_s {
        words += &format!(
            "; the round at {} stands out and is left aside",
            duration(t)
        );
    }
    words += &format!("; {}", origin(&time.origin));
    if time.from_first {
        words += "; it was so in the first round already";
    }
    if time.maybe_moving {
        words += "; whether it had come to rest at the end of the record is not certain";
    }
    words + behind
}

fn origin(origin: &Origin) -> String {
    let start = match origin.start {
        None => " (when the unit was switched on is not known)".to_owned(),
        Some(ColdStart::OffUnknown) => {
            "; start state unknown: how long it had been off is not known".to_owned()
        }
        Some(ColdStart::TooShort { off_s, asked_s }) => format!(
            "; not cold: it had been off for {} only, of {}",
            duration(off_s),
            duration(asked_s)
        ),
        Some(ColdStart::AirMoved(kelvin)) => {
            format!("; start state unknown: the air moved by {kelvin:.1} K in the half hour before")
        }
        Some(ColdStart::Cold { off_s }) => format!(
            "; cold as far as is known: it had been off for {}",
            duration(off_s)
        ),
    };
    format!("t = 0: {}{start}", origin.zero)
}

fn left_out(air: &Air) -> String {
    air.first_left_out_s.map_or_else(
        || "warm-up left out".to_owned(),
        |from| format!("the first {} left out", duration(from)),
    )
}

fn air(air: &Air) -> String {
    let lag = if air.lag_s > 0.0 {
        format!("behind the air by {}", duration(air.lag_s))
    } else {
        "without a lag".to_owned()
    };
    format!(
        "at {:.1} °C on average over {:.1} K of the air, {lag}",
        air.mean, air.span
    )
}

const fn moves_like(noise: Noise) -> &'static str {
    match noise {
        Noise::RandomWalk => "a random walk of the pitch",
        Noise::Flicker => "flicker of the pitch",
        Noise::White => "white noise of the pitch",
        Noise::FlickerOfPhase => "flicker of the phase",
        Noise::WhiteOfPhase => "white noise of the phase",
    }
}

fn rounds(count: usize) -> String {
    counted(count, "round")
}

/// "1 round", "5 rounds".
pub(super) fn counted(count: usize, what: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {what}{plural}")
}

/// "1 cent", "2.5 cents".
pub(super) fn cents(cents: f64) -> String {
    let plural = if cents == 1.0 { "" } else { "s" };
    format!("{cents} cent{plural}")
}

/// Cents with their sign: the small print of a result.
pub(super) fn signed(value: f64) -> String {
    shown::signed(value, shown::decimals(value, None))
}
