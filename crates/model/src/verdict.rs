//! Results held against the tolerances of a plan.

use crate::incident::IncidentId;
use crate::record::PositionId;
use crate::result::Finding;

/// A tolerance of the plan held against a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The tolerance, counted from 0 in the plan.
    pub tolerance: usize,
    /// The unit in which position.
    pub position: PositionId,
    /// The result that was held against it, counted from 0 among those of the unit; `None`
    /// where there is none.
    pub result: Option<usize>,
    /// What is said.
    pub finding: Finding,
    /// Why.
    pub because: Because,
    /// The probability that the result lies outside the tolerance, all results being
    /// equally likely beforehand (JCGM 106, flat prior): of a pass the specific risk.
    pub outside: Option<f64>,
}

/// Why a finding is what it is. "The interval" is the 95 % interval with the guard band;
/// of a time that was not reached it begins at the least it can be and has no end.
#[derive(Debug, Clone, PartialEq)]
pub enum Because {
    /// The whole interval lies inside.
    Inside,
    /// The whole interval lies outside.
    Outside,
    /// The interval reaches across a limit.
    Straddles {
        /// Whether most of it is the rig's doing, not the unit's.
        mostly_rig: bool,
    },
    /// Nothing is known of the result.
    NotDetermined,
    /// The interval lies inside, but what is missing may hide worse.
    Missing(Vec<Missing>),
    /// A share of rounds lies outside, but the missing rounds could turn it.
    CouldTurn {
        /// How many rounds are missing.
        missing: usize,
        /// Of how many.
        planned: usize,
        /// What the missing rounds would have to be: good, all of them, or bad.
        were_good: bool,
        /// What the share could then be.
        share: f64,
        /// What is known of what is missing.
        besides: Vec<Missing>,
    },
    /// The interval lies inside, but something happened: first the one that decides.
    Incidents(Vec<IncidentId>),
    /// The unit's thermal history broke while it was to warm up.
    HistoryBroken {
        /// How long after t = 0, in seconds.
        after_s: f64,
        /// What the record says of it.
        text: String,
    },
    /// The tolerance is a quantity of another kind than the result.
    OtherDimension,
    /// The plan has no measuring stage of that name.
    NoSuchStage,
}

/// Something that a stage was to measure of a unit and did not. Times are in seconds since
/// t = 0 of the stage.
#[derive(Debug, Clone, PartialEq)]
pub enum Missing {
    /// No reading of the stage counts.
    AllReadings,
    /// Notes that were never measured, by name.
    Notes(Vec<String>),
    /// A note that counts in few of the rounds.
    Seldom {
        /// The note, by name.
        note: String,
        /// In how many rounds it counts.
        rounds: usize,
        /// Of how many.
        of: usize,
    },
    /// A stretch without readings.
    Stretch {
        /// The last round before it, or the beginning of the stage.
        from: f64,
        /// The first round after it, or the planned end of the stage.
        until: f64,
        /// The reason that the journal has, if any.
        reason: Option<String>,
    },
    /// The last rounds.
    End {
        /// When the stage was to end.
        planned: f64,
        /// When the last round was.
        last: f64,
    },
    /// The moment asked for: it lies outside the rounds.
    Moment {
        /// The moment.
        asked: f64,
        /// When the first round was.
        first: f64,
        /// When the last round was.
        last: f64,
    },
    /// A record as long as the stay that was meant.
    Stay {
        /// How long it is.
        record: f64,
        /// For how long the unit was to stay as it is.
        asked: f64,
    },
}

/// The tolerances of a plan held against a unit, all together.
#[derive(Debug, Clone, PartialEq)]
pub struct JointRisk {
    /// The unit in which position.
    pub position: PositionId,
    /// The probability that at least one tolerance is not met, all results being equally
    /// likely beforehand; `None` where it is known of no tolerance.
    pub outside: Option<f64>,
    /// How many tolerances it speaks of: those whose own risk is known.
    pub counted: usize,
    /// How many there are.
    pub tolerances: usize,
}
