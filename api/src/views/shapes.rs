//! The documented shape of core's types, which know nothing of OpenAPI. Never built: answers
//! serialise core's types, and a test keeps the two alike.
#![expect(dead_code, reason = "only the derived descriptions are used")]

use utoipa::ToSchema;

/// A document of the published schemas; `openapi` puts the schema itself in its place.
macro_rules! published {
    ($($(#[$doc:meta])* $name:ident;)+) => { $($(#[$doc])* #[derive(ToSchema)] pub struct $name {})+ };
}

published! {
    /// A run document; the published schema `run/1`.
    RunDocument;
    /// A catalogue entry; the published schema `card/1`.
    CardDocument;
    /// A catalogue entry; the published schema `chip/1`.
    ChipDocument;
    /// A catalogue entry; the published schema `driver-release/1`.
    DriverReleaseDocument;
    /// A catalogue entry; the published schema `cpu/1`.
    CpuDocument;
    /// A catalogue entry; the published schema `workload/1`.
    WorkloadDocument;
    /// A test machine; the published schema `bench/1`.
    BenchDocument;
}

/// Figures of one pass; rates in frames per second, times in milliseconds.
#[derive(ToSchema)]
pub struct PassStatisticsShape {
    /// Number of frames.
    frames: u64,
    /// Sum of the frame times, seconds.
    length_s: f64,
    /// Frames over time.
    mean_fps: f64,
    /// Median frame time.
    median_ms: f64,
    /// 99th percentile frame time (Hyndman and Fan 1996, definition 7).
    p99_ms: f64,
    /// 1% low, definition `percentile`.
    low_percentile_fps: f64,
    /// 1% low, definition `tail-mean`.
    low_tail_mean_fps: f64,
    /// 1% low, definition `time-share`.
    low_time_share_fps: f64,
    /// 0.1% low by `percentile`; null below 300 s.
    low_0_1_percentile_fps: Option<f64>,
    /// Standard deviation of the frame times; null for one frame.
    sd_ms: Option<f64>,
    /// 1% low (`percentile`) over mean fps.
    consistency: f64,
    /// Longest frame.
    max_ms: f64,
}

/// Figures of a run, pooled over its passes.
#[derive(ToSchema)]
pub struct RunStatisticsShape {
    /// One entry a pass that has frame times.
    passes: Vec<PassStatisticsShape>,
    /// Evidence grade: `full`, `short`, `quick` or `summary`.
    grade: String,
    /// Frames over all passes.
    frames: Option<u64>,
    /// Length over all passes, seconds.
    length_s: Option<f64>,
    /// Total frames over total time.
    mean_fps: Option<f64>,
    /// 1% low, definition `percentile`.
    low_percentile_fps: Option<f64>,
    /// 1% low, definition `tail-mean`.
    low_tail_mean_fps: Option<f64>,
    /// 1% low, definition `time-share`.
    low_time_share_fps: Option<f64>,
    /// Coefficient of variation of the passes' mean fps.
    between_pass_cv: Option<f64>,
}

/// What a run is about, in canonical names: catalogue ids where the catalogue knows the thing.
#[derive(ToSchema)]
pub struct IdentityShape {
    /// Card.
    card: String,
    /// Chip; null while the card is unknown.
    chip: Option<String>,
    /// Driver release.
    driver: String,
    /// Driver branch.
    branch: Option<String>,
    /// Days from 1970-01-01 to the driver release.
    driver_day: Option<i32>,
    /// Workload.
    workload: String,
    /// `single-player` or `multiplayer`; null while the workload is unknown.
    workload_kind: Option<String>,
    /// Scene.
    scene: String,
    /// Kind of scene.
    scene_kind: String,
    /// Workload build.
    build: Option<String>,
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
    /// Platform class.
    platform: String,
    /// Bench.
    bench: String,
}
