//! Repeatability and reproducibility of each workload and scene, as of a test method (ISO 5725-2).

use polars::prelude::*;
use serde::{Deserialize, Serialize};

use super::columns::*;
use super::filters::{Filters, passing};
use super::frame::RunFrame;
use super::keys::Words;
use super::output::Table;
use super::sittings::{self, Group};
use crate::error::CoreError;
use crate::interlab::nested::{Measured, Nested, nested};
use crate::interlab::precision::LIMIT_FACTOR;
use crate::policy::Policy;
use crate::policy::precision::PrecisionPolicy;
use crate::statistics::sum;

/// What was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Frames over time.
    MeanFps,
    /// 1% low by `percentile`.
    LowPercentile,
    /// 1% low by `tail-mean`.
    LowTailMean,
    /// 1% low by `time-share`.
    LowTimeShare,
}

impl Quantity {
    /// All, in the order of the table.
    pub const ALL: [Quantity; 4] =
        [Quantity::MeanFps, Quantity::LowPercentile, Quantity::LowTailMean, Quantity::LowTimeShare];

    /// The word used in queries and tables.
    pub fn as_str(self) -> &'static str {
        match self {
            Quantity::MeanFps => "mean-fps",
            Quantity::LowPercentile => "low-percentile",
            Quantity::LowTailMean => "low-tail-mean",
            Quantity::LowTimeShare => "low-time-share",
        }
    }

    fn column(self) -> &'static str {
        match self {
            Quantity::MeanFps => MEAN_FPS,
            Quantity::LowPercentile => LOW_PERCENTILE_FPS,
            Quantity::LowTailMean => LOW_TAIL_MEAN_FPS,
            Quantity::LowTimeShare => LOW_TIME_SHARE_FPS,
        }
    }
}

/// Which runs to take and how to split them. Empty filters let everything through.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct PrecisionQuery {
    /// Which runs are compared.
    pub filters: Filters,
    /// Quantities; all where empty.
    pub quantity: Vec<Quantity>,
    /// Only rows with at least that many contributors.
    pub min_contributors: u32,
    /// Extra keys beside workload and scene: card.
    pub by_card: bool,
    /// Preset.
    pub by_preset: bool,
    /// Platform class: contributors of one class are compared with each other only.
    pub by_platform: bool,
    /// Workload build, likewise.
    pub by_build: bool,
}

impl PrecisionQuery {
    fn keys(&self) -> Vec<&'static str> {
        let extra = [
            (self.by_card, CARD),
            (self.by_preset, PRESET),
            (self.by_platform, PLATFORM),
            (self.by_build, BUILD),
        ];
        let extra = extra.into_iter().filter(|(on, _)| *on).map(|(_, key)| key);
        [WORKLOAD, SCENE].into_iter().chain(extra).collect()
    }
}

/// The table of precision: one row a workload, scene and quantity (and card, preset, platform, build where the query
/// splits by them). A contributor is a laboratory; a cell, which is a configuration with a driver release, is a
/// material; runs of one bench in one cell are repeats. All spreads are of natural logarithms, times 100: per cent.
///
/// | column | meaning |
/// |---|---|
/// | `workload`, `scene`; `card`, `preset`, `platform`, `build` | the row; the latter where the query splits by them |
/// | `quantity` | `mean-fps`, or the 1% low by its definition |
/// | `contributors`, `benches`, `cells`, `shared_cells`, `runs` | what it rests on; shared cells have two contributors or more |
/// | `repeatability_sd_pct`, `repeatability_from`, `repeatability_df` | s_r, and whether repeated `runs` say it or the spread of `passes` within runs; degrees of freedom of the repeated runs |
/// | `pass_cv_pct` | root mean square of the coefficients of variation between the passes of a run |
/// | `between_sd_pct`, `reproducibility_sd_pct`, `reproducibility_df` | s_L between contributors, s_R of one run of any contributor, degrees of freedom between contributors |
/// | `repeatability_limit_pct`, `reproducibility_limit_pct` | r and R, 2.8 s: two runs differ by more once in twenty times |
/// | `robust_sd_pct` | standard deviation of contributors about their cells by Algorithm A |
/// | `h_tested`, `h_flags`, `k_tested`, `k_flags`, `cochran_tested`, `cochran_flags`, `grubbs_tested`, `grubbs_flags` | tests at the 1 % level and how many exceed it |
/// | `note` | what to keep in mind; null when there is nothing |
///
/// The spread of passes is that of single passes in one sitting. A run averages three or more, which repeats better, and
/// is not started afresh in between, which hides what changes between sittings: read it as a guide. It exists for mean
/// fps only. h and Grubbs compare contributors within a cell of three or more; k and Cochran compare each contributor's
/// variance, pooled over cells, with everybody's.
///
/// # Errors
/// When the table engine fails.
pub fn precision(frame: &RunFrame, query: &PrecisionQuery, policy: &Policy) -> Result<Table, CoreError> {
    let failed = |source| CoreError::Table { doing: "computing precision", source };
    let wanted = query.filters.wanted(frame, policy);
    let runs = passing(&frame.data()?, wanted).map_err(failed)?;
    let rows = rows(&runs, query, &policy.precision).map_err(failed)?;
    Table::of(columns(&runs, &rows, query).map_err(failed)?)
}

/// One row of the table.
struct Row {
    /// Place of one of its runs in the frame.
    first: u32,
    quantity: Quantity,
    benches: usize,
    found: Nested,
    pass_cv: Option<f64>,
    policy: PrecisionPolicy,
}

fn rows(runs: &DataFrame, query: &PrecisionQuery, policy: &PrecisionPolicy) -> PolarsResult<Vec<Row>> {
    let keys = query.keys();
    let mut groups = sittings::groups(runs, &keys)?;
    let ranks: Vec<Vec<u32>> = keys
        .iter()
        .map(|name| {
            let firsts: Vec<u32> = groups.iter().map(|group| group.first).collect();
            Ok(Words::of(runs, name, &firsts)?.ranks())
        })
        .collect::<PolarsResult<_>>()?;
    let mut order: Vec<usize> = (0..groups.len()).collect();
    order.sort_unstable_by(|a, b| ranks.iter().map(|rank| rank[*a]).cmp(ranks.iter().map(|rank| rank[*b])));
    let quantities: Vec<Quantity> = Quantity::ALL
        .into_iter()
        .filter(|q| query.quantity.is_empty() || query.quantity.contains(q))
        .collect();
    let figures: Vec<&Float64Chunked> =
        quantities.iter().map(|q| runs.column(q.column())?.f64()).collect::<PolarsResult<_>>()?;
    let cvs = runs.column(BETWEEN_PASS_CV)?.f64()?;
    let mut rows = Vec::with_capacity(groups.len() * quantities.len());
    for place in order {
        let group = std::mem::replace(&mut groups[place], Group { first: 0, runs: Vec::new() });
        for (quantity, figures) in quantities.iter().zip(&figures) {
            let row = row(&group, *quantity, figures, cvs, policy);
            if row.found.laboratories >= query.min_contributors.max(1) as usize {
                rows.push(row);
            }
        }
    }
    Ok(rows)
}

fn row(
    group: &Group,
    quantity: Quantity,
    figures: &Float64Chunked,
    cvs: &Float64Chunked,
    policy: &PrecisionPolicy,
) -> Row {
    let mut benches = Vec::with_capacity(group.runs.len());
    let mut squares = Vec::new();
    let mut results: Vec<Measured> = Vec::with_capacity(group.runs.len());
    for sitting in &group.runs {
        let Some(value) = figures.get(sitting.run as usize) else { continue };
        results.push(Measured {
            material: sitting.material,
            laboratory: sitting.laboratory,
            value: value.ln(),
        });
        benches.push(sitting.bench);
        if quantity == Quantity::MeanFps {
            squares.extend(cvs.get(sitting.run as usize).map(|cv| cv * cv));
        }
    }
    benches.sort_unstable();
    benches.dedup();
    // Sums must not depend on the order of the runs in the frame.
    squares.sort_unstable_by(f64::total_cmp);
    Row {
        first: group.first,
        quantity,
        benches: benches.len(),
        found: nested(&mut results, policy.level),
        pass_cv: (!squares.is_empty()).then(|| sum::mean(&squares).sqrt()),
        policy: policy.clone(),
    }
}

impl Row {
    /// Repeatability and what it is taken from.
    fn repeatability(&self) -> Option<(f64, &'static str)> {
        let runs = self
            .found
            .repeatability_sd
            .filter(|_| self.found.repeatability_df >= self.policy.repeat_df as usize);
        runs.map(|sd| (sd, "runs")).or_else(|| self.pass_cv.map(|cv| (cv, "passes")))
    }

    fn note(&self) -> Option<String> {
        let mut notes = Vec::new();
        if self.found.reproducibility_sd.is_none() {
            notes.push("no cell has two contributors: not enough evidence for reproducibility");
        } else if self.found.laboratories < self.policy.contributors as usize {
            notes.push("indicative: few contributors");
        }
        match self.repeatability() {
            None => notes.push("too few repeated runs: not enough evidence for repeatability"),
            Some((_, "passes")) => notes.push("repeatability is that of single passes in one sitting"),
            Some(_) => {}
        }
        if notes.is_empty() { None } else { Some(notes.join("; ")) }
    }
}

fn columns(runs: &DataFrame, rows: &[Row], query: &PrecisionQuery) -> PolarsResult<Vec<Column>> {
    let firsts: Vec<u32> = rows.iter().map(|row| row.first).collect();
    let straight: Vec<usize> = (0..rows.len()).collect();
    let mut columns: Vec<Column> = Vec::new();
    for name in query.keys() {
        columns.push(Words::of(runs, name, &firsts)?.column(name, &straight));
    }
    let counts = |name: &str, of: &dyn Fn(&Row) -> usize| {
        Column::new(name.into(), rows.iter().map(|row| of(row) as u32).collect::<Vec<u32>>())
    };
    let per_cent = |name: &str, of: &dyn Fn(&Row) -> Option<f64>| {
        let values: Vec<Option<f64>> = rows.iter().map(|row| of(row).map(|sd| 100.0 * sd)).collect();
        Column::new(name.into(), values)
    };
    let repeatability = |row: &Row| row.repeatability().map(|(sd, _)| sd);
    columns.extend([
        Column::new("quantity".into(), rows.iter().map(|row| row.quantity.as_str()).collect::<Vec<_>>()),
        counts("contributors", &|row| row.found.laboratories),
        counts("benches", &|row| row.benches),
        counts("cells", &|row| row.found.materials),
        counts("shared_cells", &|row| row.found.shared),
        counts("runs", &|row| row.found.results),
        per_cent("repeatability_sd_pct", &repeatability),
        Column::new(
            "repeatability_from".into(),
            rows.iter().map(|row| row.repeatability().map(|(_, from)| from)).collect::<Vec<_>>(),
        ),
        counts("repeatability_df", &|row| row.found.repeatability_df),
        per_cent("pass_cv_pct", &|row| row.pass_cv),
        per_cent("between_sd_pct", &|row| row.found.between_sd),
        per_cent("reproducibility_sd_pct", &|row| row.found.reproducibility_sd),
        counts("reproducibility_df", &|row| row.found.reproducibility_df),
        per_cent("repeatability_limit_pct", &|row| repeatability(row).map(|sd| LIMIT_FACTOR * sd)),
        per_cent("reproducibility_limit_pct", &|row| {
            row.found.reproducibility_sd.map(|sd| LIMIT_FACTOR * sd)
        }),
        per_cent("robust_sd_pct", &|row| row.found.robust_sd),
        counts("h_tested", &|row| row.found.h.tested),
        counts("h_flags", &|row| row.found.h.flagged),
        counts("k_tested", &|row| row.found.k.tested),
        counts("k_flags", &|row| row.found.k.flagged),
        counts("cochran_tested", &|row| row.found.cochran.tested),
        counts("cochran_flags", &|row| row.found.cochran.flagged),
        counts("grubbs_tested", &|row| row.found.grubbs.tested),
        counts("grubbs_flags", &|row| row.found.grubbs.flagged),
        Column::new("note".into(), rows.iter().map(Row::note).collect::<Vec<Option<String>>>()),
    ]);
    Ok(columns)
}
