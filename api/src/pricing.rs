//! The way of a price report: bytes in, a stored and judged report out.

use chrono::{DateTime, Utc};
use sha2::{Digest as _, Sha256};
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::price::PriceReport;
use wearmark_core::price::judge::{Examined, PriceJudgement, examine, judge};
use wearmark_core::verdict::Verdict;
use wearmark_schema::Rejection;

use crate::intake::{Intake, IntakeError};
use crate::storage::audit::Entry;
use crate::storage::error::StorageError;
use crate::storage::ids::{AccountId, PriceId};
use crate::storage::prices::{self, NewPrice};
use crate::storage::ticket::Ticket;
use crate::storage::writer::Tx;
use crate::storage::{canonical, time};

/// What the contributor is told about a judged report.
#[derive(Debug, Clone, PartialEq)]
pub struct PriceReceipt {
    /// The stored report.
    pub price: PriceId,
    /// Card id, or a normalised form of the claim.
    pub card: String,
    /// When it was received.
    pub received_at: DateTime<Utc>,
    /// Verdict and all findings.
    pub judgement: PriceJudgement,
}

/// Why a report was not judged.
#[derive(Debug)]
pub enum PriceError {
    /// As of a run.
    Intake(IntakeError),
    /// The contributor reported it before.
    Duplicate {
        /// The stored report.
        of: PriceId,
        /// The same in the form of a finding.
        finding: Box<Finding>,
    },
}

impl From<StorageError> for PriceError {
    fn from(error: StorageError) -> PriceError {
        PriceError::Intake(error.into())
    }
}

/// A report that is parsed and checked against the catalogue.
struct Prepared {
    account: AccountId,
    received_at: DateTime<Utc>,
    report: PriceReport,
    examined: Examined,
    fingerprint: String,
}

/// Parses a report and hands it to the writer, which judges it beside what is stored at that moment and stores it. The
/// ticket answers once it is on disk.
///
/// # Errors
/// When the bytes are no report.
pub fn submit(
    intake: &Intake,
    account: &AccountId,
    bytes: &[u8],
    now: DateTime<Utc>,
) -> Result<Ticket<Result<PriceReceipt, PriceError>>, PriceError> {
    let report = wearmark_schema::accept_price(bytes).map_err(|rejection| {
        PriceError::Intake(match rejection {
            Rejection::Malformed(finding) => IntakeError::Malformed(Box::new(finding)),
            Rejection::OffSchema(findings) => IntakeError::OffSchema(findings),
        })
    })?;
    let catalogue = intake.storage.catalogue();
    let examined = examine(&report, &catalogue, now.date_naive(), &intake.policy.price);
    let prepared = Prepared {
        fingerprint: fingerprint(account, &examined.card, &report),
        account: account.clone(),
        received_at: time::cut(now),
        report,
        examined,
    };
    let intake_at_writer = intake.clone();
    Ok(intake.storage.write("storing a price", move |tx| store(&intake_at_writer, prepared, tx)))
}

/// What tells one report of a contributor from another: all but the note.
fn fingerprint(account: &AccountId, card: &str, report: &PriceReport) -> String {
    let mut hash = Sha256::new();
    let (amount, date) = (report.amount_minor.to_string(), report.date.to_string());
    for part in [
        account.as_str(),
        card,
        &amount,
        &report.currency,
        &date,
        report.condition.as_str(),
        &report.country,
        report.source.as_str(),
    ] {
        hash.update(part);
        hash.update(b"\n");
    }
    canonical::hex(&hash.finalize())
}

fn store(intake: &Intake, prepared: Prepared, tx: &mut Tx<'_>) -> Result<PriceReceipt, PriceError> {
    let Prepared { account, received_at, report, examined, fingerprint } = prepared;
    if let Some(of) = prices::same(tx.conn, &fingerprint)? {
        let said = "You have reported this price before.";
        let finding = Finding::new("duplicate-price", Severity::Reject, "", said)
            .advice("Nothing was stored. Two sales that are alike in everything count once; the stored one is named in the evidence.")
            .evidence("price", of.as_str());
        return Err(PriceError::Duplicate { of, finding: Box::new(finding) });
    }
    let card = examined.card.clone();
    let stored = prices::beside(tx.conn, &card, &report.currency)?;
    let judgement = judge(&report, examined, account.as_str(), &stored, &intake.policy.price);
    let id = PriceId::new();
    let revision = tx.change.next();
    NewPrice {
        id: &id,
        revision,
        contributor: &account,
        received_at,
        fingerprint: &fingerprint,
        card: &card,
        report: &report,
        judgement: &judgement,
    }
    .insert(tx.conn)?;
    Entry::price_judged(&account, id.as_str(), judgement.verdict, &judgement.findings)
        .write(tx.conn, received_at)?;
    for released in &judgement.releases {
        let finding = Finding::new(
            "price-corroborated",
            Severity::Remark,
            "/amount_minor",
            "Another contributor reported the like since, so it counts.",
        )
        .evidence("price", id.as_str());
        let revision = tx.change.next();
        prices::release(tx.conn, released, revision, &finding)?;
        Entry::verdict_changed(released, "corroborated", Verdict::Accepted, &finding.code)
            .write(tx.conn, received_at)?;
    }
    Ok(PriceReceipt { price: id, card, received_at, judgement })
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use serde_json::{Value, json};

    use super::*;
    use crate::storage::fixture::{Fixture, now, open, trail};

    fn report(amount_minor: u64) -> Value {
        json!({
            "schema": "price/1", "card": "Ostrel 1240", "amount_minor": amount_minor, "currency": "EUR",
            "date": "2031-04-17", "condition": "used", "country": "XA", "source": "completed-sale"
        })
    }

    fn sent(fixture: &Fixture, who: &AccountId, report: &Value) -> Result<PriceReceipt, PriceError> {
        submit(&fixture.intake, who, report.to_string().as_bytes(), now())?.wait()
    }

    #[test]
    fn a_report_and_its_trail_are_stored_together_and_a_duplicate_leaves_nothing() {
        let fixture = Fixture::new();
        let ada = fixture.account("ada").id;
        let receipt = sent(&fixture, &ada, &report(4500)).unwrap();
        assert_eq!(receipt.card, "ostrel-1240-4g");
        assert_eq!(trail(fixture.storage(), receipt.price.as_str()), ["price-judged"]);
        let change = fixture.storage().last_change();
        let again = sent(&fixture, &ada, &report(4500)).unwrap_err();
        assert!(matches!(again, PriceError::Duplicate { of, .. } if of == receipt.price));
        assert_eq!(fixture.storage().last_change(), change, "nothing changed");
    }

    #[test]
    fn a_released_report_has_both_in_its_trail() {
        let fixture = Fixture::new();
        let people = ["ada", "bo", "cleo", "dora"].map(|name| fixture.account(name).id);
        for (who, amount) in people.iter().zip([4000, 4100]) {
            sent(&fixture, who, &report(amount)).unwrap();
        }
        let held = sent(&fixture, &people[2], &report(20_000)).unwrap();
        assert_eq!(held.judgement.verdict, Verdict::Held);
        let bears = sent(&fixture, &people[3], &report(21_000)).unwrap();
        assert_eq!(bears.judgement.releases, [held.price.to_string()]);
        assert_eq!(trail(fixture.storage(), held.price.as_str()), ["price-judged", "verdict-changed"]);
        let stored = fixture.storage().find_price(&held.price).unwrap().unwrap();
        assert_eq!((stored.verdict, stored.findings.len()), (Verdict::Accepted, 2));
    }

    #[test]
    fn what_is_stored_is_there_after_a_restart_and_changes_go_on_counting() {
        let fixture = Fixture::new();
        let ada = fixture.account("ada").id;
        let receipt = sent(&fixture, &ada, &report(4500)).unwrap();
        let change = fixture.storage().last_change();
        fixture.storage().close();
        let again = open(fixture.folder.path());
        assert_eq!(again.storage.last_change(), change);
        let stored = again.storage.find_price(&receipt.price).unwrap().unwrap();
        assert_eq!(stored.document.amount_minor, 4500);
        assert_eq!(stored.received_at, now());
    }
}
