//! What is known of a card before anything more is measured.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::*;

use super::releases::{self, Release};
use super::{Sources, WantedQuery};
use crate::catalogue::{Catalogue, WorkloadKind};
use crate::error::CoreError;
use crate::ladder::LimitedBy;
use crate::ledger::Waiting;
use crate::policy::Policy;
use crate::run::{LowDefinition, SceneKind};
use crate::table::columns::*;
use crate::table::filters::Filters;
use crate::table::interval::{Intervals, t_quantile};
use crate::table::keys::{Words, codes};
use crate::table::limits;
use crate::table::matched::Evidence;
use crate::table::medians::MediansQuery;
use crate::table::panel::Panel;
use crate::table::pool;
use crate::table::rows::{self, Figures, GroupKeys};
use crate::table::track::Subject;
use crate::target;

/// A configuration of the card.
#[derive(Debug, Clone)]
pub(super) struct Setting {
    /// Place among the workloads.
    pub(super) workload: usize,
    pub(super) scene: String,
    pub(super) api: String,
    pub(super) preset: String,
    pub(super) width: u32,
    pub(super) height: u32,
    /// Settings without the resolution.
    pub(super) family: usize,
    /// As `Identity::configuration` writes it.
    pub(super) configuration: String,
    /// Contributors with accepted runs.
    pub(super) contributors: usize,
    /// Whether the measurer is one of them.
    pub(super) own: bool,
    /// Half width of the interval of the median, natural logarithm: that of one contributor, or of what the model
    /// expects, where there is none. None where nobody knows anything.
    pub(super) half: Option<f64>,
    /// 0 where the card sets the rate, else 1: what contributors differ by there.
    pub(super) stratum: usize,
    /// Rate to expect, fps.
    pub(super) mean_fps: Option<f64>,
    /// Whether a ladder says what the limit is.
    pub(super) limited: bool,
    /// Whether the 1% low falls short of the target.
    pub(super) short: bool,
    /// Whether the scene has no fixed path.
    pub(super) free: bool,
}

impl Setting {
    pub(super) fn pixels(&self) -> u64 {
        u64::from(self.width) * u64::from(self.height)
    }
}

/// A workload.
#[derive(Debug, Clone)]
pub(super) struct Program {
    pub(super) id: String,
    /// Its newest build.
    pub(super) build: Option<String>,
}

/// What the measurer's bench has at one configuration: releases, and whether the build was today's.
pub(super) type Site = Vec<(usize, bool)>;

/// All of it.
pub(super) struct Known<'a> {
    pub(super) policy: &'a Policy,
    pub(super) system: Option<String>,
    pub(super) workloads: Vec<Program>,
    pub(super) settings: Vec<Setting>,
    /// Oldest first.
    pub(super) releases: Vec<Release>,
    pub(super) installed: Option<usize>,
    /// The newest that the bench can run.
    pub(super) newest: Option<usize>,
    pub(super) evidence: Evidence,
    pub(super) panel: Option<Panel>,
    /// Benches by workload and release, those that have another release too.
    pub(super) benches_on: BTreeMap<(usize, usize), u32>,
    /// The measurer's sites, by setting.
    pub(super) sites: BTreeMap<usize, Site>,
    /// Their numbers in the evidence.
    pub(super) site_of: BTreeMap<usize, usize>,
    pub(super) waiting: &'a [Waiting],
    /// Whether a run of the measurer can release held ones.
    pub(super) speaks: bool,
    pub(super) contributor: Option<String>,
    pub(super) bench: Option<String>,
    pub(super) board_power_w: Option<f64>,
    /// Standard deviation between contributors.
    pub(super) between_sd: [f64; 2],
    /// Half widths expected of a median by the number of contributors, in standard deviations.
    pub(super) narrowing: [Vec<f64>; 2],
    /// Ids of the workloads that count; all where empty.
    asked: Vec<String>,
}

fn failed(source: PolarsError) -> CoreError {
    CoreError::Table { doing: "looking what to measure next", source }
}

impl<'a> Known<'a> {
    pub(super) fn of(
        sources: &Sources<'a>,
        query: &WantedQuery,
        policy: &'a Policy,
    ) -> Result<Known<'a>, CoreError> {
        let measurer = query.measurer.as_ref();
        let system = measurer.map(|m| m.system.clone()).or_else(|| query.system.clone());
        let evidence = Evidence::of(sources.frame, Subject::Card(&query.card), &[], policy)?;
        let panel = Panel::fit(&evidence.rows, evidence.releases.len(), None, &policy.track);
        let priors = sources.frame.priors(&policy.table);
        let mut known = Known {
            policy,
            releases: releases::releases(&evidence, sources.catalogue, query, system.as_deref(), policy)?,
            workloads: Vec::new(),
            settings: Vec::new(),
            installed: None,
            newest: None,
            evidence,
            panel,
            benches_on: BTreeMap::new(),
            sites: BTreeMap::new(),
            site_of: BTreeMap::new(),
            waiting: sources.waiting,
            speaks: measurer.is_none_or(|m| m.accepted >= policy.judge.agree_runs),
            contributor: measurer.map(|m| m.contributor.clone()),
            bench: measurer.map(|m| m.bench.clone()),
            board_power_w: sources.catalogue.card(&query.card).map(|card| card.board_power_w),
            between_sd: [priors.mean_fps.card.sd, priors.mean_fps.other.sd],
            narrowing: [Vec::new(), Vec::new()],
            asked: query.workloads.clone(),
            system,
        };
        known.newest = known.allowed().pop();
        if let Some(id) = &query.installed {
            let place = known.releases.iter().position(|r| r.id == *id && r.allowed);
            known.installed = Some(place.ok_or_else(|| {
                CoreError::Query(format!(
                    "driver release `{id}` is none of the newest {} that support `{}` on the bench's system",
                    policy.wanted.releases, query.card
                ))
            })?);
        }
        known.measured(sources, query).map_err(|error| match error {
            Failure::Core(error) => error,
            Failure::Table(source) => failed(source),
        })?;
        known.estimated(sources, query).map_err(failed)?;
        known.rungs();
        known.failures_and_benches();
        Ok(known)
    }

    /// Half width of a step's interval in standard deviations.
    pub(super) fn t(&self) -> f64 {
        t_quantile(self.policy.table.confidence, self.policy.track.effects_df)
    }

    /// Whether a setting is of a workload that counts.
    pub(super) fn asks_for(&self, setting: &Setting) -> bool {
        self.asked.is_empty() || self.asked.contains(&self.workloads[setting.workload].id)
    }

    fn workload(&mut self, id: &str, catalogue: &Catalogue) -> usize {
        self.workloads.iter().position(|w| w.id == id).unwrap_or_else(|| {
            let build = catalogue.workload(id).and_then(|w| w.builds.last()).map(|b| b.build.clone());
            self.workloads.push(Program { id: id.to_owned(), build });
            self.workloads.len() - 1
        })
    }

    /// The configurations that were measured.
    fn measured(&mut self, sources: &Sources<'_>, query: &WantedQuery) -> Result<(), Failure> {
        let asked = MediansQuery {
            filters: Filters { card: vec![query.card.clone()], ..Filters::default() },
            ..MediansQuery::default()
        };
        let pooled = pool::pool(sources.frame, &asked, self.policy)?;
        let limits = limits::limits(sources.frame, &pooled.ladder, &asked, self.policy)?;
        let keys = GroupKeys::of(&pooled)?;
        let priors = sources.frame.priors(&self.policy.table);
        let figures = Figures::of(&pooled.groups, &priors, LowDefinition::Percentile, self.policy)?;
        let cells = codes(&pooled.groups, CELL)?;
        let own = self.own_cells(&pooled)?;
        let mut names: BTreeMap<String, usize> = BTreeMap::new();
        let run_cells = Words::all(&pooled.runs, CELL)?;
        let word = |words: &Words, place: usize| words.at(place).unwrap_or_default().to_owned();
        let most = figures.mean.iter().map(|mean| mean.contributors as usize).max().unwrap_or(0);
        self.narrowing = [priors.mean_fps.card, priors.mean_fps.other].map(|prior| {
            let mut intervals = Intervals::new(&self.policy.table, prior);
            (0..most + 3).map(|n| intervals.expected(n)).collect()
        });
        let mut order: Vec<usize> = (0..cells.len()).collect();
        order.sort_by_cached_key(|at| {
            (std::cmp::Reverse(figures.mean[*at].contributors), word(&keys.workload, *at), cells[*at])
        });
        for place in order.into_iter().take(self.policy.wanted.configurations) {
            // Other scales and variants count in tables; nobody is asked to set them up.
            if keys.render_scale[place] != 1.0 || !word(&keys.variant, place).is_empty() {
                continue;
            }
            let figure = figures.mean[place];
            let stratum = usize::from(!self.policy.table.is_card_limited(figures.shares[place]));
            let alone = self.narrowing[stratum][1] * self.between_sd[stratum];
            let half = figure.interval.map_or(alone, |(from, to)| 0.5 * (to / from).ln());
            let kind = rows::kind_of(keys.workload_kind.at(place));
            let setting = self.setting(
                [&keys.workload, &keys.scene, &keys.api, &keys.preset].map(|words| word(words, place)),
                (keys.width[place], keys.height[place]),
                (kind, keys.scene_kind(place)),
                figures.low[place].value,
                sources.catalogue,
                query,
            );
            let setting = Setting {
                contributors: figure.contributors as usize,
                own: own.contains(&cells[place]),
                stratum,
                half: Some(half),
                mean_fps: figure.value,
                limited: limits.of(&[cells[place], 0, 0, 0]) != LimitedBy::NotKnown,
                ..setting
            };
            names.insert(run_cells.word(cells[place]).unwrap_or_default().to_owned(), self.settings.len());
            self.settings.push(setting);
        }
        self.own_sites(&names);
        Ok(())
    }

    /// Codes of the cells that the measurer has runs in.
    fn own_cells(&self, pooled: &pool::Pooled) -> PolarsResult<BTreeSet<u32>> {
        let Some(contributor) = &self.contributor else { return Ok(BTreeSet::new()) };
        let who = Words::all(&pooled.runs, CONTRIBUTOR)?;
        let cells = codes(&pooled.runs, CELL)?;
        let own = (0..cells.len()).filter(|row| who.at(*row) == Some(contributor));
        Ok(own.map(|row| cells[row]).collect())
    }

    /// What the measurer's bench has at the settings, by the cells' words.
    fn own_sites(&mut self, settings: &BTreeMap<String, usize>) {
        let Some(bench) = &self.bench else { return };
        for row in &self.evidence.rows {
            let (of, cell) = &self.evidence.sites[row.site];
            let place = self.releases.iter().position(|r| r.place == Some(row.release));
            let (Some(place), Some(setting), true) = (place, settings.get(cell), of == bench) else {
                continue;
            };
            let newest = self.workloads[self.settings[*setting].workload].build.as_deref();
            let build = self.evidence.builds.get(row.build as usize).map(String::as_str);
            self.site_of.insert(*setting, row.site);
            self.sites.entry(*setting).or_default().push((place, build == newest));
        }
    }

    /// A setting without figures.
    pub(super) fn setting(
        &mut self,
        [workload, scene, api, preset]: [String; 4],
        (width, height): (u32, u32),
        (kind, scene_kind): (Option<WorkloadKind>, Option<SceneKind>),
        low_fps: Option<f64>,
        catalogue: &Catalogue,
        query: &WantedQuery,
    ) -> Setting {
        let floor = kind.map(|kind| target::floor_fps(kind, self.policy));
        let in_play = low_fps.map(|low| target::in_play_fps(low, scene_kind, self.policy));
        let configuration = format!("{}|{workload}|{scene}|{api}|{preset}|{width}x{height}|1|", query.card);
        let workload = self.workload(&workload, catalogue);
        let same =
            |s: &Setting| s.workload == workload && s.scene == scene && s.api == api && s.preset == preset;
        Setting {
            family: self.settings.iter().find(|s| same(s)).map_or(self.settings.len(), |s| s.family),
            short: floor.zip(in_play).is_some_and(|(floor, low)| !target::meets(low, floor)),
            free: matches!(scene_kind, Some(SceneKind::FreePlay | SceneKind::LiveMatch)),
            workload,
            scene,
            api,
            preset,
            width,
            height,
            configuration,
            contributors: 0,
            own: false,
            half: None,
            stratum: 0,
            mean_fps: None,
            limited: false,
        }
    }
}

/// What goes wrong while reading.
enum Failure {
    Core(CoreError),
    Table(PolarsError),
}

impl From<CoreError> for Failure {
    fn from(error: CoreError) -> Failure {
        Failure::Core(error)
    }
}

impl From<PolarsError> for Failure {
    fn from(error: PolarsError) -> Failure {
        Failure::Table(error)
    }
}
