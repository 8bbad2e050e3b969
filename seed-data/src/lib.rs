//! The invented world of the demo: community repair workshops that refit donated computers for
//! schools and libraries, and must choose which old cards are worth fitting. Nothing in it exists.

mod random;
pub mod catalogue;

pub use catalogue::catalogue;
