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
    /// A price report; the published schema `price/1`.
    PriceDocument;
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

/// Figures of one pass; rates in frames per second, times in milliseconds. A figure that is not
/// finite, as of frame times near zero, is null.
#[derive(ToSchema)]
pub struct PassStatisticsShape {
    /// Number of frames.
    frames: u64,
    /// Sum of the frame times, seconds.
    length_s: Option<f64>,
    /// Frames over time.
    mean_fps: Option<f64>,
    /// Median frame time.
    median_ms: Option<f64>,
    /// 99th percentile frame time (Hyndman and Fan 1996, definition 7).
    p99_ms: Option<f64>,
    /// 1% low, definition `percentile`.
    low_percentile_fps: Option<f64>,
    /// 1% low, definition `tail-mean`.
    low_tail_mean_fps: Option<f64>,
    /// 1% low, definition `time-share`.
    low_time_share_fps: Option<f64>,
    /// 0.1% low by `percentile`; null below 300 s.
    low_0_1_percentile_fps: Option<f64>,
    /// Standard deviation of the frame times; null for one frame.
    sd_ms: Option<f64>,
    /// 1% low (`percentile`) over mean fps.
    consistency: Option<f64>,
    /// Longest frame.
    max_ms: Option<f64>,
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

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use std::collections::BTreeSet;

    use serde::Serialize;
    use serde_json::Value;
    use utoipa::PartialSchema;
    use wearmark_core::identity::Identity;
    use wearmark_core::run::{Pass, SceneKind};
    use wearmark_core::statistics;

    use super::{IdentityShape, PassStatisticsShape, RunStatisticsShape};

    /// Names of the members of a value and of its described shape.
    fn alike<S: PartialSchema>(value: &impl Serialize) {
        let names = |v: &Value| v.as_object().unwrap().keys().cloned().collect::<BTreeSet<String>>();
        let shape = serde_json::to_value(S::schema()).unwrap();
        assert_eq!(names(&serde_json::to_value(value).unwrap()), names(&shape["properties"]));
    }

    #[test]
    fn described_shapes_have_the_members_that_core_writes() {
        let pass = Pass { frame_times_ms: Some(vec![16.0, 17.0, 16.5]), ..Pass::default() };
        let run = statistics::of_run(&[pass]);
        alike::<RunStatisticsShape>(&run);
        alike::<PassStatisticsShape>(run.passes.first().unwrap());
        alike::<IdentityShape>(&Identity {
            card: String::new(),
            chip: None,
            driver: String::new(),
            branch: None,
            driver_day: None,
            workload: String::new(),
            workload_kind: None,
            scene: String::new(),
            scene_kind: SceneKind::FreePlay,
            build: None,
            api: String::new(),
            preset: String::new(),
            width: 1,
            height: 1,
            render_scale: 1.0,
            variant: String::new(),
            platform: String::new(),
            bench: String::new(),
        });
    }
}

/// A decision of a run.
#[derive(ToSchema)]
pub struct DecisionOrder {
    /// `accept`, `reject`, `rerun` or `duplicate`.
    #[schema(pattern = "^(accept|reject|rerun|duplicate)$")]
    decision: String,
    /// Why; the contributor reads it.
    #[schema(min_length = 1, max_length = 2000)]
    reason: String,
    /// `revision` of the case that was looked at.
    #[schema(minimum = 0)]
    revision: i64,
    /// The run that a duplicate is one of.
    #[schema(pattern = "^r-[0-9a-f]{32}$")]
    original: Option<String>,
}

/// A decision of a price report.
#[derive(ToSchema)]
pub struct PriceDecisionOrder {
    /// `accept` or `reject`.
    #[schema(pattern = "^(accept|reject)$")]
    decision: String,
    /// Why; the contributor reads it.
    #[schema(min_length = 1, max_length = 2000)]
    reason: String,
    /// `revision` of the report that was looked at.
    #[schema(minimum = 0)]
    revision: i64,
}

/// Why.
#[derive(ToSchema)]
pub struct ReasonOrder {
    /// Why; the contributor reads it.
    #[schema(min_length = 1, max_length = 2000)]
    reason: String,
}

/// What to put right in a run.
#[derive(ToSchema)]
pub struct CorrectionOrder {
    /// 1 to 20 JSON pointers into the run document, below `/bench`, `/card`, `/driver`, `/measured_at`, `/settings` or
    /// `/workload`, and the values to put there; null takes a member away.
    #[schema(value_type = Object)]
    changes: std::collections::BTreeMap<String, serde_json::Value>,
    /// Why; the contributor reads it.
    #[schema(min_length = 1, max_length = 2000)]
    reason: String,
}

/// What the contributor answers.
#[derive(ToSchema)]
pub struct ConsentOrder {
    /// Whether the labels are to be put right.
    agree: bool,
}

/// Which cases; at least one field.
#[derive(ToSchema)]
pub struct CaseFilterShape {
    /// Card id.
    #[schema(min_length = 1, max_length = 200)]
    card: Option<String>,
    /// Workload id.
    #[schema(min_length = 1, max_length = 200)]
    workload: Option<String>,
    /// Driver release id.
    #[schema(min_length = 1, max_length = 200)]
    driver: Option<String>,
    /// Public handle of the contributor.
    #[schema(min_length = 1, max_length = 200)]
    contributor: Option<String>,
    /// Code of a finding.
    #[schema(min_length = 1, max_length = 200)]
    finding: Option<String>,
}

/// A decision of all cases that pass a filter.
#[derive(ToSchema)]
pub struct BulkOrderShape {
    /// Which cases.
    filter: CaseFilterShape,
    /// `accept`, `reject` or `rerun`.
    #[schema(pattern = "^(accept|reject|rerun)$")]
    decision: String,
    /// Why; the contributors read it.
    #[schema(min_length = 1, max_length = 2000)]
    reason: String,
    /// The stamp of the answer that showed the cases; without it nothing is decided.
    #[schema(min_length = 1, max_length = 64)]
    stamp: Option<String>,
}

/// A measure about a contributor.
#[derive(ToSchema)]
pub struct MeasureOrder {
    /// `note`, `hold-all` or `suspend`.
    #[schema(pattern = "^(note|hold-all|suspend)$")]
    kind: String,
    /// Why; other moderators read it.
    #[schema(min_length = 1, max_length = 2000)]
    words: String,
    /// When it ends; without it when it is lifted.
    until: Option<chrono::DateTime<chrono::Utc>>,
}

/// A contributor's word against a rejection.
#[derive(ToSchema)]
pub struct AppealOrder {
    /// Why the run should count.
    #[schema(min_length = 1, max_length = 2000)]
    words: String,
}

/// Name and password of the account that is deleted.
#[derive(ToSchema)]
pub struct GoodbyeOrder {
    /// Public handle.
    #[schema(min_length = 1, max_length = 64)]
    name: String,
    /// Password.
    #[schema(min_length = 1, max_length = 1024)]
    password: String,
}

/// Whether two accounts are two persons.
#[derive(ToSchema)]
pub struct SeparationOrder {
    /// Public handle of the other account.
    #[schema(min_length = 1, max_length = 64)]
    other: String,
    /// Whether they are two persons; false takes that back.
    separated: bool,
}
