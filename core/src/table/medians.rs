//! Medians per configuration.

use serde::{Deserialize, Serialize};

use super::frame::RunFrame;
use super::output::Table;
use crate::error::CoreError;
use crate::policy::Policy;
use crate::run::LowDefinition;
use crate::statistics::Grade;

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
    /// Floor on the 1% low instead of the workload kind's own, fps.
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

/// The table of medians.
///
/// # Errors
/// When the table engine fails.
pub fn medians(frame: &RunFrame, query: &MediansQuery, policy: &Policy) -> Result<Table, CoreError> {
    let _ = (frame, query, policy);
    Ok(Table {})
}
