//! Why a result has no value, in words.

use super::results::{cents, counted, signed};
use crate::numbers::duration;
use model::record::State;
use model::result::{
    LeftOut, NoExponential, NotDetermined, NotMoved, NotReached, OneNote, OtherLaw, Rounds, Term,
};
use std::collections::BTreeMap;

/// Why a result has no value, as a clause.
pub(crate) fn why(why: &NotDetermined) -> String {
    use NotDetermined as N;
    match why {
        N::NoReadings { left_out } => match numbers_left_out(left_out) {
            Some(left_out) => format!("no reading of this stage counts: {left_out}"),
            None => "there are no readings of this stage".to_owned(),
        },
        N::NoneCounts => "there are no readings that count".to_owned(),
        N::NotFinite => "its numbers are beyond all measure".to_owned(),
        N::OtherLaw(law) => other_law(*law).to_owned(),
        N::OneNote {
            played,
            left_out,
            so,
        } => one_note(*played, left_out, *so),
        N::TooFewNotes {
            to_tell,
            have,
            have_octaves,
            takes,
            takes_octaves,
        } => {
            let (what, so) = match to_tell {
                Term::LowEnd => ("a low end", ""),
                Term::HighEnd => (
                    "slope from high end",
                    ", so only the mean slope is stated",
                ),
            };
            format!(
                "{have} different notes over {have_octaves:.1} octaves are too few: telling {what} takes {takes} over {takes_octaves:.0}{so}"
            )
        }
        N::FewNotes { takes } => format!("it takes {takes} different notes"),
        N::CurveThroughAll { notes } => {
            format!("{notes} different notes are too few to be off a curve through them")
        }
        N::TwoTrimmersAlike => {
            "it takes five notes over four octaves to tell a high-end trimmer from the scale's"
                .to_owned()
        }
        N::HidesLowEnd {
            have_octaves,
            takes_octaves,
        } => format!(
            "its lowest notes are off as a leak makes them, and over {have_octaves:.1} octaves that cannot be told from slope and high end; it takes {takes_octaves:.0}"
        ),
        N::NoneStandsOut => {
            "none stands out: it is below three times its uncertainty, and so left out of the curve"
                .to_owned()
        }
        N::NoRoundHasBoth => "no round has both of its notes".to_owned(),
        N::NoRoundHasEnough => "no round has enough notes that count".to_owned(),
        N::NotPlayed(note) => format!("{note} was not played in this stage"),
        N::ReferenceNotPlayed => "the reference note was not played in this stage".to_owned(),
        N::ReferenceNeverPlayed => "the reference note was not played".to_owned(),
        N::SameNotes => "its two notes are the same".to_owned(),
        N::NoOctaves => "no two of its notes are an octave apart".to_owned(),
        N::TooFewRounds { to, have, takes } => too_few_rounds(*to, *have, *takes),
        N::TrimmersFitOneRound { trimmers: 1 } => {
            "a trimmer and a knob put any two notes right; it takes three notes, or several rounds to say what they leave over time".to_owned()
        }
        N::TrimmersFitOneRound { .. } => {
            "two trimmers put one round right but for its linearity error; it takes several rounds to say what they leave over time".to_owned()
        }
        N::NothingAfterTuning { at_s, others_do } => {
            let of_this = if *others_do { " of this stage" } else { "" };
            format!("no round{of_this} follows the tuning at {}", duration(*at_s))
        }
        N::OnlyTheTuning => {
            "one reading of the note that is tuned says nothing of what comes after".to_owned()
        }
        N::StillMoving {
            over_s,
            cents: change,
        } => format!(
            "over the last {} of the record it still changed by {change:.2} cents, more than a quarter of the limit",
            duration(*over_s)
        ),
        N::RecordEnds { after_s } => format!(
            "it still held when the record ended, {} after the tuning",
            duration(*after_s)
        ),
        N::NotReached(what) => not_reached(*what),
        N::NoNoteTwice => "no note is left and come back to within a round".to_owned(),
        N::NotFromBothSides => "no note is come to both from above and from below within a round; play the notes up and down".to_owned(),
        N::FewFromBothSides => {
            "too few notes are come to from both sides to tell it from drift within the round"
                .to_owned()
        }
        N::NotHeard { late_s: None } => "each note is waited for so long before it is listened to; use until_steady, or a hold with settle: {fixed: 0 s}".to_owned(),
        N::NotHeard { late_s: Some(late) } => format!(
            "the hold is first listened to {} after its note is played; use settle: {{fixed: 0 s}}",
            duration(*late)
        ),
        N::NoNoteFromBeginning => "it takes a note that is listened to from the beginning; use a hold with settle: {fixed: 0 s} and a short hop".to_owned(),
        N::NoteBeforeUnknown => {
            "the note before it is not known, and so not which way is beyond".to_owned()
        }
        N::Scatters {
            window_s,
            cents: scatter,
            band,
        } => format!(
            "later windows of {:.0} ms scatter by {scatter:.2} cents, too much for a band of {}",
            window_s * 1e3,
            cents(*band)
        ),
        N::Slides { cents: slid, band } => format!(
            "the pitch does not come to rest: while it was listened to it still slid by {} cents, and the band is {}",
            signed(*slid),
            cents(*band)
        ),
        N::PlanGoesOn { within } => format!(
            "the plan goes on when the pitch moves by less than {}, so nothing is known of less",
            cents(*within)
        ),
        N::NotHeld { takes } => format!(
            "it takes a note that is listened to without a gap for {takes} windows; use a hold"
        ),
        N::NoMultiple { over_s, hop_s } => format!(
            "{} is no multiple of the hop of {}",
            duration(*over_s),
            duration(*hop_s)
        ),
        N::StretchTooShort { longest_s, over_s } => format!(
            "the longest stretch without a gap lasts {}, and {} takes four times as long",
            duration(*longest_s),
            duration(*over_s)
        ),
        N::TooFewPairs {
            apart_s,
            have,
            takes,
        } => format!(
            "{} that {} {} apart when it is warm {} too few; it takes {takes}",
            counted(*have, "pair"),
            if *have == 1 { "lies" } else { "lie" },
            duration(*apart_s),
            are(*have)
        ),
        N::MeterNotKept => {
            "the readings were kept by an older version, without the meter's own noise".to_owned()
        }
        N::NoExponential(why) => no_exponential(*why),
        N::Air(why) => air(*why),
        N::Supply(why) => supply(*why),
    }
}

/// What was not reached, behind "not within".
pub(crate) fn not_within(what: NotReached) -> Option<String> {
    let perhaps = |perhaps: bool| {
        if perhaps {
            "; within the uncertainty it may have been"
        } else {
            ""
        }
    };
    match what {
        NotReached::Ready {
            record_s,
            limit,
            last,
            perhaps: may,
        } => Some(format!(
            "{}: the error left after retuning was {last:.1} cents in the last round, and the limit is {limit} cents{}",
            duration(record_s),
            perhaps(may)
        )),
        NotReached::Warm {
            record_s,
            limit,
            perhaps: may,
        } => Some(format!(
            "{}: the reference note did not stay within {limit} cents of its later value for long enough{}",
            duration(record_s),
            perhaps(may)
        )),
        NotReached::Settled { .. } | NotReached::Steady { .. } => None,
    }
}

fn not_reached(what: NotReached) -> String {
    match what {
        NotReached::Ready { .. } | NotReached::Warm { .. } => {
            format!("not within {}", not_within(what).unwrap_or_default())
        }
        NotReached::Settled { band, by_s } => format!(
            "a change was not within {} of its later value by {}",
            cents(band),
            duration(by_s)
        ),
        NotReached::Steady { unsteady, changes } => format!(
            "{unsteady} of {} were not steady by the time the plan allows",
            counted(changes, "change")
        ),
    }
}

const fn other_law(law: OtherLaw) -> &'static str {
    match law {
        OtherLaw::ScaleError => {
            "a unit of hertz per volt has no scale in cents per octave; see the voltage offset and the high end"
        }
        OtherLaw::LowEnd => {
            "under hertz per volt a leak looks like an offset of the control voltage; see the voltage offset"
        }
        OtherLaw::VoltageOffset => {
            "under volts per octave an offset of the control voltage is the same number of cents at every note; retuning takes it out"
        }
    }
}

fn one_note(played: usize, left_out: &BTreeMap<LeftOut, usize>, so: OneNote) -> String {
    let so = match so {
        OneNote::Retuned => "retuning leaves nothing of it",
        OneNote::Told => "it takes several to tell one from another",
        OneNote::Slope => "a slope takes two",
        OneNote::Scale => "a scale takes two",
        OneNote::Curve => "there is no curve to be off",
    };
    if played < 2 {
        return format!("only one note was played, and {so}");
    }
    let left_out = numbers_left_out(left_out)
        .map_or_else(String::new, |words| format!(" (left out: {words})"));
    format!(
        "of {played} notes that were played readings of one only can be used{left_out}, and {so}"
    )
}

fn too_few_rounds(to: Rounds, have: usize, takes: usize) -> String {
    let rounds = counted(have, "round");
    let are = are(have);
    match to {
        Rounds::Change => "one round shows no change".to_owned(),
        Rounds::DriftRate => "a rate of drift takes readings at three times".to_owned(),
        Rounds::Minutes => format!(
            "a hold is averaged minute by minute, and {} of this one {}; it takes {takes}: hold the note for {takes} min or longer",
            counted(have, "minute"),
            if have == 1 { "counts" } else { "count" },
        ),
        Rounds::Settling => {
            format!("{rounds} since t = 0 {are} too few to see anything settle; it takes {takes}")
        }
        Rounds::Coefficient => format!("{rounds} when warm {are} too few; it takes {takes}"),
        Rounds::Exponential => {
            format!("{rounds} {are} too few to fit an exponential to; it takes {takes}")
        }
    }
}

fn no_exponential(why: NoExponential) -> String {
    match why {
        NoExponential::NoneFits => "no exponential can be fitted to its course".to_owned(),
        NoExponential::NoneStandsOut => "its course shows no exponential: nothing comes to rest that stands out from its wandering".to_owned(),
        NoExponential::RecordTooShort => {
            "the record is shorter than twice the time constant that would fit".to_owned()
        }
        NoExponential::Vague(part) => format!(
            "its time constant would be known to {:.0} % only, and it takes 25 %",
            100.0 * part.min(9.99)
        ),
        NoExponential::TooFast => "it comes to rest faster than it was listened to".to_owned(),
    }
}

fn air(why: NotMoved) -> String {
    match why {
        NotMoved::NotRead => "no thermometer was read".to_owned(),
        NotMoved::Still { by, takes } => {
            format!("the air moved by {by:.1} K only while it was warm, and it takes {takes} K")
        }
        NotMoved::OneWay { by, back } => format!(
            "the air went one way only (by {by:.1} K, and {back:.1} K back): what it does cannot be told from drift"
        ),
        NotMoved::Alike => "its course cannot be told from that of the air".to_owned(),
    }
}

fn supply(why: NotMoved) -> String {
    match why {
        NotMoved::NotRead => "the voltage of its supply was not logged".to_owned(),
        NotMoved::Still { takes, .. } => format!(
            "the logged voltage of its supply varied by less than {:.0} mV",
            takes * 1e3
        ),
        NotMoved::OneWay { .. } | NotMoved::Alike => {
            "its course cannot be told from that of the supply".to_owned()
        }
    }
}

/// "2 silent, 1 with lost samples", if any.
fn numbers_left_out(left_out: &BTreeMap<LeftOut, usize>) -> Option<String> {
    let mut parts: Vec<(&str, usize)> = left_out
        .iter()
        .map(|(why, count)| (behind_a_number(*why), *count))
        .collect();
    parts.sort_unstable();
    let parts: Vec<String> = parts
        .iter()
        .map(|(why, count)| format!("{count} {why}"))
        .collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// The verb behind so many of something.
const fn are(count: usize) -> &'static str {
    if count == 1 { "is" } else { "are" }
}

/// Why a reading does not count, in words that follow a number.
const fn behind_a_number(why: LeftOut) -> &'static str {
    match why {
        LeftOut::State(State::Ok) => "without a frequency",
        LeftOut::State(State::Silent) => "silent",
        LeftOut::State(State::NotPeriodic) => "without a pitch",
        LeftOut::State(State::TwoTones) => "with two pitches at once",
        LeftOut::State(State::HumTooNear) => "too near to hum",
        LeftOut::State(State::TooShort) => "with too few periods",
        LeftOut::State(State::NotPlayed) => "where the pitch stayed on the note before",
        LeftOut::LostSamples => "with lost samples",
        LeftOut::MaybeLocked => "that may be locked to another unit",
        LeftOut::WrongInterval => "a wrong interval away from the note before",
    }
}
