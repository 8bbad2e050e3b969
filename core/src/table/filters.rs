//! Which runs a table takes, by what they are about.

use polars::prelude::*;
use serde::{Deserialize, Serialize};

use super::columns::*;
use super::frame::RunFrame;
use super::pool::{has_figures, one_of};
use crate::policy::Policy;
use crate::statistics::Grade;

/// Words that runs must have and grades they must be of. An empty list lets everything through; a value that no
/// run has makes an empty table.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Filters {
    /// Card ids.
    pub card: Vec<String>,
    /// Chip ids.
    pub chip: Vec<String>,
    /// Workload ids.
    pub workload: Vec<String>,
    /// Scene ids.
    pub scene: Vec<String>,
    /// Presets.
    pub preset: Vec<String>,
    /// Driver release ids.
    pub driver: Vec<String>,
    /// Driver branches.
    pub branch: Vec<String>,
    /// Platform classes.
    pub platform: Vec<String>,
    /// Graphics APIs.
    pub api: Vec<String>,
    /// Grades; empty means the default, `full` and `short`.
    pub evidence: Vec<Grade>,
}

impl Filters {
    /// Completed runs that pass.
    pub(super) fn wanted(&self, frame: &RunFrame, policy: &Policy) -> Expr {
        let grades = if self.evidence.is_empty() { &policy.table.evidence } else { &self.evidence };
        let words: [(&str, &[String]); 9] = [
            (CARD, &self.card),
            (CHIP, &self.chip),
            (WORKLOAD, &self.workload),
            (SCENE, &self.scene),
            (PRESET, &self.preset),
            (DRIVER, &self.driver),
            (BRANCH, &self.branch),
            (PLATFORM, &self.platform),
            (API, &self.api),
        ];
        let named = words.into_iter().filter(|(_, words)| !words.is_empty());
        named.fold(has_figures(grades), |wanted, (name, words)| {
            wanted.and(one_of(col(name).to_physical(), frame.words().codes(name, words)))
        })
    }
}
