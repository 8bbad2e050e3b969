//! Prices: the receipt of a report, a stored report, medians.

use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::price::PriceReport;
use wearmark_core::price::currency::Currency;
use wearmark_core::price::judge::PriceNumbers;
use wearmark_core::price::market::{Market, MarketRow, PriceSpread};

use super::compare::address;
use super::finding::FindingView;
use super::shapes::PriceDocument;
use crate::pricing::PriceReceipt;
use crate::storage::prices::StoredPrice;

/// What became of a report.
#[derive(Debug, Serialize, ToSchema)]
pub struct PriceReceiptView {
    /// Id of the stored report.
    price: String,
    /// Card id; a normalised form of the claim while the catalogue does not know the card.
    card: String,
    /// `accepted`, `held` or `rejected`.
    verdict: &'static str,
    /// Every finding.
    findings: Vec<FindingView>,
    /// What the numeric part of the verdict rests on; null without peers.
    #[schema(value_type = Option<PriceNumbersShape>)]
    numbers: Option<PriceNumbers>,
    /// Held reports of others that this one bears out; they count from now on.
    released: Vec<String>,
    /// When it was received.
    received_at: DateTime<Utc>,
}

impl From<PriceReceipt> for PriceReceiptView {
    fn from(receipt: PriceReceipt) -> PriceReceiptView {
        let judgement = receipt.judgement;
        PriceReceiptView {
            price: receipt.price.into(),
            card: receipt.card,
            verdict: judgement.verdict.as_str(),
            findings: judgement.findings.into_iter().map(FindingView::from).collect(),
            numbers: judgement.numbers,
            released: judgement.releases,
            received_at: receipt.received_at,
        }
    }
}

/// A stored price report.
#[derive(Debug, Serialize, ToSchema)]
pub struct PriceView {
    /// Id.
    price: String,
    /// Public handle of its contributor.
    contributor: String,
    /// When it was received.
    received_at: DateTime<Utc>,
    /// Card id; a normalised form of the claim while the catalogue does not know the card.
    card: String,
    /// `accepted`, `held` or `rejected`.
    verdict: &'static str,
    /// Every finding.
    findings: Vec<FindingView>,
    /// What the numeric part of the verdict rests on; null without peers.
    #[schema(value_type = Option<PriceNumbersShape>)]
    numbers: Option<PriceNumbers>,
    /// The amount as a decimal number in units of the currency; null while the currency is none.
    amount: Option<String>,
    /// The report as submitted.
    #[schema(value_type = PriceDocument)]
    document: PriceReport,
}

impl From<StoredPrice> for PriceView {
    fn from(price: StoredPrice) -> PriceView {
        let amount = Currency::of(&price.document.currency).map(|c| c.written(price.document.amount_minor));
        PriceView {
            price: price.id.into(),
            contributor: price.contributor_name,
            received_at: price.received_at,
            card: price.card,
            verdict: price.verdict.as_str(),
            findings: price.findings.into_iter().map(FindingView::from).collect(),
            numbers: price.numbers,
            amount,
            document: price.document,
        }
    }
}

/// Price reports, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct PriceList {
    /// Revision of the data.
    pub revision: i64,
    /// The rows.
    pub rows: Vec<PriceView>,
    /// Cursor of the next page; null on the last.
    pub next: Option<String>,
}

/// What cards cost in a window of days.
#[derive(Debug, Serialize, ToSchema)]
pub struct MarketView {
    /// Revision of the data.
    revision: i64,
    /// First day that counts.
    first_day: String,
    /// Last day that counts.
    as_of: String,
    /// What the intervals rest on beside each row's own spread.
    #[schema(value_type = PriceSpreadShape)]
    spread: PriceSpread,
    /// By card, currency, condition class, country.
    rows: Vec<MarketRowView>,
}

/// Prices of one card in one currency and condition class.
#[derive(Debug, Serialize, ToSchema)]
pub struct MarketRowView {
    #[serde(flatten)]
    #[schema(value_type = MarketRowShape)]
    row: MarketRow,
    /// The reports behind it, those left out among them.
    prices_href: String,
}

impl MarketView {
    /// The view of medians at a revision.
    pub fn of(revision: i64, market: Market) -> MarketView {
        let (first_day, as_of) = (market.first_day.to_string(), market.as_of.to_string());
        let view = |row: MarketRow| MarketRowView { prices_href: prices(&row, &first_day, &as_of), row };
        let rows = market.rows.into_iter().map(view).collect();
        MarketView { revision, spread: market.spread, rows, first_day, as_of }
    }
}

/// The accepted reports of a row.
pub(crate) fn prices(row: &MarketRow, first_day: &str, as_of: &str) -> String {
    let mut query = vec![
        ("card", row.card.as_str()),
        ("currency", &row.currency),
        ("class", row.condition.as_str()),
        ("verdict", "accepted"),
        ("from", first_day),
        ("to", as_of),
    ];
    query.extend(row.country.as_deref().map(|country| ("country", country)));
    address("/v1/prices", &query)
}

/// What the numeric part of a verdict rests on.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct PriceNumbersShape {
    /// Other contributors with accepted prices of the card, currency and condition class near the date.
    peers: u32,
    /// Median of their medians, in units of the currency.
    median: f64,
    /// The amount over that median.
    ratio: f64,
    /// Standard deviation of logarithms that a further honest price is expected to have from the median.
    spread: f64,
    /// ln of the ratio over the spread: a modified z-score with a moderated spread.
    z: f64,
}

/// What contributors' prices differ by, and where that is from.
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct PriceSpreadShape {
    /// Standard deviation between contributors, of natural logarithms.
    sd: f64,
    /// Degrees of freedom that it weighs as much as.
    df: f64,
    /// `estimated` from the prices of the window, or `assumed` while too few cards have several reporters.
    origin: String,
    /// Groups (card, currency, condition class) of two contributors or more.
    groups: u32,
}

/// Prices of one card in one currency and condition class (and country, where these are kept apart).
#[derive(ToSchema)]
#[expect(dead_code, reason = "only the derived description is used")]
pub struct MarketRowShape {
    /// Card id.
    card: String,
    /// Currency code.
    currency: String,
    /// Condition class: `new`, `second-hand` or `faulty`.
    condition: String,
    /// Country code; null where countries are pooled.
    country: Option<String>,
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
    /// Reports of kinds of price that do not count here, such as asking prices.
    left_out: u32,
    /// First date of a report that counts.
    first: String,
    /// Last date.
    last: String,
}
