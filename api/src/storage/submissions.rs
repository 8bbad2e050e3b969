//! Writing a judged run: the run, its document, passes and findings.

use chrono::{DateTime, NaiveDateTime, Utc};
use diesel::prelude::*;
use wearmark_core::finding::Finding;
use wearmark_core::identity::Traits;
use wearmark_core::judge::Judgement;
use wearmark_core::verdict::Verdict;

use super::connection::Conn;
use super::error::StorageError;
use super::findings;
use super::judgements::{self, Cause, Judged};
use super::rows::NewRun;
use super::tables::{passes, runs, submissions};
use super::time;

/// What is stored of one pass.
#[derive(Debug, Clone)]
pub(crate) struct NewPass {
    /// Frames with frame times.
    pub(crate) frames: u64,
    /// Hash of the rounded frame times; none for a pass too short to tell apart.
    pub(crate) hash: Option<String>,
}

/// What is stored of one submission.
pub(crate) struct NewSubmission<'a> {
    pub(crate) run: NewRun<'a>,
    pub(crate) received_at: DateTime<Utc>,
    pub(crate) measured_at: DateTime<Utc>,
    pub(crate) fingerprint: &'a str,
    pub(crate) document: &'a str,
    pub(crate) statistics: &'a str,
    pub(crate) judgement: &'a Judgement,
    pub(crate) traits: &'a Traits,
    /// Whether its rate says something of card and platform.
    pub(crate) comparable: bool,
    pub(crate) blob: Option<&'a str>,
    /// Keyed hash of the network that it came from.
    pub(crate) network: Option<&'a str>,
    pub(crate) passes: &'a [NewPass],
}

impl NewSubmission<'_> {
    /// Inserts all of it.
    pub(crate) fn insert(&self, conn: &mut Conn) -> Result<(), StorageError> {
        self.run.insert(conn)?;
        let run = self.run.id.as_str();
        diesel::insert_into(submissions::table)
            .values((
                submissions::run.eq(run),
                submissions::received_at.eq(time::to_stored(self.received_at)),
                submissions::measured_at.eq(time::to_stored(self.measured_at)),
                submissions::fingerprint.eq(self.fingerprint),
                submissions::document.eq(self.document),
                submissions::statistics.eq(self.statistics),
                submissions::blob.eq(self.blob),
                submissions::network.eq(self.network),
            ))
            .execute(conn)
            .map_err(StorageError::database("storing a submission"))?;
        for (position, pass) in (0_i32..).zip(self.passes) {
            // Frames in memory are far fewer than an i64 holds.
            let frames = i64::try_from(pass.frames).unwrap_or(i64::MAX);
            diesel::insert_into(passes::table)
                .values((
                    passes::run.eq(run),
                    passes::position.eq(position),
                    passes::frames.eq(frames),
                    passes::hash.eq(pass.hash.as_deref()),
                ))
                .execute(conn)
                .map_err(StorageError::database("storing passes"))?;
        }
        findings::insert(conn, run, 0, &self.judgement.findings)?;
        let inputs = self.judgement.numbers.as_ref().map(|numbers| &numbers.inputs);
        let card_share = inputs.filter(|inputs| inputs.model > 0).map(|inputs| inputs.card_share);
        judgements::insert_traits(conn, run, self.traits, self.comparable, card_share)?;
        judgements::add(
            conn,
            run,
            &Judged::new(self.judgement, Cause::Arrival, self.run.revision, self.received_at),
        )
    }
}

/// When a run came.
pub(crate) fn received_at(conn: &mut Conn, run: &str) -> Result<DateTime<Utc>, StorageError> {
    let at: NaiveDateTime = submissions::table
        .filter(submissions::run.eq(run))
        .select(submissions::received_at)
        .first(conn)
        .map_err(StorageError::database("reading when a run came"))?;
    Ok(time::from_stored(at))
}

/// Runs that are held and came between these moments, oldest first.
pub(crate) fn held_between(
    conn: &mut Conn,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> Result<Vec<String>, StorageError> {
    runs::table
        .inner_join(submissions::table)
        .filter(runs::verdict.eq(Verdict::Held.as_str()))
        .filter(submissions::received_at.between(time::to_stored(from), time::to_stored(to)))
        .order(runs::id)
        .select(runs::id)
        .load(conn)
        .map_err(StorageError::database("listing the runs whose time has come"))
}

/// Adds a finding to a stored run.
pub(crate) fn add_finding(conn: &mut Conn, run: &str, finding: Finding) -> Result<(), StorageError> {
    let there = findings::of_run(conn, run)?.len();
    findings::insert(conn, run, there, &[finding])
}

/// Gives a stored run another verdict, with the finding that says so: a further revision of the run, and a
/// further one of its verdicts.
pub(crate) fn amend(
    conn: &mut Conn,
    run: &str,
    finding: Finding,
    judged: &Judged,
) -> Result<(), StorageError> {
    add_finding(conn, run, finding)?;
    diesel::update(runs::table.filter(runs::id.eq(run)))
        .set((
            runs::verdict.eq(judged.verdict.as_str()),
            runs::revision.eq(judged.revision),
            runs::amended.eq(true),
        ))
        .execute(conn)
        .map_err(StorageError::database("changing a verdict"))?;
    judgements::add(conn, run, judged)
}
