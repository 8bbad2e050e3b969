//! The way of a submission: bytes in, a stored and judged run out, in named steps.

mod prepare;
mod copies;
mod commit;
mod afterwards;
mod siblings;
mod sitting;

use std::sync::Arc;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use thiserror::Error;
use wearmark_core::finding::Finding;
use wearmark_core::identity::Identity;
use wearmark_core::judge::{Judgement, Numbers};
use wearmark_core::policy::Policy;
use wearmark_core::statistics::RunStatistics;
use wearmark_core::table::context::Context;

use crate::storage::Storage;
use crate::storage::connection::Conn;
use crate::storage::error::StorageError;
use crate::storage::ids::{AccountId, BenchId, RunId};
use crate::storage::ticket::Ticket;

pub use prepare::Prepared;

pub(crate) use afterwards::{Amendment, State, amend, release, restate, weigh_stored};
pub(crate) use commit::{settle, store_plain as store};

/// Takes submissions.
#[derive(Clone)]
pub struct Intake {
    /// Where they go.
    pub storage: Storage,
    /// What they are judged by.
    pub policy: Arc<Policy>,
}

/// A client's word for one submission, so that repeating it does not store it twice.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IdempotencyKey {
    /// As sent.
    pub key: String,
    /// SHA-256 of the body, after decompression.
    pub body_sha256: [u8; 32],
}

/// What the contributor is told about a judged run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Receipt {
    /// The stored run; none after a check, which stores nothing.
    pub run: Option<RunId>,
    /// The machine it ran on.
    pub bench: BenchId,
    /// When it was received.
    pub received_at: DateTime<Utc>,
    /// Verdict, all findings, and the numbers they rest on.
    pub judgement: Judgement,
    /// Figures.
    pub statistics: RunStatistics,
    /// Canonical names.
    pub identity: Identity,
    /// Where it stands among other contributors' runs of the configuration; none without any, or without a rate.
    #[serde(default)]
    pub context: Option<Context>,
    /// Whether this is the answer to an earlier request with the same idempotency key.
    pub replayed: bool,
}

/// Why a submission was not judged.
#[derive(Debug, Error)]
pub enum IntakeError {
    /// Not JSON.
    #[error("the body is not JSON")]
    Malformed(Box<Finding>),
    /// JSON, but not a run document; every finding.
    #[error("the body is not a run document")]
    OffSchema(Vec<Finding>),
    /// It refers to a bench that is none of the contributor's.
    #[error("the bench is unknown")]
    UnknownBench(Box<Finding>),
    /// The run is stored already.
    #[error("the run is stored already as {of}")]
    Duplicate {
        /// The stored run.
        of: RunId,
        /// The same in the form of a finding.
        finding: Box<Finding>,
    },
    /// The idempotency key came with another body before.
    #[error("the idempotency key was used for another body")]
    KeyReused,
    /// Too much is waiting to be stored; trying again a little later helps.
    #[error("too many submissions are waiting")]
    Busy,
    /// Storage failed.
    #[error("storage failed")]
    Storage(#[source] StorageError),
}

impl IntakeError {
    /// What was found wrong with the submission.
    ///
    /// # Errors
    /// Itself, when the fault is the service's.
    pub fn findings(self) -> Result<Vec<Finding>, IntakeError> {
        match self {
            IntakeError::Malformed(finding)
            | IntakeError::UnknownBench(finding)
            | IntakeError::Duplicate { finding, .. } => Ok(vec![*finding]),
            IntakeError::OffSchema(findings) => Ok(findings),
            other => Err(other),
        }
    }
}

impl From<StorageError> for IntakeError {
    fn from(error: StorageError) -> IntakeError {
        match error {
            StorageError::Busy => IntakeError::Busy,
            other => IntakeError::Storage(other),
        }
    }
}

impl Intake {
    /// Everything but storing: the answer a submission would get now.
    ///
    /// # Errors
    /// See [`IntakeError`].
    pub fn check(
        &self,
        account: &AccountId,
        bytes: &[u8],
        now: DateTime<Utc>,
    ) -> Result<Receipt, IntakeError> {
        let submission = prepare::read(self, account, bytes, now)?;
        commit::check(self, &submission)
    }

    /// Parses, examines, and puts the frame times on disk. Takes some milliseconds of processor time and
    /// blocks on the disk.
    ///
    /// # Errors
    /// See [`IntakeError`].
    pub fn prepare(
        &self,
        account: &AccountId,
        bytes: &[u8],
        now: DateTime<Utc>,
    ) -> Result<Prepared, IntakeError> {
        let submission = prepare::read(self, account, bytes, now)?;
        prepare::keep_frame_times(self, submission)
    }

    /// Where a run stands among other contributors' runs of its configuration.
    pub(crate) fn context(
        &self,
        conn: &mut Conn,
        identity: &Identity,
        contributor: &AccountId,
        mean_fps: Option<f64>,
        numbers: Option<&Numbers>,
    ) -> Result<Option<Context>, StorageError> {
        let Some(mean_fps) = mean_fps else { return Ok(None) };
        let people = self.storage.people();
        let peers = self.storage.ledger(conn, &self.policy, |ledger| {
            ledger.peers(identity, people.person(contributor.as_str()))
        })?;
        let prior = self.storage.priors(&self.policy).mean_fps;
        Ok(Context::of(&peers, mean_fps, numbers, prior, &self.policy))
    }

    /// Hands the submission to the writer, which judges it against what is stored at that moment and stores
    /// it. The ticket answers once it is on disk.
    pub fn store(
        &self,
        prepared: Prepared,
        key: Option<IdempotencyKey>,
    ) -> Ticket<Result<Receipt, IntakeError>> {
        let intake = self.clone();
        self.storage.write("storing a run", move |tx| commit::store(&intake, prepared, key.as_ref(), tx))
    }
}

#[cfg(test)]
mod tests;
#[cfg(test)]
mod copy_tests;
