//! What a step of a ladder says of the card's share at either of its ends.
//!
//! The share of a step is the mean of the shares between its two resolutions. The rate is a soft minimum of what the card
//! and what the platform would do (the model of rates), so that the logit of the share rises with ln(pixels), by the
//! sharpness of that minimum times the card's exponent: at the smaller resolution the share is below the step's, at the
//! larger one above it. At both it follows from the step's, since the mean of a logistic curve between two places has a
//! closed form, the difference of ln(1 + e^x) over the distance.

use super::{LimitedBy, Step};
use crate::policy::ladder::{CARD_SHARE, END_LOGIT_SD, PLATFORM_SHARE, STEP_SHARE_LEAST};

/// The card's share of a rate, and how well it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Share {
    /// ln(share / (1 - share)).
    pub logit: f64,
    /// Standard deviation of it.
    pub sd: f64,
}

fn logit(share: f64) -> f64 {
    (share / (1.0 - share)).ln()
}

impl Share {
    /// A share between 0 and 1, both of which are taken for very near to them.
    pub fn new(share: f64, sd: f64) -> Share {
        Share { logit: logit(share.clamp(1e-9, 1.0 - 1e-9)), sd }
    }

    /// The share at an end of a step. It is as uncertain as the step's own share towards one half; at the ends of the
    /// scale a step says next to nothing of how far beyond it is.
    pub(super) fn at_end(step: &Step, upper: bool) -> Share {
        let rise = step.sharpness * step.card_fall;
        let known = |share: f64| share.clamp(STEP_SHARE_LEAST, 1.0 - STEP_SHARE_LEAST);
        let end = |share: f64| upper_logit(known(share), rise) - if upper { 0.0 } else { rise };
        let inward = if step.share < 0.5 { step.standard_error } else { -step.standard_error };
        let at = end(step.share);
        Share { logit: at, sd: (end(known(step.share) + inward) - at).abs().hypot(END_LOGIT_SD) }
    }

    /// This and another that knows nothing of it, by their precision.
    pub fn with(self, other: Share) -> Share {
        let (own, others) = (self.sd.powi(-2), other.sd.powi(-2));
        let weights = own + others;
        Share { logit: (own * self.logit + others * other.logit) / weights, sd: weights.powf(-0.5) }
    }

    /// What it means, where it is clear of the limits of that class by `clear` standard deviations; none where it may be
    /// another. With 0 it always means something.
    pub fn class(&self, clear: f64) -> Option<LimitedBy> {
        let margin = clear * self.sd;
        let (low, high) = (self.logit - margin, self.logit + margin);
        let (platform, card) = (logit(PLATFORM_SHARE), logit(CARD_SHARE));
        if high <= platform {
            Some(LimitedBy::Platform)
        } else if low >= card {
            Some(LimitedBy::Card)
        } else {
            (low > platform && high < card).then_some(LimitedBy::Mixed)
        }
    }
}

/// The logit of the share at the larger resolution of a step over which the logit rises by `rise` and whose mean share is
/// `mean`: x with ln((1 + e^x) / (1 + e^(x - rise))) = mean rise, solved for e^x.
fn upper_logit(mean: f64, rise: f64) -> f64 {
    (mean * rise).exp_m1().ln() - (-(-(1.0 - mean) * rise).exp_m1()).ln()
}

#[cfg(test)]
mod tests {
    use super::super::{Rung, pixels, share_at, steps};
    use super::*;
    use crate::policy::ladder::{CARD_EXPONENT, CEILING_SHARPNESS};

    /// Rates of a card of a speed at 1 pixel on a platform of another, by the soft minimum itself.
    fn rate(card: f64, platform: f64, (width, height): (u32, u32)) -> (Rung, f64) {
        let alone = card * (f64::from(width) * f64::from(height)).powf(-CARD_EXPONENT);
        let p = CEILING_SHARPNESS;
        let mean_fps = (alone.powf(-p) + platform.powf(-p)).powf(-1.0 / p);
        (Rung { width, height, mean_fps, alone: None }, 1.0 / (1.0 + (alone / platform).powf(p)))
    }

    #[test]
    fn the_shares_at_both_ends_are_those_of_the_soft_minimum() {
        let sizes = [(1280, 720), (1600, 900), (1920, 1080), (2560, 1440)];
        let mut between = 0;
        for platform in [60.0, 80.0, 100.0, 120.0, 150.0, 200.0] {
            let (rungs, truths): (Vec<Rung>, Vec<f64>) = sizes
                .map(|size| rate(120.0 * (1600.0_f64 * 900.0).powf(CARD_EXPONENT), platform, size))
                .into_iter()
                .unzip();
            for step in steps(&rungs) {
                let at = rungs.iter().position(|r| pixels(r.width, r.height) == step.lower_pixels);
                // Beyond a hundredth of either limit the share of a step is cut off.
                let known = step.share > 0.01 && step.share < 0.99;
                let Some(at) = at.filter(|_| known) else { continue };
                for (upper, truth) in [(false, truths[at]), (true, truths[at + 1])] {
                    let found = Share::at_end(&step, upper);
                    assert!(
                        (found.logit - logit(truth)).abs() < 1e-6,
                        "{platform} {step:?}: {found:?}, {truth}"
                    );
                    between += 1;
                }
            }
        }
        assert!(between >= 12, "{between}");
    }

    #[test]
    fn what_a_step_cannot_tell_is_not_clear() {
        let rungs = |fps: [f64; 2]| {
            let size = [(1280, 720), (1600, 900)];
            [0, 1].map(|at| Rung { width: size[at].0, height: size[at].1, mean_fps: fps[at], alone: None })
        };
        let class = |fps: [f64; 2], width: u32, height: u32| {
            share_at(&rungs(fps), width, height, 0.03).and_then(|share| share.class(1.0))
        };
        // No gain from fewer pixels: the platform's at both.
        assert_eq!(class([100.0, 100.0], 1600, 900), Some(LimitedBy::Platform));
        assert_eq!(class([100.0, 100.0], 1280, 720), Some(LimitedBy::Platform));
        // All the gain that a card could have: the card's at the larger, and nobody knows of the smaller.
        assert_eq!(class([140.0, 100.0], 1600, 900), Some(LimitedBy::Card));
        assert_eq!(class([140.0, 100.0], 1280, 720), None);
        // A third of it: the platform has taken over on the way.
        assert_eq!(class([112.0, 100.0], 1280, 720), Some(LimitedBy::Platform));
        assert_eq!(class([112.0, 100.0], 1600, 900), Some(LimitedBy::Mixed));
    }

    #[test]
    fn a_share_has_a_class_where_it_is_clear_of_the_others() {
        let class = |share: f64, sd: f64| Share::new(share, sd).class(1.0);
        assert_eq!(class(0.1, 0.5), Some(LimitedBy::Platform));
        assert_eq!(class(0.2, 0.5), None);
        assert_eq!(class(0.5, 0.5), Some(LimitedBy::Mixed));
        assert_eq!(class(0.5, 1.2), None);
        assert_eq!(class(0.95, 1.0), Some(LimitedBy::Card));
        assert_eq!(class(1.0, 3.0), Some(LimitedBy::Card));
        assert_eq!(Share::new(0.2, 0.5).class(0.0), Some(LimitedBy::Platform));
    }

    #[test]
    fn two_shares_are_taken_together_by_their_precision() {
        let one = Share { logit: 1.0, sd: 0.1 };
        let other = Share { logit: 2.0, sd: 0.2 };
        let both = one.with(other);
        // (100 x 1 + 25 x 2) / 125, sqrt(1 / 125)
        assert!((both.logit - 1.2).abs() < 1e-12 && (both.sd - 0.008_f64.sqrt()).abs() < 1e-12);
    }
}
