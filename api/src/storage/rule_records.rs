//! What the rules stopped, and what became of it.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use serde_json::Value;
use wearmark_core::finding::{Rule, Severity};
use wearmark_core::table::rules::Stopped;
use wearmark_core::verdict::Verdict;

use super::audit::{RUN_DECIDED, RUN_JUDGED};
use super::connection::Conn;
use super::error::StorageError;
use super::rows::odd;
use super::tables::{audit, findings, runs};

/// Subjects looked up at once; well below what either engine binds in one statement.
const CHUNK: usize = 500;

/// Everything that the rules stopped, and how many runs were judged. Each pair of a run and a rule comes once, by its
/// gravest finding. Costs what the stopped runs cost, not what all runs do, but for their count.
pub(crate) fn stopped(conn: &mut Conn, rules: &[Rule]) -> Result<(Vec<Stopped>, u64), StorageError> {
    let judged: i64 =
        runs::table.count().get_result(conn).map_err(StorageError::database("counting the judged runs"))?;
    let codes: Vec<&str> = rules.iter().filter(|r| r.severity >= Severity::Hold).map(|r| r.code).collect();
    let grave = [Severity::Hold.as_str(), Severity::Reject.as_str()];
    let found: Vec<(String, String, String, String)> = findings::table
        .inner_join(runs::table)
        .filter(findings::code.eq_any(codes))
        .filter(findings::severity.eq_any(grave))
        .select((findings::run, findings::code, findings::severity, runs::verdict))
        .load(conn)
        .map_err(StorageError::database("reading what the rules stopped"))?;
    let mut by_run: BTreeMap<String, OneRun> = BTreeMap::new();
    for (run, code, word, verdict) in found {
        let severity = Severity::parse(&word).ok_or_else(|| odd("severity", &word))?;
        let one = by_run.entry(run).or_default();
        one.accepted = verdict == Verdict::Accepted.as_str();
        let gravest = one.rules.entry(code).or_insert(severity);
        *gravest = severity.max(*gravest);
    }
    let history = history(conn, &by_run.keys().map(String::as_str).collect::<Vec<_>>())?;
    let mut all = Vec::new();
    for (run, one) in by_run {
        let alone = one.rules.len() == 1;
        let told = history.get(&run);
        for (code, severity) in one.rules {
            all.push(Stopped {
                at_arrival: told.is_some_and(|told| told.at_arrival.contains(&code)),
                by_person: told.is_some_and(|told| told.by_person),
                accepted_now: one.accepted,
                code,
                severity,
                alone,
            });
        }
    }
    Ok((all, u64::try_from(judged).unwrap_or(0)))
}

#[derive(Default)]
struct OneRun {
    accepted: bool,
    rules: BTreeMap<String, Severity>,
}

/// What the audit trail tells of a run.
#[derive(Default)]
struct Told {
    /// Codes of the findings it got when it came in.
    at_arrival: BTreeSet<String>,
    /// Whether a moderator decided on it later.
    by_person: bool,
}

fn history(conn: &mut Conn, runs: &[&str]) -> Result<BTreeMap<String, Told>, StorageError> {
    let mut all: BTreeMap<String, Told> = BTreeMap::new();
    for some in runs.chunks(CHUNK) {
        let rows: Vec<(String, String, String)> = audit::table
            .filter(audit::subject.eq_any(some.iter().copied()))
            .select((audit::subject, audit::action, audit::detail))
            .load(conn)
            .map_err(StorageError::database("reading the trail of stopped runs"))?;
        for (run, action, detail) in rows {
            let told = all.entry(run).or_default();
            if action != RUN_JUDGED {
                told.by_person |= action == RUN_DECIDED;
                continue;
            }
            let detail: Value =
                serde_json::from_str(&detail).map_err(StorageError::damaged("the detail of an audit row"))?;
            let codes = detail["findings"].as_array().into_iter().flatten();
            told.at_arrival.extend(codes.filter_map(Value::as_str).map(str::to_owned));
        }
    }
    Ok(all)
}
