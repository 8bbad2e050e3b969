//! What is known of the database without asking it, and how it is kept true.

use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, PoisonError, RwLock};

use wearmark_core::catalogue::Catalogue;
use wearmark_core::series::reference::ReferenceSet;

use super::connection::{self, Conn};
use super::error::StorageError;
use super::fingerprints::IndexCell;
use super::ledgers::LedgerCell;
use super::people::{self, People};
use super::writer::{Change, Surroundings};
use super::{catalogue, models, prices, references, runs};

/// What the writer changes and readers see without asking the database.
pub(crate) struct Shared {
    catalogue: RwLock<Arc<Catalogue>>,
    catalogue_revision: AtomicI64,
    references: RwLock<Arc<ReferenceSet>>,
    people: RwLock<Arc<People>>,
    references_revision: AtomicI64,
    tables: AtomicI64,
    last: AtomicI64,
}

impl Shared {
    /// What the database says.
    pub(crate) fn read(conn: &mut Conn) -> Result<Shared, StorageError> {
        let (runs, tables) = runs::last_revisions(conn)?;
        let models = models::last_revision(conn)?;
        let prices = prices::last_revision(conn)?;
        let catalogue_revision = catalogue::last_revision(conn)?;
        let references_revision = references::last_revision(conn)?;
        Ok(Shared {
            people: RwLock::new(Arc::new(people::load(conn)?)),
            references: RwLock::new(Arc::new(references::at(conn, references_revision)?)),
            references_revision: AtomicI64::new(references_revision),
            catalogue: RwLock::new(Arc::new(Catalogue::new(catalogue::load(conn)?))),
            catalogue_revision: AtomicI64::new(catalogue_revision),
            tables: AtomicI64::new(tables.max(models)),
            last: AtomicI64::new(runs.max(models).max(catalogue_revision).max(prices)),
        })
    }

    /// The catalogue.
    pub(crate) fn catalogue(&self) -> Arc<Catalogue> {
        Arc::clone(&self.catalogue.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// What is usual of the scenes.
    pub(crate) fn references(&self) -> Arc<ReferenceSet> {
        Arc::clone(&self.references.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// As whom accounts count.
    pub(crate) fn people(&self) -> Arc<People> {
        Arc::clone(&self.people.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// The last change that tables can see.
    pub(crate) fn tables(&self) -> i64 {
        self.tables.load(Ordering::Acquire)
    }

    /// The last change.
    pub(crate) fn last(&self) -> i64 {
        self.last.load(Ordering::Acquire)
    }
}

/// Keeps [`Shared`] in step with what the writer commits. Other processes may write to the same database (an
/// account made on the command line, a catalogue imported), so each group begins with what is there.
pub(crate) struct Publish {
    shared: Arc<Shared>,
    ledger: Arc<LedgerCell>,
    passes: Arc<IndexCell>,
}

impl Publish {
    /// For the writer that keeps this in step.
    pub(crate) fn new(shared: &Arc<Shared>, ledger: &Arc<LedgerCell>, passes: &Arc<IndexCell>) -> Publish {
        Publish { shared: Arc::clone(shared), ledger: Arc::clone(ledger), passes: Arc::clone(passes) }
    }
}

impl Surroundings for Publish {
    fn begin(&mut self, conn: &mut Conn) -> Result<Change, StorageError> {
        let known = self.shared.last.load(Ordering::Acquire);
        let catalogue = catalogue::last_revision(conn)?;
        let models = models::last_revision(conn)?;
        let last = runs::last_revision(conn)?.max(models).max(catalogue).max(prices::last_revision(conn)?);
        let tables = if last > known {
            runs::last_revisions(conn)?.1.max(models)
        } else {
            self.shared.tables.load(Ordering::Acquire)
        };
        if last > known {
            // Another process judged or refitted.
            self.ledger.forget();
        }
        let catalogue = catalogue > self.shared.catalogue_revision.load(Ordering::Acquire);
        let references =
            references::last_revision(conn)? > self.shared.references_revision.load(Ordering::Acquire);
        let people = people::last_revision(conn)? > self.shared.people().revision;
        Ok(Change { last: last.max(known), tables, catalogue, references, people, erased: false })
    }

    fn committed(&mut self, conn: &mut Conn, change: Change) {
        if change.catalogue {
            let fresh = catalogue::last_revision(conn)
                .and_then(|revision| Ok((revision, Catalogue::new(catalogue::load(conn)?))));
            match fresh {
                Ok((revision, fresh)) => {
                    *self.shared.catalogue.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(fresh);
                    self.shared.catalogue_revision.store(revision, Ordering::Release);
                }
                // The next group tries again.
                Err(error) => tracing::error!(%error, "the changed catalogue could not be read"),
            }
        }
        if change.references {
            let fresh = references::last_revision(conn)
                .and_then(|revision| Ok((revision, references::at(conn, revision)?)));
            match fresh {
                Ok((revision, fresh)) => {
                    *self.shared.references.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(fresh);
                    self.shared.references_revision.store(revision, Ordering::Release);
                }
                // The next group tries again.
                Err(error) => tracing::error!(%error, "the changed references could not be read"),
            }
        }
        if change.erased
            && let Err(error) = connection::erase(conn)
        {
            // The log is cut at its next turn; until then what was deleted is in it.
            tracing::warn!(%error, "the database's log could not be cut");
        }
        if change.people {
            match people::load(conn) {
                Ok(fresh) => {
                    *self.shared.people.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(fresh);
                    self.ledger.forget();
                }
                // The next group tries again.
                Err(error) => tracing::error!(%error, "as whom accounts count could not be read"),
            }
        }
        self.shared.tables.store(change.tables, Ordering::Release);
        self.shared.last.store(change.last, Ordering::Release);
    }

    fn undone(&mut self) {
        self.ledger.forget();
        self.passes.forget();
    }
}
