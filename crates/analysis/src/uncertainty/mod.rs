//! Why a number is uncertain: limits of the rig, and the trials in which everything that
//! results share is drawn once.

pub(crate) mod joint;
pub(crate) mod limits;
pub(crate) mod shared_sources;
pub(crate) mod sources;
