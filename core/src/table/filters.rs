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

/// Where at most one row in that many passes, rows are picked by their places: a filter reads all columns from end to end.
const FEW: usize = 8;

/// The rows that pass, in their order.
pub(super) fn passing(rows: &DataFrame, wanted: Expr) -> PolarsResult<DataFrame> {
    let wanted = rows.clone().lazy().select([wanted.alias("wanted")]).collect()?;
    let passes = wanted.column("wanted")?.bool()?;
    if FEW * passes.sum().unwrap_or(0) as usize > passes.len() {
        return rows.filter(passes);
    }
    let places = passes.iter().enumerate().filter(|(_, passes)| *passes == Some(true));
    let places: Vec<IdxSize> = places.map(|(place, _)| place as IdxSize).collect();
    rows.take(&IdxCa::from_vec("places".into(), places))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn few_rows_and_many_pass_in_their_order() {
        let rows = |from: i32| {
            let numbers: Vec<Option<i32>> = (from..from + 40).map(|n| (n % 4 != 3).then_some(n)).collect();
            let words: Vec<String> = (from..from + 40).map(|n| format!("row {n}")).collect();
            df!("number" => numbers, "word" => words).unwrap()
        };
        let all = rows(0).vstack(&rows(40)).unwrap();
        for below in [0, 1, 10, 11, 30, 80] {
            let passed = passing(&all, col("number").lt(lit(below))).unwrap();
            let words: Vec<String> = (0..below).filter(|n| n % 4 != 3).map(|n| format!("row {n}")).collect();
            let found: Vec<&str> = passed.column("word").unwrap().str().unwrap().iter().flatten().collect();
            assert_eq!(found, words, "below {below}");
            assert_eq!((passed.height(), passed.width()), (words.len(), 2));
        }
    }
}
