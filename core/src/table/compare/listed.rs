//! A comparison as rows, for CSV and Parquet.

use polars::prelude::*;

use super::{Against, Comparison, Match, Ratio};
use crate::error::CoreError;
use crate::table::output::Table;

/// One row a pair of cards and matched configuration.
///
/// | column | meaning |
/// |---|---|
/// | `base`, `card` | the pair; ratios are `card` over `base` |
/// | `workload`, `scene`, `api`, `preset`, `width`, `height`, `render_scale`, `variant`, `platform` | the configuration; the last is null where platform classes are pooled |
/// | `platform_limited` | whether the platform was measured, of either card; such rows are there on request only |
/// | `shared_contributors` | who measured both cards on one bench |
/// | `base_runs`, `base_contributors`, `runs`, `contributors` | what the medians rest on |
/// | `base_mean_fps`, `mean_fps`, each with `..._from`, `..._to` | medians and their 95 % intervals |
/// | `mean_fps_ratio` with `..._from`, `..._to`, `..._by` | ratio, its interval, and whether `shared` or `pooled` evidence gives it |
/// | `low_definition`, `base_low_fps`, `low_fps`, `low_fps_ratio` and so on | the same of the 1% low |
///
/// # Errors
/// When the table engine fails.
pub fn compare_table(comparison: &Comparison) -> Result<Table, CoreError> {
    let rows: Vec<(&Against, &Match)> = comparison
        .cards
        .iter()
        .flat_map(|against| against.configurations.iter().map(move |row| (against, row)))
        .collect();
    let texts = |name: &str, of: &dyn Fn(&Match) -> Option<&str>| {
        Column::new(name.into(), rows.iter().map(|(_, row)| of(row)).collect::<Vec<Option<&str>>>())
    };
    let counts = |name: &str, of: &dyn Fn(&Match) -> u32| {
        Column::new(name.into(), rows.iter().map(|(_, row)| of(row)).collect::<Vec<u32>>())
    };
    let figures = |name: &str, of: &dyn Fn(&Match) -> Option<f64>| {
        Column::new(name.into(), rows.iter().map(|(_, row)| of(row)).collect::<Vec<Option<f64>>>())
    };
    let limited: Vec<bool> = rows.iter().map(|(_, row)| row.platform_limited).collect();
    let mut columns = vec![
        Column::new("base".into(), vec![comparison.base.as_str(); rows.len()]),
        Column::new("card".into(), rows.iter().map(|(a, _)| a.card.as_str()).collect::<Vec<_>>()),
        texts("workload", &|m| Some(&m.workload)),
        texts("scene", &|m| Some(&m.scene)),
        texts("api", &|m| Some(&m.api)),
        texts("preset", &|m| Some(&m.preset)),
        counts("width", &|m| m.width),
        counts("height", &|m| m.height),
        figures("render_scale", &|m| Some(m.render_scale)),
        texts("variant", &|m| Some(&m.variant)),
        texts("platform", &|m| m.platform.as_deref()),
        Column::new("platform_limited".into(), limited),
        counts("shared_contributors", &|m| m.shared_contributors),
        counts("base_runs", &|m| m.base.runs),
        counts("base_contributors", &|m| m.base.contributors),
        counts("runs", &|m| m.other.runs),
        counts("contributors", &|m| m.other.contributors),
        figures("base_mean_fps", &|m| Some(m.base.mean_fps)),
        figures("base_mean_fps_from", &|m| m.base.mean_fps_from),
        figures("base_mean_fps_to", &|m| m.base.mean_fps_to),
        figures("mean_fps", &|m| Some(m.other.mean_fps)),
        figures("mean_fps_from", &|m| m.other.mean_fps_from),
        figures("mean_fps_to", &|m| m.other.mean_fps_to),
    ];
    let ratio = |columns: &mut Vec<Column>, name: &str, of: &dyn Fn(&Match) -> Option<Ratio>| {
        columns.push(figures(name, &|m| of(m).map(|r| r.ratio)));
        columns.push(figures(&format!("{name}_from"), &|m| of(m).and_then(|r| r.from)));
        columns.push(figures(&format!("{name}_to"), &|m| of(m).and_then(|r| r.to)));
        columns.push(texts(&format!("{name}_by"), &|m| of(m).map(|r| r.by.as_str())));
    };
    ratio(&mut columns, "mean_fps_ratio", &|m| Some(m.mean_fps));
    columns.extend([
        Column::new("low_definition".into(), vec![comparison.definition.as_str(); rows.len()]),
        figures("base_low_fps", &|m| m.base.low_fps),
        figures("base_low_fps_from", &|m| m.base.low_fps_from),
        figures("base_low_fps_to", &|m| m.base.low_fps_to),
        figures("low_fps", &|m| m.other.low_fps),
        figures("low_fps_from", &|m| m.other.low_fps_from),
        figures("low_fps_to", &|m| m.other.low_fps_to),
    ]);
    ratio(&mut columns, "low_fps_ratio", &|m| m.low_fps);
    Table::of(columns)
}
