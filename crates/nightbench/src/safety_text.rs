//! What is said before a supply is switched for a night.

/// Shown before a plan that switches power begins on a real rig.
pub const BEFORE_POWER: &str = "\
Before units are powered unattended: supply connectors checked with power off; every
rail fused or current-limited; the first hour of old or repaired gear watched; nothing
flammable near; a cut-off within reach and a person who knows; monitors down, since
an oscillator sounds on when notes end. Local electrical codes and licensed practice
come before anything this program says.";
