//! Price reports.

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::dsl::max;
use diesel::prelude::*;
use wearmark_core::finding::Finding;
use wearmark_core::price::judge::{Beside, PriceJudgement, PriceNumbers};
use wearmark_core::price::{Condition, ConditionClass, PriceFact, PriceReport, PriceSource, day_of};
use wearmark_core::verdict::Verdict;

use super::Storage;
use super::accounts::name_key;
use super::connection::Conn;
use super::error::StorageError;
use super::ids::{AccountId, PriceId};
use super::people::People;
use super::rows::odd;
use super::tables::{accounts, prices};
use super::time;

/// A stored report.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredPrice {
    /// Id.
    pub id: PriceId,
    /// The change that wrote it last.
    pub revision: i64,
    /// The contributor's public handle.
    pub contributor_name: String,
    /// When it was received.
    pub received_at: DateTime<Utc>,
    /// Card id, or a normalised form of the claim.
    pub card: String,
    /// What became of it.
    pub verdict: Verdict,
    /// Everything found.
    pub findings: Vec<Finding>,
    /// What the numeric part of the verdict rests on.
    pub numbers: Option<PriceNumbers>,
    /// As submitted.
    pub document: PriceReport,
}

/// Which reports to list; what is none lets everything through.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PriceFilter {
    /// Card id.
    pub card: Option<String>,
    /// Currency code.
    pub currency: Option<String>,
    /// Condition class.
    pub class: Option<ConditionClass>,
    /// Condition.
    pub condition: Option<Condition>,
    /// Country code.
    pub country: Option<String>,
    /// Kind of price.
    pub source: Option<PriceSource>,
    /// Contributor's public handle.
    pub contributor: Option<String>,
    /// Verdict.
    pub verdict: Option<Verdict>,
    /// First day, from 1970-01-01.
    pub from: Option<i32>,
    /// Last day, likewise.
    pub to: Option<i32>,
}

impl Storage {
    /// A price report.
    ///
    /// # Errors
    /// When the database fails, or what is stored cannot be read.
    pub fn find_price(&self, price: &PriceId) -> Result<Option<StoredPrice>, StorageError> {
        find(&mut *self.reader()?, price)
    }

    /// Price reports that pass the filter, newest first, starting behind `after`.
    ///
    /// # Errors
    /// When the database fails, or what is stored cannot be read.
    pub fn list_prices(
        &self,
        filter: &PriceFilter,
        after: Option<&PriceId>,
        limit: u32,
    ) -> Result<Vec<StoredPrice>, StorageError> {
        list(&mut *self.reader()?, filter, after, limit)
    }

    /// Accepted price reports from one day to another, both included; days from 1970-01-01.
    ///
    /// # Errors
    /// When the database fails, or what is stored cannot be read.
    pub fn accepted_prices(&self, first: i32, last: i32) -> Result<Vec<PriceFact>, StorageError> {
        accepted(&mut *self.reader()?, &self.people(), first, last)
    }
}

/// A report to store.
pub(crate) struct NewPrice<'a> {
    pub(crate) id: &'a PriceId,
    pub(crate) revision: i64,
    pub(crate) contributor: &'a AccountId,
    pub(crate) received_at: DateTime<Utc>,
    pub(crate) fingerprint: &'a str,
    pub(crate) card: &'a str,
    pub(crate) report: &'a PriceReport,
    pub(crate) judgement: &'a PriceJudgement,
}

impl NewPrice<'_> {
    /// Stores it.
    pub(crate) fn insert(&self, conn: &mut Conn) -> Result<(), StorageError> {
        let NewPrice { report, judgement, .. } = self;
        let numbers = judgement.numbers.map(|n| serde_json::to_string(&n)).transpose();
        let amount = i64::try_from(report.amount_minor)
            .map_err(|_| StorageError::Damaged { what: "an amount beyond the schema's bound".to_owned() })?;
        diesel::insert_into(prices::table)
            .values((
                prices::id.eq(self.id.as_str()),
                prices::revision.eq(self.revision),
                prices::contributor.eq(self.contributor.as_str()),
                prices::received_at.eq(time::to_stored(self.received_at)),
                prices::fingerprint.eq(self.fingerprint),
                prices::verdict.eq(judgement.verdict.as_str()),
                prices::by_numbers.eq(judgement.by_numbers),
                prices::card.eq(self.card),
                prices::amount_minor.eq(amount),
                prices::currency.eq(&report.currency),
                prices::day.eq(day_of(report.date)),
                prices::condition.eq(report.condition.as_str()),
                prices::country.eq(&report.country),
                prices::source.eq(report.source.as_str()),
                prices::document
                    .eq(serde_json::to_string(report).map_err(StorageError::damaged("a new price"))?),
                prices::findings.eq(written(&judgement.findings)?),
                prices::numbers.eq(numbers.map_err(StorageError::damaged("the numbers of a new price"))?),
            ))
            .execute(conn)
            .map_err(StorageError::database("storing a price"))?;
        Ok(())
    }
}

/// Findings as they are stored.
pub(crate) fn written(findings: &[Finding]) -> Result<String, StorageError> {
    serde_json::to_string(findings).map_err(StorageError::damaged("findings of a new price"))
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = prices)]
struct FactRow {
    id: String,
    contributor: String,
    verdict: String,
    by_numbers: bool,
    card: String,
    amount_minor: i64,
    currency: String,
    day: i32,
    condition: String,
    country: String,
    source: String,
}

impl FactRow {
    fn into_beside(self) -> Result<Beside, StorageError> {
        let fact = PriceFact {
            id: self.id,
            contributor: self.contributor,
            card: self.card,
            currency: self.currency,
            amount_minor: u64::try_from(self.amount_minor)
                .map_err(|_| StorageError::Damaged { what: "a price below nothing".to_owned() })?,
            day: self.day,
            condition: Condition::parse(&self.condition).ok_or_else(|| odd("condition", &self.condition))?,
            country: self.country,
            source: PriceSource::parse(&self.source).ok_or_else(|| odd("kind of price", &self.source))?,
        };
        let verdict = Verdict::parse(&self.verdict).ok_or_else(|| odd("verdict", &self.verdict))?;
        Ok(Beside { fact, verdict, by_numbers: self.by_numbers })
    }
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = prices)]
struct WholeRow {
    id: String,
    revision: i64,
    received_at: NaiveDateTime,
    card: String,
    verdict: String,
    document: String,
    findings: String,
    numbers: Option<String>,
}

impl WholeRow {
    fn into_stored(self, contributor_name: String) -> Result<StoredPrice, StorageError> {
        Ok(StoredPrice {
            id: price_id(self.id)?,
            revision: self.revision,
            contributor_name,
            received_at: time::from_stored(self.received_at),
            card: self.card,
            verdict: Verdict::parse(&self.verdict).ok_or_else(|| odd("verdict", &self.verdict))?,
            findings: serde_json::from_str(&self.findings)
                .map_err(StorageError::damaged("findings of a price"))?,
            numbers: self
                .numbers
                .map(|text| serde_json::from_str(&text))
                .transpose()
                .map_err(StorageError::damaged("the numbers of a price"))?,
            document: serde_json::from_str(&self.document).map_err(StorageError::damaged("a price"))?,
        })
    }
}

fn price_id(text: String) -> Result<PriceId, StorageError> {
    PriceId::try_from(text).map_err(|e| StorageError::Damaged { what: e.to_string() })
}

/// The stored report with a fingerprint.
pub(crate) fn same(conn: &mut Conn, fingerprint: &str) -> Result<Option<PriceId>, StorageError> {
    let found: Option<String> = prices::table
        .filter(prices::fingerprint.eq(fingerprint))
        .select(prices::id)
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking for the same price"))?;
    found.map(price_id).transpose()
}

/// All reports of a card in a currency, in order of arrival.
pub(crate) fn beside(conn: &mut Conn, card: &str, currency: &str) -> Result<Vec<Beside>, StorageError> {
    let rows: Vec<FactRow> = prices::table
        .filter(prices::card.eq(card))
        .filter(prices::currency.eq(currency))
        .order(prices::id)
        .select(FactRow::as_select())
        .load(conn)
        .map_err(StorageError::database("reading the prices of a card"))?;
    rows.into_iter().map(FactRow::into_beside).collect()
}

/// Accepted reports from one day to another, both included, in order of arrival, each as of the person it counts as.
pub(crate) fn accepted(
    conn: &mut Conn,
    people: &People,
    first: i32,
    last: i32,
) -> Result<Vec<PriceFact>, StorageError> {
    let rows: Vec<FactRow> = prices::table
        .filter(prices::verdict.eq(Verdict::Accepted.as_str()))
        .filter(prices::day.between(first, last))
        .order(prices::id)
        .select(FactRow::as_select())
        .load(conn)
        .map_err(StorageError::database("reading the prices of a window"))?;
    rows.into_iter()
        .map(|row| {
            let fact = row.into_beside()?.fact;
            Ok(PriceFact { contributor: people.person(&fact.contributor).to_owned(), ..fact })
        })
        .collect()
}

/// Lets a held report count, with the finding that says why.
pub(crate) fn release(
    conn: &mut Conn,
    id: &str,
    revision: i64,
    finding: &Finding,
) -> Result<(), StorageError> {
    let doing = "releasing a price";
    let text: String = prices::table
        .filter(prices::id.eq(id))
        .select(prices::findings)
        .first(conn)
        .map_err(StorageError::database(doing))?;
    let mut findings: Vec<Finding> =
        serde_json::from_str(&text).map_err(StorageError::damaged("findings of a price"))?;
    findings.push(finding.clone());
    diesel::update(prices::table.filter(prices::id.eq(id)))
        .set((
            prices::verdict.eq(Verdict::Accepted.as_str()),
            prices::by_numbers.eq(false),
            prices::revision.eq(revision),
            prices::findings.eq(written(&findings)?),
        ))
        .execute(conn)
        .map_err(StorageError::database(doing))?;
    Ok(())
}

/// A report in full.
pub(crate) fn find(conn: &mut Conn, id: &PriceId) -> Result<Option<StoredPrice>, StorageError> {
    let found: Option<(WholeRow, String)> = prices::table
        .inner_join(accounts::table)
        .filter(prices::id.eq(id.as_str()))
        .select((WholeRow::as_select(), accounts::name))
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading a price"))?;
    found.map(|(row, name)| row.into_stored(name)).transpose()
}

/// Reports that pass the filter, newest first, starting behind `after`.
pub(crate) fn list(
    conn: &mut Conn,
    filter: &PriceFilter,
    after: Option<&PriceId>,
    limit: u32,
) -> Result<Vec<StoredPrice>, StorageError> {
    let mut query = prices::table
        .inner_join(accounts::table)
        .order(prices::id.desc())
        .limit(i64::from(limit))
        .select((WholeRow::as_select(), accounts::name))
        .into_boxed();
    if let Some(after) = after {
        query = query.filter(prices::id.lt(after.as_str()));
    }
    if let Some(card) = &filter.card {
        query = query.filter(prices::card.eq(card));
    }
    if let Some(currency) = &filter.currency {
        query = query.filter(prices::currency.eq(currency));
    }
    if let Some(class) = filter.class {
        let own = Condition::ALL.iter().filter(|c| c.class() == class).map(|c| c.as_str());
        query = query.filter(prices::condition.eq_any(own.collect::<Vec<_>>()));
    }
    if let Some(condition) = filter.condition {
        query = query.filter(prices::condition.eq(condition.as_str()));
    }
    if let Some(country) = &filter.country {
        query = query.filter(prices::country.eq(country));
    }
    if let Some(source) = filter.source {
        query = query.filter(prices::source.eq(source.as_str()));
    }
    if let Some(contributor) = &filter.contributor {
        query = query.filter(accounts::name_key.eq(name_key(contributor)));
    }
    if let Some(verdict) = filter.verdict {
        query = query.filter(prices::verdict.eq(verdict.as_str()));
    }
    if let Some(from) = filter.from {
        query = query.filter(prices::day.ge(from));
    }
    if let Some(to) = filter.to {
        query = query.filter(prices::day.le(to));
    }
    let rows: Vec<(WholeRow, String)> = query.load(conn).map_err(StorageError::database("listing prices"))?;
    rows.into_iter().map(|(row, name)| row.into_stored(name)).collect()
}

/// The last change of any report.
pub(crate) fn last_revision(conn: &mut Conn) -> Result<i64, StorageError> {
    let last: Option<i64> = prices::table
        .select(max(prices::revision))
        .first(conn)
        .map_err(StorageError::database("reading the last revision of prices"))?;
    Ok(last.unwrap_or(0))
}
