//! Comparison of cards on matched configurations.

mod evidence;
mod listed;
mod overall;
mod ratios;

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;

use serde::{Deserialize, Serialize};

use self::evidence::{Configuration, Figure};
use self::ratios::{Maker, Pair, Sources};
use super::filters::Filters;
use super::frame::RunFrame;
use crate::error::CoreError;
use crate::policy::Policy;
use crate::run::LowDefinition;

pub use listed::compare_table;

/// Which cards to compare, and on what.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CompareQuery {
    /// Card ids, each once. All others are compared with the first, the base.
    pub cards: Vec<String>,
    /// Which runs count; its own cards and chips are passed over.
    pub filters: Filters,
    /// Width, pixels.
    pub width: Option<u32>,
    /// Height, pixels.
    pub height: Option<u32>,
    /// Only driver releases from that day on, in days from 1970-01-01; releases without a date are left out then.
    pub driver_from: Option<i32>,
    /// Only driver releases up to that day, likewise.
    pub driver_to: Option<i32>,
    /// Definition of the 1% low.
    pub definition: LowDefinition,
    /// Whether a configuration is matched within one platform class only.
    pub by_platform: bool,
    /// Whether configurations count at which the platform was measured, not the card.
    pub include_platform_limited: bool,
}

impl CompareQuery {
    /// The cards with nothing filtered: the same platform class only, platform-limited configurations left out.
    pub fn of(cards: Vec<String>) -> CompareQuery {
        CompareQuery {
            cards,
            filters: Filters::default(),
            width: None,
            height: None,
            driver_from: None,
            driver_to: None,
            definition: LowDefinition::default(),
            by_platform: true,
            include_platform_limited: false,
        }
    }
}

/// Cards against a base card. Ratios are the card's figure over the base's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// The card that all others are compared with.
    pub base: String,
    /// Definition of the 1% low.
    pub definition: LowDefinition,
    /// Whether configurations are matched within one platform class only.
    pub by_platform: bool,
    /// Whether platform-limited configurations count.
    pub include_platform_limited: bool,
    /// Configurations of the base that pass the filters.
    pub base_configurations: u32,
    /// The other cards, in the order of the query.
    pub cards: Vec<Against>,
}

/// One card against the base.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Against {
    /// Card id.
    pub card: String,
    /// Over all workloads, mean fps.
    pub mean_fps: Overall,
    /// Over all workloads, 1% low.
    pub low_fps: Overall,
    /// Configurations at which both cards were measured and which count.
    pub configurations_matched: u32,
    /// That over the configurations of the base, 0 to 1; none when the base has none.
    pub coverage: Option<f64>,
    /// Configurations at which both were measured and the platform held one of them back.
    pub platform_limited: u32,
    /// Contributors behind the matched configurations, of either card.
    pub contributors: u32,
    /// Runs behind them, of both cards.
    pub runs: u32,
    /// By workload.
    pub workloads: Vec<WorkloadRatio>,
    /// The matched configurations.
    pub configurations: Vec<Match>,
}

/// One figure for a pair of cards.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Overall {
    /// Geometric mean over workloads of the workloads' geometric means; none when refused.
    pub ratio: Option<f64>,
    /// 95 % interval; none with too few workloads or contributors.
    pub from: Option<f64>,
    /// See `from`.
    pub to: Option<f64>,
    /// Matched configurations with the figure.
    pub configurations: u32,
    /// Matched workloads with the figure.
    pub workloads: u32,
    /// Why there is no figure.
    pub refused: Option<String>,
}

/// The configurations of one workload.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WorkloadRatio {
    /// Workload id.
    pub workload: String,
    /// Matched configurations.
    pub configurations: u32,
    /// Contributors behind them, of either card.
    pub contributors: u32,
    /// Runs behind them, of both cards.
    pub runs: u32,
    /// Geometric mean of their ratios of mean fps.
    pub mean_fps_ratio: f64,
    /// 95 % interval; none when a configuration has none.
    pub mean_fps_from: Option<f64>,
    /// See `mean_fps_from`.
    pub mean_fps_to: Option<f64>,
    /// The same of the 1% low; none when no configuration has it.
    pub low_fps_ratio: Option<f64>,
    /// See `mean_fps_from`.
    pub low_fps_from: Option<f64>,
    /// See `mean_fps_from`.
    pub low_fps_to: Option<f64>,
}

/// A configuration at which both cards were measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Match {
    /// Workload id.
    pub workload: String,
    /// Scene id.
    pub scene: String,
    /// Graphics API.
    pub api: String,
    /// Preset.
    pub preset: String,
    /// Width, pixels.
    pub width: u32,
    /// Height, pixels.
    pub height: u32,
    /// Render scale per axis.
    pub render_scale: f64,
    /// Other settings that split configurations.
    pub variant: String,
    /// Platform class; none where classes are pooled.
    pub platform: Option<String>,
    /// Whether the platform held one of the cards back.
    pub platform_limited: bool,
    /// Contributors who measured both cards on one bench.
    pub shared_contributors: u32,
    /// The base card.
    pub base: Side,
    /// The card compared with it.
    pub other: Side,
    /// Ratio of mean fps.
    pub mean_fps: Ratio,
    /// Ratio of 1% lows; none when a card has none.
    pub low_fps: Option<Ratio>,
}

/// One card at a configuration: median of contributor medians, with 95 % intervals from two contributors on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Side {
    /// Completed runs of default evidence.
    pub runs: u32,
    /// Contributors.
    pub contributors: u32,
    /// Mean fps.
    pub mean_fps: f64,
    /// See above.
    pub mean_fps_from: Option<f64>,
    /// See above.
    pub mean_fps_to: Option<f64>,
    /// 1% low, fps; none when no run has one.
    pub low_fps: Option<f64>,
    /// See above.
    pub low_fps_from: Option<f64>,
    /// See above.
    pub low_fps_to: Option<f64>,
}

/// The ratio of two cards at one configuration.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Ratio {
    /// The card over the base.
    pub ratio: f64,
    /// 95 % interval; none where too few contributors stand behind it.
    pub from: Option<f64>,
    /// See `from`.
    pub to: Option<f64>,
    /// Which evidence gives it.
    pub by: By,
}

/// Which evidence gives a ratio.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// Contributors who measured both cards on one bench; what the bench does cancels.
    Shared,
    /// The medians of all contributors of either card.
    Pooled,
}

impl By {
    /// The word used in tables.
    pub fn as_str(self) -> &'static str {
        match self {
            By::Shared => "shared",
            By::Pooled => "pooled",
        }
    }
}

/// Compares cards with the first of them on matched configurations.
///
/// A match is one configuration, the card aside (workload, scene, API, preset, width, height, render scale, variant
/// and, unless the query pools them, platform class), with completed runs of default evidence on both cards. Where two
/// or more contributors measured both cards on one bench, the ratio is the geometric mean of theirs with a moderated t
/// interval (Smyth 2004), since what a bench does to both cards cancels; a single one gives the ratio, without an
/// interval, where the medians have none either. Otherwise it is the ratio of the two medians of contributor medians,
/// with the half widths of their intervals in quadrature.
///
/// A workload's ratio is the geometric mean over its configurations (Fleming and Wallace 1986, Comm. ACM 29(3),
/// 218-221: the only mean of ratios that does not depend on the base), in an interval whose half width in logarithms is
/// the mean of the configurations': the same contributors often measured several, and this holds even if their errors
/// are the same in all. The overall ratio is exp(m), m the mean of the workloads' ln ratios, so that each workload
/// weighs the same; its interval is a t on m. Its variance is s^2 / W, s the standard deviation of the ln ratios of the W
/// workloads, and what contributors who have not both cards do alike in all of them, which s does not see: their variance
/// times the sum of the squares of their weights in m, less what of it is in s^2 / W already (`overall.rs`). No prior
/// moderates s: what two cards differ by from workload to workload depends on the cards. What contributors differ by is
/// known from all of them. The degrees of freedom are those of such a sum (Satterthwaite 1946).
///
/// # Errors
/// `Query` when there are too few or too many cards, or one is named twice; otherwise when the table engine fails.
pub fn compare(frame: &RunFrame, query: &CompareQuery, policy: &Policy) -> Result<Comparison, CoreError> {
    let [fewest, most] = policy.table.compare_cards;
    if !(fewest as usize..=most as usize).contains(&query.cards.len()) {
        return Err(CoreError::Query(format!(
            "a comparison takes {fewest} to {most} different cards, and {} came; the first is the base",
            query.cards.len()
        )));
    }
    if let Some((_, twice)) = query.cards.iter().enumerate().find(|(at, c)| query.cards[..*at].contains(c)) {
        return Err(CoreError::Query(format!("card `{twice}` is named twice; name each card once")));
    }
    let found = evidence::configurations(frame, query, policy)?;
    let priors = frame.priors(&policy.table);
    let mut maker = Maker {
        mean: Sources::new(policy, priors.mean_fps, policy.table.matched_prior),
        low: Sources::new(policy, priors.low(query.definition), policy.table.matched_prior_low),
    };
    let base_configurations = found.iter().filter(|c| c.sites[0].is_some()).count() as u32;
    let cards = (1..query.cards.len())
        .map(|place| against(&found, place, base_configurations, query, &mut maker, policy))
        .collect();
    Ok(Comparison {
        base: query.cards[0].clone(),
        definition: query.definition,
        by_platform: query.by_platform,
        include_platform_limited: query.include_platform_limited,
        base_configurations,
        cards,
    })
}

fn against(
    found: &[Configuration],
    place: usize,
    base_configurations: u32,
    query: &CompareQuery,
    maker: &mut Maker<'_>,
    policy: &Policy,
) -> Against {
    let mut pairs: Vec<Pair<'_>> = found.iter().filter_map(|c| maker.pair(c, place)).collect();
    let platform_limited = pairs.iter().filter(|pair| pair.row.platform_limited).count() as u32;
    pairs.retain(|pair| query.include_platform_limited || !pair.row.platform_limited);
    let (contributors, runs) = overall::counts(&pairs);
    let matched = pairs.len() as u32;
    Against {
        card: query.cards[place].clone(),
        mean_fps: overall::overall(&pairs, Figure::MeanFps, &maker.mean.between, policy),
        low_fps: overall::overall(&pairs, Figure::LowFps, &maker.low.between, policy),
        configurations_matched: matched,
        coverage: (base_configurations > 0).then(|| f64::from(matched) / f64::from(base_configurations)),
        platform_limited,
        contributors,
        runs,
        workloads: overall::workloads(&pairs),
        configurations: pairs.into_iter().map(|pair| pair.row).collect(),
    }
}
