//! What is known of a card before anything more is measured.

use std::collections::{BTreeMap, BTreeSet};

use polars::prelude::*;

use super::{Sources, WantedQuery};
use crate::catalogue::{Catalogue, WorkloadKind};
use crate::error::CoreError;
use crate::ledger::Waiting;
use crate::policy::Policy;
use crate::run::{LowDefinition, SceneKind};
use crate::table::columns::*;
use crate::table::filters::Filters;
use crate::table::interval::{Intervals, t_quantile};
use crate::table::keys::{Words, codes};
use crate::table::limits;
use crate::table::matched::{self, Evidence};
use crate::table::medians::MediansQuery;
use crate::table::panel::{Panel, PanelRow};
use crate::table::pool;
use crate::table::rows::{self, Figures, GroupKeys};
use crate::table::track::{FailureCount, Subject};
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

/// A driver release of the card.
#[derive(Debug, Clone)]
pub(super) struct Release {
    pub(super) id: String,
    day: Option<i32>,
    /// Whether the catalogue says that card and system are supported.
    pub(super) allowed: bool,
    /// Place in the evidence.
    pub(super) place: Option<usize>,
    /// Failures by workload: how it ended, and contributors.
    pub(super) failures: BTreeMap<usize, (&'static str, u32)>,
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
    pub(super) evidence: Evidence,
    pub(super) panel: Option<Panel>,
    /// Benches by workload and release, those that have another release too.
    pub(super) benches_on: BTreeMap<(usize, usize), u32>,
    /// The measurer's sites, by setting.
    pub(super) sites: BTreeMap<usize, Site>,
    /// Their numbers in the evidence.
    site_of: BTreeMap<usize, usize>,
    pub(super) waiting: &'a [Waiting],
    /// Whether a run of the measurer can release held ones.
    pub(super) speaks: bool,
    pub(super) contributor: Option<String>,
    pub(super) bench: Option<String>,
    pub(super) board_power_w: Option<f64>,
    /// Standard deviation between contributors.
    pub(super) between_sd: f64,
    /// Half widths expected of a median by the number of contributors, in standard deviations.
    pub(super) narrowing: Vec<f64>,
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
            releases: releases(&evidence, sources.catalogue, query, system.as_deref(), policy)?,
            workloads: Vec::new(),
            settings: Vec::new(),
            installed: None,
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
            between_sd: priors.mean_fps.sd,
            narrowing: Vec::new(),
            asked: query.workloads.clone(),
            system,
        };
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
        let df = self.panel.as_ref().map_or(self.policy.track.least_df, |panel| panel.df);
        t_quantile(self.policy.table.confidence, df)
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
        let limits = limits::limits(&pooled.ladder, &asked)?;
        let keys = GroupKeys::of(&pooled)?;
        let priors = sources.frame.priors(&self.policy.table);
        let figures = Figures::of(&pooled.groups, &priors, LowDefinition::Percentile, self.policy)?;
        let cells = codes(&pooled.groups, CELL)?;
        let own = self.own_cells(&pooled)?;
        let mut names: BTreeMap<String, usize> = BTreeMap::new();
        let run_cells = Words::all(&pooled.runs, CELL)?;
        let word = |words: &Words, place: usize| words.at(place).unwrap_or_default().to_owned();
        let most = figures.mean.iter().map(|mean| mean.contributors as usize).max().unwrap_or(0);
        let mut intervals = Intervals::new(&self.policy.table, priors.mean_fps);
        self.narrowing = (0..most + 3).map(|n| intervals.expected(n)).collect();
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
            let alone = self.narrowing[1] * self.between_sd;
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
                half: Some(half),
                mean_fps: figure.value,
                limited: limits.contains_key(&[cells[place], 0, 0, 0]),
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
            self.sites.entry(*setting).or_default().push((place, build.is_some() && build == newest));
        }
    }

    /// A setting without figures.
    fn setting(
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
            mean_fps: None,
            limited: false,
        }
    }

    /// Those that others measured on other cards.
    fn estimated(&mut self, sources: &Sources<'_>, query: &WantedQuery) -> PolarsResult<()> {
        if sources.estimates.is_empty() {
            return Ok(());
        }
        let by_run: BTreeMap<&str, _> = sources.estimates.iter().map(|(run, e)| (run.as_str(), e)).collect();
        let all = sources.frame.data().map_err(|e| polars_err!(ComputeError: "{e}"))?;
        let wanted: Vec<&str> = by_run.keys().copied().collect();
        let runs = all
            .lazy()
            .filter(col(RUN).is_in(lit(Series::new("".into(), wanted)).implode(false), false))
            .collect()?;
        let [workload, scene, api, preset, variant, kinds] =
            [WORKLOAD, SCENE, API, PRESET, VARIANT, WORKLOAD_KIND].map(|name| Words::all(&runs, name));
        let (workload, scene, api, preset) = (workload?, scene?, api?, preset?);
        let (variant, kinds, scene_kinds) = (variant?, kinds?, codes(&runs, SCENE_KIND)?);
        let (width, height) = (codes(&runs, WIDTH)?, codes(&runs, HEIGHT)?);
        let (scales, ids) = (runs.column(RENDER_SCALE)?.f64()?, runs.column(RUN)?.str()?);
        let t = t_quantile(self.policy.table.confidence, self.policy.judge.tail_df);
        let mut order: Vec<usize> = (0..runs.height()).collect();
        order.sort_by_key(|row| ids.get(*row));
        for row in order {
            let Some(estimate) = ids.get(row).and_then(|id| by_run.get(id)) else { continue };
            if scales.get(row) != Some(1.0) || variant.at(row).is_some_and(|v| !v.is_empty()) {
                continue;
            }
            let setting = self.setting(
                [&workload, &scene, &api, &preset].map(|words| words.at(row).unwrap_or_default().to_owned()),
                (width[row], height[row]),
                (rows::kind_of(kinds.at(row)), SCENE_KINDS.get(scene_kinds[row] as usize).copied()),
                Some(estimate.ln_low.exp()),
                sources.catalogue,
                query,
            );
            self.settings.push(Setting {
                half: Some(t * estimate.sd),
                mean_fps: Some(estimate.ln_fps.exp()),
                ..setting
            });
        }
        Ok(())
    }

    /// Resolutions beside settings of which nobody knows whether the card is the limit: the next smaller one in use.
    fn rungs(&mut self) {
        let sizes: BTreeSet<(u64, u32, u32)> =
            self.settings.iter().map(|s| (s.pixels(), s.width, s.height)).collect();
        for at in 0..self.settings.len() {
            let setting = &self.settings[at];
            let smaller = |s: &Setting| s.family == setting.family && s.pixels() < setting.pixels();
            if setting.limited || setting.contributors == 0 || self.settings.iter().any(smaller) {
                continue;
            }
            let Some((pixels, width, height)) = sizes.range(..(setting.pixels(), 0, 0)).next_back().copied()
            else {
                continue;
            };
            let size = format!("|{}x{}|", setting.width, setting.height);
            let faster = (setting.pixels() as f64 / pixels as f64).powf(crate::policy::ladder::CARD_EXPONENT);
            self.settings.push(Setting {
                width,
                height,
                configuration: setting.configuration.replace(&size, &format!("|{width}x{height}|")),
                contributors: 0,
                own: false,
                half: None,
                mean_fps: setting.mean_fps.map(|fps| fps * faster),
                limited: false,
                ..setting.clone()
            });
        }
    }

    fn failures_and_benches(&mut self) {
        type Kind = (&'static str, fn(&matched::Release) -> &[FailureCount]);
        let kinds: [Kind; 3] = [
            ("did not start", |r| &r.did_not_start),
            ("crashed", |r| &r.crashed),
            ("drew wrongly", |r| &r.rendering_fault),
        ];
        for release in &mut self.releases {
            let Some(place) = release.place else { continue };
            for (word, of) in kinds {
                for failure in of(&self.evidence.releases[place]) {
                    if let Some(at) = self.workloads.iter().position(|w| w.id == failure.workload) {
                        let seen = release.failures.entry(at).or_insert((word, 0));
                        if failure.contributors > seen.1 {
                            *seen = (word, failure.contributors);
                        }
                    }
                }
            }
        }
        let mut benches: BTreeMap<(usize, usize), BTreeSet<u32>> = BTreeMap::new();
        for site in self.evidence.rows.chunk_by(|a, b| a.site == b.site) {
            let several = site.iter().any(|row| row.release != site[0].release);
            for row in site.iter().filter(|_| several) {
                let workload = &self.evidence.workloads[row.workload as usize];
                let workload = self.workloads.iter().position(|w| w.id == *workload);
                let release = self.releases.iter().position(|r| r.place == Some(row.release));
                if let (Some(workload), Some(release)) = (workload, release) {
                    benches.entry((workload, release)).or_default().insert(row.bench);
                }
            }
        }
        self.benches_on = benches.into_iter().map(|(at, benches)| (at, benches.len() as u32)).collect();
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

/// The releases that the card was measured on or could be, oldest first, the newest of them.
fn releases(
    evidence: &Evidence,
    catalogue: &Catalogue,
    query: &WantedQuery,
    system: Option<&str>,
    policy: &Policy,
) -> Result<Vec<Release>, CoreError> {
    let chip = catalogue.card(&query.card).map(|card| card.chip.as_str()).unwrap_or_default();
    let supported = |d: &&crate::catalogue::DriverRelease| d.chips.iter().any(|c| c == chip);
    let all = &catalogue.document().drivers;
    if let Some(system) = query.system.as_deref() {
        let mut systems: Vec<&str> =
            all.iter().filter(supported).flat_map(|d| d.systems.iter().map(String::as_str)).collect();
        systems.sort_unstable();
        systems.dedup();
        if !systems.contains(&system) {
            return Err(CoreError::Query(format!(
                "no driver release for `{}` supports the system `{system}`; known are {}",
                query.card,
                systems.join(", ")
            )));
        }
    }
    let epoch = chrono::NaiveDate::default();
    let mut releases: Vec<Release> = all
        .iter()
        .filter(supported)
        .map(|d| Release {
            id: d.id.clone(),
            day: i32::try_from((d.date - epoch).num_days()).ok(),
            allowed: system.is_none_or(|system| d.systems.iter().any(|s| s == system)),
            place: None,
            failures: BTreeMap::new(),
        })
        .collect();
    for (place, release) in evidence.releases.iter().enumerate() {
        match releases.iter_mut().find(|r| r.id == release.driver) {
            Some(known) => known.place = Some(place),
            None => releases.push(Release {
                id: release.driver.clone(),
                day: release.day,
                allowed: false,
                place: Some(place),
                failures: BTreeMap::new(),
            }),
        }
    }
    releases.sort_by(|a, b| (a.day.unwrap_or(i32::MIN), &a.id).cmp(&(b.day.unwrap_or(i32::MIN), &b.id)));
    let surplus = releases.len().saturating_sub(policy.wanted.releases);
    releases.drain(..surplus);
    Ok(releases)
}

impl Known<'_> {
    /// Releases that the bench can run.
    pub(super) fn allowed(&self) -> Vec<usize> {
        (0..self.releases.len()).filter(|at| self.releases[*at].allowed).collect()
    }

    /// What the track says of a step, in words.
    pub(super) fn change(&self, step: usize) -> String {
        let contrast = self.panel.as_ref().and_then(|panel| {
            let (from, to) = (self.releases[step].place?, self.releases[step + 1].place?);
            Some((panel, panel.contrast(to, from)?))
        });
        let Some((panel, contrast)) = contrast else { return "is not known".to_owned() };
        let (low, high) = contrast.interval(self.policy.table.confidence, panel.df);
        format!(
            "is known as {:+.1} % ({:+.1} to {:+.1})",
            100.0 * contrast.value.exp_m1(),
            100.0 * (low - 1.0),
            100.0 * (high - 1.0)
        )
    }

    /// Half widths of the steps of the track, natural logarithm, now and with runs of the measurer's bench added, as the
    /// track's own model computes them; those steps only that it can compute both times.
    pub(super) fn steps_after(&self, runs: &[super::cost::At]) -> Vec<(usize, (f64, f64))> {
        let evidence = &self.evidence;
        let mut rows = evidence.rows.clone();
        let number = |found: Option<u32>, of: &dyn Fn(&PanelRow) -> u32| {
            found.unwrap_or_else(|| evidence.rows.iter().map(of).max().map_or(0, |most| most + 1))
        };
        let own = evidence.rows.iter().find(|r| Some(&evidence.sites[r.site].0) == self.bench.as_ref());
        let (bench, contributor) = (
            number(own.map(|r| r.bench), &|r| r.bench),
            number(own.map(|r| r.contributor), &|r| r.contributor),
        );
        let mut places: Vec<Option<usize>> = self.releases.iter().map(|r| r.place).collect();
        let mut releases = evidence.releases.len();
        for (setting, release) in runs {
            let of = &self.settings[*setting];
            let place = *places[*release].get_or_insert_with(|| {
                releases += 1;
                releases - 1
            });
            let program = &self.workloads[of.workload];
            let workload = evidence.workloads.iter().position(|w| *w == program.id);
            let build = program.build.as_ref().and_then(|b| evidence.builds.iter().position(|x| x == b));
            let site = self.site_of.get(setting).copied();
            rows.push(PanelRow {
                site: site.unwrap_or(evidence.sites.len() + setting),
                contributor,
                workload: workload.unwrap_or(evidence.workloads.len() + of.workload) as u32,
                bench,
                release: place,
                build: build.unwrap_or(evidence.builds.len()) as u32,
                ln_fps: 0.0,
            });
        }
        let noise = self.panel.as_ref().map(|panel| panel.sigma).or(Some(self.policy.track.noise.sd));
        let after = Panel::with_noise(&rows, releases, None, noise, &self.policy.track);
        let half = |panel: Option<&Panel>, from: usize, to: usize| {
            let (panel, contrast) = panel.and_then(|p| Some((p, p.contrast(to, from)?)))?;
            let variance = contrast.variance + self.policy.track.drift_sd.powi(2);
            Some(t_quantile(self.policy.table.confidence, panel.df) * variance.sqrt())
        };
        (0..self.releases.len().saturating_sub(1))
            .filter_map(|step| {
                let (from, to) = (self.releases[step].place?, self.releases[step + 1].place?);
                Some((step, (half(self.panel.as_ref(), from, to)?, half(after.as_ref(), from, to)?)))
            })
            .collect()
    }
}
