//! Precision of the runs and records of the rules.

use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::table::output::Table;

/// A page of the table of precision.
#[derive(Debug, Serialize, ToSchema)]
pub struct PrecisionPage {
    /// Revision of the data.
    pub revision: i64,
    /// Rows of the whole table.
    pub total: usize,
    /// The rows; missing figures are null.
    #[schema(value_type = Vec<PrecisionShape>)]
    pub rows: Table,
    /// Cursor of the next page; null on the last.
    pub next: Option<String>,
}

/// One workload, scene and quantity. Spreads are of natural logarithms, times 100: per cent. A contributor is a
/// laboratory in the sense of ISO 5725, a cell (configuration and driver release) a material.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct PrecisionShape {
    /// Workload.
    workload: String,
    /// Scene.
    scene: String,
    /// Card; only where the query splits by it, likewise the next three.
    #[schema(required = false)]
    card: String,
    /// Preset.
    #[schema(required = false)]
    preset: String,
    /// Platform class.
    #[schema(required = false)]
    platform: String,
    /// Workload build.
    #[schema(required = false)]
    build: Option<String>,
    /// `mean-fps`, or the 1% low by its definition: `low-percentile`, `low-tail-mean`, `low-time-share`.
    quantity: String,
    /// Contributors.
    contributors: u32,
    /// Benches, one a contributor and cell.
    benches: u32,
    /// Cells.
    cells: u32,
    /// Cells that two or more contributors measured.
    shared_cells: u32,
    /// Runs.
    runs: u32,
    /// Repeatability standard deviation: of one contributor's runs of one cell on one bench.
    repeatability_sd_pct: Option<f64>,
    /// What it is taken from: repeated `runs`, or the `passes` within runs where too few runs were repeated.
    repeatability_from: Option<String>,
    /// Degrees of freedom of the repeated runs.
    repeatability_df: u32,
    /// Root mean square of the coefficients of variation between the passes of a run; mean fps only.
    pass_cv_pct: Option<f64>,
    /// Standard deviation between contributors beyond what repeatability explains.
    between_sd_pct: Option<f64>,
    /// Reproducibility standard deviation: of single runs of different contributors in one cell.
    reproducibility_sd_pct: Option<f64>,
    /// Degrees of freedom between contributors.
    reproducibility_df: u32,
    /// Repeatability limit r: two runs of one contributor differ by more once in twenty times.
    repeatability_limit_pct: Option<f64>,
    /// Reproducibility limit R: two runs of two contributors differ by more once in twenty times.
    reproducibility_limit_pct: Option<f64>,
    /// Standard deviation of contributors about their cells by Algorithm A (ISO 13528).
    robust_sd_pct: Option<f64>,
    /// Contributors of cells that Mandel's h was computed for.
    h_tested: u32,
    /// Those beyond its 1 % limit; by chance one in a hundred.
    h_flags: u32,
    /// Contributors that Mandel's k was computed for, their repeats pooled over cells.
    k_tested: u32,
    /// Those beyond its 1 % limit.
    k_flags: u32,
    /// Contributors whose variances Cochran's test compared.
    cochran_tested: u32,
    /// Those it finds outlying at the 1 % level, one after the other.
    cochran_flags: u32,
    /// Cells that Grubbs' test was made in.
    grubbs_tested: u32,
    /// Those with an outlying contributor at the 1 % level.
    grubbs_flags: u32,
    /// What to keep in mind; null when there is nothing.
    note: Option<String>,
}

/// The records of the rules that can hold or reject a stored run.
#[derive(Debug, Serialize, ToSchema)]
pub struct RuleRecords {
    /// Last change of any run or catalogue entry.
    pub revision: i64,
    /// Judged runs, whatever their verdict.
    pub judged: u64,
    /// One row a rule.
    #[schema(value_type = Vec<RuleRecordShape>)]
    pub rows: Table,
}

/// The record of one rule.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct RuleRecordShape {
    /// The rule; `/v1/rules` explains it.
    code: String,
    /// The most that can follow from it: `hold` or `reject`.
    severity: String,
    /// Runs that it held or rejected.
    runs: u32,
    /// Their share of all judged runs, per cent; null without any run.
    runs_pct: Option<f64>,
    /// Those that it stopped when they came in; the others at a later judgement.
    at_arrival: u32,
    /// Runs that it held.
    held: u32,
    /// Runs that it rejected.
    rejected: u32,
    /// Runs that no other rule stopped.
    alone: u32,
    /// Held runs that were accepted later without a person.
    released: u32,
    /// Their share of the held, per cent; null where none was held.
    released_pct: Option<f64>,
    /// Runs that a moderator accepted all the same. There is no moderation yet, so that it is 0.
    overturned: u32,
    /// Their share of the runs, per cent; null where there is none.
    overturned_pct: Option<f64>,
}
