//! What results suggest: a likely cause with its evidence, and what would settle it.
//! Never a verdict.

use crate::record::PositionId;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What a pattern in the readings points to. The patterns are common practice of
/// the trade, no source.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum SuggestionKind {
    /// The scale trimmer of one unit is off.
    ScaleTrimmer,
    /// The interface gives every unit the same wrong scale.
    InterfaceGain,
    /// Inputs load the control voltage they share.
    Loading,
    /// The control source has steps: single notes are off, round after round.
    SourceSteps,
    /// All units move together: interface, room or supply.
    MovingTogether,
    /// Temperature compensation follows late: the scale is off while the unit warms.
    CompensationSlow,
    /// Temperature compensation is missing, wrong or out of contact.
    CompensationMissing,
    /// The pitch falls behind at the top.
    DroopAtTheTop,
    /// The pitch runs ahead at the top: a high-end trimmer overdone.
    TopOverdone,
    /// The lowest notes are off as leakage or a bias current makes them.
    LeakageAtTheBottom,
    /// The offset drifts and the scale does not: reference current, tuning pot, supply.
    ReferenceCurrent,
    /// Readings scatter with the mains in them.
    Hum,
    /// Readings scatter far above the meter's own noise, mains or not.
    Unsteady,
    /// A note reached from below differs from the same note reached from above.
    UpAndDown,
    /// The pitch jumps and comes back: contact, wiper, supply dip.
    IntermittentContact,
    /// Two units sound too equal: locked to each other over the supply.
    LockedUnits,
}

impl SuggestionKind {
    /// Every kind.
    pub const ALL: [Self; 16] = [
        Self::ScaleTrimmer,
        Self::InterfaceGain,
        Self::Loading,
        Self::SourceSteps,
        Self::MovingTogether,
        Self::CompensationSlow,
        Self::CompensationMissing,
        Self::DroopAtTheTop,
        Self::TopOverdone,
        Self::LeakageAtTheBottom,
        Self::ReferenceCurrent,
        Self::Hum,
        Self::Unsteady,
        Self::UpAndDown,
        Self::IntermittentContact,
        Self::LockedUnits,
    ];
    /// The name used in output.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::ScaleTrimmer => "scale_trimmer",
            Self::InterfaceGain => "interface_gain",
            Self::Loading => "loading",
            Self::SourceSteps => "source_steps",
            Self::MovingTogether => "moving_together",
            Self::CompensationSlow => "compensation_slow",
            Self::CompensationMissing => "compensation_missing",
            Self::DroopAtTheTop => "droop_at_the_top",
            Self::TopOverdone => "top_overdone",
            Self::LeakageAtTheBottom => "leakage_at_the_bottom",
            Self::ReferenceCurrent => "reference_current",
            Self::Hum => "hum",
            Self::Unsteady => "unsteady",
            Self::UpAndDown => "up_and_down",
            Self::IntermittentContact => "intermittent_contact",
            Self::LockedUnits => "locked_units",
        }
    }
}

impl fmt::Display for SuggestionKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A number that speaks for a suggestion.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// What it is, in words.
    pub what: String,
    /// The number.
    pub value: f64,
    /// Its standard uncertainty, where it has one.
    pub u: Option<f64>,
    /// In which unit.
    pub unit: &'static str,
}

/// A likely cause, with its evidence. All texts are whole sentences but `what` of
/// the evidence.
#[derive(Debug, Clone, PartialEq)]
pub struct Suggestion {
    /// What it points to.
    pub kind: SuggestionKind,
    /// The positions it is about: one unit, or all that show it.
    pub positions: Vec<PositionId>,
    /// The stage it was mostly seen in, by name.
    pub stage: String,
    /// What is seen, with numbers.
    pub seen: String,
    /// The numbers it rests on.
    pub evidence: Vec<Evidence>,
    /// The likely cause.
    pub cause: String,
    /// What to try.
    pub advice: String,
    /// What would confirm it.
    pub confirmed_by: String,
    /// What would refute it.
    pub refuted_by: String,
    /// What else it could be that this run cannot tell apart.
    pub doubt: Option<String>,
    /// What to mind for safety's sake, where the advice is to work on a unit.
    pub caution: Option<String>,
    /// How much of the error it explains, in cents: suggestions come largest first.
    pub size_cents: f64,
}
