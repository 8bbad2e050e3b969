//! Worlds to try a judge in: more cards than the demo has, more people, runs of better grade, more driver
//! changes, more that is wrong, in three scenarios. The demo's own world stays as it is.

mod market;
mod changes;
mod liars;
pub(crate) mod known;

use crate::nature::{Habits, Nature};
use crate::truth::Truth;
use crate::truth::draw::Given;
use crate::world::World;

pub use known::Known;
pub use market::catalogue;

/// What a world of the evaluation is like.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Scenario {
    /// Noise of the size that a judge may expect, with heavier tails than the normal distribution.
    Plain,
    /// Noise of other sizes and a much softer ceiling: a judge's assumptions do not hold.
    Misspecified,
    /// As `Plain`, and many accounts lie about a few well-known cards: on some, as many colluders as honest
    /// contributors, all with the same 20 % or more; on others three accounts in ten, with 4 to 6 %.
    Liars,
}

impl Scenario {
    /// All of them.
    pub const ALL: [Scenario; 3] = [Scenario::Plain, Scenario::Misspecified, Scenario::Liars];

    /// The word used on the command line and in results.
    pub fn as_str(self) -> &'static str {
        match self {
            Scenario::Plain => "plain",
            Scenario::Misspecified => "misspecified",
            Scenario::Liars => "liars",
        }
    }
}

/// A world of the evaluation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Trial {
    /// What it is like.
    pub scenario: Scenario,
    /// Submissions, those of the liars not counted.
    pub runs: usize,
    /// Contributors, liars not counted.
    pub contributors: usize,
}

impl Trial {
    /// Submissions of an evaluation of full size.
    pub const RUNS: usize = 20_000;

    /// A scenario with about that many submissions, and contributors in proportion: one for 77 runs, as 260
    /// for 20,000, at least 24 and at most 500.
    pub fn sized(scenario: Scenario, runs: usize) -> Trial {
        Trial { scenario, runs, contributors: (runs / 77).clamp(24, 500) }
    }
}

/// Why somebody submits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Role {
    /// To measure, well or badly.
    Usual,
    /// To lift a card by much, together with others.
    Colluder,
    /// To lift a card by little, below what is held.
    Shader,
}

impl World {
    /// A world of the evaluation; equal arguments give equal worlds, on every machine. The scenarios
    /// `Plain` and `Liars` of one seed share everything but the liars.
    pub fn trial(seed: u64, trial: &Trial) -> World {
        let nature = match trial.scenario {
            Scenario::Misspecified => Nature::MISSPECIFIED,
            Scenario::Plain | Scenario::Liars => Nature::PLAIN,
        };
        let given =
            Given { fps: market::fps(), popularity: market::popularity(), nature, steps: changes::draw };
        let truth = Truth::of(seed, market::catalogue(), given);
        let mut world = World::of(seed, truth, trial.contributors, trial.runs, &Habits::TRIAL);
        if trial.scenario == Scenario::Liars {
            liars::join(&mut world);
        }
        world
    }

    /// Why a contributor submits, by index into `contributors`.
    pub fn role(&self, contributor: usize) -> Role {
        contributor.checked_sub(self.usual.contributors).map_or(Role::Usual, |liar| self.liars[liar])
    }
}
