//! The fit: Gauss-Newton with damping, the residual scale re-estimated after every step.

use super::design::Design;
use super::low::LowModel;
use super::normal::{BlockCovariance, Linear, Normal, linearise, objective};
use super::{Block, Model, Observation};
use crate::policy::model::ModelPolicy;
use crate::statistics::quantile::median;
use crate::statistics::robust::MAD_TO_SD;

/// Damping of the first step that failed to shrink the objective.
const FIRST_DAMPING: f64 = 1e-3;

/// Factor between successive dampings.
const DAMPING_FACTOR: f64 = 10.0;

/// Failed attempts at one step from which the fit stays where it is: the damping has then grown by 10^8 and
/// steps are below rounding.
const ATTEMPTS: usize = 12;

/// Slack of the comparison of two objectives, relative: sums of that many terms are no more exact.
const OBJECTIVE_SLACK: f64 = 1e-12;

/// Fits a model, see [`Model::fit`].
pub(super) fn fit(rows: &[Observation], start: Option<&Model>, policy: &ModelPolicy) -> Model {
    let design = Design::new(rows, policy);
    let low = LowModel::fit(rows, &policy.low);
    if design.rows.is_empty() {
        return Model { low, ..Model::prior(policy) };
    }
    let mut values = design.start(start);
    let mut scale = start.map_or(policy.scale_start, |model| model.scale);
    let most_steps = if start.is_some() { policy.steps_warm } else { policy.steps_cold };
    let mut linear = linearise(&design, &values, scale, policy);
    let mut damping = 0.0;
    let mut buffer = Vec::new();
    let mut steps = 0;
    while steps < most_steps {
        steps += 1;
        let (stepped, moved);
        (stepped, moved, damping, buffer) = advance(&design, values, &linear, damping, policy, buffer);
        values = stepped;
        let before = scale;
        linear = linearise(&design, &values, scale, policy);
        scale = residual_scale(&linear, scale, policy);
        linear = linearise(&design, &values, scale, policy);
        if moved < policy.step_least && (scale / before - 1.0).abs() < policy.step_least {
            break;
        }
    }
    finish(&design, values, &linear, scale, buffer, policy, Model { steps, low, ..Model::prior(policy) })
}

/// One step that does not raise the objective: its values, the greatest change, the damping to go on with.
fn advance(
    design: &Design,
    values: Vec<f64>,
    linear: &Linear,
    mut damping: f64,
    policy: &ModelPolicy,
    mut buffer: Vec<f64>,
) -> (Vec<f64>, f64, f64, Vec<f64>) {
    let before = objective(design, &values, &linear.variances, policy);
    for _ in 0..ATTEMPTS {
        match Normal::step(design, &values, linear, damping, policy, buffer) {
            Ok((normal, step)) => {
                buffer = normal.into_buffer();
                let longest = step.iter().fold(0.0_f64, |longest, s| longest.max(s.abs()));
                let share = if longest > policy.step_most { policy.step_most / longest } else { 1.0 };
                let trial: Vec<f64> = values.iter().zip(&step).map(|(v, s)| v + share * s).collect();
                let after = objective(design, &trial, &linear.variances, policy);
                if after <= before + OBJECTIVE_SLACK * before.abs() {
                    let calmer = if damping > FIRST_DAMPING { damping / DAMPING_FACTOR } else { 0.0 };
                    return (trial, share * longest, calmer, buffer);
                }
            }
            Err(kept) => buffer = kept,
        }
        damping = (damping * DAMPING_FACTOR).max(FIRST_DAMPING);
    }
    (values, 0.0, damping, buffer)
}

/// 1.15 x 1.4826 x median |residual|, each row's residual brought to the scale of a full-grade run first.
fn residual_scale(linear: &Linear, scale: f64, policy: &ModelPolicy) -> f64 {
    let mut sizes: Vec<f64> = linear
        .residuals
        .iter()
        .zip(&linear.variances)
        .map(|(residual, variance)| residual.abs() * scale / variance.sqrt())
        .collect();
    let middle = median(&mut sizes).unwrap_or(scale);
    (policy.scale_factor * MAD_TO_SD * middle).clamp(policy.scale_least, policy.scale_most)
}

/// The model at the values found, with its covariance.
fn finish(
    design: &Design,
    values: Vec<f64>,
    linear: &Linear,
    scale: f64,
    buffer: Vec<f64>,
    policy: &ModelPolicy,
    model: Model,
) -> Model {
    let Ok((normal, _)) = Normal::step(design, &values, linear, 0.0, policy, buffer) else {
        // Prior precisions keep the matrix positive definite; only figures beyond floating point get here,
        // and nothing can be learned from them.
        return model;
    };
    let (covariance, parts) = normal.covariance(design);
    let (shared, local) = values.split_at(design.shared());
    let blocks: Vec<Block> = design
        .blocks
        .iter()
        .zip(parts)
        .map(|(block, BlockCovariance { own, carry })| Block {
            contributor: block.contributor,
            keys: block.keys.clone(),
            values: local[block.offset..block.offset + block.keys.len()].to_vec(),
            own,
            touched: block.touched.clone(),
            carry,
        })
        .collect();
    Model {
        observations: design.rows.len(),
        scale,
        keys: design.keys.clone(),
        values: shared.to_vec(),
        covariance,
        index: design.index.clone(),
        block_of: blocks.iter().enumerate().map(|(at, block)| (block.contributor, at as u32)).collect(),
        blocks,
        ..model
    }
}
