//! The trail of what was decided, by whom and why. It only grows; each action has one constructor.

mod accounts;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use wearmark_core::finding::Finding;
use wearmark_core::verdict::Verdict;

use super::catalogue::ImportCounts;
use super::connection::Conn;
use super::decisions::NewDecision;
use super::error::StorageError;
use super::ids::AccountId;
use super::price_decisions::NewPriceDecision;
use super::tables::audit;
use super::{audit_chain, canonical, time};

/// The actor when the service itself decides.
pub(crate) const SERVICE: &str = "service";

/// The action of a run that came in and was judged.
pub(crate) const RUN_JUDGED: &str = "run-judged";

/// The action of a person who decided of a run.
pub(crate) const RUN_DECIDED: &str = "run-decided";

/// One entry to add.
#[derive(Debug)]
pub(crate) struct Entry {
    actor: String,
    action: &'static str,
    subject: String,
    detail: Value,
}

impl Entry {
    /// A run was received and judged.
    pub(crate) fn run_judged(
        contributor: &AccountId,
        run: &str,
        verdict: Verdict,
        findings: &[Finding],
    ) -> Entry {
        let codes: Vec<&str> = findings.iter().map(|f| f.code.as_ref()).collect();
        let detail = json!({ "verdict": verdict.as_str(), "findings": codes });
        Entry { actor: contributor.to_string(), action: RUN_JUDGED, subject: run.to_owned(), detail }
    }

    /// A price report was received and judged.
    pub(crate) fn price_judged(
        contributor: &AccountId,
        price: &str,
        verdict: Verdict,
        findings: &[Finding],
    ) -> Entry {
        let run = Entry::run_judged(contributor, price, verdict, findings);
        Entry { action: "price-judged", ..run }
    }

    /// A stored run got a further finding because another run showed it.
    pub(crate) fn finding_added(run: &str, code: &str, shown_by: &str) -> Entry {
        let detail = json!({ "finding": code, "shown_by": shown_by });
        Entry { actor: SERVICE.to_owned(), action: "finding-added", subject: run.to_owned(), detail }
    }

    /// A stored run or price was judged again and its verdict changed.
    pub(crate) fn verdict_changed(run: &str, cause: &str, verdict: Verdict, finding: &str) -> Entry {
        let detail = json!({ "cause": cause, "verdict": verdict.as_str(), "finding": finding });
        Entry { actor: SERVICE.to_owned(), action: "verdict-changed", subject: run.to_owned(), detail }
    }

    /// A model was fitted and put in place.
    pub(crate) fn model_fitted(number: i64, observations: i64, released: usize, doubted: usize) -> Entry {
        let detail = json!({ "observations": observations, "released": released, "doubted": doubted });
        let subject = format!("model {number}");
        Entry { actor: SERVICE.to_owned(), action: "model-fitted", subject, detail }
    }

    /// Catalogue entries were added or replaced.
    pub(crate) fn catalogue_imported(counts: ImportCounts) -> Entry {
        let detail = json!({ "added": counts.added, "changed": counts.changed });
        let subject = "catalogue".to_owned();
        Entry { actor: SERVICE.to_owned(), action: "catalogue-imported", subject, detail }
    }

    /// A moderator decided of a run. The words stay with the decision; the trail has their hash, so that it holds
    /// nothing personal and the words cannot be changed behind it.
    pub(crate) fn run_decided(decision: &NewDecision<'_>, id: i64) -> Entry {
        let detail = json!({
            "decision": id,
            "kind": decision.kind,
            "was": decision.was.as_str(),
            "verdict": decision.becomes.as_str(),
            "reverts": decision.reverts,
            "original": decision.original,
            "batch": decision.batch,
            "close": decision.close,
            "reason_sha256": canonical::hex(&Sha256::digest(decision.reason)),
        });
        let actor = decision.moderator.to_string();
        Entry { actor, action: RUN_DECIDED, subject: decision.run.to_owned(), detail }
    }

    /// A moderator decided of a price report; as of a run.
    pub(crate) fn price_decided(decision: &NewPriceDecision<'_>, id: i64) -> Entry {
        let detail = json!({
            "decision": id,
            "kind": decision.decision.as_str(),
            "was": decision.was.as_str(),
            "verdict": decision.decision.verdict().as_str(),
            "close": decision.close,
            "reason_sha256": canonical::hex(&Sha256::digest(decision.reason)),
        });
        let actor = decision.moderator.to_string();
        Entry { actor, action: "price-decided", subject: decision.price.to_owned(), detail }
    }

    /// A contributor appealed against a rejection.
    pub(crate) fn appealed(contributor: &AccountId, run: &str) -> Entry {
        let actor = contributor.to_string();
        Entry { actor, action: "run-appealed", subject: run.to_owned(), detail: json!({}) }
    }

    /// A moderator proposed to put labels of a run right.
    pub(crate) fn correction_proposed(moderator: &AccountId, run: &str, id: i64, reason: &str) -> Entry {
        let detail = json!({ "correction": id, "reason_sha256": canonical::hex(&Sha256::digest(reason)) });
        let actor = moderator.to_string();
        Entry { actor, action: "correction-proposed", subject: run.to_owned(), detail }
    }

    /// A contributor agreed to a correction, which made another run of theirs, or did not.
    pub(crate) fn correction_answered(
        contributor: &AccountId,
        run: &str,
        id: i64,
        became: Option<&str>,
    ) -> Entry {
        let detail = json!({ "correction": id, "agreed": became.is_some(), "became": became });
        let actor = contributor.to_string();
        Entry { actor, action: "correction-answered", subject: run.to_owned(), detail }
    }

    /// A contributor withdrew a run or price.
    pub(crate) fn withdrawn(contributor: &AccountId, subject: &str) -> Entry {
        let actor = contributor.to_string();
        Entry { actor, action: "withdrawn", subject: subject.to_owned(), detail: json!({}) }
    }

    /// An account was deleted by its owner, with so many runs and prices.
    pub(crate) fn account_deleted(account: &AccountId, runs: usize, prices: usize) -> Entry {
        let detail = json!({ "runs": runs, "prices": prices });
        Entry { actor: account.to_string(), action: "account-deleted", subject: account.to_string(), detail }
    }

    /// Two accounts were found to be two persons, or that was taken back.
    pub(crate) fn separated(moderator: &AccountId, one: &AccountId, other: &AccountId, apart: bool) -> Entry {
        let detail = json!({ "other": other, "separated": apart });
        let (actor, subject) = (moderator.to_string(), one.to_string());
        Entry { actor, action: "accounts-separated", subject, detail }
    }

    /// A measure was taken about a contributor.
    pub(crate) fn measure_taken(moderator: &AccountId, account: &AccountId, id: i64, kind: &str) -> Entry {
        let detail = json!({ "measure": id, "kind": kind });
        let (actor, subject) = (moderator.to_string(), account.to_string());
        Entry { actor, action: "measure-taken", subject, detail }
    }

    /// A measure was lifted before its time.
    pub(crate) fn measure_lifted(moderator: &AccountId, account: &AccountId, id: i64) -> Entry {
        let detail = json!({ "measure": id });
        let (actor, subject) = (moderator.to_string(), account.to_string());
        Entry { actor, action: "measure-lifted", subject, detail }
    }

    /// Adds the entry to the trail, linked to the one before.
    pub(crate) fn write(self, conn: &mut Conn, at: DateTime<Utc>) -> Result<(), StorageError> {
        diesel::insert_into(audit::table)
            .values((
                audit::at.eq(time::to_stored(at)),
                audit::actor.eq(self.actor),
                audit::action.eq(self.action),
                audit::subject.eq(self.subject),
                audit::detail.eq(self.detail.to_string()),
            ))
            .execute(conn)
            .map_err(StorageError::database("writing the audit trail"))?;
        audit_chain::complete(conn)
    }
}
