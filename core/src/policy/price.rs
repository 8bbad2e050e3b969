//! Thresholds of price reports and of what is made of them.

use serde::{Deserialize, Serialize};

use crate::table::spread::Prior;

/// Thresholds of price reports and of what is made of them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PricePolicy {
    /// What contributors' prices of one card, currency and condition class differ by in logarithms. Assumed, not
    /// measured: there is no data of our own yet, and second-hand prices of one card are seen to lie a fifth to a third
    /// apart. Few degrees of freedom, so that what a card's own prices say soon prevails. Tables estimate it instead from
    /// `spread_groups` groups on, and say which of the two stands.
    pub spread: Prior,
    /// Cards with prices of two contributors or more, in one currency and condition class, from which the spread is
    /// estimated. Chosen: of fewer, one odd card would set it.
    pub spread_groups: u32,
    /// Days before and behind a report in which other reports are its peers. Chosen: half a year, over which old
    /// cards lose a tenth or so; a shorter window leaves most cards without peers.
    pub peer_days: u32,
    /// Modified z from which a price is held: 3.5 (Iglewicz and Hoaglin 1993; NIST/SEMATECH e-Handbook 1.3.5.17).
    pub hold_z: f64,
    /// Contributors from which their own spread is looked at, and below which a price is marked as hardly compared. Of
    /// fewer than three values a median absolute deviation says nothing.
    pub full_peers: u32,
    /// Days before the first day of sale that a price may name; cards are sold ahead of it here and there (chosen).
    pub launch_slack_days: i64,
    /// Days that a report may lie ahead of the service's day: another time zone's tomorrow.
    pub future_slack_days: i64,
    /// Largest difference in logarithms of held prices that bear each other out: what two sellers differ by (`spread`).
    pub agree_ln: f64,
    /// Most days between them. Chosen: a market that moved is still there two months later.
    pub agree_days: u32,
    /// Share of the recent peers that those who agree must be at least. Chosen: a third; fewer are a few odd sales
    /// beside a market that stands.
    pub agree_share: f64,
    /// Days that tables look back where the query does not say: as `peer_days`.
    pub window_days: u32,
    /// Fewest and most that a query may ask for.
    pub window_range: [u32; 2],
    /// Contributors from which prices are weighed against rates: one seller's price is no market.
    pub value_contributors: u32,
    /// Hours a day in use where the query does not say (chosen; the answer states it).
    pub hours_per_day: f64,
    /// Years of use where the query does not say (chosen; the answer states it).
    pub years: f64,
    /// Days in a year of use.
    pub days_per_year: f64,
}

impl PricePolicy {
    /// The values that the documentation names.
    pub fn published() -> PricePolicy {
        PricePolicy {
            spread: Prior { sd: 0.25, df: 4.0 },
            spread_groups: 20,
            peer_days: 180,
            hold_z: 3.5,
            full_peers: 3,
            launch_slack_days: 30,
            future_slack_days: 1,
            agree_ln: 0.25,
            agree_days: 60,
            agree_share: 1.0 / 3.0,
            window_days: 180,
            window_range: [7, 3650],
            value_contributors: 2,
            hours_per_day: 2.0,
            years: 3.0,
            days_per_year: 365.0,
        }
    }
}
