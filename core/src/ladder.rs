//! Resolution ladders: was the card measured, or the platform it sits in?
//!
//! On one bench with all settings but the resolution the same, a card-limited rate falls as a power
//! of the number of pixels, and a platform-limited rate does not fall at all. The share of the card in
//! a step is the observed exponent over the exponent that a card-limited step would have.

mod ends;

pub use ends::Share;

use crate::judge::Rung;
use crate::policy::ladder::{
    CARD_EXPONENT, CARD_EXPONENT_SD, CARD_SHARE, MISSTATED_FROM, NOT_CERTAIN_WITHIN, PLATFORM_SHARE, RUNG_SD,
};

/// What holds the rate back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitedBy {
    /// The card: a faster card would be faster here.
    Card,
    /// Some of both.
    Mixed,
    /// Processor, memory, program: a faster card would change nothing.
    Platform,
    /// The card's memory: the rate is fine, and the slow frames are not.
    Memory,
    /// Nobody measured what would tell.
    NotKnown,
}

impl LimitedBy {
    /// The word used in tables.
    pub fn as_str(self) -> &'static str {
        match self {
            LimitedBy::Card => "card",
            LimitedBy::Mixed => "mixed",
            LimitedBy::Platform => "platform",
            LimitedBy::Memory => "memory",
            LimitedBy::NotKnown => "not known",
        }
    }
}

/// One step of a ladder, from a resolution to the next larger one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Pixels of the smaller resolution.
    pub lower_pixels: u64,
    /// Pixels of the larger resolution.
    pub upper_pixels: u64,
    /// Share of the card, 0 (platform only) to about 1 (card only).
    pub share: f64,
    /// Standard error of the share.
    pub standard_error: f64,
    /// What the share means.
    pub class: LimitedBy,
    /// Whether the share is clear of the limits of its class.
    pub certain: bool,
}

impl Step {
    /// ln of the larger resolution's rate over the smaller one's: the share undone.
    fn ln_rise(&self) -> f64 {
        -self.share * CARD_EXPONENT * (self.upper_pixels as f64 / self.lower_pixels as f64).ln()
    }
}

/// The steps of a ladder, smallest resolution first. Rungs of equal pixels are merged by their median;
/// fewer than two resolutions give no step. Rates must be positive.
pub fn classify(rungs: &[Rung]) -> Vec<Step> {
    let mut by_pixels: std::collections::BTreeMap<u64, Vec<f64>> = std::collections::BTreeMap::new();
    for rung in rungs {
        by_pixels.entry(pixels(rung.width, rung.height)).or_default().push(rung.mean_fps);
    }
    let merged: Vec<(u64, f64)> = by_pixels
        .into_iter()
        .filter_map(|(pixels, mut rates)| Some((pixels, crate::statistics::quantile::median(&mut rates)?)))
        .collect();
    merged.windows(2).map(|pair| step(pair[0], pair[1])).collect()
}

fn pixels(width: u32, height: u32) -> u64 {
    u64::from(width) * u64::from(height)
}

fn step((lower_pixels, lower_fps): (u64, f64), (upper_pixels, upper_fps): (u64, f64)) -> Step {
    let octaves = (upper_pixels as f64 / lower_pixels as f64).ln();
    let share = (lower_fps / upper_fps).ln() / octaves / CARD_EXPONENT;
    let from_noise = std::f64::consts::SQRT_2 * RUNG_SD / (octaves * CARD_EXPONENT);
    let from_exponent = CARD_EXPONENT_SD * share / CARD_EXPONENT;
    let standard_error = from_noise.hypot(from_exponent);
    let class = if share >= CARD_SHARE {
        LimitedBy::Card
    } else if share <= PLATFORM_SHARE {
        LimitedBy::Platform
    } else {
        LimitedBy::Mixed
    };
    let nearest = (share - CARD_SHARE).abs().min((share - PLATFORM_SHARE).abs());
    Step {
        lower_pixels,
        upper_pixels,
        share,
        standard_error,
        class,
        certain: nearest > NOT_CERTAIN_WITHIN * standard_error,
    }
}

/// Whether the next larger resolution than the rung's is faster than it by a share of `slower_from` or more, which no
/// card does: something else changed between the runs.
pub fn slower_than_higher(rungs: &[Rung], width: u32, height: u32, slower_from: f64) -> bool {
    let here = pixels(width, height);
    let up = classify(rungs).into_iter().find(|step| step.lower_pixels == here);
    up.is_some_and(|step| step.ln_rise() >= -(1.0 - slower_from).ln())
}

/// Whether the rung's rate is so far above that of the next smaller resolution that one of the two is not what it says.
pub fn misstated(rungs: &[Rung], width: u32, height: u32) -> bool {
    let here = pixels(width, height);
    let down = classify(rungs).into_iter().find(|step| step.upper_pixels == here);
    down.is_some_and(|step| step.ln_rise() >= MISSTATED_FROM.ln_1p())
}

/// What the ladder says of the card's share at a resolution: the step down from it, at the smallest resolution the step up.
/// Steps on which the larger resolution is the faster by a share of `slower_from` or more say nothing. None without a step.
pub fn share_at(rungs: &[Rung], width: u32, height: u32, slower_from: f64) -> Option<Share> {
    let here = pixels(width, height);
    let steps = classify(rungs);
    let down = steps.iter().find(|step| step.upper_pixels == here);
    let step = down.or_else(|| steps.iter().find(|step| step.lower_pixels == here))?;
    (step.ln_rise() < -(1.0 - slower_from).ln()).then(|| Share::at_end(step, down.is_some()))
}

/// What limits the rung at a resolution, where its ladder tells it clearly ([`Share::class`], by a standard deviation).
pub fn limited_by(rungs: &[Rung], width: u32, height: u32) -> Option<LimitedBy> {
    share_at(rungs, width, height, 1.0)?.class(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ladder(rungs: &[(u32, u32, f64)]) -> Vec<Rung> {
        rungs.iter().map(|&(width, height, mean_fps)| Rung { width, height, mean_fps }).collect()
    }

    fn classes(rungs: &[(u32, u32, f64)]) -> Vec<LimitedBy> {
        classify(&ladder(rungs)).iter().map(|s| s.class).collect()
    }

    /// Common practice: a rate that stays as the resolution falls is the platform's.
    #[test]
    fn rates_that_stay_below_full_hd_are_the_platforms() {
        let rungs = [(1920, 1080, 170.0), (1600, 900, 200.0), (1280, 720, 200.0)];
        assert_eq!(classes(&rungs)[0], LimitedBy::Platform);
        assert_eq!(limited_by(&ladder(&rungs), 1600, 900), Some(LimitedBy::Platform));
        assert_eq!(limited_by(&ladder(&rungs), 1280, 720), Some(LimitedBy::Platform));
        assert_ne!(limited_by(&ladder(&rungs), 1920, 1080), Some(LimitedBy::Platform));
    }

    /// Common practice.
    #[test]
    fn a_rate_that_nearly_doubles_from_full_hd_to_hd_is_the_cards() {
        let rungs = [(1920, 1080, 174.0), (1280, 720, 327.0)];
        assert_eq!(classes(&rungs), [LimitedBy::Card]);
        assert_eq!(limited_by(&ladder(&rungs), 1920, 1080), Some(LimitedBy::Card));
        assert_eq!(limited_by(&ladder(&rungs), 1280, 720), None);
    }

    /// Common practice.
    #[test]
    fn one_rate_at_three_resolutions_is_the_platforms() {
        let rungs = [(1920, 1080, 120.0), (1600, 900, 120.0), (1280, 720, 120.0)];
        assert_eq!(classes(&rungs), [LimitedBy::Platform; 2]);
        assert!(classify(&ladder(&rungs)).iter().all(|s| s.certain && s.share.abs() < 1e-12));
    }

    #[test]
    fn a_higher_resolution_that_is_much_faster_is_misstated() {
        let rungs = ladder(&[(1280, 720, 85.0), (1600, 900, 59.0), (1920, 1080, 86.0)]);
        assert!(
            misstated(&rungs, 1920, 1080) && !misstated(&rungs, 1600, 900) && !misstated(&rungs, 1280, 720)
        );
        assert!(slower_than_higher(&rungs, 1600, 900, 0.03) && !slower_than_higher(&rungs, 1920, 1080, 0.03));
        assert!(!misstated(&ladder(&[(1600, 900, 59.0), (1920, 1080, 61.0)]), 1920, 1080));
    }

    #[test]
    fn one_resolution_measured_twice_gives_no_step() {
        assert!(classify(&ladder(&[(1280, 720, 50.0), (1280, 720, 60.0)])).is_empty());
    }
}
