//! Catalogue entries that stored runs would need and the catalogue lacks.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::dsl::count;
use diesel::prelude::*;
use serde::{Deserialize, Serialize};
use wearmark_core::platform::Proposal;

use super::connection::Conn;
use super::error::StorageError;
use super::ids::RunId;
use super::tables::{proposal_runs, proposals};
use super::time;

/// One proposed entry.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ProposalRow {
    /// `card`, `driver`, `cpu`, `workload`, `scene` or `build`.
    pub kind: String,
    /// The claim in normalised form.
    pub key: String,
    /// The claim as it was first written.
    pub name: String,
    /// Stored runs that need it.
    pub runs: u64,
    /// When the first of them was received.
    pub first_seen: DateTime<Utc>,
}

/// Notes that the run needs these entries.
pub(crate) fn add(
    conn: &mut Conn,
    run: &RunId,
    wanted: &[Proposal],
    now: DateTime<Utc>,
) -> Result<(), StorageError> {
    let doing = "noting proposed catalogue entries";
    for (at, proposal) in wanted.iter().enumerate() {
        // A run may name the same unknown thing twice.
        if wanted[..at].iter().any(|p| p.kind == proposal.kind && p.key == proposal.key) {
            continue;
        }
        let there: Option<String> = proposals::table
            .filter(proposals::kind.eq(&proposal.kind))
            .filter(proposals::key.eq(&proposal.key))
            .select(proposals::key)
            .first(conn)
            .optional()
            .map_err(StorageError::database(doing))?;
        if there.is_none() {
            diesel::insert_into(proposals::table)
                .values((
                    proposals::kind.eq(&proposal.kind),
                    proposals::key.eq(&proposal.key),
                    proposals::name.eq(&proposal.name),
                    proposals::first_seen.eq(time::to_stored(now)),
                ))
                .execute(conn)
                .map_err(StorageError::database(doing))?;
        }
        diesel::insert_into(proposal_runs::table)
            .values((
                proposal_runs::kind.eq(&proposal.kind),
                proposal_runs::key.eq(&proposal.key),
                proposal_runs::run.eq(run.as_str()),
            ))
            .execute(conn)
            .map_err(StorageError::database(doing))?;
    }
    Ok(())
}

/// All proposals, most wanted first, then by kind and key.
pub(crate) fn all(conn: &mut Conn) -> Result<Vec<ProposalRow>, StorageError> {
    let doing = "listing proposed catalogue entries";
    let entries: Vec<(String, String, String, NaiveDateTime)> = proposals::table
        .select((proposals::kind, proposals::key, proposals::name, proposals::first_seen))
        .order((proposals::kind, proposals::key))
        .load(conn)
        .map_err(StorageError::database(doing))?;
    let counts: Vec<(String, String, i64)> = proposal_runs::table
        .group_by((proposal_runs::kind, proposal_runs::key))
        .select((proposal_runs::kind, proposal_runs::key, count(proposal_runs::run)))
        .load(conn)
        .map_err(StorageError::database(doing))?;
    let counts: HashMap<(String, String), i64> =
        counts.into_iter().map(|(kind, key, runs)| ((kind, key), runs)).collect();
    let mut rows: Vec<ProposalRow> = entries
        .into_iter()
        .map(|(kind, key, name, first_seen)| {
            let at = (kind, key);
            let runs = counts.get(&at).copied().unwrap_or(0);
            let (kind, key) = at;
            // A count is never negative.
            let runs = u64::try_from(runs).unwrap_or(0);
            ProposalRow { kind, key, name, runs, first_seen: time::from_stored(first_seen) }
        })
        .collect();
    rows.sort_by_key(|row| std::cmp::Reverse(row.runs));
    Ok(rows)
}
