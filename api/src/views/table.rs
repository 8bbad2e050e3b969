//! Published tables.

use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::table::basket::AgainstBasket;
use wearmark_core::table::changes::{Change, FailureSpan, HoldsUp};
use wearmark_core::table::course::{Segment, TrackTrend};
use wearmark_core::table::output::Table;
use wearmark_core::table::track::{Track, TrackPoint};

use super::basket::AgainstBasketShape;
use super::behind;

/// A page of medians per configuration.
#[derive(Debug, Serialize, ToSchema)]
pub struct MediansPage {
    /// Revision of the data.
    pub revision: i64,
    /// Definition of the 1% low shown.
    pub definition: &'static str,
    /// Rows of the whole table.
    pub total: usize,
    /// Where the runs behind a row are, a URI template (RFC 6570) to be filled in with its fields. Settings beyond these and
    /// the definition of a run's 1% low are told apart in the runs only.
    pub runs_template: &'static str,
    /// The rows; missing figures are null.
    #[schema(value_type = Vec<Object>)]
    pub rows: Table,
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
    pub rows: Table,
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
    /// How much of the rate is the card's, 0 to 1, by the newest model that knows the run; null before the first model.
    card_share: Option<f64>,
    /// Standard deviation of ln(share / (1 - share)); null until the next model for runs that came since.
    share_logit_sd: Option<f64>,
    /// Mean fps without what the newest model puts down to bench and copy of the card; null until the next model for runs
    /// that came since.
    adjusted_fps: Option<f64>,
}

/// A card over its driver releases, oldest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct TrackView {
    /// Revision of the data.
    pub revision: i64,
    /// Card id; not there in the track of a chip.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub card: Option<String>,
    /// Chip id; not there in the track of a card.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chip: Option<String>,
    /// The release at index 100; null without an accepted run.
    pub reference: Option<String>,
    /// How the card holds up.
    #[schema(value_type = HoldsUpShape)]
    pub holds_up: HoldsUp,
    /// Releases that made it faster or slower.
    #[schema(value_type = Vec<ChangeShape>)]
    pub changes: Vec<Change>,
    /// Changes that were looked at: from each release to the next, for all workloads together and for each.
    pub looks: u32,
    /// What the index did along time; null where too few releases can be told.
    #[schema(value_type = Option<TrackTrendShape>)]
    pub trend: Option<TrackTrend>,
    /// Stretches of releases between which the level of the index changes, oldest first.
    #[schema(value_type = Vec<SegmentShape>)]
    pub segments: Vec<Segment>,
    /// Failures from the first to the last release that has them.
    #[schema(value_type = Vec<FailureSpanShape>)]
    pub failures: Vec<FailureSpan>,
    /// One entry a release.
    #[schema(value_type = Vec<TrackPointShape>)]
    pub points: Vec<TrackPoint>,
    /// Where the runs behind a point, a change or a failure are, a URI template (RFC 6570) to be filled in with its fields.
    pub runs_template: String,
    /// The same against a basket of cards, where the query names one.
    #[schema(value_type = Option<AgainstBasketShape>)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub basket: Option<AgainstBasket>,
}

impl TrackView {
    /// The track at a revision.
    pub fn new(revision: i64, track: Track, basket: Option<AgainstBasket>) -> TrackView {
        let Track { card, chip, reference, holds_up, changes, looks, trend, segments, failures, points } =
            track;
        let of = |(kind, id): (&str, &String)| behind::of_a_release(kind, id);
        let subject = card.as_ref().map(|id| ("card", id)).or(chip.as_ref().map(|id| ("chip", id)));
        TrackView {
            runs_template: subject.map(of).unwrap_or_default(),
            revision,
            card,
            chip,
            reference,
            holds_up,
            changes,
            looks,
            trend,
            segments,
            failures,
            points,
            basket,
        }
    }
}

/// How a card holds up.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct HoldsUpShape {
    /// `gaining`, `steady`, `fading`, `cut off` or `not enough evidence`.
    verdict: String,
    /// The rule that gave it, in words and figures.
    because: String,
    /// The release to install.
    best_release: Option<String>,
}

/// What a release did to the rate against the release before it that the evidence has.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct ChangeShape {
    /// Card id; null in the track of a chip.
    card: Option<String>,
    /// Workload id; null for all workloads together.
    workload: Option<String>,
    /// Driver release id.
    driver: String,
    /// The release before it.
    from: String,
    /// `faster` or `slower`; null when it may be nothing.
    word: Option<String>,
    /// Change of the rate, per cent.
    percent: f64,
    /// 95 % interval of it, lower end.
    percent_low: f64,
    /// 95 % interval of it, upper end.
    percent_high: f64,
    /// Benches that the fewer of the two releases have.
    benches: u32,
    /// p-value.
    p: f64,
    /// The same adjusted for all that was looked at together.
    adjusted_p: f64,
}

/// What a driver release did to every card that was measured on it and on an earlier one.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReleaseChangesView {
    /// Revision of the data.
    pub revision: i64,
    /// Driver release id.
    pub driver: String,
    /// All that enough benches speak of; those that may be nothing have no word.
    #[schema(value_type = Vec<ChangeShape>)]
    pub changes: Vec<Change>,
    /// Where the runs of a change on the release are, a URI template (RFC 6570) to be filled in with its fields.
    pub runs_template: &'static str,
}

/// What the index of a track did along time.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct TrackTrendShape {
    /// Oldest release that counts.
    first: String,
    /// Newest release that counts.
    last: String,
    /// Releases that count: those that enough benches speak of.
    releases: u32,
    /// Change of the index, per cent a year (Theil-Sen).
    percent_per_year: f64,
    /// 95 % interval of it, lower end.
    percent_low: f64,
    /// 95 % interval of it, upper end.
    percent_high: f64,
    /// Kendall's rank correlation of index and date, -1 to 1.
    tau: f64,
    /// Two-sided p-value of it.
    p: f64,
}

/// Releases in a row at one level.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct SegmentShape {
    /// Oldest release of the stretch.
    first: String,
    /// Newest release of the stretch.
    last: String,
    /// Releases of the stretch that count.
    releases: u32,
    /// Their weighted mean index.
    index: f64,
    /// 95 % interval of it, lower end; null where the stretch is the reference alone.
    index_low: Option<f64>,
    /// 95 % interval of it, upper end.
    index_high: Option<f64>,
    /// Against the stretch before, per cent; null of the first.
    percent: Option<f64>,
}

/// A kind of failure of one workload over releases.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct FailureSpanShape {
    /// `did-not-start`, `crashed` or `rendering-fault`.
    outcome: String,
    /// Workload id.
    workload: String,
    /// Oldest release with it.
    first: String,
    /// Newest release with it.
    last: String,
    /// Releases with it.
    releases: u32,
    /// Builds of the workload that were stated.
    builds: Vec<String>,
    /// Runs.
    runs: u32,
    /// The most contributors of one release.
    contributors: u32,
    /// Whether a newer release ran the workload to its end.
    over: bool,
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
    /// Rate against the reference, times 100.
    index: Option<f64>,
    /// 95 % interval of the index, lower end.
    index_low: Option<f64>,
    /// 95 % interval of the index, upper end.
    index_high: Option<f64>,
    /// Sites (bench, workload scene, settings) with this release and another one that say something of the card.
    matches: u32,
    /// Their workloads.
    workloads: u32,
    /// Their benches.
    benches: u32,
    /// Their contributors.
    contributors: u32,
    /// Sites that were left out, since the platform sets their rate.
    platform_limited: u32,
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
    /// Builds of the workload that were stated.
    builds: Vec<String>,
}
