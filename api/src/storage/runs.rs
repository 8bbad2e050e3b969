//! Runs with their passes and findings.

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::dsl::{exists, max};
use diesel::prelude::*;
use serde::{Deserialize, Serialize};
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::identity::Identity;
use wearmark_core::judge::Judgement;
use wearmark_core::run::{Bench, Outcome, Run};
use wearmark_core::statistics::{Grade, RunStatistics};
use wearmark_core::verdict::Verdict;

use super::accounts::name_key;
use super::connection::Conn;
use super::error::StorageError;
use super::evidence::run_id;
use super::findings as stored_findings;
use super::ids::{AccountId, BenchId, RunId};
use super::rows::RunRecord;
use super::tables::{accounts, benches, findings, passes, runs, submissions, traits};
use super::time;
use super::{departures, judgements, people};

/// A stored run in full, but for its frame times.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StoredRun {
    /// Id.
    pub id: RunId,
    /// Who submitted it.
    pub contributor: AccountId,
    /// The contributor's public handle.
    pub contributor_name: String,
    /// The machine it ran on.
    pub bench: BenchId,
    /// That machine as described.
    pub bench_document: Bench,
    /// When it was received.
    pub received_at: DateTime<Utc>,
    /// The document as submitted, `frame_times_ms` left out of its passes.
    pub document: Run,
    /// Frames with frame times, one entry a pass; 0 for a pass that has only a summary.
    pub pass_frames: Vec<u64>,
    /// Canonical names.
    pub identity: Identity,
    /// Figures.
    pub statistics: RunStatistics,
    /// Verdict, all findings, and the numbers they rest on.
    pub judgement: Judgement,
}

/// One line of a list of runs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunRow {
    /// Id.
    pub id: RunId,
    /// Who submitted it.
    pub contributor: AccountId,
    /// The contributor's public handle.
    pub contributor_name: String,
    /// The machine it ran on; also in `identity`.
    pub bench: BenchId,
    /// When it was received.
    pub received_at: DateTime<Utc>,
    /// When it was measured.
    pub measured_at: DateTime<Utc>,
    /// Canonical names.
    pub identity: Identity,
    /// How it ended.
    pub outcome: Outcome,
    /// Evidence grade.
    pub grade: Grade,
    /// What became of it.
    pub verdict: Verdict,
    /// Mean fps; none for failures.
    pub mean_fps: Option<f64>,
    /// 1% low by `percentile`, fps.
    pub low_percentile_fps: Option<f64>,
    /// 1% low by `tail-mean`, fps.
    pub low_tail_mean_fps: Option<f64>,
    /// 1% low by `time-share`, fps.
    pub low_time_share_fps: Option<f64>,
    /// Coefficient of variation between passes.
    pub between_pass_cv: Option<f64>,
    /// Codes and weights of its findings, in order.
    pub findings: Vec<FindingCode>,
}

/// A finding without its words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FindingCode {
    /// The rule.
    pub code: String,
    /// What follows from it.
    pub severity: Severity,
}

impl From<&Finding> for FindingCode {
    fn from(finding: &Finding) -> FindingCode {
        FindingCode { code: finding.code.clone().into_owned(), severity: finding.severity }
    }
}

/// Which runs to list; what is none lets everything through.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RunFilter {
    /// Card id.
    pub card: Option<String>,
    /// Chip id.
    pub chip: Option<String>,
    /// Workload id.
    pub workload: Option<String>,
    /// Driver release id.
    pub driver: Option<String>,
    /// Scene id.
    pub scene: Option<String>,
    /// Graphics interface.
    pub api: Option<String>,
    /// Preset.
    pub preset: Option<String>,
    /// Width, pixels.
    pub width: Option<u32>,
    /// Height, pixels.
    pub height: Option<u32>,
    /// Build of the workload.
    pub build: Option<String>,
    /// Platform class.
    pub platform: Option<String>,
    /// Contributor's public handle.
    pub contributor: Option<String>,
    /// Verdict.
    pub verdict: Option<Verdict>,
    /// Code of a finding it has.
    pub finding: Option<String>,
    /// How it ended.
    pub outcome: Option<Outcome>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = submissions)]
struct SubmissionRow {
    received_at: NaiveDateTime,
    document: String,
    statistics: String,
}

fn account_id(text: String) -> Result<AccountId, StorageError> {
    AccountId::try_from(text).map_err(|e| StorageError::Damaged { what: e.to_string() })
}

fn bench_id(text: String) -> Result<BenchId, StorageError> {
    BenchId::try_from(text).map_err(|e| StorageError::Damaged { what: e.to_string() })
}

/// A run in full.
pub(crate) fn find(conn: &mut Conn, id: &RunId) -> Result<Option<StoredRun>, StorageError> {
    let found: Option<(RunRecord, SubmissionRow, String, String)> = runs::table
        .inner_join(submissions::table)
        .inner_join(accounts::table)
        .inner_join(benches::table)
        .filter(runs::id.eq(id.as_str()))
        .select((RunRecord::as_select(), SubmissionRow::as_select(), accounts::name, benches::document))
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading a run"))?;
    let Some((mut record, submission, contributor_name, bench_document)) = found else { return Ok(None) };
    let (verdict, _, _) = record.state()?;
    let last = judgements::of_run(conn, id.as_str())?.pop();
    Ok(Some(StoredRun {
        id: id.clone(),
        contributor: account_id(record.contributor.clone())?,
        contributor_name,
        bench: bench_id(record.bench.clone())?,
        bench_document: serde_json::from_str(&bench_document).map_err(StorageError::damaged("a bench"))?,
        received_at: time::from_stored(submission.received_at),
        document: serde_json::from_str(&submission.document).map_err(StorageError::damaged("a run"))?,
        pass_frames: pass_frames(conn, id)?,
        identity: record.identity()?,
        statistics: serde_json::from_str(&submission.statistics)
            .map_err(StorageError::damaged("the statistics of a run"))?,
        judgement: Judgement {
            verdict,
            findings: stored_findings::of_run(conn, id.as_str())?,
            unconfirmed: last.as_ref().is_some_and(|judged| judged.unconfirmed),
            numbers: last.and_then(|judged| judged.numbers),
        },
    }))
}

fn pass_frames(conn: &mut Conn, id: &RunId) -> Result<Vec<u64>, StorageError> {
    let frames: Vec<i64> = passes::table
        .filter(passes::run.eq(id.as_str()))
        .order(passes::position)
        .select(passes::frames)
        .load(conn)
        .map_err(StorageError::database("reading the passes of a run"))?;
    // A count is never negative.
    Ok(frames.into_iter().map(|n| u64::try_from(n).unwrap_or(0)).collect())
}

/// Where a run's frame times are, if there is such a run: the name of its blob if it has one, and its passes.
pub(crate) fn blob(conn: &mut Conn, id: &RunId) -> Result<Option<(Option<String>, usize)>, StorageError> {
    let name: Option<Option<String>> = submissions::table
        .filter(submissions::run.eq(id.as_str()))
        .select(submissions::blob)
        .first(conn)
        .optional()
        .map_err(StorageError::database("looking for the frame times of a run"))?;
    name.map(|name| Ok((name, pass_frames(conn, id)?.len()))).transpose()
}

/// Runs that pass the filter, newest first.
pub(crate) fn list(
    conn: &mut Conn,
    filter: &RunFilter,
    after: Option<&RunId>,
    limit: u32,
) -> Result<Vec<RunRow>, StorageError> {
    let mut query = runs::table
        .inner_join(submissions::table)
        .inner_join(accounts::table)
        .order(runs::id.desc())
        .limit(i64::from(limit))
        .select((RunRecord::as_select(), submissions::received_at, submissions::measured_at, accounts::name))
        .into_boxed();
    if let Some(after) = after {
        query = query.filter(runs::id.lt(after.as_str()));
    }
    if let Some(card) = &filter.card {
        query = query.filter(runs::card.eq(card));
    }
    if let Some(chip) = &filter.chip {
        query = query.filter(runs::chip.eq(chip));
    }
    if let Some(workload) = &filter.workload {
        query = query.filter(runs::workload.eq(workload));
    }
    if let Some(driver) = &filter.driver {
        query = query.filter(runs::driver.eq(driver));
    }
    if let Some(scene) = &filter.scene {
        query = query.filter(runs::scene.eq(scene));
    }
    if let Some(api) = &filter.api {
        query = query.filter(runs::api.eq(api));
    }
    if let Some(preset) = &filter.preset {
        query = query.filter(runs::preset.eq(preset));
    }
    if let Some(width) = filter.width {
        query = query.filter(runs::width.eq(i64::from(width)));
    }
    if let Some(height) = filter.height {
        query = query.filter(runs::height.eq(i64::from(height)));
    }
    if let Some(build) = &filter.build {
        query = query.filter(runs::build.eq(build));
    }
    if let Some(platform) = &filter.platform {
        query = query.filter(runs::platform.eq(platform));
    }
    if let Some(contributor) = &filter.contributor {
        query = query.filter(accounts::name_key.eq(name_key(contributor)));
    }
    if let Some(verdict) = filter.verdict {
        query = query.filter(runs::verdict.eq(verdict.as_str()));
    }
    if let Some(outcome) = filter.outcome {
        query = query.filter(runs::outcome.eq(outcome.as_str()));
    }
    if let Some(code) = &filter.finding {
        let has = findings::table.filter(findings::run.eq(runs::id)).filter(findings::code.eq(code));
        query = query.filter(exists(has));
    }
    let found: Vec<(RunRecord, NaiveDateTime, NaiveDateTime, String)> =
        query.load(conn).map_err(StorageError::database("listing runs"))?;
    let ids: Vec<&str> = found.iter().map(|(record, ..)| record.id.as_str()).collect();
    let mut codes = stored_findings::codes(conn, &ids)?;
    found
        .into_iter()
        .map(|(mut record, received_at, measured_at, contributor_name)| {
            let (verdict, outcome, grade) = record.state()?;
            Ok(RunRow {
                findings: codes.remove(&record.id).unwrap_or_default(),
                identity: record.identity()?,
                id: run_id(record.id)?,
                contributor: account_id(record.contributor)?,
                contributor_name,
                bench: bench_id(record.bench)?,
                received_at: time::from_stored(received_at),
                measured_at: time::from_stored(measured_at),
                outcome,
                grade,
                verdict,
                mean_fps: record.mean_fps,
                low_percentile_fps: record.low_percentile_fps,
                low_tail_mean_fps: record.low_tail_mean_fps,
                low_time_share_fps: record.low_time_share_fps,
                between_pass_cv: record.between_pass_cv,
            })
        })
        .collect()
}

/// The rows that tables can see a change of, behind a revision, in the order of their revisions.
pub(crate) fn visible_since(
    conn: &mut Conn,
    revision: i64,
    limit: i64,
) -> Result<Vec<(RunRecord, Option<f64>)>, StorageError> {
    runs::table
        .left_join(traits::table)
        .filter(runs::revision.gt(revision))
        .filter(runs::verdict.eq(Verdict::Accepted.as_str()).or(runs::amended))
        .order(runs::revision)
        .limit(limit)
        .select((RunRecord::as_select(), traits::card_share.nullable()))
        .load(conn)
        .map_err(StorageError::database("reading runs for the tables"))
}

/// The last revision of any run.
pub(crate) fn last_revision(conn: &mut Conn) -> Result<i64, StorageError> {
    let last: Option<i64> = runs::table
        .select(max(runs::revision))
        .first(conn)
        .map_err(StorageError::database("reading the last revision"))?;
    Ok(last.unwrap_or(0).max(unseen(conn)?))
}

/// The last revision of any run, and the last that tables can see.
pub(crate) fn last_revisions(conn: &mut Conn) -> Result<(i64, i64), StorageError> {
    let last = last_revision(conn)?;
    // Walks the revisions from the newest until one is visible.
    let visible: Option<i64> = runs::table
        .filter(runs::verdict.eq(Verdict::Accepted.as_str()).or(runs::amended))
        .order(runs::revision.desc())
        .select(runs::revision)
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading the last visible revision"))?;
    Ok((last, visible.unwrap_or(0).max(unseen(conn)?)))
}

/// The last change of the tables that no run shows: one was withdrawn, or accounts count as others.
fn unseen(conn: &mut Conn) -> Result<i64, StorageError> {
    Ok(departures::last_revision(conn)?.max(people::last_revision(conn)?))
}
