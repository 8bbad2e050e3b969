//! One row a run: what tables are made of.

use serde::{Deserialize, Serialize};

use crate::identity::Identity;
use crate::run::Outcome;
use crate::statistics::Grade;

/// An accepted run, reduced to what tables need.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunFact {
    /// Run id.
    pub run: String,
    /// Contributor id.
    pub contributor: String,
    /// Canonical names.
    pub identity: Identity,
    /// How it ended.
    pub outcome: Outcome,
    /// Evidence grade.
    pub grade: Grade,
    /// Days from 1970-01-01 to the measurement.
    pub measured_day: i32,
    /// Mean fps; none for failures.
    pub mean_fps: Option<f64>,
    /// 1% low by `percentile`, fps.
    pub low_percentile_fps: Option<f64>,
    /// 1% low by `tail-mean`, fps.
    pub low_tail_mean_fps: Option<f64>,
    /// 1% low by `time-share`, fps.
    pub low_time_share_fps: Option<f64>,
    /// Coefficient of variation between passes.
    pub between_pass_cv: Option<f64>,
    /// How much of the rate is the card's, 0 to 1, by the model that judged the run when it came; none before the first.
    pub card_share: Option<f64>,
}
