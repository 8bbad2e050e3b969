//! What to measure next.

use std::ops::Range;

use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::table::wanted::{Candidate, Plan, Wanted};

/// Runs worth measuring on a card.
#[derive(Debug, Serialize, ToSchema)]
pub struct WantedView {
    /// Revision of the data.
    pub revision: i64,
    /// Card id.
    pub card: String,
    /// Bench id; null for a bench that has measured nothing yet.
    pub bench: Option<String>,
    /// Operating system; null when not known, so that a release may be one that the bench cannot run.
    pub system: Option<String>,
    /// What a gain is.
    pub unit: &'static str,
    /// All candidates.
    pub total: usize,
    /// Those of this page, most gain an hour first.
    #[schema(value_type = Vec<CandidateShape>)]
    pub rows: Vec<Candidate>,
    /// Cursor of the next page; null on the last.
    pub next: Option<String>,
    /// The plan; null where no hours were given.
    #[schema(value_type = Option<PlanShape>)]
    pub plan: Option<Plan>,
    /// What to mind when cards and drivers are changed.
    pub cautions: Vec<String>,
}

/// The unit, in words.
const UNIT: &str = "points: 100 times the natural logarithm of the half width of a published 95 % interval before over after, summed over all figures that a run affects; one point is about one per cent off one interval; questions settled count a fixed number of points";

impl WantedView {
    /// A page of the answer at a revision.
    pub fn new(revision: i64, wanted: Wanted, page: Range<usize>, next: Option<String>) -> WantedView {
        let Wanted { card, bench, system, mut candidates, plan, cautions } = wanted;
        let total = candidates.len();
        candidates.truncate(page.end);
        let rows = candidates.split_off(page.start.min(candidates.len()));
        WantedView { revision, card, bench, system, unit: UNIT, total, rows, next, plan, cautions }
    }
}

/// A run, or two that only tell something together.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct CandidateShape {
    /// The runs.
    runs: Vec<WantedRunShape>,
    /// Gain.
    points: f64,
    /// Minutes, installing the driver included unless it is.
    minutes: f64,
    /// Gain an hour.
    points_per_hour: f64,
    /// What it would do, the most first.
    effects: Vec<EffectShape>,
}

/// A run to measure.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct WantedRunShape {
    /// Workload id.
    workload: String,
    /// Scene id.
    scene: String,
    /// Newest build of the workload; null where builds are not tracked.
    build: Option<String>,
    /// Graphics API.
    api: String,
    /// Preset.
    preset: String,
    /// Width, pixels.
    width: u32,
    /// Height, pixels.
    height: u32,
    /// Driver release id.
    driver: String,
    /// Mean rate to expect, fps; null where nobody knows.
    mean_fps: Option<f64>,
    /// Passes.
    passes: u32,
    /// Length of each, seconds.
    pass_s: u32,
    /// What lowers its worth.
    caveat: Option<String>,
}

/// What runs would do to one published figure or open question.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct EffectShape {
    /// `median`, `first figure`, `track`, `held run`, `ladder` or `failure`.
    kind: String,
    /// Why it is wanted.
    why: String,
    /// Gain.
    points: f64,
    /// Half width of the 95 % interval before, per cent; null for questions.
    before_percent: Option<f64>,
    /// The same expected afterwards.
    after_percent: Option<f64>,
}

/// A plan for an afternoon.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct PlanShape {
    /// Hours that were asked for.
    hours: f64,
    /// Minutes it takes.
    minutes: f64,
    /// Of these before the first run.
    sitting_minutes: f64,
    /// Gain of all of it.
    points: f64,
    /// Each driver once, oldest first, the installed one before all.
    stages: Vec<StageShape>,
    /// Gains by kind, the greatest first.
    totals: Vec<TotalShape>,
    /// What becomes of the published figures, the greatest gains of each kind.
    effects: Vec<EffectShape>,
}

/// What a plan gains of one kind.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct TotalShape {
    /// As in the effects.
    kind: String,
    /// Figures or questions.
    figures: u32,
    /// Gain.
    points: f64,
}

/// The runs of a plan on one driver.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct StageShape {
    /// Driver release id.
    driver: String,
    /// Minutes for installing it; 0 when it is installed.
    install_minutes: f64,
    /// Runs, workload by workload.
    runs: Vec<PlannedRunShape>,
}

/// A run of a plan.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct PlannedRunShape {
    /// The run.
    #[schema(inline)]
    #[serde(flatten)]
    run: WantedRunShape,
    /// Minutes.
    minutes: f64,
    /// What it adds to the runs that were chosen before it; two that were chosen together share theirs.
    points: f64,
    /// What it does most for.
    why: String,
}
