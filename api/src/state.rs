//! What handlers share.

use std::sync::Arc;

use tokio::sync::{Semaphore, SemaphorePermit};

use crate::config::Limits;
use crate::error::{ApiError, ErrorCode};
use crate::intake::Intake;
use crate::published::cache::Cache;

/// Shared by all workers.
pub struct State {
    /// The way of a submission, with storage and policy.
    pub intake: Intake,
    /// Bounds on what comes in.
    pub limits: Limits,
    /// Rendered answers.
    pub cache: Cache,
    /// One permit for each submission held in memory.
    pub submissions: Semaphore,
    /// One permit for each batch.
    pub batches: Arc<Semaphore>,
    /// One permit for each table being computed.
    pub tables: Semaphore,
}

impl State {
    /// State of a service that takes submissions through `intake`.
    pub fn new(intake: Intake, limits: Limits) -> State {
        State {
            cache: Cache::new(limits.cache_bytes),
            submissions: Semaphore::new(limits.submissions),
            batches: Arc::new(Semaphore::new(limits.batches)),
            tables: Semaphore::new(limits.tables),
            intake,
            limits,
        }
    }

    /// Waits for room to hold a submission in memory.
    ///
    /// # Errors
    /// `Busy` when the service is closing.
    pub async fn submission(&self) -> Result<SemaphorePermit<'_>, ApiError> {
        self.submissions
            .acquire()
            .await
            .map_err(|_| ApiError::new(ErrorCode::Busy, "The service is closing."))
    }
}
