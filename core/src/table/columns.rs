//! Columns of the resident frame and how facts become rows.

use std::collections::HashMap;

use polars::prelude::*;

use super::views::{View, Views};
use crate::fact::RunFact;
use crate::run::{Outcome, SceneKind};
use crate::statistics::Grade;

pub(super) const RUN: &str = "run";
pub(super) const CONTRIBUTOR: &str = "contributor";
pub(super) const BENCH: &str = "bench";
pub(super) const CARD: &str = "card";
pub(super) const CHIP: &str = "chip";
pub(super) const DRIVER: &str = "driver";
pub(super) const BRANCH: &str = "branch";
pub(super) const WORKLOAD: &str = "workload";
pub(super) const WORKLOAD_KIND: &str = "workload_kind";
pub(super) const SCENE: &str = "scene";
pub(super) const BUILD: &str = "build";
pub(super) const API: &str = "api";
pub(super) const PRESET: &str = "preset";
pub(super) const VARIANT: &str = "variant";
pub(super) const PLATFORM: &str = "platform";
/// Configuration without the resolution.
pub(super) const SETTINGS: &str = "settings";
/// Configuration.
pub(super) const CELL: &str = "cell";

/// Place of `SceneKind` in [`SCENE_KINDS`].
pub(super) const SCENE_KIND: &str = "scene_kind";
/// Place of `Outcome` in [`OUTCOMES`].
pub(super) const OUTCOME: &str = "outcome";
/// Place of `Grade` in [`GRADES`].
pub(super) const GRADE: &str = "grade";
pub(super) const WIDTH: &str = "width";
pub(super) const HEIGHT: &str = "height";
pub(super) const RENDER_SCALE: &str = "render_scale";
pub(super) const DRIVER_DAY: &str = "driver_day";
pub(super) const MEASURED_DAY: &str = "measured_day";
pub(super) const MEAN_FPS: &str = "mean_fps";
pub(super) const LOW_PERCENTILE_FPS: &str = "low_percentile_fps";
pub(super) const LOW_TAIL_MEAN_FPS: &str = "low_tail_mean_fps";
pub(super) const LOW_TIME_SHARE_FPS: &str = "low_time_share_fps";
pub(super) const BETWEEN_PASS_CV: &str = "between_pass_cv";
/// How much of the rate is the card's, by the newest model that knows the run, else by the one that judged it.
pub(super) const CARD_SHARE: &str = "card_share";
/// Standard deviation of ln(share / (1 - share)); null where the newest model does not know the run.
pub(super) const SHARE_LOGIT_SD: &str = "share_logit_sd";
/// What the card alone would do by the newest model: ln fps, standard deviation of the exponent of that over pixels, and
/// the sharpness of the soft minimum of card and platform; null where it does not know the run.
pub(super) const ALONE: [&str; 3] = ["ln_card_fps", "exponent_sd", "sharpness"];
/// Mean fps as a bench without an effect of its own would have it, by the newest model; null where that does not know
/// the run.
pub(super) const ADJUSTED_FPS: &str = "adjusted_fps";

pub(super) const SCENE_KINDS: [SceneKind; 5] = [
    SceneKind::BuiltInTest,
    SceneKind::ScriptedPath,
    SceneKind::PracticeArea,
    SceneKind::LiveMatch,
    SceneKind::FreePlay,
];
pub(super) const OUTCOMES: [Outcome; 4] =
    [Outcome::Completed, Outcome::DidNotStart, Outcome::Crashed, Outcome::RenderingFault];
/// Strongest evidence first.
pub(super) const GRADES: [Grade; 4] = [Grade::Full, Grade::Short, Grade::Quick, Grade::Summary];

/// Place of a value in one of the lists above.
pub(super) fn place<T: PartialEq>(list: &[T], value: &T) -> u32 {
    list.iter().position(|v| v == value).map_or(u32::MAX, |p| p as u32)
}

/// Parts of a composed key never contain the unit separator: it is a control character.
fn joined(parts: &[&str]) -> String {
    parts.join("\u{1f}")
}

/// The categorical types of one lineage of frames. Each lineage has its own words, so that they go
/// when the last frame goes.
#[derive(Debug, Clone)]
pub(super) struct Words(Vec<(&'static str, DataType)>);

const WORD_COLUMNS: [&str; 16] = [
    CONTRIBUTOR,
    BENCH,
    CARD,
    CHIP,
    DRIVER,
    BRANCH,
    WORKLOAD,
    WORKLOAD_KIND,
    SCENE,
    BUILD,
    API,
    PRESET,
    VARIANT,
    PLATFORM,
    SETTINGS,
    CELL,
];

impl Default for Words {
    fn default() -> Words {
        let of = |name| {
            let words = Categories::random(PlSmallStr::from_static(name), CategoricalPhysical::U32);
            (name, DataType::from_categories(words))
        };
        Words(WORD_COLUMNS.into_iter().map(of).collect())
    }
}

impl Words {
    fn dtype(&self, name: &str) -> DataType {
        self.0.iter().find(|(n, _)| *n == name).map_or(DataType::Null, |(_, dtype)| dtype.clone())
    }

    /// Codes of those words that the column has ever held. Unknown words are left out, never added:
    /// queries must not make the frame grow.
    pub(super) fn codes(&self, name: &str, words: &[String]) -> Vec<u32> {
        match self.dtype(name) {
            DataType::Categorical(_, mapping) => words.iter().filter_map(|w| mapping.get_cat(w)).collect(),
            _ => Vec::new(),
        }
    }

    fn column<'a>(
        &self,
        name: &'static str,
        values: impl Iterator<Item = Option<&'a str>>,
    ) -> PolarsResult<Column> {
        let words = Categorical32Chunked::from_str_iter(name.into(), self.dtype(name), values)?;
        Ok(words.into_series().into_column())
    }

    /// Facts as rows.
    pub(super) fn rows(&self, facts: &[RunFact]) -> PolarsResult<DataFrame> {
        let settings: Vec<String> = facts
            .iter()
            .map(|f| {
                let i = &f.identity;
                let scale = i.render_scale.to_string();
                joined(&[&i.card, &i.workload, &i.scene, &i.api, &i.preset, &scale, &i.variant])
            })
            .collect();
        let cells: Vec<String> = facts
            .iter()
            .zip(&settings)
            .map(|(f, s)| joined(&[s, &f.identity.width.to_string(), &f.identity.height.to_string()]))
            .collect();
        let all = || facts.iter();
        let sound = |v: Option<f64>| v.filter(|v| v.is_finite() && *v > 0.0);
        let column = |name: &str, series: Series| series.with_name(name.into()).into_column();
        let numbers = |name: &str, values: Vec<u32>| column(name, Series::from_vec("".into(), values));
        let figures = |name: &str, of: fn(&RunFact) -> Option<f64>| {
            column(name, all().map(|f| sound(of(f))).collect::<Float64Chunked>().into_series())
        };
        let mut columns = vec![
            column(RUN, all().map(|f| Some(f.run.as_str())).collect::<StringChunked>().into_series()),
            self.column(CONTRIBUTOR, all().map(|f| Some(f.contributor.as_str())))?,
            self.column(BENCH, all().map(|f| Some(f.identity.bench.as_str())))?,
            self.column(CARD, all().map(|f| Some(f.identity.card.as_str())))?,
            self.column(CHIP, all().map(|f| f.identity.chip.as_deref()))?,
            self.column(DRIVER, all().map(|f| Some(f.identity.driver.as_str())))?,
            self.column(BRANCH, all().map(|f| f.identity.branch.as_deref()))?,
            self.column(WORKLOAD, all().map(|f| Some(f.identity.workload.as_str())))?,
            self.column(WORKLOAD_KIND, all().map(|f| f.identity.workload_kind.as_deref()))?,
            self.column(SCENE, all().map(|f| Some(f.identity.scene.as_str())))?,
            self.column(BUILD, all().map(|f| f.identity.build.as_deref()))?,
            self.column(API, all().map(|f| Some(f.identity.api.as_str())))?,
            self.column(PRESET, all().map(|f| Some(f.identity.preset.as_str())))?,
            self.column(VARIANT, all().map(|f| Some(f.identity.variant.as_str())))?,
            self.column(PLATFORM, all().map(|f| Some(f.identity.platform.as_str())))?,
            self.column(SETTINGS, settings.iter().map(|s| Some(s.as_str())))?,
            self.column(CELL, cells.iter().map(|s| Some(s.as_str())))?,
            numbers(SCENE_KIND, all().map(|f| place(&SCENE_KINDS, &f.identity.scene_kind)).collect()),
            numbers(OUTCOME, all().map(|f| place(&OUTCOMES, &f.outcome)).collect()),
            numbers(GRADE, all().map(|f| place(&GRADES, &f.grade)).collect()),
            numbers(WIDTH, all().map(|f| f.identity.width).collect()),
            numbers(HEIGHT, all().map(|f| f.identity.height).collect()),
            column(
                RENDER_SCALE,
                Series::from_vec("".into(), all().map(|f| f.identity.render_scale).collect::<Vec<f64>>()),
            ),
            column(DRIVER_DAY, all().map(|f| f.identity.driver_day).collect::<Int32Chunked>().into_series()),
            column(
                MEASURED_DAY,
                Series::from_vec("".into(), all().map(|f| f.measured_day).collect::<Vec<i32>>()),
            ),
            figures(MEAN_FPS, |f| f.mean_fps),
            figures(LOW_PERCENTILE_FPS, |f| f.low_percentile_fps),
            figures(LOW_TAIL_MEAN_FPS, |f| f.low_tail_mean_fps),
            figures(LOW_TIME_SHARE_FPS, |f| f.low_time_share_fps),
            column(
                BETWEEN_PASS_CV,
                all()
                    .map(|f| f.between_pass_cv.filter(|v| v.is_finite()))
                    .collect::<Float64Chunked>()
                    .into_series(),
            ),
            column(CARD_SHARE, all().map(|f| f.card_share).collect::<Float64Chunked>().into_series()),
            Column::full_null(SHARE_LOGIT_SD.into(), facts.len(), &DataType::Float64),
            Column::full_null(ADJUSTED_FPS.into(), facts.len(), &DataType::Float64),
        ];
        columns.extend(ALONE.map(|name| Column::full_null(name.into(), facts.len(), &DataType::Float64)));
        DataFrame::new(facts.len(), columns)
    }
}

/// Rates of the named runs times their factors.
pub(super) fn scaled(rows: &mut DataFrame, factors: &HashMap<String, f64>) -> PolarsResult<()> {
    if rows.height() == 0 {
        return Ok(());
    }
    let by: Vec<f64> = rows
        .column(RUN)?
        .str()?
        .iter()
        .map(|run| run.and_then(|run| factors.get(run)).copied().unwrap_or(1.0))
        .collect();
    for name in [MEAN_FPS, LOW_PERCENTILE_FPS, LOW_TAIL_MEAN_FPS, LOW_TIME_SHARE_FPS, ADJUSTED_FPS] {
        let times: Float64Chunked =
            rows.column(name)?.f64()?.iter().zip(&by).map(|(fps, by)| Some(fps? * by)).collect();
        rows.with_column(times.into_series().with_name(name.into()).into_column())?;
    }
    Ok(())
}

/// Writes what a model says of them into rows.
pub(super) fn viewed(rows: &mut DataFrame, views: &Views) -> PolarsResult<()> {
    if rows.height() == 0 {
        return Ok(());
    }
    let known: Vec<Option<&View>> =
        rows.column(RUN)?.str()?.iter().map(|run| run.and_then(|run| views.get(run))).collect();
    let before = rows.column(CARD_SHARE)?.f64()?.clone();
    let shares = known
        .iter()
        .zip(before.iter())
        .map(|(view, before)| view.map(|v| f64::from(v.card_share)).or(before));
    let shares: Float64Chunked = shares.collect();
    let deviations: Float64Chunked =
        known.iter().map(|view| view.map(|view| f64::from(view.share_logit_sd))).collect();
    let rates = rows.column(MEAN_FPS)?.f64()?.clone();
    let adjusted = known.iter().zip(rates.iter());
    let adjusted: Float64Chunked =
        adjusted.map(|(view, fps)| Some(fps? * f64::from(-view.as_ref()?.bench).exp())).collect();
    let alone = [0, 1, 2].map(|at| -> Float64Chunked {
        known.iter().map(|view| Some(f64::from(view.as_ref()?.alone?[at]))).collect()
    });
    let of_run = [(CARD_SHARE, shares), (SHARE_LOGIT_SD, deviations), (ADJUSTED_FPS, adjusted)];
    for (name, values) in of_run.into_iter().chain(ALONE.into_iter().zip(alone)) {
        rows.with_column(values.into_series().with_name(name.into()).into_column())?;
    }
    Ok(())
}
