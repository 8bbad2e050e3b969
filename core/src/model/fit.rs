//! The fit: Gauss-Newton with damping, the residual scale re-estimated after every step.

use super::design::Design;
use super::low::LowModel;
use super::normal::{BlockCovariance, Linear, Normal, gradient, linearise, objective};
use super::{Block, Model, Observation, plateau, predict};
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

/// A step longer than this changes the slopes at the ceiling too much for the next one to go without a
/// system of its own: p x 0.05 = 0.4.
const NEAR: f64 = 0.05;

/// A factored system serves the next step too while each step is at most this share of the one before, or
/// not much more of it than when the system was fresh.
const SHRINKING: f64 = 0.5;

/// How much more.
const SLACK: f64 = 1.1;

/// Growth of the number of rows after which a fit starts from nothing as well: some ten times from a thousand rows to ten
/// thousand, and hardly ever once there are many.
const GROWTH: f64 = 1.25;

/// Fits a model, see [`Model::fit`].
pub(super) fn fit(rows: &[Observation], start: Option<&Model>, policy: &ModelPolicy) -> Model {
    let design = Design::new(rows, policy);
    if design.rows.is_empty() {
        let losses = vec![0.0; rows.len()];
        return Model { low: LowModel::fit(rows, &losses, &policy.low), ..Model::prior(policy) };
    }
    let mut found = descend(&design, start, policy, Vec::new());
    if let Some(start) = start
        && has_grown(start.observations, design.rows.len())
    {
        let afresh = descend(&design, None, policy, std::mem::take(&mut found.buffer));
        let steps = found.steps + afresh.steps;
        let at = |descent: &Descent| {
            let linear = linearise(&design, &descent.values, start.scale, policy);
            objective(&design, &descent.values, &linear.variances, policy)
        };
        if at(&afresh) < at(&found) {
            found = afresh;
        } else {
            found.buffer = afresh.buffer;
        }
        found.steps = steps;
    }
    let Descent { values, linear, scale, steps, buffer } = found;
    let model =
        finish(&design, values, &linear, scale, buffer, policy, Model { steps, ..Model::prior(policy) });
    let losses: Vec<f64> = rows.iter().map(|row| predict::loss(&model, &row.features).0).collect();
    Model { low: LowModel::fit(rows, &losses, &policy.low), ..model }
}

/// Whether there are more rows by a step than there were. A model that follows from the one before stays in the valley
/// that its first few rows led it into: where all cards are taken to be short of memory and all rates to be higher by
/// what that costs, no short step leads out. So now and then a fit starts from nothing as well, and the better one is kept.
fn has_grown(before: usize, now: usize) -> bool {
    let step = |rows: usize| ((rows.max(1) as f64).ln() / GROWTH.ln()).floor();
    step(before) != step(now)
}

/// Where the steps led.
struct Descent {
    values: Vec<f64>,
    linear: Linear,
    scale: f64,
    steps: usize,
    /// Memory of the last linear system, for the next one.
    buffer: Vec<f64>,
}

/// Steps from an earlier model or from nothing.
fn descend(design: &Design, start: Option<&Model>, policy: &ModelPolicy, buffer: Vec<f64>) -> Descent {
    let mut values = design.start(start);
    let mut scale = start.map_or(policy.scale_start, |model| model.scale);
    let most_steps = if start.is_some() { policy.steps_warm } else { policy.steps_cold };
    plateau::leave(design, &mut values, scale * scale, policy);
    let mut linear = linearise(design, &values, scale, policy);
    let mut system =
        System { design, policy, factored: None, buffer, damping: 0.0, last: f64::INFINITY, fresh: None };
    let mut steps = 0;
    while steps < most_steps {
        steps += 1;
        let step;
        (values, step) = system.advance(values, &linear);
        system.keep_while_it_serves(step.longest);
        let before = scale;
        linear = linearise(design, &values, scale, policy);
        scale = residual_scale(&linear, scale, policy);
        linear = linearise(design, &values, scale, policy);
        let settled = (scale / before - 1.0).abs() < policy.step_least;
        if settled && (step.longest < policy.step_least || step.decrement < policy.decrement_least) {
            break;
        }
    }
    system.discard();
    Descent { values, linear, scale, steps, buffer: system.buffer }
}

/// The linear system of the steps. Factoring it is what a fit costs, and it changes little from one short
/// step to the next, so it is kept while it serves.
struct System<'a> {
    design: &'a Design,
    policy: &'a ModelPolicy,
    factored: Option<Normal>,
    buffer: Vec<f64>,
    damping: f64,
    /// Length of the step before.
    last: f64,
    /// What the first step of the factored system was of the one before; none once it is discarded.
    fresh: Option<f64>,
}

/// What a step did.
struct Step {
    /// Greatest change of a parameter.
    longest: f64,
    /// Squared length of the full step in posterior standard deviations (Newton decrement).
    decrement: f64,
}

impl System<'_> {
    /// Discards the system after a long step, and when steps shrink less than they did with the system fresh.
    fn keep_while_it_serves(&mut self, longest: f64) {
        let ratio = longest / self.last;
        self.last = longest;
        let fresh = *self.fresh.get_or_insert(ratio);
        if longest > NEAR || ratio > SHRINKING.max(SLACK * fresh) {
            self.discard();
        }
    }

    /// Forgets the factored system but not its memory.
    fn discard(&mut self) {
        self.fresh = None;
        if let Some(normal) = self.factored.take() {
            self.buffer = normal.into_buffer();
        }
    }

    /// One step that does not raise the objective: the new values and what changed.
    fn advance(&mut self, values: Vec<f64>, linear: &Linear) -> (Vec<f64>, Step) {
        let (design, policy) = (self.design, self.policy);
        let before = objective(design, &values, &linear.variances, policy);
        let downhill = gradient(design, &values, linear, policy);
        for _ in 0..ATTEMPTS {
            let kept = self.factored.is_some();
            if !kept {
                match Normal::factor(design, linear, self.damping, policy, std::mem::take(&mut self.buffer)) {
                    Ok(normal) => self.factored = Some(normal),
                    Err(buffer) => self.buffer = buffer,
                }
            }
            if let Some(normal) = &self.factored {
                let mut step = downhill.clone();
                normal.solve(design, &mut step);
                let longest = step.iter().fold(0.0_f64, |longest, s| longest.max(s.abs()));
                let share = if longest > policy.step_most { policy.step_most / longest } else { 1.0 };
                let trial: Vec<f64> = values.iter().zip(&step).map(|(v, s)| v + share * s).collect();
                let after = objective(design, &trial, &linear.variances, policy);
                if after <= before + OBJECTIVE_SLACK * before.abs() {
                    if self.damping > 0.0 {
                        let calmer = self.damping / DAMPING_FACTOR;
                        self.damping = if calmer < FIRST_DAMPING { 0.0 } else { calmer };
                        self.discard();
                    }
                    let decrement = step.iter().zip(&downhill).map(|(s, g)| s * g).sum();
                    return (trial, Step { longest: share * longest, decrement });
                }
            }
            self.discard();
            // A system of an earlier point is replaced by one of this point before it is damped.
            if !kept {
                self.damping = (self.damping * DAMPING_FACTOR).max(FIRST_DAMPING);
            }
        }
        (values, Step { longest: 0.0, decrement: 0.0 })
    }
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
    let Ok(normal) = Normal::factor(design, linear, 0.0, policy, buffer) else {
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
        .map(|(block, BlockCovariance { own, carry, through })| Block {
            contributor: block.contributor,
            keys: block.keys.clone(),
            values: local[block.offset..block.offset + block.keys.len()].to_vec(),
            own,
            touched: block.touched.clone(),
            carry,
            through,
        })
        .collect();
    Model {
        observations: design.rows.len(),
        scale,
        keys: design.keys.clone(),
        values: shared.to_vec(),
        covariance,
        index: design.index.clone(),
        days: design.days.clone(),
        chains: design.chains.clone(),
        block_of: blocks.iter().enumerate().map(|(at, block)| (block.contributor, at as u32)).collect(),
        blocks,
        ..model
    }
}
