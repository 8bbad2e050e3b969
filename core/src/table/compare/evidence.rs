//! What the cards of a comparison were measured at: configuration by configuration, contributor by contributor,
//! bench by bench.

use std::collections::BTreeMap;

use polars::prelude::*;

use super::CompareQuery;
use crate::error::CoreError;
use crate::ladder::LimitedBy;
use crate::policy::Policy;
use crate::policy::table::TablePolicy;
use crate::statistics::quantile::median;
use crate::table::columns::*;
use crate::table::filters::{Filters, passing};
use crate::table::frame::RunFrame;
use crate::table::keys::{Words, codes};
use crate::table::limits;
use crate::table::medians::MediansQuery;
use crate::table::pool::low_column;

/// A configuration without the card: workload, scene, API, preset, width, height, render scale, variant and, where
/// they are kept apart, platform class. Words are ranks, so that keys sort as the words do.
pub(super) type Key = [u64; 9];

/// One configuration.
pub(super) struct Configuration {
    pub(super) workload: String,
    pub(super) scene: String,
    pub(super) api: String,
    pub(super) preset: String,
    pub(super) width: u32,
    pub(super) height: u32,
    pub(super) render_scale: f64,
    pub(super) variant: String,
    pub(super) platform: Option<String>,
    /// By card, in the order of the query; none for a card without a run.
    pub(super) sites: Vec<Option<Site>>,
}

/// Mean fps and 1% low of each run, by bench.
type OfBenches = BTreeMap<u32, Vec<[Option<f64>; 2]>>;

/// What was measured of one card at one configuration.
#[derive(Default)]
pub(super) struct Site {
    pub(super) runs: u32,
    /// Whether resolution ladders say that the platform was measured, not the card.
    pub(super) platform_limited: bool,
    /// Whether the card sets the rate, by the model.
    pub(super) card_limited: bool,
    /// Sum and number of the shares that the model gives the card.
    share: (f64, u32),
    /// By contributor, then bench: mean fps and 1% low of each run. The numbers are ranks of the names.
    figures: BTreeMap<u32, OfBenches>,
}

/// Which of a run's figures.
#[derive(Clone, Copy)]
pub(super) enum Figure {
    MeanFps,
    LowFps,
}

impl Site {
    pub(super) fn contributors(&self) -> impl Iterator<Item = u32> + '_ {
        self.figures.keys().copied()
    }

    fn of_contributors(&self, figure: Figure) -> impl Iterator<Item = (u32, f64)> + '_ {
        let own = move |(contributor, benches): (&u32, &OfBenches)| {
            Some((*contributor, middle(benches.values().flatten(), figure)?))
        };
        self.figures.iter().filter_map(own)
    }

    /// Contributors who have the figure.
    pub(super) fn contributors_with(&self, figure: Figure) -> impl Iterator<Item = u32> + '_ {
        self.of_contributors(figure).map(|(contributor, _)| contributor)
    }

    /// The median of each contributor who has the figure, lowest first.
    pub(super) fn medians(&self, figure: Figure) -> Vec<f64> {
        let mut medians: Vec<f64> = self.of_contributors(figure).map(|(_, median)| median).collect();
        medians.sort_unstable_by(f64::total_cmp);
        medians
    }

    /// Natural logarithm of this card's rate to the other's for each contributor who measured both on one bench: the
    /// mean over such benches, so that what a bench does to both cancels.
    pub(super) fn shared(&self, base: &Site, figure: Figure) -> Vec<f64> {
        let mut ratios = Vec::new();
        for (contributor, benches) in &self.figures {
            let Some(others) = base.figures.get(contributor) else { continue };
            let own: Vec<f64> = benches
                .iter()
                .filter_map(|(bench, runs)| {
                    let (over, under) =
                        (middle(runs.iter(), figure)?, middle(others.get(bench)?.iter(), figure)?);
                    Some((over / under).ln())
                })
                .collect();
            if !own.is_empty() {
                ratios.push(crate::statistics::sum::mean(&own));
            }
        }
        ratios
    }
}

fn middle<'a>(runs: impl Iterator<Item = &'a [Option<f64>; 2]>, figure: Figure) -> Option<f64> {
    median(&mut runs.filter_map(|run| run[figure as usize]).collect::<Vec<_>>())
}

/// The configurations at which any of the cards was measured, in the order of their keys.
pub(super) fn configurations(
    frame: &RunFrame,
    query: &CompareQuery,
    policy: &Policy,
) -> Result<Vec<Configuration>, CoreError> {
    let failed = |source| CoreError::Table { doing: "matching the configurations of cards", source };
    let filters = Filters { card: query.cards.clone(), chip: Vec::new(), ..query.filters.clone() };
    let day =
        |bound: Option<i32>, keeps: fn(Expr, Expr) -> Expr| bound.map(|day| keeps(col(DRIVER_DAY), lit(day)));
    let era = [day(query.driver_from, Expr::gt_eq), day(query.driver_to, Expr::lt_eq)];
    let wanted = era.into_iter().flatten().fold(filters.wanted(frame, policy), Expr::and);
    let runs = passing(&frame.data()?, wanted).map_err(failed)?;
    // A ladder needs the resolutions that the query leaves out.
    let split = MediansQuery { by_platform: query.by_platform, ..MediansQuery::default() };
    let limits = limits::limits(frame, &runs, &split, policy)?;
    gathered(&runs, query, &limits, &policy.table).map_err(failed)
}

fn gathered(
    runs: &DataFrame,
    query: &CompareQuery,
    limits: &limits::Limits,
    policy: &TablePolicy,
) -> PolarsResult<Vec<Configuration>> {
    let words = |name: &str| Words::all(runs, name);
    let (workload, scene, api) = (words(WORKLOAD)?, words(SCENE)?, words(API)?);
    let (preset, variant, platform) = (words(PRESET)?, words(VARIANT)?, words(PLATFORM)?);
    let ranks = [&workload, &scene, &api, &preset, &variant, &platform].map(Words::ranks);
    let (width, height) = (codes(runs, WIDTH)?, codes(runs, HEIGHT)?);
    let scale = runs.column(RENDER_SCALE)?.f64()?;
    let (card, cell) = (words(CARD)?, codes(runs, CELL)?);
    let (contributor, bench) = (words(CONTRIBUTOR)?.ranks(), words(BENCH)?.ranks());
    let mean = runs.column(MEAN_FPS)?.f64()?;
    let share = runs.column(CARD_SHARE)?.f64()?;
    let low = runs.column(low_column(query.definition))?.f64()?;
    let mut found: BTreeMap<Key, Configuration> = BTreeMap::new();
    for row in 0..runs.height() {
        let sized =
            query.width.is_none_or(|w| w == width[row]) && query.height.is_none_or(|h| h == height[row]);
        let place = query.cards.iter().position(|id| Some(id.as_str()) == card.at(row));
        let (Some(place), true) = (place, sized) else { continue };
        let render_scale = scale.get(row).unwrap_or(1.0);
        let [workload_rank, scene_rank, api_rank, preset_rank, variant_rank, platform_rank] =
            ranks.each_ref().map(|ranks| u64::from(ranks[row]));
        let key = [
            workload_rank,
            scene_rank,
            api_rank,
            preset_rank,
            width[row].into(),
            height[row].into(),
            // Positive floats sort like their bits.
            render_scale.to_bits(),
            variant_rank,
            if query.by_platform { platform_rank } else { 0 },
        ];
        let text = |words: &Words| words.at(row).unwrap_or_default().to_owned();
        let configuration = found.entry(key).or_insert_with(|| Configuration {
            workload: text(&workload),
            scene: text(&scene),
            api: text(&api),
            preset: text(&preset),
            width: width[row],
            height: height[row],
            render_scale,
            variant: text(&variant),
            platform: query.by_platform.then(|| text(&platform)),
            sites: query.cards.iter().map(|_| None).collect(),
        });
        let site = configuration.sites[place].get_or_insert_with(Site::default);
        let group = [cell[row], 0, 0, if query.by_platform { platform.codes[row] } else { 0 }];
        site.runs += 1;
        if let Some(share) = share.get(row) {
            site.share = (site.share.0 + share, site.share.1 + 1);
        }
        site.platform_limited |= limits.of(&group) == LimitedBy::Platform;
        let benches = site.figures.entry(contributor[row]).or_default();
        benches.entry(bench[row]).or_default().push([mean.get(row), low.get(row)]);
    }
    for site in found.values_mut().flat_map(|c| c.sites.iter_mut().flatten()) {
        let (sum, runs) = site.share;
        site.card_limited = policy.is_card_limited((runs > 0).then(|| sum / f64::from(runs)));
    }
    Ok(found.into_values().collect())
}
