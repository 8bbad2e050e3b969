//! Price reports that wait for a moderator, and what was decided of them.

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use wearmark_core::desk::prices::PriceDecision;
use wearmark_core::finding::Finding;
use wearmark_core::price::PriceReport;
use wearmark_core::price::judge::PriceNumbers;
use wearmark_core::verdict::Verdict;

use super::accounts::name_key;
use super::connection::Conn;
use super::error::StorageError;
use super::ids::AccountId;
use super::prices::written;
use super::rows::odd;
use super::tables::{accounts, price_decisions, prices};
use super::time;

/// Reports looked at, the oldest: more wait than anybody can decide, and an answer must not grow without a bound.
pub const MOST: i64 = 5000;

/// A decision to store.
#[derive(Debug, Clone, Copy)]
pub(crate) struct NewPriceDecision<'a> {
    pub(crate) moderator: &'a AccountId,
    pub(crate) price: &'a str,
    pub(crate) decision: PriceDecision,
    pub(crate) reason: &'a str,
    pub(crate) was: Verdict,
    pub(crate) revision: i64,
    pub(crate) close: bool,
}

/// A stored decision.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredPriceDecision {
    /// Its number.
    pub id: i64,
    /// When it was made.
    pub at: DateTime<Utc>,
    /// Who made it.
    pub moderator: String,
    /// Of which report.
    pub price: String,
    /// `accept` or `reject`.
    pub kind: String,
    /// Why.
    pub reason: String,
    /// The verdict before.
    pub was: Verdict,
    /// The verdict from then on.
    pub becomes: Verdict,
    /// The change of the report that it made.
    pub revision: i64,
    /// Whether moderator and contributor share a bench or a network.
    pub close: bool,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = price_decisions)]
struct DecisionRow {
    id: i64,
    at: NaiveDateTime,
    moderator: String,
    price: String,
    decision: String,
    reason: String,
    was: String,
    becomes: String,
    revision: i64,
    close: bool,
}

impl DecisionRow {
    fn into_decision(self) -> Result<StoredPriceDecision, StorageError> {
        let verdict = |word: &str| Verdict::parse(word).ok_or_else(|| odd("verdict", word));
        Ok(StoredPriceDecision {
            was: verdict(&self.was)?,
            becomes: verdict(&self.becomes)?,
            id: self.id,
            at: time::from_stored(self.at),
            moderator: self.moderator,
            price: self.price,
            kind: self.decision,
            reason: self.reason,
            revision: self.revision,
            close: self.close,
        })
    }
}

/// Stores a decision and gives its number.
pub(crate) fn insert(
    conn: &mut Conn,
    new: &NewPriceDecision<'_>,
    at: DateTime<Utc>,
) -> Result<i64, StorageError> {
    let doing = "storing a decision of a price";
    diesel::insert_into(price_decisions::table)
        .values((
            price_decisions::at.eq(time::to_stored(at)),
            price_decisions::moderator.eq(new.moderator.as_str()),
            price_decisions::price.eq(new.price),
            price_decisions::decision.eq(new.decision.as_str()),
            price_decisions::reason.eq(new.reason),
            price_decisions::was.eq(new.was.as_str()),
            price_decisions::becomes.eq(new.decision.verdict().as_str()),
            price_decisions::revision.eq(new.revision),
            price_decisions::close.eq(new.close),
        ))
        .execute(conn)
        .map_err(StorageError::database(doing))?;
    price_decisions::table
        .order(price_decisions::id.desc())
        .select(price_decisions::id)
        .first(conn)
        .map_err(StorageError::database(doing))
}

/// All decisions of a report, oldest first.
pub(crate) fn of_price(conn: &mut Conn, price: &str) -> Result<Vec<StoredPriceDecision>, StorageError> {
    let rows: Vec<DecisionRow> = price_decisions::table
        .filter(price_decisions::price.eq(price))
        .order(price_decisions::id)
        .select(DecisionRow::as_select())
        .load(conn)
        .map_err(StorageError::database("reading the decisions of a price"))?;
    rows.into_iter().map(DecisionRow::into_decision).collect()
}

/// The newest decisions, newest first, before the one of that number; with `close` only those marked so, or not.
pub(crate) fn newest(
    conn: &mut Conn,
    before: Option<i64>,
    close: Option<bool>,
    limit: u32,
) -> Result<Vec<StoredPriceDecision>, StorageError> {
    let mut query = price_decisions::table
        .order(price_decisions::id.desc())
        .limit(i64::from(limit))
        .select(DecisionRow::as_select())
        .into_boxed();
    if let Some(before) = before {
        query = query.filter(price_decisions::id.lt(before));
    }
    if let Some(close) = close {
        query = query.filter(price_decisions::close.eq(close));
    }
    let rows: Vec<DecisionRow> =
        query.load(conn).map_err(StorageError::database("listing decisions of prices"))?;
    rows.into_iter().map(DecisionRow::into_decision).collect()
}

/// Which waiting reports to look at; what is none lets everything through.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct HeldFilter {
    /// Card id, or the normalised form of a claim that the catalogue did not know.
    pub card: Option<String>,
    /// Public handle of the contributor.
    pub contributor: Option<String>,
}

/// A waiting report, as far as its priority needs it.
pub(crate) struct HeldRow {
    pub(crate) id: String,
    pub(crate) received_at: DateTime<Utc>,
    pub(crate) numbers: Option<PriceNumbers>,
}

/// Reports that are held, oldest first, at most [`MOST`].
pub(crate) fn held(conn: &mut Conn, filter: &HeldFilter) -> Result<Vec<HeldRow>, StorageError> {
    let mut query = prices::table
        .inner_join(accounts::table)
        .filter(prices::verdict.eq(Verdict::Held.as_str()))
        .order(prices::id)
        .limit(MOST)
        .select((prices::id, prices::received_at, prices::numbers))
        .into_boxed();
    if let Some(card) = &filter.card {
        query = query.filter(prices::card.eq(card));
    }
    if let Some(contributor) = &filter.contributor {
        query = query.filter(accounts::name_key.eq(name_key(contributor)));
    }
    let rows: Vec<(String, NaiveDateTime, Option<String>)> =
        query.load(conn).map_err(StorageError::database("listing the prices that wait"))?;
    rows.into_iter()
        .map(|(id, received_at, numbers)| {
            let numbers = numbers
                .map(|text| serde_json::from_str(&text))
                .transpose()
                .map_err(StorageError::damaged("the numbers of a price"))?;
            Ok(HeldRow { id, received_at: time::from_stored(received_at), numbers })
        })
        .collect()
}

/// The row of a report as a decision needs it.
pub(crate) struct PriceSubject {
    pub(crate) contributor: String,
    pub(crate) revision: i64,
    pub(crate) verdict: Verdict,
    pub(crate) card: String,
    pub(crate) report: PriceReport,
    findings: Vec<Finding>,
}

/// The report that is decided of.
pub(crate) fn subject(conn: &mut Conn, price: &str) -> Result<Option<PriceSubject>, StorageError> {
    type Row = (String, i64, String, String, String, String);
    let row: Option<Row> = prices::table
        .filter(prices::id.eq(price))
        .select((
            prices::contributor,
            prices::revision,
            prices::verdict,
            prices::card,
            prices::document,
            prices::findings,
        ))
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading the price to be decided"))?;
    let Some((contributor, revision, verdict, card, document, findings)) = row else { return Ok(None) };
    Ok(Some(PriceSubject {
        contributor,
        revision,
        verdict: Verdict::parse(&verdict).ok_or_else(|| odd("verdict", &verdict))?,
        card,
        report: serde_json::from_str(&document).map_err(StorageError::damaged("a price"))?,
        findings: serde_json::from_str(&findings).map_err(StorageError::damaged("findings of a price"))?,
    }))
}

/// Gives a report the verdict of a decision, the card that it counts under, and one finding more.
pub(crate) fn restate(
    conn: &mut Conn,
    price: &str,
    subject: PriceSubject,
    (verdict, card, revision): (Verdict, &str, i64),
    finding: Finding,
) -> Result<(), StorageError> {
    let mut findings = subject.findings;
    findings.push(finding);
    diesel::update(prices::table.filter(prices::id.eq(price)))
        .set((
            prices::verdict.eq(verdict.as_str()),
            prices::by_numbers.eq(false),
            prices::card.eq(card),
            prices::revision.eq(revision),
            prices::findings.eq(written(&findings)?),
        ))
        .execute(conn)
        .map_err(StorageError::database("deciding a price"))?;
    Ok(())
}
