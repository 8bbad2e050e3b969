//! What limited a row of medians: card or platform, by the model of rates and by resolution ladders (runs of one bench
//! that differ in resolution only), or the card's memory.

mod memory;
mod shares;

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;

use self::shares::Side;
pub(super) use memory::Yardsticks;

use std::collections::{HashMap, HashSet};

use polars::prelude::*;

use super::frame::RunFrame;
use super::medians::MediansQuery;
use crate::error::CoreError;
use crate::ladder::LimitedBy;
use crate::policy::Policy;

/// Codes of a group's keys: configuration, driver, build, platform; zero where the query does not split.
pub(super) type GroupKey = [u32; 4];

/// What limits the groups of a query.
#[derive(Default)]
pub(super) struct Limits {
    sides: HashMap<GroupKey, Side>,
    /// Groups in which some bench is slower than at the next higher resolution.
    slower: HashSet<GroupKey>,
    /// Cells that outgrow the card's memory.
    memory: HashSet<u32>,
}

impl Limits {
    /// What limits a group; where the platform limits, memory cannot.
    pub(super) fn of(&self, key: &GroupKey) -> LimitedBy {
        let side = self.sides.get(key).map_or(LimitedBy::NotKnown, |side| side.by);
        if side != LimitedBy::Platform && self.memory.contains(&key[0]) { LimitedBy::Memory } else { side }
    }

    /// What that rests on: `model`, `ladder`, `model and ladder`, or `frames` where it is the memory; none where nobody
    /// knows.
    pub(super) fn from(&self, key: &GroupKey) -> Option<&'static str> {
        match self.of(key) {
            LimitedBy::NotKnown => None,
            LimitedBy::Memory => Some("frames"),
            _ => self.sides.get(key).map(|side| side.from),
        }
    }

    /// What to mind where a bench was slower than at a higher resolution.
    pub(super) fn note(&self, key: &GroupKey) -> Option<&'static str> {
        self.slower.contains(key).then_some(
            "a bench is slower here than at the next higher resolution: something else differed between its runs",
        )
    }
}

/// The limits of the groups in the given runs of all resolutions.
pub(super) fn limits(
    frame: &RunFrame,
    runs: &DataFrame,
    query: &MediansQuery,
    policy: &Policy,
) -> Result<Limits, CoreError> {
    let failed = |source| CoreError::Table { doing: "reading what limits the rates", source };
    let rungs = shares::rungs(runs).map_err(failed)?;
    let memory = memory::memory_limited(frame, runs, policy).map_err(failed)?;
    let (sides, slower) = shares::sides(&rungs, query, policy);
    Ok(Limits { sides, slower, memory })
}
