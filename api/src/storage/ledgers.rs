//! The resident ledger that runs are judged by, and how it is kept in step with the database.

use std::sync::{Mutex, PoisonError};

use diesel::prelude::*;
use wearmark_core::identity::{Identity, Traits};
use wearmark_core::judge::HeldFor;
use wearmark_core::ledger::{Entry, Ledger, Packed, Standing, Subject};
use wearmark_core::policy::Policy;
use wearmark_core::statistics::Grade;
use wearmark_core::verdict::Verdict;

use super::blobs::BlobStore;
use super::connection::Conn;
use super::error::StorageError;
use super::judgements::stored_held_for;
use super::models::{self, StoredModel};
use super::people::{self, People};
use super::rows::RunRecord;
use super::tables::{judgements, runs, traits};

/// Rows read at a time: some ten megabytes of them.
const CHUNK: i64 = 20_000;

/// Keeps the ledger; empty until it is first asked for, and again when what it knows may not be so.
#[derive(Debug, Default)]
pub(crate) struct LedgerCell(Mutex<Option<Ledger>>);

impl LedgerCell {
    /// Lets the ledger be read again: something was written that it did not see, or undone that it did.
    pub(crate) fn forget(&self) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    /// Works with the ledger, which is read first if need be.
    pub(crate) fn with<T>(
        &self,
        conn: &mut Conn,
        blobs: &dyn BlobStore,
        policy: &Policy,
        work: impl FnOnce(&mut Ledger) -> T,
    ) -> Result<T, StorageError> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let ledger = match kept.take() {
            Some(ledger) => ledger,
            None => read(conn, blobs, policy)?,
        };
        Ok(work(kept.insert(ledger)))
    }
}

/// One verdict of a comparable run, with the run.
pub(crate) struct Event {
    pub(crate) run: String,
    pub(crate) contributor: String,
    pub(crate) identity: Identity,
    pub(crate) traits: Traits,
    pub(crate) measured_day: i32,
    pub(crate) grade: Grade,
    pub(crate) mean_fps: f64,
    pub(crate) low_fps: Option<f64>,
    pub(crate) verdict: Verdict,
    pub(crate) held_for: Option<HeldFor>,
    pub(crate) revision: i64,
    pub(crate) ordinal: i32,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = traits)]
struct TraitsRow {
    family: Option<String>,
    memory_mib: i64,
    preset_rank: i64,
    cpu: String,
    single_channel: bool,
}

/// A run, its traits, its verdict, what it is held for (numbers, conditions), revision and ordinal.
type VerdictRow = (RunRecord, TraitsRow, String, (bool, bool), i64, i32);

impl From<TraitsRow> for Traits {
    fn from(row: TraitsRow) -> Traits {
        Traits {
            family: row.family,
            // Both were 32 bits wide when they were written.
            memory_mib: u32::try_from(row.memory_mib).unwrap_or(0),
            preset_rank: u32::try_from(row.preset_rank).unwrap_or(0),
            cpu: row.cpu,
            single_channel: row.single_channel,
        }
    }
}

impl Event {
    /// The run's standing from this verdict on; none when it no longer counts.
    pub(crate) fn standing(&self) -> Option<Standing> {
        standing(self.verdict, self.held_for)
    }

    /// The same as the person that the contributor counts as.
    pub(crate) fn by(mut self, people: &People) -> Event {
        self.contributor = people.person(&self.contributor).to_owned();
        self
    }

    pub(crate) fn subject(&self) -> Subject<'_> {
        Subject {
            contributor: &self.contributor,
            identity: &self.identity,
            traits: &self.traits,
            measured_day: self.measured_day,
        }
    }

    /// Takes the verdict into a ledger.
    pub(crate) fn apply(&self, ledger: &mut Ledger) {
        let Some(standing) = self.standing() else {
            if self.ordinal > 0 {
                ledger.remove(&self.run, self.revision);
            }
            return;
        };
        ledger.put(&Entry {
            run: &self.run,
            subject: self.subject(),
            mean_fps: self.mean_fps,
            low_fps: self.low_fps,
            grade: self.grade,
            standing,
            revision: self.revision,
        });
    }
}

/// What a verdict makes of a comparable run; none when it does not count.
pub(crate) fn standing(verdict: Verdict, held_for: Option<HeldFor>) -> Option<Standing> {
    match (verdict, held_for) {
        (Verdict::Accepted, _) => Some(Standing::Accepted),
        (Verdict::Held, Some(HeldFor::Numbers)) => Some(Standing::Held),
        (Verdict::Held, Some(HeldFor::Conditions)) => Some(Standing::Questioned),
        (Verdict::Held, None) | (Verdict::Rejected, _) => None,
    }
}

/// Hands every verdict of every comparable run to `each`, in the order of their changes; those that were
/// followed by another one too if `all`.
pub(crate) fn walk(
    conn: &mut Conn,
    all: bool,
    mut each: impl FnMut(Event) -> Result<(), StorageError>,
) -> Result<(), StorageError> {
    let later = diesel::alias!(judgements as later);
    let mut after = 0;
    loop {
        let mut query = judgements::table
            .inner_join(runs::table.inner_join(traits::table))
            .filter(judgements::revision.gt(after))
            .filter(traits::comparable)
            .order(judgements::revision)
            .limit(CHUNK)
            .select((
                RunRecord::as_select(),
                TraitsRow::as_select(),
                judgements::verdict,
                (judgements::by_numbers, judgements::by_conditions),
                judgements::revision,
                judgements::ordinal,
            ))
            .into_boxed();
        if !all {
            query = query.filter(diesel::dsl::not(diesel::dsl::exists(
                later
                    .filter(later.field(judgements::run).eq(judgements::run))
                    .filter(later.field(judgements::ordinal).gt(judgements::ordinal)),
            )));
        }
        let rows: Vec<VerdictRow> = query.load(conn).map_err(StorageError::database("reading verdicts"))?;
        let Some((.., last, _)) = rows.last() else { return Ok(()) };
        after = *last;
        for row in rows {
            if let Some(event) = event(row)? {
                each(event)?;
            }
        }
    }
}

/// The verdict that stands of a comparable run; none for one that is not.
pub(crate) fn latest(conn: &mut Conn, run: &str) -> Result<Option<Event>, StorageError> {
    let row: Option<VerdictRow> = judgements::table
        .inner_join(runs::table.inner_join(traits::table))
        .filter(judgements::run.eq(run))
        .filter(traits::comparable)
        .order(judgements::ordinal.desc())
        .select((
            RunRecord::as_select(),
            TraitsRow::as_select(),
            judgements::verdict,
            (judgements::by_numbers, judgements::by_conditions),
            judgements::revision,
            judgements::ordinal,
        ))
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading the verdict of a run"))?;
    row.map(event).transpose().map(Option::flatten)
}

/// None without a rate.
fn event(row: VerdictRow) -> Result<Option<Event>, StorageError> {
    let (mut record, traits, word, (by_numbers, by_conditions), revision, ordinal) = row;
    let (_, _, grade) = record.state()?;
    let verdict = Verdict::parse(&word).ok_or_else(|| super::rows::odd("verdict", &word))?;
    let Some(mean_fps) = record.mean_fps else { return Ok(None) };
    Ok(Some(Event {
        identity: record.identity()?,
        run: record.id,
        contributor: record.contributor,
        traits: traits.into(),
        measured_day: record.measured_day,
        grade,
        mean_fps,
        low_fps: record.low_percentile_fps,
        verdict,
        held_for: stored_held_for(by_numbers, by_conditions),
        revision,
        ordinal,
    }))
}

/// A ledger with a stored model and no runs.
pub(crate) fn with_model(blobs: &dyn BlobStore, model: &StoredModel) -> Result<Ledger, StorageError> {
    let bytes = blobs.get(&model.blob)?;
    let packed = Packed::from_bytes(&bytes)
        .map_err(|e| StorageError::Damaged { what: format!("model {}: {e}", model.number) })?;
    Ok(Ledger::with(packed, model.number, model.learnt, model.limit))
}

fn read(conn: &mut Conn, blobs: &dyn BlobStore, policy: &Policy) -> Result<Ledger, StorageError> {
    // A model is made of the stored runs and can be made again; one of an earlier version of this program, or one that
    // is damaged, must not keep the service from starting.
    let mut ledger = match models::newest(conn)? {
        Some(model) => with_model(blobs, &model).unwrap_or_else(|error| {
            tracing::warn!(%error, model = model.number, "the model cannot be read; it will be fitted again");
            Ledger::new(policy)
        }),
        None => Ledger::new(policy),
    };
    let people = people::load(conn)?;
    walk(conn, false, |event| {
        event.by(&people).apply(&mut ledger);
        Ok(())
    })?;
    Ok(ledger)
}
