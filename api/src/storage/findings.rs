//! The findings of runs.

use std::collections::{BTreeMap, HashMap};

use diesel::prelude::*;
use serde_json::Value;
use wearmark_core::finding::{Finding, Severity};

use super::connection::Conn;
use super::error::StorageError;
use super::rows::odd;
use super::runs::FindingCode;
use super::tables::findings;

#[derive(Queryable, Selectable)]
#[diesel(table_name = findings)]
struct FindingRow {
    code: String,
    severity: String,
    pointer: String,
    message: String,
    advice: String,
    evidence: String,
}

impl FindingRow {
    fn into_finding(self) -> Result<Finding, StorageError> {
        let evidence: BTreeMap<String, Value> =
            serde_json::from_str(&self.evidence).map_err(StorageError::damaged("evidence of a finding"))?;
        Ok(Finding {
            code: self.code.into(),
            severity: severity(&self.severity)?,
            pointer: self.pointer,
            message: self.message,
            advice: self.advice,
            evidence,
        })
    }
}

fn severity(word: &str) -> Result<Severity, StorageError> {
    Severity::parse(word).ok_or_else(|| odd("severity", word))
}

/// Stores findings behind the `first` that the run has already.
pub(crate) fn insert(
    conn: &mut Conn,
    run: &str,
    first: usize,
    added: &[Finding],
) -> Result<(), StorageError> {
    for (at, finding) in added.iter().enumerate() {
        let position = i32::try_from(first + at)
            .map_err(|_| StorageError::Damaged { what: "a run with too many findings".to_owned() })?;
        let evidence = serde_json::to_string(&finding.evidence)
            .map_err(StorageError::damaged("evidence of a new finding"))?;
        diesel::insert_into(findings::table)
            .values((
                findings::run.eq(run),
                findings::position.eq(position),
                findings::code.eq(finding.code.as_ref()),
                findings::severity.eq(finding.severity.as_str()),
                findings::pointer.eq(&finding.pointer),
                findings::message.eq(&finding.message),
                findings::advice.eq(&finding.advice),
                findings::evidence.eq(evidence),
            ))
            .execute(conn)
            .map_err(StorageError::database("storing findings"))?;
    }
    Ok(())
}

/// All findings of a run, in order.
pub(crate) fn of_run(conn: &mut Conn, run: &str) -> Result<Vec<Finding>, StorageError> {
    let rows: Vec<FindingRow> = findings::table
        .filter(findings::run.eq(run))
        .order(findings::position)
        .select(FindingRow::as_select())
        .load(conn)
        .map_err(StorageError::database("reading findings"))?;
    rows.into_iter().map(FindingRow::into_finding).collect()
}

/// The codes of the findings of these runs.
pub(crate) fn codes(
    conn: &mut Conn,
    runs: &[&str],
) -> Result<HashMap<String, Vec<FindingCode>>, StorageError> {
    let rows: Vec<(String, String, String)> = findings::table
        .filter(findings::run.eq_any(runs.iter().copied()))
        .order((findings::run, findings::position))
        .select((findings::run, findings::code, findings::severity))
        .load(conn)
        .map_err(StorageError::database("reading the codes of findings"))?;
    let mut codes: HashMap<String, Vec<FindingCode>> = HashMap::new();
    for (run, code, word) in rows {
        codes.entry(run).or_default().push(FindingCode { code, severity: severity(&word)? });
    }
    Ok(codes)
}
