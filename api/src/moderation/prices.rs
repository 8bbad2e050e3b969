//! Price reports at the desk: those that wait, one in full, decisions.

use chrono::{DateTime, NaiveDate, Utc};
use wearmark_core::desk::prices::{
    PriceDecision, PricePriority, counts_as, price_priority, published, window_end,
};
use wearmark_core::policy::Policy;
use wearmark_core::price::market::{MarketQuery, MarketRow, market};
use wearmark_core::price::{PriceFact, PriceReport, day_of};
use wearmark_core::verdict::Verdict;

use super::Refused;
use crate::intake::Intake;
use crate::storage::accounts::Account;
use crate::storage::audit::Entry as Trail;
use crate::storage::connection::Conn;
use crate::storage::error::StorageError;
use crate::storage::ids::PriceId;
use crate::storage::likeness;
use crate::storage::price_decisions::{self, HeldFilter, NewPriceDecision, StoredPriceDecision};
use crate::storage::prices::{self, StoredPrice};
use crate::storage::writer::Tx;

/// What a moderator wants done with a report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PriceOrder {
    /// The report.
    pub price: PriceId,
    /// What is decided.
    pub decision: PriceDecision,
    /// Why; the contributor reads it.
    pub reason: String,
    /// The change of the report that the moderator has seen.
    pub revision: i64,
}

/// A report as a moderator sees it.
pub struct PriceCase {
    /// The report.
    pub price: StoredPrice,
    /// The card that the catalogue has for the claim now; none while it has none.
    pub known_as: Option<String>,
    /// The last day of the window that [`PriceCase::row`] is of.
    pub as_of: NaiveDate,
    /// What accepted reports say of that card, in that currency and class of conditions; none without any.
    pub row: Option<MarketRow>,
    /// How much it matters; none when it does not wait.
    pub priority: Option<PricePriority>,
    /// Whether it has waited longer than a case should.
    pub overdue: bool,
    /// What was decided of it, oldest first.
    pub decisions: Vec<StoredPriceDecision>,
}

/// Reports that wait, and how many there are of them.
pub struct PriceQueue {
    /// Reports that pass the filter.
    pub total: usize,
    /// Those of the page, by falling priority; those of equal priority by age.
    pub cases: Vec<PriceCase>,
}

/// The reports that wait and pass the filter, from `offset` on.
pub(crate) fn queue(
    intake: &Intake,
    conn: &mut Conn,
    filter: &HeldFilter,
    (offset, limit): (usize, usize),
    now: DateTime<Utc>,
) -> Result<PriceQueue, StorageError> {
    let policy = &intake.policy.desk;
    let rows = price_decisions::held(conn, filter)?;
    let total = rows.len();
    let mut all: Vec<(f64, String)> = rows
        .into_iter()
        .map(|row| {
            let z = row.numbers.map(|numbers| numbers.z);
            (price_priority(z, days(row.received_at, now), policy).points, row.id)
        })
        .collect();
    all.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.1.cmp(&b.1)));
    let mut page = Vec::new();
    for (_, id) in all.into_iter().skip(offset).take(limit) {
        // One that was decided or withdrawn in between is left out.
        let found = id.parse::<PriceId>().ok().map(|id| prices::find(conn, &id)).transpose()?.flatten();
        page.extend(found.filter(|price| price.verdict == Verdict::Held));
    }
    let beside = Beside::read(intake, conn, &page, now)?;
    let cases =
        page.into_iter().map(|price| case(intake, conn, price, &beside, now)).collect::<Result<_, _>>()?;
    Ok(PriceQueue { total, cases })
}

/// A report in full; none without such a report.
pub(crate) fn find(
    intake: &Intake,
    conn: &mut Conn,
    id: &PriceId,
    now: DateTime<Utc>,
) -> Result<Option<PriceCase>, StorageError> {
    let Some(price) = prices::find(conn, id)? else { return Ok(None) };
    let beside = Beside::read(intake, conn, std::slice::from_ref(&price), now)?;
    case(intake, conn, price, &beside, now).map(Some)
}

/// Accepted reports of all windows that some reports are looked at in, each once.
struct Beside(Vec<PriceFact>);

impl Beside {
    fn read(
        intake: &Intake,
        conn: &mut Conn,
        reports: &[StoredPrice],
        now: DateTime<Utc>,
    ) -> Result<Beside, StorageError> {
        let policy = &intake.policy.price;
        let window = |price: &StoredPrice| {
            let as_of = window_end(price.document.date, now.date_naive(), policy);
            (day_of(MarketQuery::at(as_of, policy).first_day()), day_of(as_of))
        };
        let mut windows: Vec<(i32, i32)> = reports.iter().map(window).collect();
        windows.sort_unstable();
        // Windows that overlap or touch are read as one.
        windows.dedup_by(|next, before| {
            let meets = next.0 <= before.1.saturating_add(1);
            if meets {
                before.1 = before.1.max(next.1);
            }
            meets
        });
        let people = intake.storage.people();
        let mut facts = Vec::new();
        for (first, last) in windows {
            facts.extend(prices::accepted(conn, &people, first, last)?);
        }
        Ok(Beside(facts))
    }

    /// What they say of the card that a report is of; none without any.
    fn row(&self, card: &str, report: &PriceReport, as_of: NaiveDate, policy: &Policy) -> Option<MarketRow> {
        let query = MarketQuery { cards: vec![card.to_owned()], ..MarketQuery::at(as_of, &policy.price) };
        published(&market(&self.0, &query, policy), card, report).cloned()
    }
}

fn case(
    intake: &Intake,
    conn: &mut Conn,
    price: StoredPrice,
    beside: &Beside,
    now: DateTime<Utc>,
) -> Result<PriceCase, StorageError> {
    let policy = &intake.policy;
    let as_of = window_end(price.document.date, now.date_naive(), &policy.price);
    let known_as = counts_as(&price.document, &intake.storage.catalogue()).ok();
    let row = known_as.as_deref().and_then(|card| beside.row(card, &price.document, as_of, policy));
    let waited = days(price.received_at, now);
    let waits = price.verdict == Verdict::Held;
    Ok(PriceCase {
        known_as,
        as_of,
        row,
        priority: waits.then(|| price_priority(price.numbers.map(|n| n.z), waited, &policy.desk)),
        overdue: waits && waited > f64::from(policy.desk.overdue_days),
        decisions: price_decisions::of_price(conn, price.id.as_str())?,
        price,
    })
}

fn days(since: DateTime<Utc>, now: DateTime<Utc>) -> f64 {
    (now - since).num_seconds() as f64 / 86_400.0
}

/// Decides of a report. It changes that report and nothing else: what was judged beside it stays as it was judged.
pub(crate) fn decide(
    intake: &Intake,
    tx: &mut Tx<'_>,
    moderator: &Account,
    order: &PriceOrder,
    now: DateTime<Utc>,
) -> Result<StoredPriceDecision, Refused> {
    let price = order.price.as_str();
    let subject = price_decisions::subject(tx.conn, price)?.ok_or(Refused::Unknown("price"))?;
    let own = moderator.id.as_str();
    if subject.contributor == own {
        return Err(Refused::Own);
    }
    let was = subject.verdict;
    if subject.revision != order.revision {
        return Err(Refused::Changed { revision: subject.revision, verdict: was });
    }
    let becomes = order.decision.verdict();
    if becomes == was {
        return Err(Refused::Already(was));
    }
    let card = match order.decision {
        PriceDecision::Accept => {
            counts_as(&subject.report, &intake.storage.catalogue()).map_err(Refused::Uncountable)?
        }
        PriceDecision::Reject => subject.card.clone(),
    };
    let close = likeness::same_benches(tx.conn, &subject.contributor, own)?
        || likeness::same_network(tx.conn, &subject.contributor, own)?;
    let revision = tx.change.next();
    let finding = order.decision.finding(&order.reason);
    price_decisions::restate(tx.conn, price, subject, (becomes, &card, revision), finding)?;
    let new = NewPriceDecision {
        moderator: &moderator.id,
        price,
        decision: order.decision,
        reason: &order.reason,
        was,
        revision,
        close,
    };
    let id = price_decisions::insert(tx.conn, &new, now)?;
    Trail::price_decided(&new, id).write(tx.conn, now)?;
    let stored = price_decisions::of_price(tx.conn, price)?;
    stored.into_iter().rfind(|decision| decision.id == id).ok_or(Refused::Unknown("decision"))
}
