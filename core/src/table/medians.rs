//! Medians per configuration.

use serde::{Deserialize, Serialize};

use super::filters::Filters;
use super::frame::RunFrame;
use super::output::Table;
use super::{limits, pool, rows};
use crate::error::CoreError;
use crate::policy::Policy;
use crate::run::LowDefinition;

/// Which runs to pool, how, and in which order to show the rows.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MediansQuery {
    /// Which runs are pooled, resolution aside.
    pub filters: Filters,
    /// Width, pixels.
    pub width: Option<u32>,
    /// Height, pixels.
    pub height: Option<u32>,
    /// Definition of the 1% low shown.
    pub definition: LowDefinition,
    /// Only rows with at least that many contributors.
    pub min_contributors: u32,
    /// Extra keys beside the configuration.
    pub by_driver: bool,
    /// See `by_driver`.
    pub by_build: bool,
    /// See `by_driver`.
    pub by_platform: bool,
    /// Floor on the 1% low instead of the workload kind's own, fps.
    pub target_fps: Option<f64>,
    /// Order of the rows.
    pub sort: MediansSort,
}

/// Order of the rows; ties are broken by the keys, so pages are stable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MediansSort {
    /// By the keys, in column order; driver releases by their date.
    #[default]
    Key,
    /// Fastest first. Figures of too few contributors to be ranked follow the ranked ones.
    MeanFps,
    /// Highest 1% low first, likewise.
    LowFps,
    /// Most contributors first.
    Contributors,
}

/// The table of medians: one row a configuration (and driver, build, platform where the query splits by
/// them), each figure the median of its contributors' medians.
///
/// | column | meaning |
/// |---|---|
/// | `card`, `chip`, `workload`, `workload_kind`, `scene`, `scene_kind`, `api`, `preset`, `width`, `height`, `render_scale`, `variant` | the configuration |
/// | `driver`, `branch`, `driver_date`; `build`; `platform` | where the query splits by them |
/// | `runs`, `benches` | accepted runs and their benches |
/// | `contributors` | who counts in the figures |
/// | `unanchored` | contributors without enough accepted runs in other configurations that several measured: where five have an anchor the others are left out of the figures, else they count |
/// | `mean_fps`, `mean_fps_from`, `mean_fps_to` | median, and its 95 % interval from two contributors on |
/// | `adjusted_fps` | the same median of rates without what the newest model puts down to each bench and copy of the card; without an interval; null where it knows none of the runs. Of few contributors nearer to what others would measure than `mean_fps`, which stays the reference from five on |
/// | `low_fps`, `low_fps_from`, `low_fps_to`, `low_contributors`, `low_definition` | the same of the 1% low |
/// | `repeatability_cv` | median coefficient of variation between passes |
/// | `reproducibility_sd` | standard deviation of ln(mean fps) between contributors |
/// | `evidence` | weakest grade pooled |
/// | `target_fps`, `playable`, `playable_certain` | floor on the 1% low, whether the median meets it, whether the whole interval agrees |
/// | `delivery` | `even` where the 1% low is at least three quarters of the mean, else `uneven` |
/// | `limited_by` | `card`, `platform` or `mixed`; `memory` where slow frames fall behind as settings outgrow the card's memory; else `not known` |
/// | `limited_by_from` | what that rests on: the `model` of all rates, resolution `ladder`s measured on one bench, `model and ladder`, or `frames` where it is the memory; null where it is not known |
/// | `note` | what to keep in mind; null when there is nothing |
///
/// # Errors
/// When the table engine fails.
pub fn medians(frame: &RunFrame, query: &MediansQuery, policy: &Policy) -> Result<Table, CoreError> {
    let pooled = pool::pool(frame, query, policy)?;
    let limits = limits::limits(frame, &pooled.ladder, query, policy)?;
    rows::rows(&pooled, &limits, query, &frame.priors(&policy.table), policy)
}
