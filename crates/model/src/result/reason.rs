//! Why a result has no value.

use super::LeftOut;
use std::collections::BTreeMap;

/// Why a result has no value. Times are in seconds, `have` is how many there are and `takes`
/// how many there must be.
#[derive(Debug, Clone, PartialEq)]
pub enum NotDetermined {
    /// No reading of the stage counts.
    NoReadings {
        /// How many there are, by the reason why they do not count.
        left_out: BTreeMap<LeftOut, usize>,
    },
    /// None of its readings counts.
    NoneCounts,
    /// Its numbers are not finite.
    NotFinite,
    /// Under its control law it means nothing.
    OtherLaw(OtherLaw),
    /// One note is all there is.
    OneNote {
        /// How many were played, whether or not they count.
        played: usize,
        /// How many readings do not count, by the reason.
        left_out: BTreeMap<LeftOut, usize>,
        /// What takes several.
        so: OneNote,
    },
    /// Too few notes, or over too few octaves.
    TooFewNotes {
        /// To tell what.
        to_tell: Term,
        /// Different notes there are.
        have: usize,
        /// Over so many octaves.
        have_octaves: f64,
        /// Notes it takes.
        takes: usize,
        /// Over so many octaves.
        takes_octaves: f64,
    },
    /// Too few different notes.
    FewNotes {
        /// How many it takes.
        takes: usize,
    },
    /// So few notes that a curve passes through all of them.
    CurveThroughAll {
        /// How many there are.
        notes: usize,
    },
    /// Slope, high end and a second trimmer cannot be told apart.
    TwoTrimmersAlike,
    /// The lowest notes are off as a leak makes them, and over so few octaves that cannot be
    /// told from slope and high end.
    HidesLowEnd {
        /// Octaves there are.
        have_octaves: f64,
        /// Octaves it takes.
        takes_octaves: f64,
    },
    /// A low end below three times its uncertainty.
    NoneStandsOut,
    /// No round has both of its notes.
    NoRoundHasBoth,
    /// No round has enough notes that count.
    NoRoundHasEnough,
    /// A note, as the plan writes it, that was not played in the stage.
    NotPlayed(String),
    /// The reference note was not played in the stage.
    ReferenceNotPlayed,
    /// The reference note was not played since t = 0.
    ReferenceNeverPlayed,
    /// Its two notes are the same.
    SameNotes,
    /// No two of its notes are an octave apart.
    NoOctaves,
    /// Too few rounds.
    TooFewRounds {
        /// For what.
        to: Rounds,
        /// How many there are.
        have: usize,
        /// How many it takes.
        takes: usize,
    },
    /// One setting of all trimmers puts one round right.
    TrimmersFitOneRound {
        /// How many trimmers besides the tuning.
        trimmers: u8,
    },
    /// No round follows the tuning.
    NothingAfterTuning {
        /// When it was to be.
        at_s: f64,
        /// Whether rounds of other stages do.
        others_do: bool,
    },
    /// Only the reading of the tuning itself.
    OnlyTheTuning,
    /// The record ends before it does.
    RecordEnds {
        /// So long after the tuning.
        after_s: f64,
    },
    /// It still moved at the end of the record.
    StillMoving {
        /// Over the last so many seconds.
        over_s: f64,
        /// By so much, in cents.
        cents: f64,
    },
    /// A time that was not reached.
    NotReached(NotReached),
    /// No note is left and come back to within a round.
    NoNoteTwice,
    /// No note is come to from both sides within a round.
    NotFromBothSides,
    /// Too few notes are come to from both sides to tell that from drift.
    FewFromBothSides,
    /// Nothing is heard of the first moments of a note.
    NotHeard {
        /// How long after its note a hold is first listened to; `None` where there is none.
        late_s: Option<f64>,
    },
    /// No note is listened to from its beginning.
    NoNoteFromBeginning,
    /// The note before is not known.
    NoteBeforeUnknown,
    /// Later windows scatter too much for the band.
    Scatters {
        /// The length of a window.
        window_s: f64,
        /// Their scatter, in cents.
        cents: f64,
        /// The band, in cents.
        band: f64,
    },
    /// The pitch slid further than the band while it was listened to.
    Slides {
        /// By so much, in cents.
        cents: f64,
        /// The band, in cents.
        band: f64,
    },
    /// The plan goes on before the pitch is as steady as asked.
    PlanGoesOn {
        /// It goes on within this, in cents.
        within: f64,
    },
    /// No note is held without a gap for so many windows.
    NotHeld {
        /// Windows it takes.
        takes: usize,
    },
    /// The time over which it is to be taken is no multiple of the hop.
    NoMultiple {
        /// That time.
        over_s: f64,
        /// The hop of the hold.
        hop_s: f64,
    },
    /// No stretch without a gap is four times as long as what it is to be taken over.
    StretchTooShort {
        /// The longest.
        longest_s: f64,
        /// What it is to be taken over.
        over_s: f64,
    },
    /// Too few pairs of warm readings that lie so far apart.
    TooFewPairs {
        /// How far.
        apart_s: f64,
        /// How many there are.
        have: usize,
        /// How many it takes.
        takes: usize,
    },
    /// The readings were kept by an older version, without the meter's own noise.
    MeterNotKept,
    /// No exponential describes how the pitch comes to rest.
    NoExponential(NoExponential),
    /// What the air does cannot be told.
    Air(NotMoved),
    /// What the supply does cannot be told.
    Supply(NotMoved),
}

/// A result that means nothing under the unit's control law.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OtherLaw {
    /// Scale error, under hertz per volt.
    ScaleError,
    /// Low end, under hertz per volt.
    LowEnd,
    /// Voltage offset, under volts per octave.
    VoltageOffset,
}

/// What takes more than one note.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OneNote {
    /// Retuning, which leaves nothing of one.
    Retuned,
    /// Telling one thing from another.
    Told,
    /// A slope.
    Slope,
    /// A scale.
    Scale,
    /// A curve to be off.
    Curve,
}

/// A term of the tracking model.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Term {
    /// The low end.
    LowEnd,
    /// The high end, beside the slope.
    HighEnd,
}

/// What takes several rounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rounds {
    /// A change.
    Change,
    /// A rate of drift.
    DriftRate,
    /// Something of a hold, of which each minute is a round.
    Minutes,
    /// Coming to rest, of all rounds since t = 0.
    Settling,
    /// A coefficient, of warm rounds.
    Coefficient,
    /// An exponential.
    Exponential,
}

/// A time that was not reached in the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NotReached {
    /// The reference note did not stay near its later value for long enough.
    Warm {
        /// How long the record is.
        record_s: f64,
        /// How near, in cents.
        limit: f64,
        /// Whether within the uncertainty it may have.
        perhaps: bool,
    },
    /// The error left after retuning did not come within the limit.
    Ready {
        /// How long the record is.
        record_s: f64,
        /// The limit, in cents.
        limit: f64,
        /// What it was in the last round, in cents.
        last: f64,
        /// Whether within the uncertainty it may have.
        perhaps: bool,
    },
    /// A change of note was not within the band by the end of what was heard.
    Settled {
        /// The band, in cents.
        band: f64,
        /// The end.
        by_s: f64,
    },
    /// Some notes were not steady by the time the plan allows.
    Steady {
        /// How many.
        unsteady: usize,
        /// Of so many.
        changes: usize,
    },
}

/// Why no exponential describes how a pitch comes to rest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoExponential {
    /// None can be fitted.
    NoneFits,
    /// None stands out from its wandering.
    NoneStandsOut,
    /// The record is shorter than twice the time constant.
    RecordTooShort,
    /// The time constant would be known to this part of itself only.
    Vague(f64),
    /// It is over before it was listened to.
    TooFast,
}

/// Why nothing can be said of what the surroundings do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NotMoved {
    /// They were not read.
    NotRead,
    /// They hardly moved: by so much, where it takes so much, in kelvin or volts.
    Still {
        /// By so much.
        by: f64,
        /// It takes so much.
        takes: f64,
    },
    /// They went one way.
    OneWay {
        /// By so much in all.
        by: f64,
        /// And back by so much.
        back: f64,
    },
    /// What the unit does cannot be told from their course.
    Alike,
}
