//! The prediction model: what rate a run should show, from everything else that is known.
//!
//! A run is as fast as the slower of card and platform allows, with a rounded corner between the two:
//!
//! ```text
//! E[ln fps] = softmin_p(G - L, C) + bench + build
//! G = card + workload + stage + architecture x (workload, stage) + card x workload + preset + copy of the card
//!     + driver release x architecture x (all workloads, each)
//!     - (a + a_workload + a_architecture,workload) ln(pixels) + memory size x preset
//! C = processor + workload + stage + processor x workload + bench + single channel + preset rank
//! L = most / (1 + e^{-k u}), u = ln(memory asked for / fitted), by workload, preset and pixels
//! softmin_p(G, C) = min - ln(e^{-p (G - min)} + e^{-p (C - min)}) / p, p by workload
//! ```
//!
//! Every effect is a random one: it starts at its prior mean and moves as far as its runs carry it
//! (Henderson 1975, best linear unbiased prediction), so one formula serves a card with a thousand runs and
//! one never seen, which enters by its prior variance. The fit is Gauss-Newton on penalised least squares
//! with the weights of a t distribution (Lange, Little and Taylor 1989). Only sums of effects mean
//! anything: a card's level trades against that of the workloads.

mod terms;
mod rate;
mod design;
pub(crate) mod dense;
mod normal;
mod plateau;
mod fit;
mod predict;
mod chain;
mod low;
mod bytes;
#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;

use std::collections::{BTreeMap, HashMap};

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::ladder::Alone;
use crate::policy::model::ModelPolicy;
use chain::Chains;
use terms::Key;

/// Stands for "not known" in any id of [`Features`].
pub const UNKNOWN: u32 = u32::MAX;

/// What the model is told of a run. Ids come from one vocabulary that the caller keeps; equal words have
/// equal ids. An id that is [`UNKNOWN`] teaches nothing and enters by its prior.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Features {
    /// Card.
    pub card: u32,
    /// Chip architecture; unknown for a card outside the catalogue, which is then one of its own.
    pub family: u32,
    /// Memory of the card, MiB; 0 when not known.
    pub memory_mib: u32,
    /// Workload.
    pub workload: u32,
    /// Workload, scene, API and variant: one id for each combination.
    pub stage: u32,
    /// Workload and preset: one id for each combination.
    pub preset: u32,
    /// Place of the preset in the workload's list, 0 the lightest; 0 when not known.
    pub preset_rank: f64,
    /// ln(width x height x render scale^2 / (2560 x 1440)).
    pub ln_pixels: f64,
    /// Processor.
    pub cpu: u32,
    /// Whether memory runs on one channel where the platform has more.
    pub single_channel: bool,
    /// Contributor.
    pub contributor: u32,
    /// Bench of that contributor.
    pub bench: u32,
    /// Driver release, its vendor included.
    pub release: u32,
    /// Days from 1970-01-01 to the driver release, if known.
    pub release_day: Option<i32>,
    /// Build of the workload.
    pub build: u32,
}

/// A run to learn from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// What is known of it beforehand.
    pub features: Features,
    /// ln(mean fps).
    pub ln_fps: f64,
    /// ln(1% low by `percentile` / mean fps), if the run bears one.
    pub ln_low_ratio: Option<f64>,
    /// Prior weight, 1 for a full-grade run: its residual variance is the model's over this.
    pub weight: f64,
}

/// What a run should show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    /// ln(mean fps).
    pub ln_fps: f64,
    /// Variance of that from parameters known or not; the residual's is not in it.
    pub variance: f64,
    /// The part of that variance which is the card's, its workload's and its settings': other runs of the cell
    /// share that error.
    pub common: f64,
    /// Share of the card, 0 to 1: the derivative of the rate by the card's side. 1 is card-limited.
    pub share: f64,
    /// Standard deviation of ln(share / (1 - share)), which is how far the platform's rate is above the card's times the
    /// sharpness of the corner between them.
    pub share_logit_sd: f64,
    /// What the card would do if its platform held nothing back.
    pub alone: Alone,
    /// Residual standard deviation of one full-grade run.
    pub sigma: f64,
    /// Effect of bench and copy of the card that is part of `ln_fps`.
    pub bench: f64,
    /// Posterior variance of that effect.
    pub bench_variance: f64,
}

/// What the 1% low over the mean should be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LowPrediction {
    /// ln(1% low / mean fps).
    pub ln_low_ratio: f64,
    /// Variance of that from parameters; the residual's is not in it.
    pub variance: f64,
    /// Residual standard deviation.
    pub sigma: f64,
}

/// A fitted model.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    policy: ModelPolicy,
    observations: usize,
    steps: usize,
    /// Residual scale of one full-grade run.
    scale: f64,
    /// Parameters that runs of several contributors share, and their values.
    keys: Vec<Key>,
    values: Vec<f64>,
    /// Their posterior covariance: the lower triangle, row after row.
    covariance: Vec<f64>,
    /// Place of each key in `keys`.
    index: HashMap<Key, u32>,
    /// Day of each driver release that has one.
    days: BTreeMap<u32, i32>,
    /// Effects of releases by what they concern, along the days.
    chains: Chains,
    /// Parameters of one contributor each.
    blocks: Vec<Block>,
    /// Place of each contributor in `blocks`.
    block_of: HashMap<u32, u32>,
    low: low::LowModel,
}

/// Parameters of one contributor, their values, and what links them to the shared ones.
#[derive(Debug, Clone, PartialEq)]
struct Block {
    contributor: u32,
    keys: Vec<Key>,
    values: Vec<f64>,
    /// Posterior covariance among the `m` parameters, m x m.
    own: Vec<f64>,
    /// Shared parameters that rows of this contributor touch, ascending.
    touched: Vec<u32>,
    /// Z = D^-1 B', m x touched: the covariance with the shared parameters is -Z P.
    carry: Vec<f64>,
    /// Z P of those that are touched, m x touched.
    through: Vec<f64>,
}

/// A stored model that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("the stored model cannot be read: {0}")]
pub struct UnreadableModel(pub(crate) &'static str);

impl Model {
    /// A model that has seen nothing: every effect at its prior.
    pub fn prior(policy: &ModelPolicy) -> Model {
        Model {
            policy: policy.clone(),
            observations: 0,
            steps: 0,
            scale: policy.scale_start,
            keys: Vec::new(),
            values: Vec::new(),
            covariance: Vec::new(),
            index: HashMap::new(),
            days: BTreeMap::new(),
            chains: Chains::default(),
            blocks: Vec::new(),
            block_of: HashMap::new(),
            low: low::LowModel::prior(&policy.low),
        }
    }

    /// Learns from runs, from scratch or starting at an earlier fit, which saves steps. Once there are a quarter more rows
    /// than that one had it starts from scratch as well and the better fit is kept, since there are several minima. Rows with a figure that is not finite or a weight that is not positive are left
    /// out. On one kind of processor the same rows in the same order give the same bits.
    pub fn fit(rows: &[Observation], start: Option<&Model>, policy: &ModelPolicy) -> Model {
        fit::fit(rows, start, policy)
    }

    /// Predicts a run; ids never seen enter by their prior. O(effects^2) and O(effects x shared parameters
    /// of the contributor).
    pub fn predict(&self, features: &Features) -> Prediction {
        predict::predict(self, features)
    }

    /// Predicts the 1% low over the mean.
    pub fn predict_low(&self, features: &Features) -> LowPrediction {
        self.low.predict(features, predict::loss(self, features))
    }

    /// Rows that were learned from.
    pub fn observations(&self) -> usize {
        self.observations
    }

    /// Parameters, those of the 1% low left out.
    pub fn parameters(&self) -> usize {
        self.keys.len() + self.blocks.iter().map(|b| b.keys.len()).sum::<usize>()
    }

    /// Residual standard deviation of one full-grade run, ln fps.
    pub fn sigma(&self) -> f64 {
        self.scale
    }

    /// Steps that the fit took.
    pub fn steps(&self) -> usize {
        self.steps
    }

    /// The model as bytes; [`Model::from_bytes`] gives back a model whose predictions are equal bit for
    /// bit. About 4 bytes times the square of the shared parameters.
    pub fn to_bytes(&self) -> Vec<u8> {
        bytes::write(self)
    }

    /// Reads what [`Model::to_bytes`] wrote.
    ///
    /// # Errors
    /// [`UnreadableModel`] when the bytes are of another form, cut short or inconsistent.
    pub fn from_bytes(bytes: &[u8]) -> Result<Model, UnreadableModel> {
        bytes::read(bytes)
    }
}
