//! Resolution ladders: was the card measured, or the platform it sits in?
//!
//! On one bench with all settings but the resolution the same, a card-limited rate falls as a power
//! of the number of pixels, and a platform-limited rate does not fall at all. The share of the card in
//! a step is the observed exponent over the exponent that a card-limited step would have.

mod ends;
#[cfg(test)]
mod simulated;

pub use ends::Share;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::policy::ladder::{
    CARD_EXPONENT, CARD_EXPONENT_LEAST, CARD_EXPONENT_SD, CEILING_SHARPNESS, MISSTATED_FROM, RUNG_SD,
};
use crate::statistics::quantile::median;

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

/// What the model says of the card of a rung, apart from the platform it sits in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alone {
    /// ln of the rate that the card would reach if nothing else held it back, fps.
    pub ln_fps: f64,
    /// Standard deviation of the exponent by which that falls with the pixels.
    pub exponent_sd: f64,
    /// Sharpness of the soft minimum of card and platform.
    pub sharpness: f64,
}

/// One resolution of a ladder: runs of the same bench, card, workload scene, driver and other settings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Rung {
    /// Width, pixels.
    pub width: u32,
    /// Height, pixels.
    pub height: u32,
    /// Mean fps.
    pub mean_fps: f64,
    /// What the model says of the card here; none where it does not know the run, and in the evidence of a verdict.
    #[serde(skip)]
    pub alone: Option<Alone>,
}

/// One step of a ladder, from a resolution to the next larger one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Pixels of the smaller resolution.
    pub lower_pixels: u64,
    /// Pixels of the larger resolution.
    pub upper_pixels: u64,
    /// ln of the larger resolution's rate over the smaller one's.
    pub ln_rise: f64,
    /// By how much ln(fps) of the card alone falls over the step.
    pub card_fall: f64,
    /// Sharpness of the soft minimum of card and platform.
    pub sharpness: f64,
    /// Share of the card, 0 (platform only) to about 1 (card only).
    pub share: f64,
    /// Standard error of the share.
    pub standard_error: f64,
}

/// The steps of a ladder, smallest resolution first. Rungs of equal pixels are merged by their median;
/// fewer than two resolutions give no step. Rates must be positive.
pub fn steps(rungs: &[Rung]) -> Vec<Step> {
    let mut by_pixels: BTreeMap<u64, (Vec<f64>, Option<Alone>)> = BTreeMap::new();
    for rung in rungs {
        let (rates, alone) = by_pixels.entry(pixels(rung.width, rung.height)).or_default();
        rates.push(rung.mean_fps);
        *alone = alone.or(rung.alone);
    }
    let merged: Vec<Merged> = by_pixels
        .into_iter()
        .filter_map(|(pixels, (mut rates, alone))| Some(Merged { pixels, fps: median(&mut rates)?, alone }))
        .collect();
    merged.windows(2).map(|pair| step(&pair[0], &pair[1])).collect()
}

fn pixels(width: u32, height: u32) -> u64 {
    u64::from(width) * u64::from(height)
}

/// All rungs of equal pixels.
struct Merged {
    pixels: u64,
    fps: f64,
    alone: Option<Alone>,
}

/// By the model's exponent where it knows both rungs and the card is the slower for having more pixels, else by the usual
/// one.
fn step(lower: &Merged, upper: &Merged) -> Step {
    let logs = (upper.pixels as f64 / lower.pixels as f64).ln();
    let known = lower.alone.zip(upper.alone).map(|(lower, upper)| {
        let sd = lower.exponent_sd.max(upper.exponent_sd);
        ((lower.ln_fps - upper.ln_fps) / logs, sd, (lower.sharpness * upper.sharpness).sqrt())
    });
    let (exponent, exponent_sd, sharpness) = known
        .filter(|known| known.0 >= CARD_EXPONENT_LEAST)
        .unwrap_or((CARD_EXPONENT, CARD_EXPONENT_SD, CEILING_SHARPNESS));
    let card_fall = exponent * logs;
    let ln_rise = (upper.fps / lower.fps).ln();
    let share = -ln_rise / card_fall;
    let from_noise = std::f64::consts::SQRT_2 * RUNG_SD / card_fall;
    let from_exponent = exponent_sd * share / exponent;
    Step {
        lower_pixels: lower.pixels,
        upper_pixels: upper.pixels,
        ln_rise,
        card_fall,
        sharpness,
        share,
        standard_error: from_noise.hypot(from_exponent),
    }
}

/// Whether the next larger resolution than the rung's is faster than it by a share of `slower_from` or more, which no
/// card does: something else changed between the runs.
pub fn slower_than_higher(rungs: &[Rung], width: u32, height: u32, slower_from: f64) -> bool {
    let here = pixels(width, height);
    let up = steps(rungs).into_iter().find(|step| step.lower_pixels == here);
    up.is_some_and(|step| step.ln_rise >= -(1.0 - slower_from).ln())
}

/// Whether the rung's rate is so far above that of the next smaller resolution that one of the two is not what it says.
pub fn misstated(rungs: &[Rung], width: u32, height: u32) -> bool {
    let here = pixels(width, height);
    let down = steps(rungs).into_iter().find(|step| step.upper_pixels == here);
    down.is_some_and(|step| step.ln_rise >= MISSTATED_FROM.ln_1p())
}

/// What the ladder says of the card's share at a resolution: the step down from it, at the smallest resolution the step up.
/// Steps on which the larger resolution is the faster by a share of `slower_from` or more say nothing. None without a step.
pub fn share_at(rungs: &[Rung], width: u32, height: u32, slower_from: f64) -> Option<Share> {
    let here = pixels(width, height);
    let steps = steps(rungs);
    let down = steps.iter().find(|step| step.upper_pixels == here);
    let step = down.or_else(|| steps.iter().find(|step| step.lower_pixels == here))?;
    (step.ln_rise < -(1.0 - slower_from).ln()).then(|| Share::at_end(step, down.is_some()))
}

/// What limits the rung at a resolution, where its ladder tells it clearly ([`Share::class`], by a standard deviation).
pub fn limited_by(rungs: &[Rung], width: u32, height: u32) -> Option<LimitedBy> {
    share_at(rungs, width, height, 1.0)?.class(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ladder(rungs: &[(u32, u32, f64)]) -> Vec<Rung> {
        rungs.iter().map(|&(width, height, mean_fps)| Rung { width, height, mean_fps, alone: None }).collect()
    }

    fn shares(rungs: &[(u32, u32, f64)]) -> Vec<f64> {
        steps(&ladder(rungs)).iter().map(|step| step.share).collect()
    }

    /// Common practice: a rate that stays as the resolution falls is the platform's.
    #[test]
    fn rates_that_stay_below_full_hd_are_the_platforms() {
        let rungs = [(1920, 1080, 170.0), (1600, 900, 200.0), (1280, 720, 200.0)];
        assert!(shares(&rungs)[0].abs() < 1e-12);
        assert_eq!(limited_by(&ladder(&rungs), 1600, 900), Some(LimitedBy::Platform));
        assert_eq!(limited_by(&ladder(&rungs), 1280, 720), Some(LimitedBy::Platform));
        assert_ne!(limited_by(&ladder(&rungs), 1920, 1080), Some(LimitedBy::Platform));
    }

    /// Common practice.
    #[test]
    fn a_rate_that_nearly_doubles_from_full_hd_to_hd_is_the_cards() {
        let rungs = [(1920, 1080, 174.0), (1280, 720, 327.0)];
        assert!(shares(&rungs)[0] > 0.75);
        assert_eq!(limited_by(&ladder(&rungs), 1920, 1080), Some(LimitedBy::Card));
        assert_eq!(limited_by(&ladder(&rungs), 1280, 720), None);
    }

    /// Common practice.
    #[test]
    fn one_rate_at_three_resolutions_is_the_platforms() {
        let rungs = [(1920, 1080, 120.0), (1600, 900, 120.0), (1280, 720, 120.0)];
        assert!(shares(&rungs).iter().all(|share| share.abs() < 1e-12));
        let by = |height| limited_by(&ladder(&rungs), height * 16 / 9, height);
        assert_eq!([720, 900, 1080].map(by), [Some(LimitedBy::Platform); 3]);
    }

    /// A card that loses less to pixels than most is card-limited where others would be limited by both.
    #[test]
    fn the_models_exponent_is_taken_where_it_knows_both_rungs() {
        let logs = (1920.0 * 1080.0 / (1280.0 * 720.0_f64)).ln();
        let ladder = |exponent: f64, sd: f64, known: [bool; 2]| {
            let rung = |height: u32, mean_fps: f64, alone: f64, known: bool| Rung {
                width: height * 16 / 9,
                height,
                mean_fps,
                alone: known.then_some(Alone { ln_fps: alone, exponent_sd: sd, sharpness: 9.0 }),
            };
            let lower = 100.0 * (0.21 * logs).exp();
            [rung(720, lower, 5.0 + exponent * logs, known[0]), rung(1080, 100.0, 5.0, known[1])]
        };
        let of = |rungs: &[Rung]| steps(rungs)[0];
        let own = of(&ladder(0.23, 0.02, [true; 2]));
        assert!((own.share - 0.21 / 0.23).abs() < 1e-9 && own.sharpness == 9.0, "{own:?}");
        assert!(
            (own.standard_error - (0.014_142 / (0.23 * logs)).hypot(0.02 / 0.23 * own.share)).abs() < 1e-6
        );
        assert_eq!(limited_by(&ladder(0.23, 0.02, [true; 2]), 1920, 1080), Some(LimitedBy::Card));
        for usual in [ladder(0.23, 0.02, [true, false]), ladder(-0.1, 0.02, [true; 2])] {
            assert!((of(&usual).share - 0.21 / CARD_EXPONENT).abs() < 1e-9, "{usual:?}");
            assert_ne!(limited_by(&usual, 1920, 1080), Some(LimitedBy::Card));
        }
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
        assert!(steps(&ladder(&[(1280, 720, 50.0), (1280, 720, 60.0)])).is_empty());
    }
}
