//! Drawings: lines over time, points over notes, whiskers over units, as inline
//! SVG that takes its colours from the page (so that one file is right on a
//! light screen, on a dark one and on paper).
//!
//! The plotting libraries that were looked at write fixed colours into the file
//! and put names into legends. Here lines carry their names at their ends, and
//! the names make room for each other.

pub(crate) mod frame;
pub(crate) mod labels;
mod note_axis;
pub(crate) mod of_batch;
pub(crate) mod over_notes;
pub(crate) mod over_time;
pub(crate) mod overview;
pub(crate) mod profiles;
pub(crate) mod scale;
pub(crate) mod svg;
pub(crate) mod time_axis;
