//! The readings of a stage, note by note, as they are handed over.

use model::pitch::Pitch;
use model::record::Flags;

/// One note over the rounds of a stage.
#[derive(Debug, Clone, PartialEq)]
pub struct NoteSeries {
    /// Its name as the plan writes it.
    pub name: String,
    /// Its pitch.
    pub asked: Pitch,
    /// Its deviations.
    pub points: Vec<DeviationPoint>,
}

/// One reading as deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DeviationPoint {
    /// Start of the window, in seconds since t = 0.
    pub t_s: f64,
    /// Deviation as played, in cents.
    pub as_played: f64,
    /// Deviation with the reference note's own removed, in cents.
    pub retuned: Option<f64>,
    /// Standard uncertainty of the meter's part, in cents.
    pub u: f64,
    /// Flags of the reading.
    pub flags: Flags,
}
