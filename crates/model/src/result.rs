//! Results, the curves they come from, and verdicts, as they are handed over.

mod basis;
mod choice;
mod known;
mod reason;
mod table;

pub use crate::budget::{Contribution, UncertaintySource};
pub use crate::origin::{ColdStart, LeftOut, TimeZero};
pub use crate::suggestion::{Doubt, Seen, Suggestion, SuggestionKind, Uncertain, WithAir};
pub use crate::verdict::{Because, JointRisk, Missing, Verdict};
pub use basis::{Air, Basis, Noise, OneTuning, Origin, Reached, Trimmer, Tuned};
pub use choice::Choice;
pub use known::{Known, Scope, Which};
pub use reason::{
    NoExponential, NotDetermined, NotMoved, NotReached, OneNote, OtherLaw, Rounds, Term,
};
pub use table::{Group, Laws, Measuring, Need, Parameter, Row, ScopeKind, TABLE};

use crate::record::PositionId;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The results that can be asked for. Their definitions are in the `analysis` crate.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum ResultName {
    /// Cents per octave left once the top end is accounted for.
    ScaleError,
    /// Mean cents per octave between two notes: what a technician adjusts by.
    TwoNoteSlope,
    /// Mean cents per octave over the whole span.
    MeanSlope,
    /// Droop (or its opposite) at the top note, in cents.
    HighEnd,
    /// The smallest possible largest deviation after the best retuning.
    ErrorLeftAfterRetuning,
    /// The largest deviation over all notes and later rounds after one tuning.
    ErrorAfterOneTuning,
    /// How long one tuning holds: until any note has moved by more than a limit.
    TuningHolds,
    /// The largest deviation left with the best single setting of the scale trimmer.
    ErrorLeftAfterTrimming,
    /// Largest less smallest deviation at the reference note.
    Excursion,
    /// When the reference note comes to stay near its later value.
    WarmUpTime,
    /// When the error left after retuning comes to stay within a limit.
    ReadyAfter,
    /// Slope of the reference note's deviation against time.
    DriftRate,
    /// Pooled standard deviation of repeats within rounds.
    Repeatability,
    /// What leakage and bias currents do to the bottom note, in cents.
    LowEnd,
    /// The largest deviation of a note from the unit's own curve.
    LinearityError,
    /// The widest run of notes that one retuning puts within a limit, in octaves.
    InTuneRange,
    /// The share of rounds in which retuning puts all notes within a limit.
    FractionOfRounds,
    /// Beats per second of the pair of octaves that beats fastest.
    WorstBeats,
    /// The largest change of the reference note from one round to the next.
    LargestChangeBetweenRounds,
    /// What is left with the best single setting of the scale and of the high-end
    /// trimmer.
    ErrorLeftAfterBothTrimmers,
    /// The time constant with which the reference note comes to rest.
    Convergence,
    /// How much the reference note changes between readings that lie apart.
    ChangeBetweenReadings,
    /// Overlapping Allan deviation of a note that is held.
    ShortTermStability,
    /// How long a note takes to come to stay near its pitch.
    SettlingTime,
    /// How far a note goes beyond its pitch before it settles.
    Overshoot,
    /// A note come to from above less the same note come to from below.
    Hysteresis,
    /// Cents for a volt more of supply.
    SupplySensitivity,
    /// Cents for a kelvin more, at the reference note.
    OffsetTemperatureCoefficient,
    /// Cents per octave for a kelvin more.
    ScaleTemperatureCoefficient,
    /// Under hertz per volt: the voltage that is to be added to the control voltage.
    VoltageOffset,
}

impl fmt::Display for ResultName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A quantity computed from readings, with its uncertainty, or the reason why it has no
/// value.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Which result.
    pub name: ResultName,
    /// Of the unit in which position.
    pub position: PositionId,
    /// Of which stage, by name.
    pub stage: String,
    /// What was chosen in it.
    pub with: Choice,
    /// Over what it was taken; `None` where nothing is known of it.
    pub scope: Option<Scope>,
    /// What is known of it.
    pub known: Known,
    /// On what it rests; `None` where nothing is known of it.
    pub basis: Option<Basis>,
    /// The time it speaks of, in seconds since t = 0 of the stage, where there is one.
    pub t_s: Option<f64>,
    /// How many readings it rests on.
    pub readings: usize,
    /// What limits it: its uncertainty by source, largest first. Empty where there
    /// is no uncertainty, or it does not come apart.
    pub budget: Vec<Contribution>,
    /// What it truly is in each of some hundred joint trials: number i of every result of
    /// every unit and run is of the same trial, in which an error that two of them share
    /// has the same size. Infinite where a time is not reached; empty where nothing is
    /// known. For computing with, not handed over.
    pub draws: JointDraws,
}

/// The draws of a result; see [`Outcome::draws`].
#[derive(Clone, PartialEq, Default)]
pub struct JointDraws(pub Vec<f64>);

impl fmt::Debug for JointDraws {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} draws", self.0.len())
    }
}

impl Outcome {
    /// A result of which nothing else is known.
    #[must_use]
    pub const fn new(name: ResultName, position: PositionId, stage: String, known: Known) -> Self {
        Self {
            name,
            position,
            stage,
            with: Choice::USUAL,
            scope: None,
            known,
            basis: None,
            t_s: None,
            readings: 0,
            budget: Vec::new(),
            draws: JointDraws(Vec::new()),
        }
    }
    /// See [`Known::value`].
    #[must_use]
    pub const fn value(&self) -> Option<f64> {
        self.known.value()
    }
    /// See [`Known::u`].
    #[must_use]
    pub const fn u(&self) -> Option<f64> {
        self.known.u()
    }
    /// See [`Known::low`].
    #[must_use]
    pub const fn low(&self) -> Option<f64> {
        self.known.low()
    }
    /// See [`Known::high`].
    #[must_use]
    pub const fn high(&self) -> Option<f64> {
        self.known.high()
    }
    /// See [`Known::why_not`].
    #[must_use]
    pub const fn why_not(&self) -> Option<&NotDetermined> {
        self.known.why_not()
    }
    /// Whether nothing is known but that it is no more than its value.
    #[must_use]
    pub fn is_upper_bound(&self) -> bool {
        // A range and a share end by themselves at all there is.
        let ends = matches!(
            self.name,
            ResultName::InTuneRange | ResultName::FractionOfRounds
        );
        !ends
            && self.low() == Some(0.0)
            && self.high() == self.value()
            && self.high().is_some_and(|high| high > 0.0)
    }
}

/// A quantity over time.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Which result, round by round.
    pub name: ResultName,
    /// Of the unit in which position.
    pub position: PositionId,
    /// Of which stage, by name.
    pub stage: String,
    /// Time in seconds since t = 0 of the stage (for short-term stability the
    /// averaging time), value, standard uncertainty.
    pub points: Vec<(f64, f64, f64)>,
}

/// What is said of a tolerance.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// The whole 95 % interval lies inside, guard band included.
    Pass,
    /// The whole interval lies outside.
    Fail,
    /// The uncertainty straddles the limit, or data are missing.
    Undecided,
}

impl Finding {
    /// The word used everywhere.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::Undecided => "undecided",
        }
    }
}
