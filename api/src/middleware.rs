//! What every request passes on its way in and out, outermost first.

pub mod headers;
pub mod problems;
pub mod limits;
pub mod deadline;
pub mod spans;
