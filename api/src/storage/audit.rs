//! The trail of what was decided, by whom and why. It only grows; each action has one constructor.

mod accounts;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use serde_json::{Value, json};
use wearmark_core::finding::Finding;
use wearmark_core::verdict::Verdict;

use super::catalogue::ImportCounts;
use super::connection::Conn;
use super::error::StorageError;
use super::ids::AccountId;
use super::tables::audit;
use super::time;

/// The actor when the service itself decides.
pub(crate) const SERVICE: &str = "service";

/// The action of a run that came in and was judged.
pub(crate) const RUN_JUDGED: &str = "run-judged";

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

    /// Adds the entry to the trail.
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
        Ok(())
    }
}
