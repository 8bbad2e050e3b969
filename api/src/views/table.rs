//! Published tables.

use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use wearmark_core::table::track::TrackPoint;

/// A page of medians per configuration.
#[derive(Debug, Serialize, ToSchema)]
pub struct MediansPage {
    /// Revision of the data.
    pub revision: i64,
    /// Definition of the 1% low shown.
    pub definition: &'static str,
    /// Rows of the whole table.
    pub total: usize,
    /// The rows; missing figures are null.
    #[schema(value_type = Vec<Object>)]
    pub rows: Vec<Value>,
    /// Cursor of the next page; null on the last.
    pub next: Option<String>,
}

/// A card over its driver releases, oldest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct TrackView {
    /// Revision of the data.
    pub revision: i64,
    /// Card id.
    pub card: String,
    /// The release at index 100; null when the card has no accepted run.
    pub reference: Option<String>,
    /// One entry a release.
    #[schema(value_type = Vec<TrackPointShape>)]
    pub points: Vec<TrackPoint>,
}

/// One driver release of a track.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct TrackPointShape {
    /// Driver release id.
    driver: String,
    /// Branch.
    branch: Option<String>,
    /// Release date, ISO 8601.
    date: Option<String>,
    /// Geometric mean of the matched ratios to the reference, times 100.
    index: Option<f64>,
    /// 95 % interval of the index, lower end.
    index_low: Option<f64>,
    /// 95 % interval of the index, upper end.
    index_high: Option<f64>,
    /// Matched pairs.
    matches: u32,
    /// Matched workloads.
    workloads: u32,
    /// Matched benches.
    benches: u32,
    /// Contributors behind the matches.
    contributors: u32,
    /// Accepted runs on the release.
    runs: u32,
    /// Runs that did not start.
    did_not_start: Vec<FailureCountShape>,
    /// Runs that crashed.
    crashed: Vec<FailureCountShape>,
    /// Runs that drew wrongly.
    rendering_fault: Vec<FailureCountShape>,
}

/// Failures of one workload.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct FailureCountShape {
    /// Workload id.
    workload: String,
    /// Runs.
    runs: u32,
    /// Distinct contributors.
    contributors: u32,
}
