//! The rows of the table of medians: order, intervals, targets and notes.

use std::cmp::Reverse;

use polars::prelude::*;

use super::columns::*;
use super::interval::Intervals;
use super::keys::{self, Words, codes};
use super::limits::Limits;
use super::medians::{MediansQuery, MediansSort};
use super::notes;
use super::output::Table;
use super::pool::{self, Pooled};
use super::spread::{self, Priors, Strata};
use crate::catalogue::WorkloadKind;
use crate::error::CoreError;
use crate::policy::Policy;
use crate::run::{LowDefinition, SceneKind};
use crate::target;

/// The table of the pooled groups.
pub(super) fn rows(
    pooled: &Pooled,
    limits: &Limits,
    query: &MediansQuery,
    priors: &Priors,
    policy: &Policy,
) -> Result<Table, CoreError> {
    let failed = |source| CoreError::Table { doing: "ordering the medians", source };
    let keys = GroupKeys::of(pooled).map_err(failed)?;
    let figures = Figures::of(&pooled.groups, priors, query.definition, policy).map_err(failed)?;
    let order = order(&keys, &figures, query, policy).map_err(failed)?;
    let mut columns = keys.columns(&order, query);
    columns.extend(figures.columns(&order, query));
    columns.extend(judgements(pooled, limits, &keys, &figures, &order, query, policy).map_err(failed)?);
    Table::of(columns)
}

/// What a group is about.
pub(super) struct GroupKeys {
    pub(super) card: Words,
    pub(super) workload: Words,
    pub(super) scene: Words,
    pub(super) api: Words,
    pub(super) preset: Words,
    pub(super) variant: Words,
    driver: Words,
    build: Words,
    platform: Words,
    chip: Words,
    pub(super) workload_kind: Words,
    branch: Words,
    scene_kind: Vec<u32>,
    pub(super) width: Vec<u32>,
    pub(super) height: Vec<u32>,
    pub(super) render_scale: Vec<f64>,
    /// By driver code.
    driver_day: Vec<Option<i32>>,
}

impl GroupKeys {
    pub(super) fn of(pooled: &Pooled) -> PolarsResult<GroupKeys> {
        let runs = &pooled.runs;
        let rows = codes(&pooled.groups, pool::ROW)?;
        let words = |name| Words::of(runs, name, &rows);
        // An attribute is looked up in all rows, not in the one that stands for the group.
        let attribute = |key: &Words, key_name: &str, name: &str| -> PolarsResult<Words> {
            let values = Words::all(runs, name)?;
            let chosen = keys::attribute(&Words::all(runs, key_name)?, &values);
            Ok(values.recoded(key.codes.iter().map(|code| keys::chosen(&chosen, *code)).collect()))
        };
        let numbers = |name: &str| -> PolarsResult<Vec<u32>> {
            let all = codes(runs, name)?;
            Ok(rows.iter().map(|row| all[*row as usize]).collect())
        };
        let (card, workload, driver) = (words(CARD)?, words(WORKLOAD)?, words(DRIVER)?);
        let scales = runs.column(RENDER_SCALE)?.f64()?;
        Ok(GroupKeys {
            chip: attribute(&card, CARD, CHIP)?,
            workload_kind: attribute(&workload, WORKLOAD, WORKLOAD_KIND)?,
            branch: attribute(&driver, DRIVER, BRANCH)?,
            driver_day: keys::latest_day(&Words::all(runs, DRIVER)?, runs.column(DRIVER_DAY)?.i32()?),
            card,
            workload,
            scene: words(SCENE)?,
            api: words(API)?,
            preset: words(PRESET)?,
            variant: words(VARIANT)?,
            driver,
            build: words(BUILD)?,
            platform: words(PLATFORM)?,
            scene_kind: codes(&pooled.groups, SCENE_KIND)?,
            width: numbers(WIDTH)?,
            height: numbers(HEIGHT)?,
            render_scale: rows.iter().map(|row| scales.get(*row as usize).unwrap_or(1.0)).collect(),
        })
    }

    /// Ranks of the keys in column order, those that split groups.
    fn ranks(&self, query: &MediansQuery) -> Vec<Vec<u32>> {
        // Positive floats sort like their bits; the upper half of the bits tells any two scales apart
        // that people set.
        let scale = self.render_scale.iter().map(|s| (s.to_bits() >> 32) as u32).collect();
        let mut ranks = vec![
            self.card.ranks(),
            self.workload.ranks(),
            self.scene.ranks(),
            self.api.ranks(),
            self.preset.ranks(),
            self.width.clone(),
            self.height.clone(),
            scale,
            self.variant.ranks(),
        ];
        if query.by_driver {
            ranks.push(self.driver.ranks_by(|code| self.day(code).map_or(i64::MAX, i64::from)));
        }
        if query.by_build {
            ranks.push(self.build.ranks());
        }
        if query.by_platform {
            ranks.push(self.platform.ranks());
        }
        ranks
    }

    fn day(&self, driver: u32) -> Option<i32> {
        self.driver_day.get(driver as usize).copied().flatten()
    }

    pub(super) fn scene_kind(&self, place: usize) -> Option<SceneKind> {
        SCENE_KINDS.get(self.scene_kind[place] as usize).copied()
    }

    fn columns(&self, order: &[usize], query: &MediansQuery) -> Vec<Column> {
        let scene_kinds: StringChunked =
            order.iter().map(|place| self.scene_kind(*place).map(SceneKind::as_str)).collect();
        let counts = |name: &str, values: &[u32]| {
            Column::new(name.into(), order.iter().map(|place| values[*place]).collect::<Vec<u32>>())
        };
        let mut columns = vec![
            self.card.column(CARD, order),
            self.chip.column(CHIP, order),
            self.workload.column(WORKLOAD, order),
            self.workload_kind.column(WORKLOAD_KIND, order),
            self.scene.column(SCENE, order),
            scene_kinds.with_name(SCENE_KIND.into()).into_series().into_column(),
            self.api.column(API, order),
            self.preset.column(PRESET, order),
            counts(WIDTH, &self.width),
            counts(HEIGHT, &self.height),
            Column::new(
                RENDER_SCALE.into(),
                order.iter().map(|place| self.render_scale[*place]).collect::<Vec<f64>>(),
            ),
            self.variant.column(VARIANT, order),
        ];
        if query.by_driver {
            let dates: StringChunked =
                order.iter().map(|place| self.day(self.driver.codes[*place]).and_then(keys::date)).collect();
            columns.push(self.driver.column(DRIVER, order));
            columns.push(self.branch.column(BRANCH, order));
            columns.push(dates.with_name("driver_date".into()).into_series().into_column());
        }
        if query.by_build {
            columns.push(self.build.column(BUILD, order));
        }
        if query.by_platform {
            columns.push(self.platform.column(PLATFORM, order));
        }
        columns
    }
}

/// A median with its interval.
#[derive(Clone, Copy, Default)]
pub(super) struct Estimate {
    pub(super) value: Option<f64>,
    pub(super) interval: Option<(f64, f64)>,
    pub(super) contributors: u32,
}

/// The contributors' figures of each group, lowest first: sums must not depend on the order in which the engine met
/// the contributors.
pub(super) fn lists(groups: &DataFrame, name: &str) -> PolarsResult<Vec<Vec<f64>>> {
    let mut lists = Vec::with_capacity(groups.height());
    for list in groups.column(name)?.list()?.amortized_iter() {
        let mut own: Vec<f64> = match list {
            Some(list) => list.as_ref().f64()?.iter().flatten().collect(),
            None => Vec::new(),
        };
        own.sort_unstable_by(f64::total_cmp);
        lists.push(own);
    }
    Ok(lists)
}

/// The figures of the groups.
pub(super) struct Figures {
    pub(super) mean: Vec<Estimate>,
    pub(super) low: Vec<Estimate>,
    adjusted: Vec<Option<f64>>,
    reproducibility: Vec<Option<f64>>,
    repeatability: Vec<Option<f64>>,
    runs: Vec<u32>,
    benches: Vec<u32>,
    pub(super) everybody: Vec<u32>,
    pub(super) unanchored: Vec<u32>,
    grade: Vec<u32>,
    /// How much of the mean rate is the card's.
    pub(super) shares: Vec<Option<f64>>,
}

impl Figures {
    pub(super) fn of(
        groups: &DataFrame,
        priors: &Priors,
        definition: LowDefinition,
        policy: &Policy,
    ) -> PolarsResult<Figures> {
        let shares = spread::shares(groups)?;
        let estimates =
            |value: &str, list: &str, prior: Strata| -> PolarsResult<Vec<(Estimate, Option<f64>)>> {
                let mut of_card = Intervals::new(&policy.table, prior.card);
                let mut of_other = Intervals::new(&policy.table, prior.other);
                let values = groups.column(value)?.f64()?;
                let estimate = |((value, own), share): ((Option<f64>, Vec<f64>), &Option<f64>)| {
                    let card = policy.table.is_card_limited(*share);
                    let interval = if card { of_card.of(&own) } else { of_other.of(&own) };
                    let contributors = own.len() as u32;
                    (Estimate { value, interval, contributors }, Intervals::between(&own))
                };
                Ok(values.iter().zip(lists(groups, list)?).zip(&shares).map(estimate).collect())
            };
        let mean = estimates(MEAN_FPS, pool::MEANS, priors.mean_fps)?;
        let low = estimates(pool::LOW_FPS, pool::LOWS, priors.low(definition))?;
        Ok(Figures {
            reproducibility: mean.iter().map(|(_, between)| *between).collect(),
            mean: mean.into_iter().map(|(estimate, _)| estimate).collect(),
            low: low.into_iter().map(|(estimate, _)| estimate).collect(),
            adjusted: groups.column(ADJUSTED_FPS)?.f64()?.iter().collect(),
            repeatability: groups.column(BETWEEN_PASS_CV)?.f64()?.iter().collect(),
            runs: codes(groups, pool::RUNS)?,
            benches: codes(groups, pool::BENCHES)?,
            everybody: codes(groups, pool::EVERYBODY)?,
            unanchored: codes(groups, pool::UNANCHORED)?,
            grade: codes(groups, GRADE)?,
            shares,
        })
    }

    fn columns(&self, order: &[usize], query: &MediansQuery) -> Vec<Column> {
        let counts = |name: &str, of: &dyn Fn(usize) -> u32| {
            Column::new(name.into(), order.iter().map(|place| of(*place)).collect::<Vec<u32>>())
        };
        let figures = |name: &str, of: &dyn Fn(usize) -> Option<f64>| {
            Column::new(name.into(), order.iter().map(|place| of(*place)).collect::<Vec<Option<f64>>>())
        };
        let grades: StringChunked =
            order.iter().map(|p| GRADES.get(self.grade[*p] as usize).map(|g| g.as_str())).collect();
        vec![
            counts("runs", &|p| self.runs[p]),
            counts("contributors", &|p| self.mean[p].contributors),
            counts("unanchored", &|p| self.unanchored[p]),
            counts("benches", &|p| self.benches[p]),
            figures("mean_fps", &|p| self.mean[p].value),
            figures("mean_fps_from", &|p| self.mean[p].interval.map(|i| i.0)),
            figures("mean_fps_to", &|p| self.mean[p].interval.map(|i| i.1)),
            figures(ADJUSTED_FPS, &|p| self.adjusted[p]),
            figures("low_fps", &|p| self.low[p].value),
            figures("low_fps_from", &|p| self.low[p].interval.map(|i| i.0)),
            figures("low_fps_to", &|p| self.low[p].interval.map(|i| i.1)),
            counts("low_contributors", &|p| self.low[p].contributors),
            Column::new("low_definition".into(), vec![query.definition.as_str(); order.len()]),
            figures("repeatability_cv", &|p| self.repeatability[p]),
            figures("reproducibility_sd", &|p| self.reproducibility[p]),
            grades.with_name("evidence".into()).into_series().into_column(),
        ]
    }
}

/// Places of the groups in the order of the table.
fn order(
    keys: &GroupKeys,
    figures: &Figures,
    query: &MediansQuery,
    policy: &Policy,
) -> PolarsResult<Vec<usize>> {
    let ranks = keys.ranks(query);
    let by_keys = |a: usize, b: usize| ranks.iter().map(|rank| rank[a].cmp(&rank[b])).find(|o| o.is_ne());
    // Positive figures sort like their bits; those without rank come last.
    let figure = |estimate: Estimate| {
        let ranked = estimate.contributors >= policy.table.interval_contributors;
        Reverse((ranked, estimate.value.map_or(0, f64::to_bits)))
    };
    let first: Vec<Reverse<(bool, u64)>> = (0..figures.mean.len())
        .map(|place| match query.sort {
            MediansSort::Key => Reverse((true, 0)),
            MediansSort::MeanFps => figure(figures.mean[place]),
            MediansSort::LowFps => figure(figures.low[place]),
            MediansSort::Contributors => Reverse((true, u64::from(figures.mean[place].contributors))),
        })
        .collect();
    let mut order: Vec<usize> = (0..figures.mean.len()).collect();
    order.sort_unstable_by(|a, b| {
        first[*a].cmp(&first[*b]).then_with(|| by_keys(*a, *b).unwrap_or(std::cmp::Ordering::Equal))
    });
    Ok(order)
}

/// Target, playable or not, what limited the figure, and what to keep in mind.
fn judgements(
    pooled: &Pooled,
    limits: &Limits,
    keys: &GroupKeys,
    figures: &Figures,
    order: &[usize],
    query: &MediansQuery,
    policy: &Policy,
) -> PolarsResult<Vec<Column>> {
    let split = |on: bool, name: &str| -> PolarsResult<Vec<u32>> {
        if on { codes(&pooled.groups, name) } else { Ok(vec![0; pooled.groups.height()]) }
    };
    let group_keys = [
        codes(&pooled.groups, CELL)?,
        split(query.by_driver, DRIVER)?,
        split(query.by_build, BUILD)?,
        split(query.by_platform, PLATFORM)?,
    ];
    let mut targets = Vec::with_capacity(order.len());
    let mut playable = Vec::with_capacity(order.len());
    let mut certain = Vec::with_capacity(order.len());
    let mut delivery: Vec<Option<&str>> = Vec::with_capacity(order.len());
    let mut limited: Vec<&str> = Vec::with_capacity(order.len());
    let mut limited_from: Vec<Option<&str>> = Vec::with_capacity(order.len());
    let mut said: Vec<Option<String>> = Vec::with_capacity(order.len());
    for &place in order {
        let kind = kind_of(keys.workload_kind.at(place));
        let floor = query.target_fps.or_else(|| kind.map(|kind| target::floor_fps(kind, policy)));
        let scene = keys.scene_kind(place);
        let meets = |low: f64, floor: f64| target::meets(target::in_play_fps(low, scene, policy), floor);
        let low = figures.low[place];
        targets.push(floor);
        playable.push(floor.zip(low.value).map(|(floor, low)| meets(low, floor)));
        certain
            .push(floor.zip(low.interval).map(|(floor, (from, to))| meets(from, floor) == meets(to, floor)));
        let both = low.value.zip(figures.mean[place].value);
        delivery.push(both.map(|(low, mean)| target::delivery(low, mean, policy)));
        let key = group_keys.each_ref().map(|codes| codes[place]);
        limited.push(limits.of(&key).as_str());
        limited_from.push(limits.from(&key));
        said.push(notes::note(figures, place, scene, limits.note(&key), policy));
    }
    Ok(vec![
        Column::new("target_fps".into(), targets),
        Column::new("playable".into(), playable),
        Column::new("playable_certain".into(), certain),
        Column::new("delivery".into(), delivery),
        Column::new("limited_by".into(), limited),
        Column::new("limited_by_from".into(), limited_from),
        Column::new("note".into(), said),
    ])
}

pub(super) fn kind_of(word: Option<&str>) -> Option<WorkloadKind> {
    [WorkloadKind::SinglePlayer, WorkloadKind::Multiplayer].into_iter().find(|k| Some(k.as_str()) == word)
}
