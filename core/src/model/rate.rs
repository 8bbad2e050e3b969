//! From the sums of effects to the rate: the soft minimum of card and platform, and what too small a memory costs.

use super::terms::{CARD_SIDE, CORNER_SIDE, OUTSIDE, PLATFORM_SIDE, PRESSURE_SIDE, SIDES};
use crate::policy::model::ModelPolicy;

/// The rate at some sums.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Rate {
    /// ln fps.
    pub(super) value: f64,
    /// Its derivative by each sum.
    pub(super) slopes: [f64; SIDES],
    /// The derivative of what too small a memory costs by the pressure on it.
    pub(super) steepness: f64,
}

/// The rate that a run with these sums of effects shows.
pub(super) fn rate(sums: &[f64; SIDES], policy: &ModelPolicy) -> Rate {
    let (loss, steepness) = loss(sums[PRESSURE_SIDE], policy.memory_slope, policy);
    combine(sums, loss, steepness, sums[CORNER_SIDE].exp())
}

/// The rate to be expected when the sums are known up to these variances. The expectation of a bend is that of a
/// softer one, by the logistic-normal approximation (MacKay 1992): with the variances of both sides where card and
/// platform meet (only what goes beyond `doubt_from`, so that the rate has no step there), with that of the pressure
/// where memory runs short.
pub(super) fn doubtful_rate(sums: &[f64; SIDES], variances: &[f64; SIDES], policy: &ModelPolicy) -> Rate {
    let k = policy.memory_slope;
    let softened = k / (1.0 + k * k * variances[PRESSURE_SIDE] / policy.doubt_divisor).sqrt();
    let (loss, steepness) = loss(sums[PRESSURE_SIDE], softened, policy);
    let p = sums[CORNER_SIDE].exp();
    let beyond = (variances[CARD_SIDE] + variances[PLATFORM_SIDE] - policy.doubt_from).max(0.0);
    combine(sums, loss, steepness, p / (1.0 + p * p * beyond / policy.doubt_divisor).sqrt())
}

fn combine(sums: &[f64; SIDES], loss: f64, steepness: f64, sharpness: f64) -> Rate {
    let (card, platform) = (sums[CARD_SIDE] - loss, sums[PLATFORM_SIDE]);
    let ahead = sharpness * (card - platform);
    let rounding = (-ahead.abs()).exp().ln_1p() / sharpness;
    let share = 1.0 / (1.0 + ahead.exp());
    let lesser = share.min(1.0 - share);
    let mut slopes = [0.0; SIDES];
    slopes[CARD_SIDE] = share;
    slopes[PLATFORM_SIDE] = 1.0 - share;
    slopes[PRESSURE_SIDE] = -share * steepness;
    slopes[CORNER_SIDE] = rounding + (card - platform).abs() * lesser;
    slopes[OUTSIDE] = 1.0;
    Rate { value: card.min(platform) - rounding + sums[OUTSIDE], slopes, steepness }
}

/// What is lost where settings ask for e^`pressure` times the memory at which half of the most is lost, and the
/// derivative of that: a logistic.
fn loss(pressure: f64, slope: f64, policy: &ModelPolicy) -> (f64, f64) {
    let full = 1.0 / (1.0 + (-slope * pressure).exp());
    (policy.memory_loss * full, policy.memory_loss * slope * full * (1.0 - full))
}

/// Nodes and weights of the Gauss-Hermite rule of seven points for the standard normal distribution (Abramowitz and
/// Stegun 1964, table 25.10, x sqrt 2 and weights over sqrt pi).
const NODES: [(f64, f64); 7] = [
    (-3.750_439_717_725_742, 0.000_548_268_855_972_218),
    (-2.366_759_410_734_541, 0.030_757_123_967_586_5),
    (-1.154_405_394_739_968, 0.240_123_178_605_013),
    (0.0, 0.457_142_857_142_857),
    (1.154_405_394_739_968, 0.240_123_178_605_013),
    (2.366_759_410_734_541, 0.030_757_123_967_586_5),
    (3.750_439_717_725_742, 0.000_548_268_855_972_218),
];

/// Mean and variance of the loss when the pressure is normal with this variance: along a bend the variance is more
/// than slope squared times that.
pub(super) fn expected_loss(pressure: f64, variance: f64, policy: &ModelPolicy) -> (f64, f64) {
    let at = |node: f64| loss(pressure + variance.sqrt() * node, policy.memory_slope, policy).0;
    let mean: f64 = NODES.iter().map(|(node, weight)| weight * at(*node)).sum();
    (mean, NODES.iter().map(|(node, weight)| weight * (at(*node) - mean).powi(2)).sum())
}

/// How far the variance moves from the linear one, 0, to that of two sides in doubt of their own, 1. Near the corner
/// the linear variance is too small: the sides are known to trade against each other only along a curve. Where both
/// are well known that does not matter, and the linear one is exact.
pub(super) fn doubt_share(variance: f64, policy: &ModelPolicy) -> f64 {
    (variance / policy.doubt_from - 1.0).clamp(0.0, 1.0)
}
