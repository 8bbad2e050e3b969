//! The resident frame of accepted runs, brought up to date when it is asked for.

use std::sync::{Arc, Mutex, PoisonError};

use wearmark_core::catalogue::Catalogue;
use wearmark_core::fact::RunFact;
use wearmark_core::policy::table::TablePolicy;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::spread::Priors;
use wearmark_core::table::views::Views;

use super::blobs::BlobStore;
use super::connection::Conn;
use super::error::StorageError;
use super::people::People;
use super::{departures, models, runs};

/// A frame and the state of the data it shows.
#[derive(Debug, Clone)]
pub struct FrameAt {
    /// The accepted runs; cheap to clone.
    pub frame: RunFrame,
    /// Every change up to this one is in it. Equal revisions are equal frames, also after a restart.
    pub revision: i64,
    /// The last change of as whom accounts count that is in it.
    pub(crate) people: i64,
}

impl FrameAt {
    fn empty() -> FrameAt {
        FrameAt { frame: RunFrame::default(), revision: 0, people: 0 }
    }
}

/// Rows read at a time: some ten megabytes of them.
const CHUNK: i64 = 20_000;

/// Keeps the frame.
#[derive(Debug)]
pub(crate) struct FrameCache(Mutex<FrameAt>);

impl FrameCache {
    /// Nothing read yet.
    pub(crate) fn new() -> FrameCache {
        FrameCache(Mutex::new(FrameAt::empty()))
    }

    /// The frame with everything up to `wanted`, which is committed, and the catalogue. Whoever comes first reads what
    /// is new; the others wait for it, and share what any of them finds out of the frame.
    pub(crate) fn at(
        &self,
        wanted: i64,
        blobs: &dyn BlobStore,
        people: &People,
        catalogue: Arc<Catalogue>,
        reader: impl FnOnce() -> Result<super::connection::Reader, StorageError>,
    ) -> Result<FrameAt, StorageError> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.people < people.revision {
            // Accounts count as others: all of it is read anew.
            *kept = FrameAt { people: people.revision, ..FrameAt::empty() };
        }
        if kept.revision < wanted {
            *kept = refresh(&kept, blobs, people, &mut *reader()?)?;
        }
        kept.frame = kept.frame.with_catalogue(catalogue);
        Ok(kept.clone())
    }

    /// What contributors were found to differ by when the frame was last asked for.
    pub(crate) fn priors(&self, policy: &TablePolicy) -> Priors {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).frame.priors(policy)
    }
}

/// The frame with all that changed behind its revision.
fn refresh(
    kept: &FrameAt,
    blobs: &dyn BlobStore,
    people: &People,
    conn: &mut Conn,
) -> Result<FrameAt, StorageError> {
    let mut fresh = kept.clone();
    // Read first: no run that changed before this model did is missed.
    let newest = models::newest_for_tables(conn)?;
    let fitted = newest.revision;
    if fitted > kept.revision {
        let bytes = newest.views.map_or(Ok(Vec::new()), |name| blobs.get(&name))?;
        let views = Views::from_bytes(&bytes).map_err(|e| StorageError::Damaged { what: e.to_string() })?;
        let frame = fresh.frame.with_priors(newest.priors).with_views(views);
        fresh.frame = frame.map_err(StorageError::Frame)?;
    }
    let (gone, departed) = departures::since(conn, kept.revision)?;
    if !gone.is_empty() {
        fresh.frame = fresh.frame.updated(&[], &gone).map_err(StorageError::Frame)?;
    }
    loop {
        let rows = runs::visible_since(conn, fresh.revision, CHUNK)?;
        let Some((last, _)) = rows.last() else {
            let revision = fresh.revision.max(fitted).max(departed).max(people.revision);
            return Ok(FrameAt { revision, ..fresh });
        };
        let revision = last.revision;
        // A run that was amended may be in the frame in its earlier state.
        let gone: Vec<String> = rows.iter().filter(|(r, _)| r.amended).map(|(r, _)| r.id.clone()).collect();
        let facts = rows
            .into_iter()
            .filter(|(run, _)| run.is_accepted())
            .map(|(run, card_share)| run.into_fact(card_share, people))
            .collect::<Result<Vec<RunFact>, StorageError>>()?;
        let frame = fresh.frame.updated(&facts, &gone).map_err(StorageError::Frame)?;
        fresh = FrameAt { frame, revision, ..fresh };
    }
}
