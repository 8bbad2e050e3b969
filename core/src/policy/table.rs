//! Thresholds of the published tables.

use serde::{Deserialize, Serialize};

use crate::statistics::Grade;
use crate::table::spread::{Prior, Strata};

/// Thresholds of the published tables.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TablePolicy {
    /// Grades pooled when a query names none: runs of three or more passes. Quick and summary runs stay
    /// available on request; without repeats nothing tells a slip from a figure (common practice).
    pub evidence: Vec<Grade>,
    /// Confidence of the published intervals. Common practice: 0.95.
    pub confidence: f64,
    /// What contributors differ by in ln(mean fps), the prior of the moderated interval (simulation study of this
    /// project), until enough accepted runs say it (`table::spread`). Where the platform has a part in the rate, medians
    /// of 2 to 9 contributors were off by 5 to 7 % there, so one contributor by some 8 %; fewer degrees of freedom, since
    /// such cells differ more.
    pub prior: Strata,
    /// The same of ln(1% low). A 1% low is the mean rate times a ratio that varies by 0.045 from run to
    /// run, nearly independent of it (same study): sqrt(0.038^2 + 0.045^2), and
    /// with 0.08.
    pub prior_low: Strata,
    /// The card sets the rate from this share on (same study).
    pub card_limited_share: f64,
    /// Configurations of two contributors or more from which they say it.
    pub prior_cells: u32,
    /// Degrees of freedom that an estimated prior may have.
    pub prior_df_range: [f64; 2],
    /// Half width of the interval of a median over that of a mean, for many contributors. A normal sample's median
    /// has sqrt(pi / 2) = 1.2533 times the standard error of its mean; 0.945 of it makes 95 % intervals cover
    /// 93 to 97 % whether contributors differ normally, with heavy tails, by more in some cells than in others, or
    /// one in twenty is off by 20 % (`tests/reference/intervals.rs` measures it), where all of it covers up
    /// to 98 %.
    pub median_factor: f64,
    /// What few contributors take off it: (1 - loss / n), for even and for odd numbers; fitted to the exact standard
    /// errors of medians of 3 to 20 normal values. Of two the median is the mean, and the factor 1.
    pub median_factor_loss: [f64; 2],
    /// From that many contributors on, one wild value may not widen the interval of all: the standard
    /// deviation is held to that of Algorithm A (ISO 13528, annex C).
    pub robust_from: u32,
    /// Least share of the plain standard deviation that this leaves, so that ties cannot shrink it.
    pub robust_floor: f64,
    /// Contributors below which a figure has no interval and no rank: one says nothing about the next.
    pub interval_contributors: u32,
    /// Contributors from which a row is no longer called indicative. At 2 and 3 the interval rests
    /// mostly on the prior.
    pub full_contributors: u32,
    /// Accepted runs in other configurations that anchor a contributor in one (simulation study of this project).
    pub anchor_runs: u32,
    /// Configurations that these are in, at least (same study).
    pub anchor_cells: u32,
    /// Other contributors that each of these has, at least (same study).
    pub anchor_others: u32,
    /// Anchored contributors of a configuration from which the others are left out of its figures. Chosen: fewer than
    /// make a row full in that study would lose more to chance than they gain.
    pub anchored_from: u32,
    /// Share of contributors without an anchor from which a row that counts them says so (same study).
    pub unanchored_share: f64,
    /// The prior of a matched ln ratio between contributors: sqrt(2) x 1.57 %, two runs of one bench. Same source.
    pub matched_prior: Prior,
    /// The same of a matched ln ratio of 1% lows, which vary by another 0.045 from run to run (see `prior_low`):
    /// sqrt(2) x sqrt(0.0157^2 + 0.045^2).
    pub matched_prior_low: Prior,
    /// Fewest and most cards of one comparison: below two there is nothing to compare, and eight rows and their
    /// configurations are what a reader can take in (chosen).
    pub compare_cards: [u32; 2],
    /// Configurations that two cards must share before one figure is stated for them. Chosen: with one or two a
    /// single odd setting would be the verdict on a card.
    pub compare_configurations: u32,
    /// Workloads that they must share, likewise. Chosen: one workload says nothing about the others, since cards
    /// differ by workload more than benches do.
    pub compare_workloads: u32,
    /// Workloads from which the figure has an interval: of two the spread between workloads has one degree of
    /// freedom, and the interval (t = 12.7) would say nothing.
    pub compare_interval_workloads: u32,
}

impl TablePolicy {
    /// Whether the card sets a rate of which so much is its own; what nobody knows counts so.
    pub fn is_card_limited(&self, card_share: Option<f64>) -> bool {
        card_share.is_none_or(|share| share >= self.card_limited_share)
    }

    /// The values that the documentation names.
    pub fn published() -> TablePolicy {
        TablePolicy {
            evidence: vec![Grade::Full, Grade::Short],
            confidence: 0.95,
            prior: Strata { card: Prior { sd: 0.038, df: 8.0 }, other: Prior { sd: 0.08, df: 4.0 } },
            prior_low: Strata { card: Prior { sd: 0.059, df: 8.0 }, other: Prior { sd: 0.092, df: 4.0 } },
            card_limited_share: 0.75,
            prior_cells: 50,
            prior_df_range: [1.0, 50.0],
            median_factor: 1.184,
            median_factor_loss: [0.62, 0.22],
            robust_from: 4,
            robust_floor: 0.6,
            interval_contributors: 2,
            full_contributors: 4,
            anchor_runs: 8,
            anchor_cells: 2,
            anchor_others: 3,
            anchored_from: 5,
            unanchored_share: 0.25,
            matched_prior: Prior { sd: 0.0222, df: 8.0 },
            matched_prior_low: Prior { sd: 0.0674, df: 8.0 },
            compare_cards: [2, 8],
            compare_configurations: 3,
            compare_workloads: 2,
            compare_interval_workloads: 3,
        }
    }
}
