//! What contributors differ by, estimated from all accepted runs: the prior of the moderated interval.

use std::collections::BTreeMap;

use polars::prelude::*;
use serde::{Deserialize, Serialize};
use statrs::function::beta::ln_beta;

use super::columns::CARD_SHARE;
use super::frame::RunFrame;
use super::interval::Intervals;
use super::medians::MediansQuery;
use super::{pool, rows};
use crate::error::CoreError;
use crate::policy::Policy;
use crate::policy::table::TablePolicy;
use crate::run::LowDefinition;

/// A standard deviation and the degrees of freedom that it weighs as much as.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Prior {
    /// Standard deviation between contributors, of natural logarithms.
    pub sd: f64,
    /// Degrees of freedom: few where configurations differ much in their spread.
    pub df: f64,
}

/// Priors by what sets the rate: where the platform has a part in it, benches of one platform class differ by more.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Strata {
    /// Where the card sets it.
    pub card: Prior,
    /// Elsewhere.
    pub other: Prior,
}

impl Strata {
    /// The prior of a cell; one whose share nobody knows counts as the card's.
    pub fn at(&self, card_share: Option<f64>, policy: &TablePolicy) -> Prior {
        if policy.is_card_limited(card_share) { self.card } else { self.other }
    }
}

/// Priors of the figures that tables show.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Priors {
    /// Of mean fps.
    pub mean_fps: Strata,
    /// Of the 1% low by `percentile`.
    pub low_percentile: Strata,
    /// Of the 1% low by `tail-mean`.
    pub low_tail_mean: Strata,
    /// Of the 1% low by `time-share`.
    pub low_time_share: Strata,
}

impl Priors {
    /// Those of the policy, while too little is known.
    pub fn published(policy: &TablePolicy) -> Priors {
        Priors {
            mean_fps: policy.prior,
            low_percentile: policy.prior_low,
            low_tail_mean: policy.prior_low,
            low_time_share: policy.prior_low,
        }
    }

    /// The one of a 1% low.
    pub fn low(&self, definition: LowDefinition) -> Strata {
        match definition {
            LowDefinition::Percentile => self.low_percentile,
            LowDefinition::TailMean => self.low_tail_mean,
            LowDefinition::TimeShare => self.low_time_share,
        }
    }
}

/// Estimates the priors from the configurations of two contributors or more; where there are too few of them, the
/// policy's stands.
///
/// # Errors
/// When the table engine fails.
pub fn estimate(frame: &RunFrame, policy: &Policy) -> Result<Priors, CoreError> {
    let mut priors = Priors::published(&policy.table);
    for definition in [LowDefinition::Percentile, LowDefinition::TailMean, LowDefinition::TimeShare] {
        let pooled = pool::pool(frame, &MediansQuery { definition, ..MediansQuery::default() }, policy)?;
        let failed = |source| CoreError::Table { doing: "estimating the spread of contributors", source };
        let shares = shares(&pooled.groups).map_err(failed)?;
        let strata = |name: &str, published: Strata| -> Result<Strata, CoreError> {
            let cells = rows::lists(&pooled.groups, name).map_err(failed)?;
            Ok(by_stratum(&cells, &shares, published, &policy.table))
        };
        match definition {
            LowDefinition::Percentile => {
                priors.low_percentile = strata(pool::LOWS, priors.low_percentile)?;
                priors.mean_fps = strata(pool::MEANS, priors.mean_fps)?;
            }
            LowDefinition::TailMean => priors.low_tail_mean = strata(pool::LOWS, priors.low_tail_mean)?,
            LowDefinition::TimeShare => priors.low_time_share = strata(pool::LOWS, priors.low_time_share)?,
        }
    }
    Ok(priors)
}

/// How much of the rate of each group is the card's.
pub(super) fn shares(groups: &DataFrame) -> PolarsResult<Vec<Option<f64>>> {
    Ok(groups.column(CARD_SHARE)?.f64()?.iter().collect())
}

/// The priors of the cells on either side of the limit; `published` where there are too few.
fn by_stratum(cells: &[Vec<f64>], shares: &[Option<f64>], published: Strata, policy: &TablePolicy) -> Strata {
    let of = |card: bool| {
        let cells = cells.iter().zip(shares).filter(|(_, share)| policy.is_card_limited(**share) == card);
        fitted(cells.map(|(values, _)| values.as_slice()), policy)
    };
    Strata { card: of(true).unwrap_or(published.card), other: of(false).unwrap_or(published.other) }
}

/// The prior of cells that each have the figures of some contributors.
fn fitted<'a>(cells: impl Iterator<Item = &'a [f64]>, policy: &TablePolicy) -> Option<Prior> {
    let variances: Vec<(f64, f64)> = cells
        .filter_map(|values| Some((Intervals::between(values)?.powi(2), values.len() as f64 - 1.0)))
        .collect();
    if variances.len() < policy.prior_cells as usize {
        return None;
    }
    scaled_f(&variances, policy.prior_df_range)
}

/// Standard deviation and degrees of freedom of the distribution that true variances come from, most likely by sample
/// variances, each given with its degrees of freedom: a sample variance over the prior one then follows F with the
/// sample's and the prior's degrees of freedom (Smyth 2004, Linear models and empirical Bayes methods, 3.1). His moments
/// of logarithms (6.2) give the same in the long run, but most of what they see of pairs is the chance of the smallest
/// differences, which the likelihood passes over. The degrees of freedom are kept within `range`. None without three
/// sample variances, one of them positive.
pub fn scaled_f(variances: &[(f64, f64)], range: [f64; 2]) -> Option<Prior> {
    let largest = variances.iter().map(|(variance, _)| *variance).fold(0.0, f64::max);
    if variances.len() < 3 || largest <= 0.0 {
        return None;
    }
    let bounds = [1e-12 * largest, largest].map(f64::ln);
    let ln_variance = |df: f64| highest(bounds, |ln| log_likelihood(variances, ln, df));
    let ln_df = highest(range.map(f64::ln), |ln| {
        let df = ln.exp();
        log_likelihood(variances, ln_variance(df), df)
    });
    let df = ln_df.exp();
    Some(Prior { sd: (0.5 * ln_variance(df)).exp(), df })
}

/// ln of the likelihood of a prior variance, given by its logarithm, and its degrees of freedom, less what does not
/// depend on them.
fn log_likelihood(variances: &[(f64, f64)], ln_variance: f64, df: f64) -> f64 {
    let precision = (-ln_variance).exp();
    let mut constants: BTreeMap<u64, f64> = BTreeMap::new();
    let terms = variances.iter().map(|(variance, own)| {
        let constant = *constants
            .entry(own.to_bits())
            .or_insert_with(|| 0.5 * own * ((own / df).ln() - ln_variance) - ln_beta(0.5 * own, 0.5 * df));
        constant - 0.5 * (own + df) * (own / df * variance * precision).ln_1p()
    });
    terms.sum()
}

/// Where a function with one hill is highest between two bounds (golden section: Kiefer 1953, Sequential minimax search
/// for a maximum).
fn highest([mut low, mut high]: [f64; 2], of: impl Fn(f64) -> f64) -> f64 {
    let inner = |low: f64, high: f64| [high - GOLDEN * (high - low), low + GOLDEN * (high - low)];
    let [mut left, mut right] = inner(low, high);
    let (mut at_left, mut at_right) = (of(left), of(right));
    while high - low > 1e-3 {
        if at_left > at_right {
            (high, right, at_right) = (right, left, at_left);
            left = inner(low, high)[0];
            at_left = of(left);
        } else {
            (low, left, at_left) = (left, right, at_right);
            right = inner(low, high)[1];
            at_right = of(right);
        }
    }
    f64::midpoint(low, high)
}

const GOLDEN: f64 = 0.618_033_988_749_894_8;
