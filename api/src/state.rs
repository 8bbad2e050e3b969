//! What handlers share.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use actix_web::HttpRequest;
use actix_web::http::header::HeaderMap;
use tokio::sync::{Semaphore, SemaphorePermit};

use crate::auth::network::Network;
use crate::auth::throttle::Throttle;
use crate::config::{AccountPolicy, Limits};
use crate::error::{ApiError, ErrorCode};
use crate::intake::Intake;
use crate::places::{Place, Places};
use crate::published::cache::Cache;
use crate::rates::Rates;
use crate::storage::ids::AccountId;

/// Shared by all workers.
pub struct State {
    /// The way of a submission, with storage and policy.
    pub intake: Intake,
    /// Bounds on what comes in.
    pub limits: Limits,
    /// How accounts and log-ins are kept safe.
    pub accounts: AccountPolicy,
    /// Failed log-ins.
    pub throttle: Throttle,
    /// How much each caller may ask for.
    pub rates: Rates,
    /// One permit for each password being hashed.
    pub hashes: Semaphore,
    /// Rendered answers.
    pub cache: Cache,
    /// Places for submissions held in memory.
    pub submissions: Places,
    /// One permit for each batch.
    pub batches: Arc<Semaphore>,
    /// One permit for each table being computed.
    pub tables: Semaphore,
}

impl State {
    /// State of a service that takes submissions through `intake`.
    pub fn new(intake: Intake, limits: Limits, accounts: AccountPolicy) -> State {
        State {
            throttle: Throttle::default(),
            rates: Rates::new(&limits.quotas),
            hashes: Semaphore::new(accounts.hashes),
            accounts,
            cache: Cache::new(limits.cache_bytes),
            submissions: Places::new(limits.submissions),
            batches: Arc::new(Semaphore::new(limits.batches)),
            tables: Semaphore::new(limits.tables),
            intake,
            limits,
        }
    }

    /// Waits for room to hash a password.
    ///
    /// # Errors
    /// `Busy` when too many log in at once, or the service is closing.
    pub async fn hashing(&self) -> Result<SemaphorePermit<'_>, ApiError> {
        let busy = || ApiError::new(ErrorCode::Busy, "Too many log in at once.");
        let waited = tokio::time::timeout(self.accounts.hash_wait, self.hashes.acquire()).await;
        waited.map_err(|_| busy())?.map_err(|_| busy())
    }

    /// The network that a request comes from.
    pub fn network(&self, request: &HttpRequest) -> Network {
        Network::of(self.client(request.peer_addr(), request.headers()))
    }

    /// The keyed hash of that network; none for one that says nothing of a person.
    pub fn network_hash(&self, request: &HttpRequest) -> Option<String> {
        self.intake.storage.network_hash(self.network(request).address())
    }

    /// The address that a request comes from.
    pub fn client(&self, peer: Option<SocketAddr>, headers: &HeaderMap) -> IpAddr {
        // Without a peer there is no connection to answer on.
        let peer = peer.map_or(IpAddr::from([0, 0, 0, 0]), |peer| peer.ip());
        self.accounts.proxies.client(peer, headers)
    }

    /// Waits for room to hold a submission in memory; see [`Places::take`].
    ///
    /// # Errors
    /// `Busy` when the service is closing.
    pub async fn submission(&self, account: Option<&AccountId>) -> Result<Place, ApiError> {
        self.submissions
            .take(account)
            .await
            .map_err(|_| ApiError::new(ErrorCode::Busy, "The service is closing."))
    }
}
