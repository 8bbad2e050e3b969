//! What a card still plays: for each workload the settings that meet the target, measured or estimated.

mod unmeasured;

use std::collections::BTreeMap;

use polars::prelude::*;
use serde::{Deserialize, Serialize};

use super::changes::{self, FailureSpan};
use super::columns::*;
use super::filters::Filters;
use super::frame::RunFrame;
use super::keys::{Words, codes};
use super::limits;
use super::matched::Evidence;
use super::medians::MediansQuery;
use super::output::Table;
use super::pool;
use super::rows::{self, Figures, GroupKeys};
use super::track::Subject;
use crate::catalogue::{Catalogue, WorkloadKind};
use crate::error::CoreError;
use crate::judge::rules::FLASHING;
use crate::ladder::LimitedBy;
use crate::ledger::Estimated;
use crate::policy::Policy;
use crate::run::{LowDefinition, Outcome, SceneKind};
use crate::statistics::distribution::t_upper;
use crate::target;

pub use unmeasured::{Unmeasured, unmeasured};

/// Which card, and what it is held to.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct PlayableQuery {
    /// Card id.
    pub card: String,
    /// Which runs count; its cards are those of the query.
    pub filters: Filters,
    /// Definition of the 1% low.
    pub definition: LowDefinition,
    /// Floor on the 1% low instead of the workload kind's own, fps.
    pub target_fps: Option<f64>,
    /// What a live match runs at as a share of a practice area, instead of the policy's.
    pub live_match_allowance: Option<f64>,
}

/// What a card plays.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Playable {
    /// Card id.
    pub card: String,
    /// Workload scenes in the order of their ids.
    pub scenes: Vec<PlayedScene>,
}

/// One scene of a workload on the card.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlayedScene {
    /// Workload id.
    pub workload: String,
    /// Scene id.
    pub scene: String,
    /// Floor on the 1% low in play, fps; none where nobody knows the kind of the workload.
    pub target_fps: Option<f64>,
    /// The highest measured settings that play; none when no measured ones do.
    pub highest: Option<PlayedSettings>,
    /// Higher settings that are estimated to play; none when none are.
    pub highest_estimated: Option<PlayedSettings>,
    /// All settings, the highest first: by pixels, then by preset.
    pub settings: Vec<PlayedSettings>,
    /// Failures of the workload on the card.
    pub failures: Vec<FailureSpan>,
    /// What to mind when measuring or playing it; none when nothing is known.
    pub caution: Option<String>,
}

/// How a card fares at some settings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlayedSettings {
    /// Graphics API.
    pub api: String,
    /// Preset.
    pub preset: String,
    /// Width, pixels.
    pub width: u32,
    /// Height, pixels.
    pub height: u32,
    /// Render scale.
    pub render_scale: f64,
    /// Other settings that tell configurations apart.
    pub variant: String,
    /// `plays`: the low end of the interval of the 1% low meets the target. `falls short`: the high end does not.
    /// `borderline`: neither, or one contributor alone says that it plays. `platform capped`: it does not play, and a
    /// resolution ladder says that the platform held it back, so that nothing is known of the card.
    pub state: String,
    /// Whether anybody measured it; if not, the figures are the model's and the interval is that of one more run.
    pub measured: bool,
    /// Mean rate, fps.
    pub mean_fps: f64,
    /// 1% low, fps.
    pub low_fps: f64,
    /// 95 % interval of the 1% low; none of one contributor.
    pub low_from: Option<f64>,
    /// See `low_from`.
    pub low_to: Option<f64>,
    /// 1% low in play over the target, less one, per cent; less than `low_fps` says where a practice area was measured.
    pub margin_percent: Option<f64>,
    /// Contributors with a 1% low; 0 for an estimate.
    pub contributors: u32,
    /// Whether the 1% low keeps up with the mean rate: `even` or `uneven`.
    pub delivery: String,
    /// `card`, `platform`, `mixed` or `memory`; `not known` where nobody measured what would tell.
    pub limited_by: String,
    /// What to keep in mind of it; none when there is nothing.
    pub note: Option<String>,
}

fn failed(source: PolarsError) -> CoreError {
    CoreError::Table { doing: "looking what a card plays", source }
}

fn query_of(query: &PlayableQuery, card: Vec<String>) -> MediansQuery {
    MediansQuery {
        filters: Filters { card, ..query.filters.clone() },
        definition: query.definition,
        ..MediansQuery::default()
    }
}

/// What the card plays: for each workload scene its measured settings, those that were estimated beside them (run ids
/// of [`Unmeasured::settings`] with what the model expects), and the highest that play. The low end of the interval of
/// the 1% low must meet the target.
///
/// # Errors
/// When the table engine fails.
pub fn playable(
    frame: &RunFrame,
    catalogue: &Catalogue,
    query: &PlayableQuery,
    estimates: &[(String, Estimated)],
    policy: &Policy,
) -> Result<Playable, CoreError> {
    let mut policy = policy.clone();
    policy.live_match_allowance = query.live_match_allowance.unwrap_or(policy.live_match_allowance);
    let judge = Judge { query, policy: &policy, confidence: policy.table.confidence };
    let mut scenes: BTreeMap<(String, String), Vec<PlayedSettings>> = BTreeMap::new();
    let mut kinds: BTreeMap<(String, String), (Option<WorkloadKind>, Option<SceneKind>)> = BTreeMap::new();
    let own = query_of(query, vec![query.card.clone()]);
    let pooled = pool::pool(frame, &own, &policy)?;
    let limits = limits::limits(frame, &pooled.ladder, &own, &policy)?;
    let keys = GroupKeys::of(&pooled).map_err(failed)?;
    let priors = frame.priors(&policy.table);
    let figures = Figures::of(&pooled.groups, &priors, query.definition, &policy).map_err(failed)?;
    let cells = codes(&pooled.groups, CELL).map_err(failed)?;
    let word = |words: &Words, place: usize| words.at(place).unwrap_or_default().to_owned();
    for (place, cell) in cells.iter().enumerate() {
        let (Some(mean_fps), Some(low_fps)) = (figures.mean[place].value, figures.low[place].value) else {
            continue;
        };
        let scene = (word(&keys.workload, place), word(&keys.scene, place));
        let kind = (rows::kind_of(keys.workload_kind.at(place)), keys.scene_kind(place));
        let low = figures.low[place];
        // What one more contributor would differ by says how far one alone can be off.
        let prior = priors.low(query.definition).at(figures.shares[place], &policy.table);
        let alone = (t_upper((1.0 - judge.confidence) / 2.0, prior.df) * prior.sd).exp();
        let (from, to) = low.interval.unwrap_or((low_fps / alone, low_fps * alone));
        let key = [*cell, 0, 0, 0];
        let limited = limits.of(&key);
        let settings = PlayedSettings {
            api: word(&keys.api, place),
            preset: word(&keys.preset, place),
            width: keys.width[place],
            height: keys.height[place],
            render_scale: keys.render_scale[place],
            variant: word(&keys.variant, place),
            state: capped(judge.state(kind, from, to, low.interval.is_some()), limited),
            measured: true,
            mean_fps,
            low_fps,
            low_from: low.interval.map(|i| i.0),
            low_to: low.interval.map(|i| i.1),
            margin_percent: judge.margin(kind, low_fps),
            contributors: low.contributors,
            delivery: target::delivery(low_fps, mean_fps, &policy).to_owned(),
            limited_by: limited.as_str().to_owned(),
            note: note(limited, limits.note(&key)),
        };
        kinds.insert(scene.clone(), kind);
        scenes.entry(scene).or_default().push(settings);
    }
    for (scene, kind, settings) in judge.estimated(frame, estimates).map_err(failed)? {
        kinds.entry(scene.clone()).or_insert(kind);
        scenes.entry(scene).or_default().push(settings);
    }
    let failures = changes::failures(&Evidence::of(frame, Subject::Card(&query.card), &[], &policy)?);
    let scenes = scenes
        .into_iter()
        .map(|((workload, scene), mut settings)| {
            let presets = catalogue.workload(&workload).map_or(&[][..], |w| &w.presets);
            let rank = |s: &PlayedSettings| presets.iter().position(|p| *p == s.preset);
            let pixels = |s: &PlayedSettings| {
                f64::from(s.width) * f64::from(s.height) * s.render_scale * s.render_scale
            };
            settings.sort_by(|a, b| {
                pixels(b)
                    .total_cmp(&pixels(a))
                    .then_with(|| rank(b).cmp(&rank(a)))
                    .then_with(|| (b.measured, &a.api, &a.variant).cmp(&(a.measured, &b.api, &b.variant)))
            });
            let first =
                |measured: bool| settings.iter().position(|s| s.measured == measured && s.state == PLAYS);
            let (measured, estimated) = (first(true), first(false));
            let higher = estimated.filter(|e| measured.is_none_or(|m| *e < m));
            let key = (workload, scene);
            let failures: Vec<FailureSpan> =
                failures.iter().filter(|f| f.workload == key.0).cloned().collect();
            let flashes = failures.iter().any(|f| f.outcome == Outcome::RenderingFault.as_str());
            PlayedScene {
                caution: flashes.then(|| FLASHING.to_owned()),
                target_fps: kinds.get(&key).and_then(|kind| judge.target(*kind)),
                highest: measured.map(|at| settings[at].clone()),
                highest_estimated: higher.map(|at| settings[at].clone()),
                failures,
                workload: key.0,
                scene: key.1,
                settings,
            }
        })
        .collect();
    Ok(Playable { card: query.card.clone(), scenes })
}

/// One row a scene and settings, for CSV and Parquet: the fields of [`PlayedSettings`] after `card`, `workload`, `scene`
/// and `target_fps`.
///
/// # Errors
/// When the table engine fails.
pub fn playable_table(playable: &Playable) -> Result<Table, CoreError> {
    let rows: Vec<(&PlayedScene, &PlayedSettings)> =
        playable.scenes.iter().flat_map(|scene| scene.settings.iter().map(move |s| (scene, s))).collect();
    fn column<'a, T>(
        rows: &[(&'a PlayedScene, &'a PlayedSettings)],
        name: &str,
        of: impl Fn(&'a PlayedScene, &'a PlayedSettings) -> T,
    ) -> Column
    where
        Series: NamedFrom<Vec<T>, [T]>,
    {
        Series::new(name.into(), rows.iter().map(|(scene, s)| of(scene, s)).collect::<Vec<T>>()).into_column()
    }
    Table::of(vec![
        Column::new("card".into(), vec![playable.card.as_str(); rows.len()]),
        column(&rows, "workload", |scene, _| scene.workload.clone()),
        column(&rows, "scene", |scene, _| scene.scene.clone()),
        column(&rows, "target_fps", |scene, _| scene.target_fps),
        column(&rows, "api", |_, s| s.api.clone()),
        column(&rows, "preset", |_, s| s.preset.clone()),
        column(&rows, "width", |_, s| s.width),
        column(&rows, "height", |_, s| s.height),
        column(&rows, "render_scale", |_, s| s.render_scale),
        column(&rows, "variant", |_, s| s.variant.clone()),
        column(&rows, "state", |_, s| s.state.clone()),
        column(&rows, "measured", |_, s| s.measured),
        column(&rows, "mean_fps", |_, s| s.mean_fps),
        column(&rows, "low_fps", |_, s| s.low_fps),
        column(&rows, "low_from", |_, s| s.low_from),
        column(&rows, "low_to", |_, s| s.low_to),
        column(&rows, "margin_percent", |_, s| s.margin_percent),
        column(&rows, "contributors", |_, s| s.contributors),
        column(&rows, "delivery", |_, s| s.delivery.clone()),
        column(&rows, "limited_by", |_, s| s.limited_by.clone()),
        column(&rows, "note", |_, s| s.note.clone()),
    ])
}

const PLAYS: &str = "plays";

/// What does not play because of the platform says nothing about the card; what plays on such a platform does so for all
/// that the card is held back.
fn capped(state: String, limited: LimitedBy) -> String {
    if limited == LimitedBy::Platform && state != PLAYS { "platform capped".to_owned() } else { state }
}

fn note(limited: LimitedBy, slower: Option<&str>) -> Option<String> {
    let of_limit = match limited {
        LimitedBy::Platform => Some(
            "the platform capped the rate: it is the least that the card does, and no faster card would help",
        ),
        LimitedBy::Memory => {
            Some("the settings outgrow the card's memory: lighter textures or fewer pixels help most")
        }
        _ => None,
    };
    let said: Vec<&str> = of_limit.into_iter().chain(slower).collect();
    (!said.is_empty()).then(|| said.join("; "))
}

type Kinds = (Option<WorkloadKind>, Option<SceneKind>);
type OfScene = ((String, String), Kinds, PlayedSettings);

/// The target and what meets it.
struct Judge<'a> {
    query: &'a PlayableQuery,
    policy: &'a Policy,
    confidence: f64,
}

impl Judge<'_> {
    fn target(&self, (kind, _): Kinds) -> Option<f64> {
        self.query.target_fps.or_else(|| kind.map(|kind| target::floor_fps(kind, self.policy)))
    }

    fn margin(&self, kind: Kinds, low_fps: f64) -> Option<f64> {
        let floor = self.target(kind)?;
        Some(100.0 * (target::in_play_fps(low_fps, kind.1, self.policy) / floor - 1.0))
    }

    fn state(&self, kind: Kinds, from: f64, to: f64, sure: bool) -> String {
        let Some(floor) = self.target(kind) else { return "borderline".to_owned() };
        let meets = |low: f64| target::meets(target::in_play_fps(low, kind.1, self.policy), floor);
        match (meets(from), meets(to)) {
            (true, _) if sure => PLAYS,
            (_, false) => "falls short",
            _ => "borderline",
        }
        .to_owned()
    }

    /// What the model expects of settings that others measured on other cards.
    fn estimated(&self, frame: &RunFrame, estimates: &[(String, Estimated)]) -> PolarsResult<Vec<OfScene>> {
        if estimates.is_empty() {
            return Ok(Vec::new());
        }
        let by_run: BTreeMap<&str, &Estimated> = estimates.iter().map(|(run, e)| (run.as_str(), e)).collect();
        let all = frame.data().map_err(|e| polars_err!(ComputeError: "{e}"))?;
        let wanted: Vec<&str> = by_run.keys().copied().collect();
        let runs = all
            .lazy()
            .filter(col(RUN).is_in(lit(Series::new("".into(), wanted)).implode(false), false))
            .filter(col(OUTCOME).eq(lit(place(&OUTCOMES, &Outcome::Completed))))
            .collect()?;
        let words = |name| Words::all(&runs, name);
        let (workload, scene, api, preset) = (words(WORKLOAD)?, words(SCENE)?, words(API)?, words(PRESET)?);
        let (variant, kinds) = (words(VARIANT)?, words(WORKLOAD_KIND)?);
        let scene_kinds = codes(&runs, SCENE_KIND)?;
        let (width, height) = (codes(&runs, WIDTH)?, codes(&runs, HEIGHT)?);
        let (scales, ids) = (runs.column(RENDER_SCALE)?.f64()?, runs.column(RUN)?.str()?);
        let word = |words: &Words, row: usize| words.at(row).unwrap_or_default().to_owned();
        let t = t_upper((1.0 - self.confidence) / 2.0, self.policy.judge.tail_df);
        let row = |row: usize| {
            let estimate = by_run.get(ids.get(row)?)?;
            let kind = (rows::kind_of(kinds.at(row)), SCENE_KINDS.get(scene_kinds[row] as usize).copied());
            let (from, to) = (estimate.ln_low - t * estimate.low_sd, estimate.ln_low + t * estimate.low_sd);
            let settings = PlayedSettings {
                api: word(&api, row),
                preset: word(&preset, row),
                width: width[row],
                height: height[row],
                render_scale: scales.get(row).unwrap_or(1.0),
                variant: word(&variant, row),
                state: self.state(kind, from.exp(), to.exp(), true),
                measured: false,
                mean_fps: estimate.ln_fps.exp(),
                low_fps: estimate.ln_low.exp(),
                low_from: Some(from.exp()),
                low_to: Some(to.exp()),
                margin_percent: self.margin(kind, estimate.ln_low.exp()),
                contributors: 0,
                delivery: target::delivery(estimate.ln_low.exp(), estimate.ln_fps.exp(), self.policy)
                    .to_owned(),
                limited_by: LimitedBy::NotKnown.as_str().to_owned(),
                note: None,
            };
            Some(((word(&workload, row), word(&scene, row)), kind, settings))
        };
        Ok((0..runs.height()).filter_map(row).collect())
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;
