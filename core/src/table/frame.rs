//! The resident frame: every accepted run as one row, keys as categories, ready to be grouped.

use polars::prelude::*;

use super::output::Table;
use super::{CONTEXT_KEYS, failed};
use crate::error::CoreError;
use crate::fact::RunFact;

/// How many appended pieces a frame may hold before its columns are laid out in one piece again.
/// Grouping walks pieces one by one, so a few hundred cost nothing and tens of thousands would.
const MOST_CHUNKS: usize = 256;

/// All accepted runs as columns; cheap to clone, since the columns are shared.
#[derive(Debug, Clone, Default)]
pub struct RunFrame {
    data: DataFrame,
}

impl RunFrame {
    /// A frame of the given runs.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn new(facts: &[RunFact]) -> Result<RunFrame, CoreError> {
        Ok(RunFrame { data: columns_of(facts).map_err(failed("building the frame of runs"))? })
    }

    /// The frame with `gone` taken out (by run id) and `facts` added; the old frame stays as it is.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn updated(&self, facts: &[RunFact], gone: &[String]) -> Result<RunFrame, CoreError> {
        if self.data.width() == 0 {
            return RunFrame::new(facts);
        }
        let doing = "updating the frame of runs";
        let mut data = self.data.clone();
        if !gone.is_empty() {
            let ids = Series::new("run".into(), gone);
            let stays = col("run").is_in(lit(ids).implode(false), false).not();
            data = data.lazy().filter(stays).collect().map_err(failed(doing))?;
        }
        if !facts.is_empty() {
            let added = columns_of(facts).map_err(failed(doing))?;
            data = data.vstack(&added).map_err(failed(doing))?;
        }
        if data.first_col_n_chunks() > MOST_CHUNKS {
            data.rechunk_mut();
        }
        Ok(RunFrame { data })
    }

    /// Runs in the frame.
    pub fn len(&self) -> usize {
        self.data.height()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// One row a run with every column that a table is computed from, so that any published figure
    /// can be computed again by others. Sorted by run id.
    ///
    /// # Errors
    /// When the table engine fails.
    pub fn export(&self) -> Result<Table, CoreError> {
        // Without runs there are columns all the same, so that a file says what it would hold.
        let data = match self.data.width() {
            0 => columns_of(&[]).map_err(failed("exporting the runs"))?,
            _ => self.data.clone(),
        };
        let plain: Vec<Expr> = data
            .schema()
            .iter()
            .filter(|(name, _)| name.as_str() != "configuration")
            .map(|(name, dtype)| match dtype {
                DataType::Categorical(..) => col(name.clone()).cast(DataType::String),
                _ => col(name.clone()),
            })
            .collect();
        let data = data
            .lazy()
            .select(plain)
            .sort(["run"], SortMultipleOptions::default())
            .collect()
            .map_err(failed("exporting the runs"))?;
        Ok(Table::new(data))
    }

    /// The frame as the start of a query.
    pub(super) fn lazy(&self) -> LazyFrame {
        self.data.clone().lazy()
    }

    /// Whether there are columns at all; a frame that never saw a run has none.
    pub(super) fn has_columns(&self) -> bool {
        self.data.width() > 0
    }
}

/// The type of a key column. All key columns share one set of categories, so that pieces made at
/// different times can be stacked and compared without translation.
fn key_type() -> DataType {
    DataType::from_categories(Categories::global())
}

fn columns_of(facts: &[RunFact]) -> PolarsResult<DataFrame> {
    let key = |name: &str, values: Vec<Option<&str>>| -> PolarsResult<Column> {
        Ok(Series::new(name.into(), values).cast(&key_type())?.into_column())
    };
    let text = |of: fn(&RunFact) -> &str| facts.iter().map(|f| Some(of(f))).collect::<Vec<_>>();
    let maybe = |of: fn(&RunFact) -> Option<&str>| facts.iter().map(of).collect::<Vec<_>>();
    let number = |name: &str, of: fn(&RunFact) -> Option<f64>| -> Column {
        Series::new(name.into(), facts.iter().map(of).collect::<Vec<_>>()).into_column()
    };
    let configurations: Vec<String> = facts.iter().map(|f| f.identity.configuration()).collect();
    let columns = vec![
        Series::new("run".into(), facts.iter().map(|f| f.run.as_str()).collect::<Vec<_>>()).into_column(),
        key("contributor", text(|f| &f.contributor))?,
        key("configuration", configurations.iter().map(|c| Some(c.as_str())).collect())?,
        key("card", text(|f| &f.identity.card))?,
        key("chip", maybe(|f| f.identity.chip.as_deref()))?,
        key("workload", text(|f| &f.identity.workload))?,
        key("workload_kind", maybe(|f| f.identity.workload_kind.as_deref()))?,
        key("scene", text(|f| &f.identity.scene))?,
        key("scene_kind", text(|f| f.identity.scene_kind.as_str()))?,
        key("api", text(|f| &f.identity.api))?,
        key("preset", text(|f| &f.identity.preset))?,
        Series::new("width".into(), facts.iter().map(|f| f.identity.width).collect::<Vec<_>>()).into_column(),
        Series::new("height".into(), facts.iter().map(|f| f.identity.height).collect::<Vec<_>>())
            .into_column(),
        number("render_scale", |f| Some(f.identity.render_scale)),
        key("variant", text(|f| &f.identity.variant))?,
        key("driver", text(|f| &f.identity.driver))?,
        key("branch", maybe(|f| f.identity.branch.as_deref()))?,
        Series::new("driver_day".into(), facts.iter().map(|f| f.identity.driver_day).collect::<Vec<_>>())
            .into_column(),
        key("build", maybe(|f| f.identity.build.as_deref()))?,
        key("platform", text(|f| &f.identity.platform))?,
        key("bench", text(|f| &f.identity.bench))?,
        key("outcome", text(|f| f.outcome.as_str()))?,
        key("grade", text(|f| f.grade.as_str()))?,
        Series::new("measured_day".into(), facts.iter().map(|f| f.measured_day).collect::<Vec<_>>())
            .into_column(),
        number("mean_fps", |f| f.mean_fps),
        number("low_percentile_fps", |f| f.low_percentile_fps),
        number("low_tail_mean_fps", |f| f.low_tail_mean_fps),
        number("low_time_share_fps", |f| f.low_time_share_fps),
        number("between_pass_cv", |f| f.between_pass_cv),
    ];
    debug_assert!(CONTEXT_KEYS.iter().all(|k| columns.iter().any(|c| c.name() == *k)));
    DataFrame::new(facts.len(), columns)
}
