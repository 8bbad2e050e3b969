//! Comparisons of cards, each figure with an address that leads to what it rests on.

use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::table::compare::{Against, Comparison, Match, Overall, WorkloadRatio};

use crate::query::percent_encode;

/// Cards against a base card. Ratios are the card's figure over the base's.
#[derive(Debug, Serialize, ToSchema)]
pub struct CompareView {
    /// Revision of the data.
    pub revision: i64,
    /// The card that all others are compared with.
    pub base: String,
    /// Definition of the 1% low.
    pub definition: &'static str,
    /// Whether configurations are matched within one platform class only.
    pub by_platform: bool,
    /// Whether platform-limited configurations count.
    pub include_platform_limited: bool,
    /// Configurations of the base that pass the filters.
    pub base_configurations: u32,
    /// The other cards, in the order asked for.
    pub cards: Vec<AgainstView>,
}

/// One card against the base.
#[derive(Debug, Serialize, ToSchema)]
pub struct AgainstView {
    /// Card id.
    card: String,
    /// Over all workloads, mean fps.
    #[schema(value_type = OverallShape)]
    mean_fps: Overall,
    /// Over all workloads, 1% low.
    #[schema(value_type = OverallShape)]
    low_fps: Overall,
    /// Configurations at which both cards were measured and which count.
    configurations_matched: u32,
    /// That over the configurations of the base, 0 to 1; null when the base has none.
    coverage: Option<f64>,
    /// Configurations at which both were measured and the platform held one of them back.
    platform_limited: u32,
    /// Contributors behind the matched configurations, of either card.
    contributors: u32,
    /// Runs behind them, of both cards.
    runs: u32,
    /// By workload.
    workloads: Vec<WorkloadView>,
    /// The matched configurations.
    configurations: Vec<MatchView>,
}

/// One workload.
#[derive(Debug, Serialize, ToSchema)]
pub struct WorkloadView {
    #[serde(flatten)]
    #[schema(value_type = WorkloadRatioShape)]
    row: WorkloadRatio,
    /// The base card's runs of the workload.
    base_runs_href: String,
    /// The other card's.
    runs_href: String,
}

/// One matched configuration.
#[derive(Debug, Serialize, ToSchema)]
pub struct MatchView {
    #[serde(flatten)]
    #[schema(value_type = MatchShape)]
    row: Match,
    /// Both cards' medians there.
    medians_href: String,
}

impl CompareView {
    /// The view of a comparison at a revision.
    pub fn of(revision: i64, comparison: Comparison) -> CompareView {
        let Comparison {
            base,
            definition,
            by_platform,
            include_platform_limited,
            base_configurations,
            cards,
        } = comparison;
        let cards = cards.into_iter().map(|against| AgainstView::of(&base, against)).collect();
        let definition = definition.as_str();
        CompareView {
            revision,
            base,
            definition,
            by_platform,
            include_platform_limited,
            base_configurations,
            cards,
        }
    }
}

impl AgainstView {
    fn of(base: &str, against: Against) -> AgainstView {
        let card = against.card;
        let workload = |row: WorkloadRatio| WorkloadView {
            base_runs_href: runs(base, &row.workload),
            runs_href: runs(&card, &row.workload),
            row,
        };
        let workloads = against.workloads.into_iter().map(workload).collect();
        let matched = |row: Match| MatchView { medians_href: medians(base, &card, &row), row };
        let configurations = against.configurations.into_iter().map(matched).collect();
        AgainstView {
            mean_fps: against.mean_fps,
            low_fps: against.low_fps,
            configurations_matched: against.configurations_matched,
            coverage: against.coverage,
            platform_limited: against.platform_limited,
            contributors: against.contributors,
            runs: against.runs,
            workloads,
            configurations,
            card,
        }
    }
}

pub(crate) fn address(path: &str, query: &[(&str, &str)]) -> String {
    let mut text = path.to_owned();
    for (at, (name, value)) in query.iter().enumerate() {
        text.push(if at == 0 { '?' } else { '&' });
        text.push_str(name);
        text.push('=');
        percent_encode(value, &mut text);
    }
    text
}

fn runs(card: &str, workload: &str) -> String {
    let query = [("card", card), ("workload", workload), ("verdict", "accepted"), ("outcome", "completed")];
    address("/v1/runs", &query)
}

fn medians(base: &str, card: &str, row: &Match) -> String {
    let (width, height) = (row.width.to_string(), row.height.to_string());
    let mut query = vec![
        ("card", base),
        ("card", card),
        ("workload", &row.workload),
        ("scene", &row.scene),
        ("api", &row.api),
        ("preset", &row.preset),
        ("width", &width),
        ("height", &height),
    ];
    if let Some(platform) = &row.platform {
        query.extend([("platform", platform.as_str()), ("group", "platform")]);
    }
    address("/v1/medians", &query)
}

/// One figure for a pair of cards.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct OverallShape {
    /// Geometric mean over workloads of the workloads' geometric means; null when refused.
    ratio: Option<f64>,
    /// 95 % interval, lower end; null with too few workloads or contributors.
    from: Option<f64>,
    /// Upper end.
    to: Option<f64>,
    /// Matched configurations with the figure.
    configurations: u32,
    /// Matched workloads with the figure.
    workloads: u32,
    /// Why there is no figure.
    refused: Option<String>,
}

/// The configurations of one workload.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct WorkloadRatioShape {
    /// Workload id.
    workload: String,
    /// Matched configurations.
    configurations: u32,
    /// Contributors behind them, of either card.
    contributors: u32,
    /// Runs behind them, of both cards.
    runs: u32,
    /// Geometric mean of their ratios of mean fps.
    mean_fps_ratio: f64,
    /// 95 % interval, lower end; null when a configuration has none.
    mean_fps_from: Option<f64>,
    /// Upper end.
    mean_fps_to: Option<f64>,
    /// The same of the 1% low; null when no configuration has it.
    low_fps_ratio: Option<f64>,
    /// Lower end.
    low_fps_from: Option<f64>,
    /// Upper end.
    low_fps_to: Option<f64>,
}

/// A configuration at which both cards were measured.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct MatchShape {
    /// Workload id.
    workload: String,
    /// Scene id.
    scene: String,
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
    /// Platform class; null where classes are pooled.
    platform: Option<String>,
    /// Whether the platform held one of the cards back.
    platform_limited: bool,
    /// Contributors who measured both cards on one bench.
    shared_contributors: u32,
    /// The base card.
    base: SideShape,
    /// The card compared with it.
    other: SideShape,
    /// Ratio of mean fps.
    mean_fps: RatioShape,
    /// Ratio of 1% lows; null when a card has none.
    low_fps: Option<RatioShape>,
}

/// One card at a configuration: median of contributor medians.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct SideShape {
    /// Completed runs of default evidence.
    runs: u32,
    /// Contributors.
    contributors: u32,
    /// Mean fps.
    mean_fps: f64,
    /// 95 % interval, lower end, from two contributors on.
    mean_fps_from: Option<f64>,
    /// Upper end.
    mean_fps_to: Option<f64>,
    /// 1% low, fps.
    low_fps: Option<f64>,
    /// 95 % interval, lower end.
    low_fps_from: Option<f64>,
    /// Upper end.
    low_fps_to: Option<f64>,
}

/// The ratio of two cards at one configuration.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct RatioShape {
    /// The card over the base.
    ratio: f64,
    /// 95 % interval, lower end; null where too few contributors stand behind it.
    from: Option<f64>,
    /// Upper end.
    to: Option<f64>,
    /// `shared`: contributors who measured both cards on one bench; `pooled`: the medians of all.
    by: String,
}
