//! A row a run, for those who want to look closer.

use std::collections::HashMap;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use anyhow::Context;
use serde::Serialize;
use wearmark_core::judge::{Numbers, weigh};
use wearmark_core::verdict::Verdict;
use wearmark_seed_data::Known;
use wearmark_seed_data::score::{Fate, Seen};

use super::Time;
use super::source::Source;
use crate::cli::exit::Failure;
use crate::intake::Intake;
use crate::storage::connection::Conn;
use crate::storage::error::StorageError;
use crate::storage::ids::RunId;
use crate::storage::judgements;

/// What is true of a submission and what became of it.
#[derive(Serialize)]
struct Row<'a> {
    #[serde(flatten)]
    known: &'a Known,
    contributor: &'a str,
    arrived_at: Time,
    /// Other contributors in the configuration when it arrived.
    peers: usize,
    at_arrival: Fate,
    /// What became of it later.
    later: &'a [(Time, Fate)],
    /// Rules that stopped it when it arrived.
    stopped_by: &'a [String],
    /// What its first verdict rests on; none without a rate that can be weighed.
    numbers: Option<Numbers>,
    /// Of a run that is held in the end: the same with what is known in the end.
    numbers_at_last: Option<Numbers>,
}

/// Writes them as JSON, one a line, in arrival order.
pub(super) fn write(
    path: &Path,
    intake: &Intake,
    source: &Source,
    seen: &[Seen],
    ids: &HashMap<usize, RunId>,
) -> Result<(), Failure> {
    let cannot = || format!("{} cannot be written", path.display());
    let mut file = BufWriter::new(File::create(path).with_context(cannot)?);
    let conn = &mut *intake.storage.reader().context("the data cannot be read")?;
    for (at, (known, seen)) in source.known().iter().zip(seen).enumerate() {
        let (numbers, numbers_at_last) = match ids.get(&at) {
            Some(run) => numbers(intake, conn, run.as_str()).context("a verdict cannot be read")?,
            None => (None, None),
        };
        let row = Row {
            known,
            contributor: &source.names()[seen.contributor],
            arrived_at: seen.arrived_at,
            peers: seen.peers,
            at_arrival: seen.at_arrival,
            later: &seen.later,
            stopped_by: &seen.stopped_by,
            numbers,
            numbers_at_last,
        };
        serde_json::to_writer(&mut file, &row).context("a row cannot be written")?;
        file.write_all(b"\n").with_context(cannot)?;
    }
    Ok(file.flush().with_context(cannot)?)
}

fn numbers(
    intake: &Intake,
    conn: &mut Conn,
    run: &str,
) -> Result<(Option<Numbers>, Option<Numbers>), StorageError> {
    let judged = judgements::of_run(conn, run)?;
    let held = judged.last().is_some_and(|last| last.verdict == Verdict::Held);
    let first = judged.into_iter().next().and_then(|first| first.numbers);
    if !held {
        return Ok((first, None));
    }
    let policy = &intake.policy;
    let inputs = intake.storage.ledger(conn, policy, |ledger| ledger.stored_inputs(run, &policy.judge))?;
    Ok((first, inputs.map(|(inputs, fps, low)| weigh(fps, low, &inputs, &policy.judge))))
}
