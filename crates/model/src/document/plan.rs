//! A plan: what to do and what is acceptable. It knows nothing of any rig.

use crate::pitch::{AskedNote, PitchStandard};
use crate::quantity::{AnyQuantity, Bytes, Cents, Seconds};
use crate::result::ResultName;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A plan, version 1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// What kind of document this is and in which version: `plan 1`.
    pub nightbench: String,
    /// What the plan is called in reports.
    pub title: String,
    /// The frequency of a note, from which all others follow.
    #[serde(default)]
    pub pitch: PitchStandard,
    /// The note whose offset a panel knob removes.
    pub reference: AskedNote,
    /// How to listen; a stage may say otherwise.
    #[serde(default)]
    pub listen: Listen,
    /// What to do when a reading is bad.
    #[serde(default)]
    pub bad_reading: BadReading,
    /// Which recordings to keep behind the readings.
    #[serde(default)]
    pub evidence: Evidence,
    /// Whether patching, levels and locking are checked before the first stage.
    #[serde(default = "yes")]
    pub preflight: bool,
    /// What to do, in order.
    pub stages: Vec<Stage>,
    /// What is acceptable.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tolerances: Vec<Tolerance>,
    /// How uncertainty and incidents enter a verdict.
    #[serde(default)]
    pub decision: Decision,
}

const fn yes() -> bool {
    true
}

/// How a note is listened to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Listen {
    /// When the window may begin after a note is played.
    pub settle: Settle,
    /// How long the window is.
    pub window: WindowLength,
    /// How often each note is left and come back to.
    #[schemars(range(min = 1, max = 1000))]
    pub repeats: u16,
}

impl Default for Listen {
    fn default() -> Self {
        Self {
            settle: Settle::default(),
            window: WindowLength::default(),
            repeats: 1,
        }
    }
}

/// When the window may begin after a note is played.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Settle {
    /// After a fixed time.
    Fixed(Seconds),
    /// When the pitch stays within a band from one short listen to the next.
    #[serde(rename_all = "snake_case")]
    UntilSteady {
        /// The band.
        within: Cents,
        /// After which time to go on all the same, and flag the reading.
        at_most: Seconds,
    },
}

impl Default for Settle {
    fn default() -> Self {
        Self::UntilSteady {
            within: Cents::of(1.0),
            at_most: Seconds::of(2.0),
        }
    }
}

/// How long a window is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum WindowLength {
    /// This long.
    Fixed(Seconds),
    /// Until the reading's standard uncertainty is this small.
    UntilUncertainty {
        /// The standard uncertainty to reach.
        reaches: Cents,
        /// After which time to stop all the same.
        at_most: Seconds,
    },
}

impl Default for WindowLength {
    fn default() -> Self {
        Self::Fixed(Seconds::of(0.5))
    }
}

/// What to do when a reading is bad.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BadReading {
    /// How often to try again.
    #[schemars(range(max = 20))]
    pub retries: u16,
    /// And if it stays bad.
    pub then: Then,
}

impl Default for BadReading {
    fn default() -> Self {
        Self {
            retries: 2,
            then: Then::Skip,
        }
    }
}

/// What to do when a reading stays bad.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Then {
    /// Go on with the next note.
    Skip,
    /// End the run.
    Stop,
}

/// Which recordings to keep behind the readings.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Evidence {
    /// None.
    #[default]
    None,
    /// Those of bad or flagged readings.
    Flagged {
        /// How much of the disk they may take.
        budget: Bytes,
    },
    /// All of them.
    All {
        /// How much of the disk they may take.
        budget: Bytes,
    },
}

/// A part of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Stage {
    /// Supplies off for so long.
    CoolDown {
        /// How long.
        #[serde(rename = "for")]
        lasts: Seconds,
    },
    /// Supplies on: t = 0.
    PowerOn,
    /// Rounds of notes every so often for so long.
    Rounds(Rounds),
    /// Each note of a range once, in order.
    Sweep(Sweep),
    /// One note, listened to without a gap.
    Hold(Hold),
    /// Two notes in turn.
    Alternate(Alternate),
    /// Ask the person at the bench, and wait for the answer.
    Ask {
        /// What is asked or to be done.
        question: String,
    },
    /// Attended: play a note and show its deviation until every unit is within a band.
    Tune(Tune),
    /// Nothing, for so long.
    Wait {
        /// How long.
        #[serde(rename = "for")]
        lasts: Seconds,
    },
}

/// Rounds of notes every so often for so long.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Rounds {
    /// The stage's name, for tolerances and reports.
    pub name: String,
    /// Which notes.
    pub notes: Notes,
    /// In which order.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub order: Option<Order>,
    /// From the beginning of one round to the next.
    pub every: Seconds,
    /// For how long in all.
    #[serde(rename = "for")]
    pub lasts: Seconds,
    /// How to listen here; what is not said is as in the plan.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub listen: Option<Listen>,
}

/// Each note of a range once, in order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Sweep {
    /// The stage's name, for tolerances and reports.
    pub name: String,
    /// Which notes.
    pub notes: Notes,
    /// In which order.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub order: Option<Order>,
    /// How to listen here; what is not said is as in the plan.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub listen: Option<Listen>,
}

/// One note, listened to without a gap.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Hold {
    /// The stage's name, for tolerances and reports.
    pub name: String,
    /// The note.
    pub note: AskedNote,
    /// For how long.
    #[serde(rename = "for")]
    pub lasts: Seconds,
    /// The length of each of the adjoining windows.
    pub hop: Seconds,
    /// How long the note is held before the first window.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub settle: Option<Settle>,
}

/// Two notes in turn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Alternate {
    /// The stage's name, for tolerances and reports.
    pub name: String,
    /// The two notes.
    pub between: [AskedNote; 2],
    /// From one pair to the next.
    pub every: Seconds,
    /// How many pairs.
    #[schemars(range(min = 1, max = 1_000_000))]
    pub times: u32,
    /// How to listen here; what is not said is as in the plan.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub listen: Option<Listen>,
}

/// Attended: play a note and show its deviation until every unit is within a band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tune {
    /// The note; the plan's reference unless said otherwise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<AskedNote>,
    /// The band either side of where the note should be.
    pub within: Cents,
    /// How long to wait for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_most: Option<Seconds>,
}

/// Which notes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Notes {
    /// These.
    List(Vec<AskedNote>),
    /// From one note to another in equal steps.
    Range {
        /// The first note.
        from: AskedNote,
        /// The last note that may be reached.
        to: AskedNote,
        /// The step.
        step: Cents,
    },
}

/// In which order notes are played.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Order {
    /// As written, or from the first note of a range to the last.
    AsWritten,
    /// Through the notes and back again, the turning point once.
    UpThenDown,
    /// Shuffled anew in each round, the reference note first and last.
    Random {
        /// Whoever uses the same seed gets the same order.
        seed: u64,
    },
}

/// What is acceptable.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Tolerance {
    /// Which result.
    pub result: ResultName,
    /// Of which stage.
    pub of: String,
    /// When, for results that change over the stage: `start`, `end` (the default),
    /// or a time since t = 0.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<Moment>,
    /// The range it must lie in.
    pub allow: Allow,
    /// Choices that belong to the result's definition.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meaning: Option<Meaning>,
}

/// When a result is taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Moment {
    /// At the beginning of the stage.
    Start,
    /// At the end of the stage.
    End,
    /// This long after t = 0.
    After(Seconds),
}

/// The range a result must lie in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Allow {
    /// Not further from zero than this, either way.
    Within(AnyQuantity),
    /// Not above this.
    AtMost(AnyQuantity),
    /// Not below this.
    AtLeast(AnyQuantity),
    /// Between two limits.
    Between {
        /// The lower limit.
        from: AnyQuantity,
        /// The upper limit.
        to: AnyQuantity,
    },
}

/// As it reads behind "it is to be": "within 1 cent/oct of zero".
impl std::fmt::Display for Allow {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Within(limit) => write!(f, "within {limit} of zero"),
            Self::AtMost(limit) => write!(f, "at most {limit}"),
            Self::AtLeast(limit) => write!(f, "at least {limit}"),
            Self::Between { from, to } => write!(f, "between {from} and {to}"),
        }
    }
}

/// Choices that belong to a result's definition.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Meaning {
    /// How near counts as steady, ready, in tune or settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub steady_within: Option<Cents>,
    /// How long it must stay so (2 h unless said, or what the record allows).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stay: Option<Seconds>,
    /// For error after one tuning: when the tuning is done (when ready unless said).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tuned_at: Option<Seconds>,
    /// For the two-note slope: which notes (the lowest and two octaves up unless said).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub between: Option<[AskedNote; 2]>,
    /// For short-term stability and the change between readings: over which time
    /// (1 s or the hop, and the time from round to round, unless said).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub over: Option<Seconds>,
}

/// How uncertainty and incidents enter a verdict.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Decision {
    /// The guard band as a multiple of the expanded uncertainty: 1 unless said,
    /// 0 for simple acceptance (JCGM 106).
    #[schemars(range(min = 0.0, max = 3.0))]
    pub guard_band: f64,
    /// Whether a unit passes to which something happened in the night.
    pub incidents: Incidents,
}

/// Whether a unit passes to which something happened in the night.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Incidents {
    /// It does not pass: what is its own, or may be, fails it; what is shared with others or
    /// the rig's leaves it undecided.
    #[default]
    Forbid,
    /// Incidents are listed and decide nothing.
    Allow,
}

impl Default for Decision {
    fn default() -> Self {
        Self {
            guard_band: 1.0,
            incidents: Incidents::default(),
        }
    }
}

impl Serialize for Moment {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Start => serializer.serialize_str("start"),
            Self::End => serializer.serialize_str("end"),
            Self::After(time) => time.serialize(serializer),
        }
    }
}

impl<'de> Deserialize<'de> for Moment {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        match text.trim() {
            "start" => Ok(Self::Start),
            "end" => Ok(Self::End),
            time => time.parse().map(Self::After).map_err(|error| {
                serde::de::Error::custom(format!("{error}; or write start or end"))
            }),
        }
    }
}

impl JsonSchema for Moment {
    fn inline_schema() -> bool {
        true
    }
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Moment".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({
            "type": "string",
            "description": "start, end, or a time since t = 0 like \"30 min\".",
            "examples": ["end", "30 min"],
        })
    }
}

impl Stage {
    /// The stage's name: its own where it has one, else what it does.
    #[must_use]
    pub fn name(&self) -> &str {
        match self {
            Self::CoolDown { .. } => "cool down",
            Self::PowerOn => "power on",
            Self::Rounds(rounds) => &rounds.name,
            Self::Sweep(sweep) => &sweep.name,
            Self::Hold(hold) => &hold.name,
            Self::Alternate(alternate) => &alternate.name,
            Self::Ask { .. } => "question",
            Self::Tune(_) => "tuning",
            Self::Wait { .. } => "wait",
        }
    }
}
