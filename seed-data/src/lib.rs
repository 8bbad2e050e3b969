//! The invented world of the demo: community repair workshops that refit donated computers for
//! schools and libraries, and must choose which old cards are worth fitting. Nothing in it exists.
//!
//! [`World::new`] makes a world from a seed: people, benches, and a [`Truth`] that the contributors
//! measure with noise. [`World::submissions`] gives what they send, in arrival order, each with a
//! [`Label`] that tells what is wrong with it, if anything. The modules stand in the order in which
//! a submission comes about.

mod random;
pub mod catalogue;
mod nature;
pub mod truth;
mod panel;
mod people;
mod plan;
pub mod label;
mod spoil;
mod series;
mod frames;
mod figures;
mod compose;
mod world;
pub mod prices;
pub mod trial;
pub mod score;
pub mod cover;

pub use catalogue::catalogue;
pub use label::{Label, WrongUnit};
pub use people::Contributor;
pub use prices::{PlantedPrice, PriceLabel};
pub use trial::{Known, Role, Scenario, Trial};
pub use truth::{Cell, Change, Failure, Truth};
pub use world::{Size, Submission, World};

#[cfg(doctest)]
#[doc = include_str!("../README.md")]
struct ReadmeExamples;
