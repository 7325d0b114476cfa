//! The two kinds of document a person writes: plans and rigs. YAML text goes in,
//! located values or located errors come out.

pub mod notes;
pub mod plan;
pub mod rig;
pub mod simulated;
