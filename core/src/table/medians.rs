//! Medians per configuration: first the median of each contributor, then the median of those, so
//! that one contributor counts once however often they submit.

use polars::prelude::*;
use serde::{Deserialize, Serialize};

use super::frame::RunFrame;
use super::interval::HalfWidths;
use super::output::Table;
use super::{CONTEXT_KEYS, failed, ladders};
use crate::catalogue::WorkloadKind;
use crate::error::CoreError;
use crate::policy::Policy;
use crate::run::{LowDefinition, SceneKind};
use crate::statistics::Grade;
use crate::target;

/// Which runs to pool, how, and in which order to show the rows. Empty filters let everything through.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MediansQuery {
    /// Card ids.
    pub card: Vec<String>,
    /// Chip ids.
    pub chip: Vec<String>,
    /// Workload ids.
    pub workload: Vec<String>,
    /// Scene ids.
    pub scene: Vec<String>,
    /// Presets.
    pub preset: Vec<String>,
    /// Width, pixels.
    pub width: Option<u32>,
    /// Height, pixels.
    pub height: Option<u32>,
    /// Driver release ids.
    pub driver: Vec<String>,
    /// Driver branches.
    pub branch: Vec<String>,
    /// Platform classes.
    pub platform: Vec<String>,
    /// Graphics APIs.
    pub api: Vec<String>,
    /// Definition of the 1% low shown.
    pub definition: LowDefinition,
    /// Grades pooled; empty means the default, `full` and `short`.
    pub evidence: Vec<Grade>,
    /// Only rows with at least that many contributors.
    pub min_contributors: u32,
    /// Extra keys beside the configuration.
    pub by_driver: bool,
    /// See `by_driver`.
    pub by_build: bool,
    /// See `by_driver`.
    pub by_platform: bool,
    /// Floor on the 1% low that makes a row playable, instead of the workload kind's own, fps.
    pub target_fps: Option<f64>,
    /// Order of the rows.
    pub sort: MediansSort,
}

/// Order of the rows; ties are broken by the keys, so pages are stable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MediansSort {
    /// By the keys, in column order.
    #[default]
    Key,
    /// Fastest first.
    MeanFps,
    /// Highest 1% low first.
    LowFps,
    /// Most contributors first.
    Contributors,
}

/// The table of medians, one row a configuration (and driver release, build, platform class when
/// asked for).
///
/// Columns: the parts of the configuration; the extra keys; `contributors`, `benches`, `runs`,
/// `full_runs` (how many of the runs are of full grade); `mean_fps` and `low_fps`, medians of
/// contributor medians, each with the ends of its interval; `low_definition`; `repeatability_cv`, the
/// median over contributors of their runs' between-pass coefficient of variation;
/// `reproducibility_sd`, the standard deviation of ln contributor medians (about a relative one);
/// `target_fps`, `playable` (the 1% low meets the target; in a practice area, what a live match is
/// expected to leave of it); `limited_by`; `note`.
///
/// # Errors
/// When the table engine fails.
pub fn medians(frame: &RunFrame, query: &MediansQuery, policy: &Policy) -> Result<Table, CoreError> {
    if !frame.has_columns() {
        return Ok(Table::default());
    }
    let pooled = pool(frame, query).map_err(failed("pooling runs into medians"))?;
    let judged = with_intervals(pooled, query, policy).map_err(failed("computing intervals"))?;
    let limits = ladders::limited_by(frame, query.by_platform)?;
    let keys: Vec<Expr> = if query.by_platform {
        vec![col("configuration"), col("platform")]
    } else {
        vec![col("configuration")]
    };
    let joined = judged
        .lazy()
        .join(limits.lazy(), keys.clone(), keys, JoinArgs::new(JoinType::Left))
        .select(output_columns(query))
        .sort_by_exprs(
            order(query),
            SortMultipleOptions::default()
                .with_order_descending_multi(descending(query))
                .with_nulls_last(true),
        )
        .collect()
        .map_err(failed("ordering the medians"))?;
    Ok(Table::new(joined))
}

/// Extra grouping keys of a query, in column order.
fn extra_keys(query: &MediansQuery) -> Vec<&'static str> {
    let mut keys = Vec::new();
    if query.by_driver {
        keys.push("driver");
    }
    if query.by_build {
        keys.push("build");
    }
    if query.by_platform {
        keys.push("platform");
    }
    keys
}

fn low_column(definition: LowDefinition) -> &'static str {
    match definition {
        LowDefinition::Percentile => "low_percentile_fps",
        LowDefinition::TailMean => "low_tail_mean_fps",
        LowDefinition::TimeShare => "low_time_share_fps",
    }
}

/// Which runs count: completed, with a figure, of the grades asked for, passing every filter.
fn admitted(query: &MediansQuery) -> Expr {
    let one_of = |column: &str, values: &[String]| {
        let any = values.iter().map(|v| col(column).eq(lit(v.as_str()))).reduce(Expr::or);
        any.unwrap_or_else(|| lit(true))
    };
    let grades: Vec<String> = if query.evidence.is_empty() {
        vec![Grade::Full.as_str().to_owned(), Grade::Short.as_str().to_owned()]
    } else {
        query.evidence.iter().map(|g| g.as_str().to_owned()).collect()
    };
    let mut admitted =
        col("outcome").eq(lit("completed")).and(col("mean_fps").is_not_null()).and(one_of("grade", &grades));
    for (column, values) in [
        ("card", &query.card),
        ("chip", &query.chip),
        ("workload", &query.workload),
        ("scene", &query.scene),
        ("preset", &query.preset),
        ("driver", &query.driver),
        ("branch", &query.branch),
        ("platform", &query.platform),
        ("api", &query.api),
    ] {
        if !values.is_empty() {
            admitted = admitted.and(one_of(column, values));
        }
    }
    for (column, value) in [("width", query.width), ("height", query.height)] {
        if let Some(value) = value {
            admitted = admitted.and(col(column).eq(lit(value)));
        }
    }
    admitted
}

/// Two-level medians, with the contributors' medians beside them as lists.
fn pool(frame: &RunFrame, query: &MediansQuery) -> PolarsResult<DataFrame> {
    let extra = extra_keys(query);
    let mut cell: Vec<Expr> = vec![col("configuration")];
    cell.extend(extra.iter().map(|k| col(*k)));
    let mut cell_and_contributor = cell.clone();
    cell_and_contributor.push(col("contributor"));
    let mut carried: Vec<&str> = CONTEXT_KEYS.to_vec();
    if query.by_driver {
        carried.extend(["branch", "driver_day"]);
    }
    let firsts = || carried.iter().map(|k| col(*k).first()).collect::<Vec<_>>();

    let mut of_contributor = vec![
        col("mean_fps").median(),
        col(low_column(query.definition)).median().alias("low_fps"),
        col("between_pass_cv").median(),
        col("bench").n_unique().alias("benches"),
        len().alias("runs"),
        col("grade").eq(lit(Grade::Full.as_str())).sum().alias("full_runs"),
    ];
    of_contributor.extend(firsts());
    let mut of_cell = vec![
        col("mean_fps").median(),
        col("low_fps").median(),
        col("between_pass_cv").median().alias("repeatability_cv"),
        col("benches").sum(),
        col("runs").sum(),
        col("full_runs").sum(),
        len().alias("contributors"),
        col("mean_fps").implode(true).alias("mean_of_each"),
        col("low_fps").drop_nulls().implode(true).alias("low_of_each"),
    ];
    of_cell.extend(firsts());
    frame
        .lazy()
        .filter(admitted(query))
        .group_by(cell_and_contributor)
        .agg(of_contributor)
        .group_by(cell)
        .agg(of_cell)
        .filter(col("contributors").gt_eq(lit(query.min_contributors)))
        .collect()
}

/// Adds everything that is computed row by row: intervals, spread, target, playable, note.
fn with_intervals(mut cells: DataFrame, query: &MediansQuery, policy: &Policy) -> PolarsResult<DataFrame> {
    let mut widths = HalfWidths::new(&policy.table);
    let mut ends =
        |value: &str, each: &str| -> PolarsResult<(Vec<Option<f64>>, Vec<Option<f64>>, Vec<Option<f64>>)> {
            let medians = cells.column(value)?.f64()?.clone();
            let lists = cells.column(each)?.list()?.clone();
            let (mut low, mut high, mut spread) = (Vec::new(), Vec::new(), Vec::new());
            for (row, median) in medians.iter().enumerate() {
                let logs: Vec<f64> = match lists.get_as_series(row) {
                    Some(series) => series.f64()?.iter().flatten().map(f64::ln).collect(),
                    None => Vec::new(),
                };
                let width = widths.of(&logs);
                low.push(median.zip(width).map(|(m, w)| m * (-w).exp()));
                high.push(median.zip(width).map(|(m, w)| m * w.exp()));
                spread.push(standard_deviation(&logs));
            }
            Ok((low, high, spread))
        };
    let (mean_low, mean_high, spread) = ends("mean_fps", "mean_of_each")?;
    let (low_low, low_high, _) = ends("low_fps", "low_of_each")?;

    let kinds = cells.column("workload_kind")?.cast(&DataType::String)?;
    let scenes = cells.column("scene_kind")?.cast(&DataType::String)?;
    let lows = cells.column("low_fps")?.f64()?.clone();
    let contributors = cells.column("contributors")?.cast(&DataType::UInt32)?;
    let (mut targets, mut playable, mut notes) = (Vec::new(), Vec::new(), Vec::new());
    for (((kind, scene), low), n) in
        kinds.str()?.iter().zip(scenes.str()?.iter()).zip(lows.iter()).zip(contributors.u32()?.iter())
    {
        let kind = [WorkloadKind::SinglePlayer, WorkloadKind::Multiplayer]
            .into_iter()
            .find(|k| Some(k.as_str()) == kind);
        let practice =
            scene.filter(|s| *s == SceneKind::PracticeArea.as_str()).map(|_| SceneKind::PracticeArea);
        let target = query.target_fps.or(kind.map(|kind| target::floor_fps(kind, policy)));
        targets.push(target);
        playable.push(
            low.zip(target)
                .map(|(low, floor)| target::meets(target::in_play_fps(low, practice, policy), floor)),
        );
        notes.push(match n {
            Some(0 | 1) => Some("one contributor: not enough evidence for an interval"),
            Some(n) if n < policy.table.full_contributors => {
                Some("indicative: the interval rests mostly on what contributors usually differ by")
            }
            _ => None,
        });
    }
    let rows = cells.height();
    for (name, values) in [
        ("mean_fps_from", mean_low),
        ("mean_fps_to", mean_high),
        ("low_fps_from", low_low),
        ("low_fps_to", low_high),
        ("reproducibility_sd", spread),
        ("target_fps", targets),
    ] {
        cells.with_column(Column::new(name.into(), values))?;
    }
    cells.with_column(Column::new("playable".into(), playable))?;
    cells.with_column(Column::new("note".into(), notes))?;
    cells.with_column(Column::new("low_definition".into(), vec![query.definition.as_str(); rows]))?;
    Ok(cells)
}

/// Standard deviation with n - 1; none below two values.
fn standard_deviation(values: &[f64]) -> Option<f64> {
    let n = values.len() as f64;
    if n < 2.0 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n;
    Some((values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
}

fn output_columns(query: &MediansQuery) -> Vec<Expr> {
    let text = |name: &str| col(name).cast(DataType::String);
    let mut columns: Vec<Expr> = CONTEXT_KEYS
        .iter()
        .map(|key| match *key {
            "width" | "height" | "render_scale" => col(*key),
            key => text(key),
        })
        .collect();
    if query.by_driver {
        columns.extend([text("driver"), text("branch"), col("driver_day")]);
    }
    if query.by_build {
        columns.push(text("build"));
    }
    if query.by_platform {
        columns.push(text("platform"));
    }
    columns.extend(["contributors", "benches", "runs", "full_runs"].map(|c| col(c).cast(DataType::UInt32)));
    columns.extend(
        [
            "mean_fps",
            "mean_fps_from",
            "mean_fps_to",
            "low_fps",
            "low_fps_from",
            "low_fps_to",
            "low_definition",
            "repeatability_cv",
            "reproducibility_sd",
            "target_fps",
            "playable",
            "limited_by",
            "note",
        ]
        .map(col),
    );
    columns
}

/// The columns that order the rows: what was asked for, then every key, so that no two rows tie.
fn order(query: &MediansQuery) -> Vec<Expr> {
    let mut order = match query.sort {
        MediansSort::Key => vec![],
        MediansSort::MeanFps => vec![col("mean_fps")],
        MediansSort::LowFps => vec![col("low_fps")],
        MediansSort::Contributors => vec![col("contributors")],
    };
    order.extend(CONTEXT_KEYS.map(col));
    if query.by_driver {
        order.extend([col("driver_day"), col("driver")]);
    }
    if query.by_build {
        order.push(col("build"));
    }
    if query.by_platform {
        order.push(col("platform"));
    }
    order
}

fn descending(query: &MediansQuery) -> Vec<bool> {
    let count = order(query).len();
    let first = query.sort != MediansSort::Key;
    (0..count).map(|at| first && at == 0).collect()
}
