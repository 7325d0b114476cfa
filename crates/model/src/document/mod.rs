//! The two kinds of document a person writes: plans and rigs. YAML text goes in,
//! located values or located errors come out.
//!
//! [`read_plan`] and [`read_rig`] give a [`Document`]: a value that still knows
//! where in the text its parts stand. [`check`] then says whether it makes sense.

pub mod check;
pub mod notes;
pub mod path;
pub mod plan;
pub mod rig;
pub mod simulated;

mod demanded;
mod error;
mod limits;
mod reader;
mod refusal;
mod schema;
mod slips;
mod source;
mod tree;

pub use error::{Diagnosis, DocumentError, Place, Remark, nearest};
pub use path::Path;
pub use schema::{plan_schema, rig_schema};
pub use source::{Document, LARGEST, read_plan, read_rig};
