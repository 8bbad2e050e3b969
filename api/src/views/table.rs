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

/// A page of the rows that tables are computed from.
#[derive(Debug, Serialize, ToSchema)]
pub struct FactsPage {
    /// Revision of the data.
    pub revision: i64,
    /// Accepted runs.
    pub total: usize,
    /// The rows, by run id; missing figures are null.
    #[schema(value_type = Vec<FactShape>)]
    pub rows: Vec<Value>,
    /// Cursor of the next page; null on the last.
    pub next: Option<String>,
}

/// One accepted run: the keys it is pooled under, and its figures. Names are catalogue ids where the
/// catalogue knows the thing.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct FactShape {
    /// Run id.
    run: String,
    /// Contributor id; one contributor counts once in a median.
    contributor: String,
    /// Card.
    card: String,
    /// Chip.
    chip: Option<String>,
    /// Workload.
    workload: String,
    /// `single-player` or `multiplayer`.
    workload_kind: Option<String>,
    /// Scene.
    scene: String,
    /// Kind of scene.
    scene_kind: String,
    /// Graphics API.
    api: String,
    /// Preset.
    preset: String,
    /// Width, pixels.
    width: u32,
    /// Height, pixels.
    height: u32,
    /// Render scale per axis.
    render_scale: f64,
    /// Other settings that split configurations.
    variant: String,
    /// Driver release.
    driver: String,
    /// Driver branch.
    branch: Option<String>,
    /// Days from 1970-01-01 to the driver release.
    driver_day: Option<i32>,
    /// Workload build.
    build: Option<String>,
    /// Platform class.
    platform: String,
    /// Bench.
    bench: String,
    /// `completed`, `did-not-start`, `crashed` or `rendering-fault`.
    outcome: String,
    /// Evidence grade: `full`, `short`, `quick` or `summary`.
    grade: String,
    /// Days from 1970-01-01 to the measurement.
    measured_day: i32,
    /// Mean fps; null for failures.
    mean_fps: Option<f64>,
    /// 1% low, definition `percentile`, fps.
    low_percentile_fps: Option<f64>,
    /// 1% low, definition `tail-mean`, fps.
    low_tail_mean_fps: Option<f64>,
    /// 1% low, definition `time-share`, fps.
    low_time_share_fps: Option<f64>,
    /// Coefficient of variation of the passes' mean fps.
    between_pass_cv: Option<f64>,
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
