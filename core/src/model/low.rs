//! The additive model of ln(1% low / mean fps): shrunken effects of workload, stage, card by workload and bench about
//! one mean, and what a memory too small does to it, by backfitting with the weights of a t distribution. A card that
//! fetches over the bus stutters more than it slows down, and differently in each engine: the effect is a slope of the
//! loss that the model of the rate sees, and what it does not say of one configuration grows with that loss.

use std::collections::HashMap;

use super::{Features, LowPrediction, Observation, UNKNOWN};
use crate::policy::model::LowPolicy;
use crate::statistics::quantile::median;
use crate::statistics::robust::MAD_TO_SD;

/// Effects: mean, workload, stage, card by workload, bench, slope of the loss by workload.
pub(super) const EFFECTS: usize = 6;

/// Degrees of freedom of the t distribution of residuals, as in the model of the rate.
const TAIL_DF: f64 = 4.0;

/// Name of a level: the effect and its ids.
pub(super) type LowKey = (u8, [u32; 2]);

/// A level: its effect and the posterior variance of that.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level {
    pub(super) value: f64,
    pub(super) variance: f64,
}

/// The fitted model of the 1% low.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LowModel {
    pub(super) policy: LowPolicy,
    pub(super) scale: f64,
    pub(super) levels: HashMap<LowKey, Level>,
}

/// Levels of a run, in the order of [`EFFECTS`]; none where an id is not known.
fn levels(features: &Features) -> [Option<LowKey>; EFFECTS] {
    let f = features;
    let level = |effect: u8, ids: [u32; 2]| (!ids.contains(&UNKNOWN)).then_some((effect, ids));
    [
        level(0, [0, 0]),
        level(1, [f.workload, 0]),
        level(2, [f.stage, 0]),
        level(3, [f.card, f.workload]),
        level(4, [f.contributor, f.bench]),
        level(5, [f.workload, 0]),
    ]
}

/// Prior standard deviation of an effect.
fn prior_sd(policy: &LowPolicy, effect: usize) -> f64 {
    [
        policy.mean_sd,
        policy.workload_sd,
        policy.stage_sd,
        policy.card_workload_sd,
        policy.bench_sd,
        policy.loss_slope_sd,
    ][effect]
}

/// Factors by which the effects enter.
fn factors(loss: f64) -> [f64; EFFECTS] {
    [1.0, 1.0, 1.0, 1.0, 1.0, loss]
}

/// What to expect where nothing but the loss is known.
fn before(loss: f64, policy: &LowPolicy) -> f64 {
    policy.mean + policy.loss_slope * loss
}

impl LowModel {
    /// A model that has seen nothing.
    pub(super) fn prior(policy: &LowPolicy) -> LowModel {
        LowModel { policy: policy.clone(), scale: policy.scale_start, levels: HashMap::new() }
    }

    /// Fits by a fixed number of sweeps; each sweep sets every level to its shrunken weighted mean of what
    /// the other effects leave, then weighs the rows and the scale anew.
    /// `losses`: of each row what too small a memory costs of its rate, natural log.
    pub(super) fn fit(rows: &[Observation], losses: &[f64], policy: &LowPolicy) -> LowModel {
        let mut index: HashMap<LowKey, usize> = HashMap::new();
        let mut keys: Vec<LowKey> = Vec::new();
        // Of each row: its levels, what it shows beyond what was to be expected, its weight, its loss.
        let mut data: Vec<([Option<usize>; EFFECTS], f64, f64, f64)> = Vec::new();
        for (row, loss) in rows.iter().zip(losses) {
            let Some(low) = row.ln_low_ratio else { continue };
            if !(low.is_finite() && row.weight.is_finite() && row.weight > 0.0) {
                continue;
            }
            let at = levels(&row.features).map(|level| {
                level.map(|key| {
                    *index.entry(key).or_insert_with(|| {
                        keys.push(key);
                        keys.len() - 1
                    })
                })
            });
            data.push((at, low - before(*loss, policy), row.weight, *loss));
        }
        let mut model = LowModel::prior(policy);
        if data.is_empty() {
            return model;
        }
        let mut values = vec![0.0; keys.len()];
        let mut precisions = vec![0.0; keys.len()];
        let mut residuals: Vec<f64> = data.iter().map(|(_, low, ..)| *low).collect();
        for _ in 0..policy.sweeps {
            let variance = model.scale * model.scale;
            // A level that is not known leaves its prior variance in the row.
            let spread: Vec<f64> = data
                .iter()
                .map(|(at, _, weight, loss)| {
                    let factors = factors(*loss);
                    let doubt: f64 = (0..EFFECTS)
                        .filter(|effect| at[*effect].is_none())
                        .map(|effect| (factors[effect] * prior_sd(policy, effect)).powi(2))
                        .sum();
                    variance / weight + doubt + (policy.loss_sd * loss).powi(2)
                })
                .collect();
            let weights: Vec<f64> =
                residuals.iter().zip(&spread).map(|(r, s)| (TAIL_DF + 1.0) / (TAIL_DF * s + r * r)).collect();
            for effect in 0..EFFECTS {
                let mut sums = vec![(0.0, 0.0); keys.len()];
                for (row, (at, _, _, loss)) in data.iter().enumerate() {
                    if let Some(level) = at[effect] {
                        let x = factors(*loss)[effect];
                        sums[level].0 += weights[row] * x * (residuals[row] + x * values[level]);
                        sums[level].1 += weights[row] * x * x;
                    }
                }
                let prior = prior_sd(policy, effect).powi(-2);
                for (level, (sum, weight)) in sums.iter().enumerate() {
                    if usize::from(keys[level].0) == effect {
                        precisions[level] = weight + prior;
                        values[level] = sum / precisions[level];
                    }
                }
                for (row, (at, low, _, loss)) in data.iter().enumerate() {
                    let x = factors(*loss);
                    let of = |effect: usize| at[effect].map_or(0.0, |level| x[effect] * values[level]);
                    residuals[row] = low - (0..EFFECTS).map(of).sum::<f64>();
                }
            }
            let mut sizes: Vec<f64> =
                residuals.iter().zip(&spread).map(|(r, s)| r.abs() * model.scale / s.sqrt()).collect();
            let middle = median(&mut sizes).unwrap_or(model.scale);
            model.scale = (MAD_TO_SD * middle).clamp(policy.scale_least, policy.scale_most);
        }
        model.levels = keys
            .iter()
            .zip(values.iter().zip(&precisions))
            .map(|(key, (value, precision))| (*key, Level { value: *value, variance: 1.0 / precision }))
            .collect();
        model
    }

    /// Predicts; the variance adds those of the effects, as if their levels were estimated apart. `loss` is what too
    /// small a memory costs of the rate, with its variance.
    pub(super) fn predict(&self, features: &Features, loss: (f64, f64)) -> LowPrediction {
        let policy = &self.policy;
        let (loss, doubt) = loss;
        let factors = factors(loss);
        let mut found = LowPrediction {
            ln_low_ratio: before(loss, policy),
            variance: (policy.loss_sd * loss).powi(2)
                + (policy.loss_slope.powi(2) + policy.loss_sd.powi(2)) * doubt,
            sigma: self.scale,
        };
        for (effect, key) in levels(features).iter().enumerate() {
            let unseen = Level { value: 0.0, variance: prior_sd(&self.policy, effect).powi(2) };
            let level = key.and_then(|key| self.levels.get(&key)).copied().unwrap_or(unseen);
            found.ln_low_ratio += factors[effect] * level.value;
            found.variance += factors[effect].powi(2) * level.variance;
        }
        found
    }
}
