//! Price reports as moderators see them, and what was decided of them.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::desk::prices::PricePriority;
use wearmark_core::price::market::MarketRow;

use super::price::PriceView;
use crate::moderation::prices::{PriceCase, PriceQueue};
use crate::storage::price_decisions::StoredPriceDecision;

/// How much a report matters, in points.
#[derive(Debug, Serialize, ToSchema)]
pub struct PricePriorityView {
    /// All points; reports are ordered by them.
    points: f64,
    /// For how far the amount is from other contributors' prices.
    deviation: f64,
    /// For the time that it waits.
    age: f64,
}

impl From<PricePriority> for PricePriorityView {
    fn from(priority: PricePriority) -> PricePriorityView {
        let PricePriority { points, deviation, age } = priority;
        PricePriorityView { points, deviation, age }
    }
}

/// What accepted reports say of the card, in the report's currency and class of conditions.
#[derive(Debug, Serialize, ToSchema)]
pub struct BesideView {
    /// Median of contributor medians, in units of the currency.
    median: f64,
    /// 95 % interval, lower end, from two contributors on.
    from: Option<f64>,
    /// Upper end.
    to: Option<f64>,
    /// `one contributor`, `indicative` or `full`.
    standing: String,
    /// Contributors.
    contributors: u32,
    /// Reports that count.
    reports: u32,
}

impl From<MarketRow> for BesideView {
    fn from(row: MarketRow) -> BesideView {
        let MarketRow { median, from, to, standing, contributors, reports, .. } = row;
        BesideView { median, from, to, standing, contributors, reports }
    }
}

/// A price report as a moderator sees it.
#[derive(Debug, Serialize, ToSchema)]
pub struct PriceCaseView {
    /// The report with its findings.
    report: PriceView,
    /// The change of the report that this shows; a decision names it.
    revision: i64,
    /// The card that it would count as: what the catalogue has for the claim now. Null when no table could have it.
    counts_as: Option<String>,
    /// What is published of that card; null where nothing is.
    published: Option<BesideView>,
    /// The last day of the half year that `published` is of: today, or the report's own date when that is further back.
    as_of: String,
    /// How much it matters; null when it does not wait.
    priority: Option<PricePriorityView>,
    /// Whether it waits longer than a case should.
    overdue: bool,
    /// What was decided of it, oldest first.
    decisions: Vec<PriceDecisionView>,
}

impl From<PriceCase> for PriceCaseView {
    fn from(case: PriceCase) -> PriceCaseView {
        PriceCaseView {
            revision: case.price.revision,
            counts_as: case.known_as,
            published: case.row.map(BesideView::from),
            as_of: case.as_of.to_string(),
            priority: case.priority.map(PricePriorityView::from),
            overdue: case.overdue,
            decisions: case.decisions.into_iter().map(PriceDecisionView::from).collect(),
            report: PriceView::from(case.price),
        }
    }
}

/// The price reports that wait.
#[derive(Debug, Serialize, ToSchema)]
pub struct PriceQueueView {
    /// Reports that pass the filter; at most 5000 are looked at, the oldest.
    total: usize,
    /// Those of this page, by falling priority.
    rows: Vec<PriceCaseView>,
}

impl From<PriceQueue> for PriceQueueView {
    fn from(queue: PriceQueue) -> PriceQueueView {
        let rows = queue.cases.into_iter().map(PriceCaseView::from).collect();
        PriceQueueView { total: queue.total, rows }
    }
}

/// A decision of a price report.
#[derive(Debug, Serialize, ToSchema)]
pub struct PriceDecisionView {
    /// Its number; decisions of runs have numbers of their own.
    decision: i64,
    /// When it was made.
    at: DateTime<Utc>,
    /// Account id of the moderator.
    moderator: String,
    /// Of which report.
    price: String,
    /// `accept` or `reject`.
    kind: String,
    /// Why.
    reason: String,
    /// The verdict before.
    was: &'static str,
    /// The verdict from then on.
    verdict: &'static str,
    /// The change of the report that it made.
    revision: i64,
    /// Whether moderator and contributor have described a bench in the same words or share a network: another moderator
    /// should look.
    close: bool,
}

impl From<StoredPriceDecision> for PriceDecisionView {
    fn from(decision: StoredPriceDecision) -> PriceDecisionView {
        PriceDecisionView {
            decision: decision.id,
            at: decision.at,
            moderator: decision.moderator,
            price: decision.price,
            kind: decision.kind,
            reason: decision.reason,
            was: decision.was.as_str(),
            verdict: decision.becomes.as_str(),
            revision: decision.revision,
            close: decision.close,
        }
    }
}

/// Decisions of price reports, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct PriceDecisionList {
    /// Those of this page.
    pub rows: Vec<PriceDecisionView>,
    /// `before` of the next page; null on the last.
    pub next: Option<i64>,
}
