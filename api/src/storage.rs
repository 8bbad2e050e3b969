//! Everything that is kept: accounts, benches, runs and their frame times, the catalogue. SQL stays
//! below this module; rules and figures come from elsewhere.
//!
//! One thread writes, in groups that share one commit; readers have a pool of their own. All calls
//! block, unless they answer with a [`ticket::Ticket`].

pub mod ids;
pub mod error;
mod config;
pub mod ticket;
pub mod accounts;
pub mod passwords;
pub mod tokens;
pub mod sessions;
pub mod second_factors;
pub mod invitations;
pub mod standing;
pub mod catalogue;
pub mod proposals;
pub mod runs;
pub mod frames;
pub mod judgements;
pub mod models;
pub mod prices;
pub mod price_decisions;
pub(crate) mod audit;
pub mod audit_chain;
pub mod decisions;
pub mod cases;
pub mod measures;
pub(crate) mod departures;
pub mod people;
pub mod clusters;
pub(crate) mod likeness;
pub(crate) mod network_key;
pub(crate) mod benches;
pub(crate) mod blobs;
pub(crate) mod canonical;
pub(crate) mod connection;
pub(crate) mod evidence;
pub(crate) mod findings;
pub(crate) mod fingerprints;
pub(crate) mod frame_codec;
pub(crate) mod idempotency;
pub(crate) mod ledgers;
pub(crate) mod migrate;
pub mod references;
pub(crate) mod rows;
pub(crate) mod rule_records;
pub(crate) mod shared;
pub(crate) mod submissions;
pub(crate) mod corrections;
pub(crate) mod tables;
pub(crate) mod time;
pub(crate) mod token_cache;
pub(crate) mod writer;

use std::fs;
use std::net::IpAddr;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use wearmark_core::catalogue::{Catalogue, CatalogueDocument};
use wearmark_core::finding::Rule;
use wearmark_core::ledger::Ledger;
use wearmark_core::policy::Policy;
use wearmark_core::run::Bench;
use wearmark_core::series::fingerprint::Index;
use wearmark_core::table::rules::Stopped;
use wearmark_core::table::spread::Priors;

use crate::auth::password::{Costs, Decoy};

use audit::Entry;
use blobs::{BlobStore, FolderStore};
use catalogue::ImportCounts;
use connection::{Reader, Readers};
use error::StorageError;
use fingerprints::IndexCell;
use frames::{FrameAt, FrameCache};
use ids::{AccountId, BenchId, RunId};
use judgements::Judged;
use ledgers::LedgerCell;
use models::StoredModel;
use network_key::NetworkKey;
use people::People;
use proposals::ProposalRow;
use runs::{RunFilter, RunRow, StoredRun};
use shared::{Publish, Shared};
use ticket::Ticket;
use token_cache::TokenCache;
use writer::{Tx, Writer};

pub use config::StorageConfig;

/// The service's storage; clones share it.
#[derive(Clone)]
pub struct Storage(Arc<Inner>);

struct Inner {
    readers: Readers,
    writer: Writer,
    blobs: Box<dyn BlobStore>,
    frames: FrameCache,
    ledger: Arc<LedgerCell>,
    passes: Arc<IndexCell>,
    tokens: TokenCache,
    shared: Arc<Shared>,
    network_key: NetworkKey,
    password_costs: Costs,
    decoy: Decoy,
}

impl Storage {
    /// Opens the data folder, brings the database to the present form and starts the writer.
    ///
    /// # Errors
    /// When the folder or the database cannot be used.
    pub fn open(config: &StorageConfig) -> Result<Storage, StorageError> {
        let doing = "opening the data folder";
        fs::create_dir_all(&config.data_dir).map_err(StorageError::file(doing))?;
        let database = config.data_dir.join("wearmark.sqlite");
        let mut conn = connection::open(&database)?;
        migrate::run(&mut conn)?;
        audit_chain::complete(&mut conn)?;
        let shared = Arc::new(Shared::read(&mut conn)?);
        let ledger = Arc::new(LedgerCell::default());
        let passes = Arc::new(IndexCell::default());
        Ok(Storage(Arc::new(Inner {
            readers: connection::readers(&database, config.readers)?,
            writer: Writer::start(database, conn, Publish::new(&shared, &ledger, &passes))?,
            blobs: Box::new(FolderStore::open(config.data_dir.join("blobs"))?),
            frames: FrameCache::new(),
            ledger,
            passes,
            tokens: TokenCache::default(),
            shared,
            network_key: NetworkKey::open(&config.data_dir)?,
            password_costs: config.password_costs,
            decoy: Decoy::default(),
        })))
    }

    /// The last committed change that tables can see.
    pub fn revision(&self) -> i64 {
        self.0.shared.tables()
    }

    /// The last committed change of any run, price or catalogue entry; never goes back, also not over a restart.
    pub fn last_change(&self) -> i64 {
        self.0.shared.last()
    }

    /// The catalogue; cached, swapped when an import commits.
    pub fn catalogue(&self) -> Arc<Catalogue> {
        self.0.shared.catalogue()
    }

    /// As whom accounts count.
    pub fn people(&self) -> Arc<People> {
        self.0.shared.people()
    }

    /// The keyed hash of the network that an address stands for; none for one that says nothing of a person.
    pub fn network_hash(&self, address: IpAddr) -> Option<String> {
        self.0.network_key.hash(address)
    }

    /// All accepted runs as a frame, brought up to date with what was committed.
    ///
    /// # Errors
    /// When the database or the table engine fails.
    pub fn frame(&self) -> Result<FrameAt, StorageError> {
        let wanted = self.revision();
        self.0.frames.at(wanted, self.blobs(), &self.people(), self.catalogue(), || self.reader())
    }

    /// A run in full, but for its frame times.
    ///
    /// # Errors
    /// When the database fails, or what is stored cannot be read.
    pub fn find_run(&self, run: &RunId) -> Result<Option<StoredRun>, StorageError> {
        runs::find(&mut *self.reader()?, run)
    }

    /// The frame times of a run in milliseconds, one list a pass, exactly as submitted; an empty list for a
    /// pass that came without.
    ///
    /// # Errors
    /// When the database or the file fails, or what is stored cannot be read.
    pub fn frame_times(&self, run: &RunId) -> Result<Option<Vec<Vec<f64>>>, StorageError> {
        let found = runs::blob(&mut *self.reader()?, run)?;
        let Some((name, passes)) = found else { return Ok(None) };
        let Some(name) = name else { return Ok(Some(vec![Vec::new(); passes])) };
        self.blob_frame_times(&name).map(Some)
    }

    /// Runs that pass the filter, newest first, starting behind `after`.
    ///
    /// # Errors
    /// When the database fails.
    pub fn list_runs(
        &self,
        filter: &RunFilter,
        after: Option<&RunId>,
        limit: u32,
    ) -> Result<Vec<RunRow>, StorageError> {
        runs::list(&mut *self.reader()?, filter, after, limit)
    }

    /// One of the account's own benches.
    ///
    /// # Errors
    /// When the database fails.
    pub fn bench(&self, account: &AccountId, bench: &BenchId) -> Result<Option<Bench>, StorageError> {
        benches::find(&mut *self.reader()?, account, bench)
    }

    /// Adds the document's entries to the catalogue, or replaces those of the same id; all or none.
    ///
    /// # Errors
    /// When the document contradicts itself or names what is not there, or the database fails.
    pub fn import_catalogue(
        &self,
        document: CatalogueDocument,
        now: DateTime<Utc>,
    ) -> Result<ImportCounts, StorageError> {
        self.write("importing the catalogue", move |tx| {
            let revision = tx.change.next();
            let counts = catalogue::import(tx.conn, &document, revision, now)?;
            if counts.added + counts.changed > 0 {
                tx.change.catalogue = true;
                Entry::catalogue_imported(counts).write(tx.conn, now)?;
            }
            Ok(counts)
        })
        .wait()
    }

    /// Proposed catalogue entries, most wanted first.
    ///
    /// # Errors
    /// When the database fails.
    pub fn proposals(&self) -> Result<Vec<ProposalRow>, StorageError> {
        proposals::all(&mut *self.reader()?)
    }

    /// What the rules stopped and what became of it, and how many runs were judged.
    ///
    /// # Errors
    /// When the database fails.
    pub fn stopped(&self, rules: &[Rule]) -> Result<(Vec<Stopped>, u64), StorageError> {
        rule_records::stopped(&mut *self.reader()?, rules)
    }

    /// Whether a read works and the writer answers.
    ///
    /// # Errors
    /// When either does not.
    pub fn ping(&self) -> Result<(), StorageError> {
        catalogue::last_revision(&mut *self.reader()?)?;
        self.write("answering a ping", |_| Ok::<(), StorageError>(())).wait()
    }

    /// Ends the writer once everything that waits for it is stored; writes after that fail as closed.
    pub fn close(&self) {
        self.0.writer.close();
    }

    /// Every verdict of a run, in order.
    ///
    /// # Errors
    /// When the database fails.
    pub fn judgements(&self, run: &RunId) -> Result<Vec<Judged>, StorageError> {
        judgements::of_run(&mut *self.reader()?, run.as_str())
    }

    /// Computes the chain of the audit trail again; `known` is a head that somebody kept.
    ///
    /// # Errors
    /// When the database fails.
    pub fn verify_audit(&self, known: Option<&str>) -> Result<audit_chain::ChainReport, StorageError> {
        audit_chain::verify(&mut *self.reader()?, known)
    }

    /// All models, oldest first.
    ///
    /// # Errors
    /// When the database fails.
    pub fn models(&self) -> Result<Vec<StoredModel>, StorageError> {
        models::all(&mut *self.reader()?)
    }

    /// A bench of whoever, with the account that it belongs to.
    pub(crate) fn bench_of_anybody(
        &self,
        conn: &mut connection::Conn,
        bench: &str,
    ) -> Result<Option<(String, Bench)>, StorageError> {
        benches::of_anybody(conn, bench)
    }

    /// Works with the ledger that runs are judged by.
    pub(crate) fn ledger<T>(
        &self,
        conn: &mut connection::Conn,
        policy: &Policy,
        work: impl FnOnce(&mut Ledger) -> T,
    ) -> Result<T, StorageError> {
        self.0.ledger.with(conn, &*self.0.blobs, policy, work)
    }

    /// Has ledger and fingerprints read again when they are next needed: runs are gone that they know.
    pub(crate) fn forget_evidence(&self) {
        self.0.ledger.forget();
        self.0.passes.forget();
    }

    /// When a run or price was withdrawn; none when it was not.
    ///
    /// # Errors
    /// When the database fails.
    pub fn withdrawn_at(&self, subject: &str) -> Result<Option<DateTime<Utc>>, StorageError> {
        departures::when(&mut *self.reader()?, subject)
    }

    /// What contributors were found to differ by when the frame was last asked for.
    pub(crate) fn priors(&self, policy: &Policy) -> Priors {
        self.0.frames.priors(&policy.table)
    }

    /// Works with the index of stored passes.
    pub(crate) fn passes<T>(
        &self,
        conn: &mut connection::Conn,
        work: impl FnOnce(&Index) -> T,
    ) -> Result<T, StorageError> {
        self.0.passes.with(conn, work)
    }

    /// Where blobs are.
    pub(crate) fn blobs(&self) -> &dyn BlobStore {
        &*self.0.blobs
    }

    /// A connection for reading.
    pub(crate) fn reader(&self) -> Result<Reader, StorageError> {
        self.0
            .readers
            .get()
            .map_err(|e| StorageError::Connection { doing: "taking a reader", why: e.to_string() })
    }

    /// Queues a write.
    pub(crate) fn write<T, E, F>(&self, doing: &'static str, step: F) -> Ticket<Result<T, E>>
    where
        T: Send + 'static,
        E: From<StorageError> + Send + 'static,
        F: FnOnce(&mut Tx<'_>) -> Result<T, E> + Send + 'static,
    {
        self.0.writer.write(doing, step)
    }

    /// The frame times in a blob.
    pub(crate) fn blob_frame_times(&self, name: &str) -> Result<Vec<Vec<f64>>, StorageError> {
        frame_codec::decode(&self.0.blobs.get(name)?)
    }

    /// Puts frame times, one list a pass, on disk, and answers with the name of their blob.
    pub(crate) fn put_frame_times(&self, passes: &[&[f64]]) -> Result<String, StorageError> {
        self.0.blobs.put(&frame_codec::encode(passes)?)
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
pub(crate) mod fixture;
#[cfg(test)]
mod tests;
