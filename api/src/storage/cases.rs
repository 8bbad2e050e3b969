//! What the moderator's desk reads: runs that wait, what is published where they would count, what is known of their
//! contributors.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::dsl::{count_star, exists, min, not};
use diesel::prelude::*;
use wearmark_core::desk::LOOKED_AT;
use wearmark_core::finding::Severity;
use wearmark_core::verdict::Verdict;

use super::accounts::name_key;
use super::connection::Conn;
use super::decisions::REVERT;
use super::error::StorageError;
use super::likeness;
use super::people::People;
use super::rows::{RunRecord, odd};
use super::tables::{accounts, appeals, benches, claims, decisions, findings, runs, submissions};
use super::time;

/// Rows bound in one statement; well below what either engine takes.
const CHUNK: usize = 500;

/// Cases looked at, the oldest: more wait than anybody can decide, and an answer must not grow without a bound.
pub const MOST: i64 = 5000;

/// Most names of accounts with the same bench.
const MOST_NAMES: i64 = 50;

/// Which cases to look at; what is none lets everything through.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CaseFilter {
    /// Card id.
    pub card: Option<String>,
    /// Workload id.
    pub workload: Option<String>,
    /// Driver release id.
    pub driver: Option<String>,
    /// Public handle of the contributor.
    pub contributor: Option<String>,
    /// Code of a finding.
    pub finding: Option<String>,
    /// Only those that are appealed against.
    pub appealed: bool,
    /// Also those whose contributor was asked to measure again.
    pub asked: bool,
}

/// A run that waits.
pub(crate) struct CaseRow {
    pub(crate) run: RunRecord,
    pub(crate) contributor_name: String,
    pub(crate) received_at: DateTime<Utc>,
    pub(crate) appeal: Option<(DateTime<Utc>, String)>,
}

/// When and how runs were appealed against without an answer so far.
type Appeals = BTreeMap<String, (DateTime<Utc>, String)>;

fn open_appeals(conn: &mut Conn) -> Result<Appeals, StorageError> {
    let answered = exists(
        decisions::table.filter(decisions::run.eq(appeals::run)).filter(decisions::at.ge(appeals::at)),
    );
    let rows: Vec<(String, NaiveDateTime, String)> = appeals::table
        .filter(not(answered))
        .order(appeals::run)
        .limit(MOST)
        .select((appeals::run, appeals::at, appeals::words))
        .load(conn)
        .map_err(StorageError::database("listing appeals"))?;
    Ok(rows.into_iter().map(|(run, at, words)| (run, (time::from_stored(at), words))).collect())
}

/// Runs that count with a remark for which a moderator should look at them, as long as no decision of them stands.
fn looked_at(conn: &mut Conn, only: Option<&str>) -> Result<Vec<String>, StorageError> {
    let decided = exists(
        decisions::table
            .filter(decisions::run.eq(runs::id))
            .filter(decisions::decision.ne(REVERT))
            .filter(decisions::revision.eq(runs::revision)),
    );
    let mut query = findings::table
        .inner_join(runs::table)
        .filter(findings::code.eq_any(LOOKED_AT))
        .filter(runs::verdict.eq(Verdict::Accepted.as_str()))
        .filter(not(decided))
        .order(runs::id)
        .limit(MOST)
        .select(runs::id)
        .distinct()
        .into_boxed();
    if let Some(run) = only {
        query = query.filter(runs::id.eq(run));
    }
    query.load(conn).map_err(StorageError::database("listing the runs to be looked at"))
}

/// Whether a moderator should look at a run though it counts.
pub(crate) fn is_looked_at(conn: &mut Conn, run: &str) -> Result<bool, StorageError> {
    Ok(!looked_at(conn, Some(run))?.is_empty())
}

/// Runs that are held, that are rejected and appealed against without an answer, or that should be looked at though they
/// count; oldest first, at most [`MOST`].
pub(crate) fn waiting(conn: &mut Conn, filter: &CaseFilter) -> Result<Vec<CaseRow>, StorageError> {
    let appeals = open_appeals(conn)?;
    let mut rows = cases(conn, None, filter, &appeals)?;
    if !filter.appealed {
        for some in looked_at(conn, None)?.chunks(CHUNK) {
            rows.extend(cases(conn, Some(some), filter, &appeals)?);
        }
    }
    rows.sort_by(|a, b| a.run.id.cmp(&b.run.id));
    rows.truncate(usize::try_from(MOST).unwrap_or(usize::MAX));
    Ok(rows)
}

/// Those that pass the filter of these runs, or of all that do not count.
fn cases(
    conn: &mut Conn,
    of: Option<&[String]>,
    filter: &CaseFilter,
    appeals: &Appeals,
) -> Result<Vec<CaseRow>, StorageError> {
    let appealed: Vec<&String> = appeals.keys().collect();
    let asked =
        exists(decisions::table.filter(decisions::run.eq(runs::id)).filter(decisions::decision.eq("rerun")));
    let held = runs::verdict.eq(Verdict::Held.as_str());
    let mut query = runs::table
        .inner_join(submissions::table)
        .inner_join(accounts::table)
        .order(runs::id)
        .limit(MOST)
        .select((RunRecord::as_select(), accounts::name, submissions::received_at))
        .into_boxed();
    if of.is_none() {
        query = query.filter(runs::verdict.ne(Verdict::Accepted.as_str()));
    }
    query = match of {
        Some(ids) => query.filter(runs::id.eq_any(ids)),
        None if filter.appealed => query.filter(runs::id.eq_any(appealed)),
        None if filter.asked => query.filter(held.or(runs::id.eq_any(appealed))),
        None => query.filter(held.and(not(asked)).or(runs::id.eq_any(appealed))),
    };
    if let Some(card) = &filter.card {
        query = query.filter(runs::card.eq(card));
    }
    if let Some(workload) = &filter.workload {
        query = query.filter(runs::workload.eq(workload));
    }
    if let Some(driver) = &filter.driver {
        query = query.filter(runs::driver.eq(driver));
    }
    if let Some(contributor) = &filter.contributor {
        query = query.filter(accounts::name_key.eq(name_key(contributor)));
    }
    if let Some(code) = &filter.finding {
        let has = findings::table.filter(findings::run.eq(runs::id)).filter(findings::code.eq(code));
        query = query.filter(exists(has));
    }
    let rows: Vec<(RunRecord, String, NaiveDateTime)> =
        query.load(conn).map_err(StorageError::database("reading the cases that wait"))?;
    Ok(rows
        .into_iter()
        .map(|(run, contributor_name, received_at)| CaseRow {
            appeal: appeals.get(&run.id).cloned(),
            run,
            contributor_name,
            received_at: time::from_stored(received_at),
        })
        .collect())
}

/// Codes of the findings that stop each of these runs, or for which they are looked at, in their order.
pub(crate) fn stopping(conn: &mut Conn, ids: &[&str]) -> Result<BTreeMap<String, Vec<String>>, StorageError> {
    let mut all: BTreeMap<String, Vec<String>> = BTreeMap::new();
    let grave = [Severity::Hold.as_str(), Severity::Reject.as_str()];
    for some in ids.chunks(CHUNK) {
        let rows: Vec<(String, String)> = findings::table
            .filter(findings::run.eq_any(some.iter().copied()))
            .filter(findings::severity.eq_any(grave).or(findings::code.eq_any(LOOKED_AT)))
            .order((findings::run, findings::position))
            .select((findings::run, findings::code))
            .load(conn)
            .map_err(StorageError::database("reading what stops the cases"))?;
        for (run, code) in rows {
            let codes = all.entry(run).or_default();
            if !codes.contains(&code) {
                codes.push(code);
            }
        }
    }
    Ok(all)
}

/// Run, person and mean fps of every accepted run of the configuration and driver release.
pub(crate) fn accepted(
    conn: &mut Conn,
    configuration: &str,
    driver: &str,
    people: &People,
) -> Result<Vec<(String, String, f64)>, StorageError> {
    let rows: Vec<(String, String, Option<f64>)> = runs::table
        .filter(runs::configuration.eq(configuration))
        .filter(runs::driver.eq(driver))
        .filter(runs::verdict.eq(Verdict::Accepted.as_str()))
        .order(runs::id)
        .select((runs::id, runs::contributor, runs::mean_fps))
        .load(conn)
        .map_err(StorageError::database("reading what is published beside a case"))?;
    let person = |contributor: String| people.person(&contributor).to_owned();
    Ok(rows.into_iter().filter_map(|(run, by, fps)| Some((run, person(by), fps?))).collect())
}

/// Who is at work on which case.
pub(crate) fn claimed(
    conn: &mut Conn,
    now: DateTime<Utc>,
) -> Result<BTreeMap<String, (String, DateTime<Utc>)>, StorageError> {
    let rows: Vec<(String, String, NaiveDateTime)> = claims::table
        .inner_join(accounts::table.on(accounts::id.eq(claims::moderator)))
        .filter(claims::until.gt(time::to_stored(now)))
        .select((claims::run, accounts::name, claims::until))
        .load(conn)
        .map_err(StorageError::database("looking who is at work"))?;
    Ok(rows.into_iter().map(|(run, name, until)| (run, (name, time::from_stored(until)))).collect())
}

/// What became of a contributor's runs.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Tally {
    /// Accepted runs.
    pub accepted: i64,
    /// Held runs.
    pub held: i64,
    /// Rejected runs.
    pub rejected: i64,
    /// Runs that a moderator accepted.
    pub accepted_by_moderator: i64,
    /// Runs that a moderator rejected.
    pub rejected_by_moderator: i64,
    /// Benches.
    pub benches: i64,
    /// When the first run was received.
    pub first_run_at: Option<DateTime<Utc>>,
}

/// The record of a contributor.
pub(crate) fn tally(conn: &mut Conn, contributor: &str) -> Result<Tally, StorageError> {
    let doing = "counting a contributor's runs";
    let mut tally = Tally::default();
    let counts: Vec<(String, i64)> = runs::table
        .filter(runs::contributor.eq(contributor))
        .group_by(runs::verdict)
        .select((runs::verdict, count_star()))
        .load(conn)
        .map_err(StorageError::database(doing))?;
    for (word, count) in counts {
        match Verdict::parse(&word).ok_or_else(|| odd("verdict", &word))? {
            Verdict::Accepted => tally.accepted = count,
            Verdict::Held => tally.held = count,
            Verdict::Rejected => tally.rejected = count,
        }
    }
    let by_moderator: Vec<(String, i64)> = decisions::table
        .inner_join(runs::table)
        .filter(runs::contributor.eq(contributor))
        .filter(decisions::becomes.eq(runs::verdict))
        .filter(decisions::decision.ne("revert"))
        .filter(decisions::revision.eq(runs::revision))
        .group_by(decisions::becomes)
        .select((decisions::becomes, count_star()))
        .load(conn)
        .map_err(StorageError::database(doing))?;
    for (word, count) in by_moderator {
        match Verdict::parse(&word).ok_or_else(|| odd("verdict", &word))? {
            Verdict::Accepted => tally.accepted_by_moderator = count,
            Verdict::Rejected => tally.rejected_by_moderator = count,
            Verdict::Held => {}
        }
    }
    tally.benches = benches::table
        .filter(benches::contributor.eq(contributor))
        .count()
        .get_result(conn)
        .map_err(StorageError::database(doing))?;
    let first: Option<NaiveDateTime> = submissions::table
        .inner_join(runs::table)
        .filter(runs::contributor.eq(contributor))
        .select(min(submissions::received_at))
        .first(conn)
        .map_err(StorageError::database(doing))?;
    tally.first_run_at = first.map(time::from_stored);
    Ok(tally)
}

/// Public handles by account id.
pub(crate) fn names(conn: &mut Conn, ids: &[String]) -> Result<BTreeMap<String, String>, StorageError> {
    let mut names = BTreeMap::new();
    for some in ids.chunks(CHUNK) {
        let rows: Vec<(String, String)> = accounts::table
            .filter(accounts::id.eq_any(some))
            .select((accounts::id, accounts::name))
            .load(conn)
            .map_err(StorageError::database("reading names"))?;
        names.extend(rows);
    }
    Ok(names)
}

/// Accounts, other than this one, that have described a bench of the same parts.
pub(crate) fn same_bench(
    conn: &mut Conn,
    bench: &str,
    contributor: &str,
) -> Result<Vec<String>, StorageError> {
    let Some(parts) = likeness::parts(conn, bench)? else { return Ok(Vec::new()) };
    benches::table
        .inner_join(accounts::table)
        .filter(benches::parts.eq(parts))
        .filter(benches::contributor.ne(contributor))
        .order(accounts::name)
        .select(accounts::name)
        .distinct()
        .limit(MOST_NAMES)
        .load(conn)
        .map_err(StorageError::database("looking for the same bench"))
}
