//! The soft minimum of card and platform.

use crate::policy::model::ModelPolicy;

/// `min - ln(e^{-p (card - min)} + e^{-p (platform - min)}) / p`, and its derivative by `card`, the share of
/// the card, 0 to 1; the derivative by `platform` is the rest.
pub(super) fn softmin(card: f64, platform: f64, sharpness: f64) -> (f64, f64) {
    let ahead = sharpness * (card - platform);
    let value = card.min(platform) - (-ahead.abs()).exp().ln_1p() / sharpness;
    (value, 1.0 / (1.0 + ahead.exp()))
}

/// Sharpness once the doubt about both sides is averaged over: where their variances add up to more than
/// `doubt_from`, the expectation of the soft minimum is that of a softer one, by the logistic-normal
/// approximation (MacKay 1992). Only what goes beyond is counted, so that the rate has no step there.
pub(super) fn doubtful_sharpness(variance: f64, policy: &ModelPolicy) -> f64 {
    let p = policy.sharpness;
    let beyond = (variance - policy.doubt_from).max(0.0);
    p / (1.0 + p * p * beyond / policy.doubt_divisor).sqrt()
}

/// How far the variance moves from the linear one, 0, to that of two sides in doubt of their own, 1.
/// Near the corner the linear variance is too small: the sides are known to trade against each other only
/// along a curve. Where both are well known that does not matter, and the linear one is exact.
pub(super) fn doubt_share(variance: f64, policy: &ModelPolicy) -> f64 {
    (variance / policy.doubt_from - 1.0).clamp(0.0, 1.0)
}
