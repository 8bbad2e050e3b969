//! What judgement looks at beside the run itself. Each look-up goes through an index, so its cost is that of
//! the rows it finds.

use std::collections::HashMap;

use chrono::NaiveDateTime;
use diesel::dsl::{exists, not};
use diesel::prelude::*;
use wearmark_core::identity::Identity;
use wearmark_core::judge::Sat;
use wearmark_core::ladder::Rung;
use wearmark_core::run::Outcome;
use wearmark_core::verdict::Verdict;

use super::connection::Conn;
use super::error::StorageError;
use super::ids::{AccountId, RunId};
use super::rows::pixels;
use super::tables::{findings, passes, runs, submissions};
use super::time;

/// The finding of a run paced by a timer.
const CAPPED: &str = "capped";

/// Rungs looked at, the newest first: ladders have some five, and a bench that repeats itself without end
/// must not make each of its runs cost more than the one before.
const RUNGS: i64 = 64;

/// A stored rung of a resolution ladder.
#[derive(Debug, Clone)]
pub(crate) struct StoredRung {
    /// The run.
    pub(crate) run: String,
    /// Its rung.
    pub(crate) rung: Rung,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = runs)]
struct RungRow {
    id: String,
    width: i64,
    height: i64,
    mean_fps: Option<f64>,
}

/// Completed, uncapped runs of the same bench, card, driver, workload scene and settings, at any resolution; the
/// newest, newest first. Held runs are rungs too: a rate paced by constant processor work is held for its even
/// pace, and the ladder is what explains it.
pub(crate) fn ladder(conn: &mut Conn, identity: &Identity) -> Result<Vec<StoredRung>, StorageError> {
    let rows: Vec<RungRow> = runs::table
        .filter(runs::bench.eq(&identity.bench))
        .filter(runs::card.eq(&identity.card))
        .filter(runs::driver.eq(&identity.driver))
        .filter(runs::workload.eq(&identity.workload))
        .filter(runs::scene.eq(&identity.scene))
        .filter(runs::api.eq(&identity.api))
        .filter(runs::preset.eq(&identity.preset))
        .filter(runs::render_scale.eq(identity.render_scale))
        .filter(runs::variant.eq(&identity.variant))
        .filter(runs::verdict.ne(Verdict::Rejected.as_str()))
        .filter(runs::outcome.eq(Outcome::Completed.as_str()))
        .filter(not(exists(
            findings::table.filter(findings::run.eq(runs::id)).filter(findings::code.eq(CAPPED)),
        )))
        .order(runs::id.desc())
        .limit(RUNGS)
        .select(RungRow::as_select())
        .load(conn)
        .map_err(StorageError::database("looking for the resolution ladder"))?;
    let mut rungs = Vec::with_capacity(rows.len());
    for row in rows {
        let Some(mean_fps) = row.mean_fps else { continue };
        let rung = Rung { width: pixels(row.width)?, height: pixels(row.height)?, mean_fps, alone: None };
        rungs.push(StoredRung { run: row.id, rung });
    }
    Ok(rungs)
}

/// Runs looked at for a sitting, the oldest: a bench measures some tens of a card a day, and one that sends more without end
/// must not make each run cost more than the one before.
const SAT: i64 = 256;

/// Runs of the bench and card that were measured on the same day, the day before or the day after, and are not rejected.
pub(crate) fn sitting(
    conn: &mut Conn,
    bench: &str,
    card: &str,
    day: i32,
) -> Result<Vec<Sat<'static>>, StorageError> {
    let rows: Vec<(String, NaiveDateTime, String, String)> = runs::table
        .inner_join(submissions::table)
        .filter(runs::bench.eq(bench))
        .filter(runs::card.eq(card))
        .filter(runs::measured_day.between(day.saturating_sub(1), day.saturating_add(1)))
        .filter(runs::verdict.ne(Verdict::Rejected.as_str()))
        .order((runs::measured_day, runs::id))
        .limit(SAT)
        .select((runs::id, submissions::measured_at, runs::driver, runs::configuration))
        .load(conn)
        .map_err(StorageError::database("looking for the sitting"))?;
    let sat = |(run, at, driver, configuration): (String, NaiveDateTime, String, String)| Sat {
        run: run.into(),
        at: time::from_stored(at),
        driver: driver.into(),
        configuration: configuration.into(),
    };
    Ok(rows.into_iter().map(sat).collect())
}

/// For each of these pass hashes that is stored, the first run that has it. The contributor's own rejected
/// runs are passed over: who mislabelled a capture must be able to send it again with the label put right.
pub(crate) fn stored_passes(
    conn: &mut Conn,
    contributor: &AccountId,
    hashes: &[&str],
) -> Result<HashMap<String, String>, StorageError> {
    if hashes.is_empty() {
        return Ok(HashMap::new());
    }
    let rows: Vec<(Option<String>, String)> = passes::table
        .filter(passes::hash.eq_any(hashes.iter().copied()))
        .filter(not(exists(
            runs::table
                .filter(runs::id.eq(passes::run))
                .filter(runs::contributor.eq(contributor.as_str()))
                .filter(runs::verdict.eq(Verdict::Rejected.as_str())),
        )))
        .select((passes::hash, passes::run))
        .order(passes::run.desc())
        .load(conn)
        .map_err(StorageError::database("looking for stored passes"))?;
    // The last entry for a hash stays, which is the oldest run.
    Ok(rows.into_iter().filter_map(|(hash, run)| Some((hash?, run))).collect())
}

/// The run with this fingerprint.
pub(crate) fn stored_fingerprint(conn: &mut Conn, fingerprint: &str) -> Result<Option<RunId>, StorageError> {
    submissions::table
        .filter(submissions::fingerprint.eq(fingerprint))
        .select(submissions::run)
        .first::<String>(conn)
        .optional()
        .map_err(StorageError::database("looking for the same submission"))?
        .map(run_id)
        .transpose()
}

/// A stored run id.
pub(crate) fn run_id(text: String) -> Result<RunId, StorageError> {
    RunId::try_from(text).map_err(|e| StorageError::Damaged { what: e.to_string() })
}
