//! Everything that is kept: accounts, benches, runs and their frame times, the catalogue. SQL stays
//! below this module; rules and figures come from elsewhere.
//!
//! One thread writes, in groups that share one commit; readers have a pool of their own. All calls
//! block, unless they answer with a [`ticket::Ticket`].

pub mod ids;
pub mod error;
pub mod ticket;
pub mod accounts;
pub mod catalogue;
pub mod proposals;
pub mod runs;
pub mod frames;
pub(crate) mod canonical;

use std::path::PathBuf;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use wearmark_core::catalogue::{Catalogue, CatalogueDocument};
use wearmark_core::run::Bench;

use crate::auth::password::Costs;

use accounts::{Account, Role};
use catalogue::ImportCounts;
use error::StorageError;
use frames::FrameAt;
use ids::{AccountId, BenchId, RunId};
use proposals::ProposalRow;
use runs::{RunFilter, RunRow, StoredRun};

/// Where and how to store.
#[derive(Debug, Clone)]
pub struct StorageConfig {
    /// The folder of everything; made when it is missing.
    pub data_dir: PathBuf,
    /// Database connections for reading.
    pub readers: u32,
    /// What password hashes cost.
    pub password_costs: Costs,
}

impl StorageConfig {
    /// The published settings for a data folder: eight readers, full password costs.
    pub fn new(data_dir: impl Into<PathBuf>) -> StorageConfig {
        StorageConfig { data_dir: data_dir.into(), readers: 8, password_costs: Costs::published() }
    }

    /// The same with password hashes that cost nothing. For tests only.
    pub fn for_testing(data_dir: impl Into<PathBuf>) -> StorageConfig {
        StorageConfig { password_costs: Costs::for_testing(), readers: 4, ..StorageConfig::new(data_dir) }
    }
}

/// The service's storage; clones share it.
#[derive(Clone)]
pub struct Storage(Arc<Inner>);

struct Inner {}

impl Storage {
    /// Opens the data folder, brings the database to the present form and starts the writer.
    ///
    /// # Errors
    /// When the folder or the database cannot be used.
    pub fn open(config: &StorageConfig) -> Result<Storage, StorageError> {
        let _ = config;
        Ok(Storage(Arc::new(Inner {})))
    }

    /// The last committed change that tables can see.
    pub fn revision(&self) -> i64 {
        0
    }

    /// The last committed change of any run or catalogue entry; never goes back, also not over a restart.
    pub fn last_change(&self) -> i64 {
        0
    }

    /// The catalogue; cached, swapped when an import commits.
    pub fn catalogue(&self) -> Arc<Catalogue> {
        Arc::default()
    }

    /// All accepted runs as a frame, brought up to date with what was committed.
    ///
    /// # Errors
    /// When the database or the table engine fails.
    pub fn frame(&self) -> Result<FrameAt, StorageError> {
        Err(StorageError::Closed)
    }

    /// Makes an account.
    ///
    /// # Errors
    /// When the name is taken or not fit for one, the password is too short or too long, or the database fails.
    pub fn create_account(
        &self,
        name: &str,
        password: &str,
        role: Role,
        now: DateTime<Utc>,
    ) -> Result<Account, StorageError> {
        let _ = (name, password, role, now);
        Err(StorageError::Closed)
    }

    /// All accounts by name.
    ///
    /// # Errors
    /// When the database fails.
    pub fn accounts(&self) -> Result<Vec<Account>, StorageError> {
        Err(StorageError::Closed)
    }

    /// The account of that name.
    ///
    /// # Errors
    /// When the database fails.
    pub fn account_by_name(&self, name: &str) -> Result<Option<Account>, StorageError> {
        let _ = name;
        Err(StorageError::Closed)
    }

    /// The account of that name if the password is its own.
    ///
    /// # Errors
    /// When the database fails.
    pub fn account_by_password(&self, name: &str, password: &str) -> Result<Option<Account>, StorageError> {
        let _ = (name, password);
        Err(StorageError::Closed)
    }

    /// Makes a bearer token: `wm_` and 64 hexadecimal digits, 256 random bits. Only its SHA-256 is stored, so
    /// this is the one time it can be seen.
    ///
    /// # Errors
    /// When there is no such account, or the database fails.
    pub fn create_token(
        &self,
        account: &AccountId,
        label: &str,
        now: DateTime<Utc>,
    ) -> Result<String, StorageError> {
        let _ = (account, label, now);
        Err(StorageError::Closed)
    }

    /// The account a bearer token belongs to.
    ///
    /// # Errors
    /// When the database fails.
    pub fn account_of_token(&self, token: &str) -> Result<Option<Account>, StorageError> {
        let _ = token;
        Err(StorageError::Closed)
    }

    /// A run in full, but for its frame times.
    ///
    /// # Errors
    /// When the database fails, or what is stored cannot be read.
    pub fn find_run(&self, run: &RunId) -> Result<Option<StoredRun>, StorageError> {
        let _ = run;
        Err(StorageError::Closed)
    }

    /// The frame times of a run in milliseconds, one list a pass, exactly as submitted; an empty list for a
    /// pass that came without.
    ///
    /// # Errors
    /// When the database or the file fails, or what is stored cannot be read.
    pub fn frame_times(&self, run: &RunId) -> Result<Option<Vec<Vec<f64>>>, StorageError> {
        let _ = run;
        Err(StorageError::Closed)
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
        let _ = (filter, after, limit);
        Err(StorageError::Closed)
    }

    /// One of the account's own benches.
    ///
    /// # Errors
    /// When the database fails.
    pub fn bench(&self, account: &AccountId, bench: &BenchId) -> Result<Option<Bench>, StorageError> {
        let _ = (account, bench);
        Err(StorageError::Closed)
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
        let _ = (document, now);
        Err(StorageError::Closed)
    }

    /// Proposed catalogue entries, most wanted first.
    ///
    /// # Errors
    /// When the database fails.
    pub fn proposals(&self) -> Result<Vec<ProposalRow>, StorageError> {
        Err(StorageError::Closed)
    }

    /// Whether a read works and the writer answers.
    ///
    /// # Errors
    /// When either does not.
    pub fn ping(&self) -> Result<(), StorageError> {
        Ok(())
    }

    /// Ends the writer once everything that waits for it is stored; writes after that fail as closed.
    pub fn close(&self) {}
}
