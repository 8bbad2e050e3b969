//! Thresholds of the resolution ladders, and of what they and lighter settings say that limits a card.

use serde::{Deserialize, Serialize};

/// Exponent of fps over pixels of a card-limited step. The prior mean over workloads of the project's
/// simulation study; what the model says of the card and workload replaces it where it knows them.
pub const CARD_EXPONENT: f64 = 0.75;

/// Standard deviation of that exponent between workloads, same source.
pub const CARD_EXPONENT_SD: f64 = 0.10;

/// The least exponent that is taken from the model: below it a step of resolution hardly concerns the card. Chosen.
pub const CARD_EXPONENT_LEAST: f64 = 0.2;

/// Relative standard deviation of one rung's mean fps: three passes of a scripted scene repeat to
/// about half a per cent (same source), doubled since ladders are also built from single passes.
pub const RUNG_SD: f64 = 0.01;

/// Share of the card from which a step is called card-limited. Common practice of rounding to quarters.
pub const CARD_SHARE: f64 = 0.75;

/// Share of the card up to which a step is called platform-limited.
pub const PLATFORM_SHARE: f64 = 0.25;

/// Sharpness of the soft minimum of card and platform by which a step's share is taken to its ends, where the model does
/// not know the workload: its prior mean. With 6 to 8 nearly as many cells of six of the demo's worlds are told.
pub const CEILING_SHARPNESS: f64 = 7.0;

/// Standard deviation of the logit of a share at an end of a step that comes with not knowing that sharpness. Chosen: a
/// step of half a doubling then moves by a tenth of its rise.
pub const END_LOGIT_SD: f64 = 0.3;

/// Shares of a step this near to 0 and 1 say no more than that it is near. Chosen: a tenth of what two rungs repeat to.
pub const STEP_SHARE_LEAST: f64 = 0.005;

/// How much faster a higher resolution must be than the next lower one on the same bench, as a share, for one of the two
/// to be taken for misstated: three bad days (5 %, simulation study of this project) and more than ten times what two
/// rungs differ by.
pub const MISSTATED_FROM: f64 = 0.15;

/// Thresholds of what limits a cell of a table.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LadderPolicy {
    /// How much slower a lower resolution must be than a higher one on the same bench to be remarked on, as a share:
    /// more than two standard errors of the difference of two rungs (sqrt(2) x 1 %).
    pub slower_from: f64,
    /// By how much ln(1% low / mean), `percentile`, must be below what it is on cards with more memory in the same scene.
    /// It varies by 0.045 from run to run (simulation study of this project); this is more than twice that.
    pub memory_drop: f64,
    /// The same of `tail-mean`, which varies by three to four times as much, and sees the rare long frames of a small
    /// loss that the percentile passes over. In six worlds of the demo, four of which it was chosen by, this and the slope
    /// tell 270 of 279 cells that have what it takes, and say it of 3 others.
    pub memory_tail_drop: f64,
    /// The most by which ln(1% low / mean), `tail-mean`, may rise with ln fps: eight in ten scenes of those worlds
    /// stay below. A steeper slope is that of memory too small for the slowest.
    pub memory_slope_most: f64,
    /// Benches with more memory that this takes. Chosen: the median of fewer is one bench's.
    pub memory_benches: u32,
    /// Share of the card from which the memory can show: where the platform has more of it, it sets the slow frames too.
    pub memory_share: f64,
    /// Standard deviations of ln(share / (1 - share)) that a share which only the model or only a ladder tells must be
    /// clear of the limits of its class. Chosen: a class that is certain to one in six on either side.
    pub clear: f64,
    /// Cards count as having more memory from that many times as much on: the smallest step that makers offer (chosen).
    pub memory_more: f64,
}

impl LadderPolicy {
    /// The values that the documentation names.
    pub fn published() -> LadderPolicy {
        LadderPolicy {
            slower_from: 0.03,
            memory_drop: 0.12,
            memory_tail_drop: 0.20,
            memory_slope_most: 0.3,
            memory_benches: 3,
            memory_share: 0.5,
            clear: 1.0,
            memory_more: 1.5,
        }
    }
}
