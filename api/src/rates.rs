//! What the service lets callers ask for: requests of a network, a credential and an account, and what an account
//! uploads and submits.

use std::net::IpAddr;
use std::time::Instant;

use crate::auth::network::Network;
use crate::auth::rates::{Buckets, Left};
use crate::config::Quotas;
use crate::error::ApiError;
use crate::storage::ids::AccountId;
use crate::storage::tokens::{Credential, Via};

/// All buckets.
#[derive(Debug)]
pub struct Rates {
    loopback: bool,
    network: Buckets<Network>,
    credential: Buckets<Via>,
    account: Buckets<AccountId>,
    bytes: Buckets<AccountId>,
    submissions: Buckets<AccountId>,
}

impl Rates {
    /// Full buckets of these quotas.
    pub fn new(quotas: &Quotas) -> Rates {
        Rates {
            loopback: quotas.loopback,
            network: Buckets::new("network", quotas.network_requests),
            credential: Buckets::new("credential", quotas.credential_requests),
            account: Buckets::new("account", quotas.account_requests),
            bytes: Buckets::new("bytes", quotas.account_bytes),
            submissions: Buckets::new("submissions", quotas.account_submissions),
        }
    }

    /// A request from an address. This machine's own is not limited unless the quotas say so.
    ///
    /// # Errors
    /// What is left when it is not enough.
    pub fn network_request(&self, address: IpAddr, now: Instant) -> Result<Option<Left>, Left> {
        if address.is_loopback() && !self.loopback {
            return Ok(None);
        }
        self.network.take(Network::of(address), 1.0, now)
    }

    /// A request with a credential; the answer is what is left of each limit.
    ///
    /// # Errors
    /// What is left of the limit that is passed.
    pub fn request(&self, credential: &Credential, now: Instant) -> Result<Vec<Left>, Left> {
        let by_credential = self.credential.take(credential.via.clone(), 1.0, now)?;
        let by_account = self.account.take(credential.account.id.clone(), 1.0, now)?;
        Ok(by_credential.into_iter().chain(by_account).collect())
    }

    /// Refuses an upload while the account has none left.
    ///
    /// # Errors
    /// `RateLimited`.
    pub fn upload(&self, account: &AccountId, now: Instant) -> Result<(), ApiError> {
        self.bytes
            .take(account.clone(), 1.0, now)
            .map(drop)
            .map_err(|left| ApiError::wait("The account has uploaded too much for now.", left.wait(1.0)))
    }

    /// Counts bytes that an account has uploaded.
    pub fn uploaded(&self, account: &AccountId, bytes: usize, now: Instant) {
        self.bytes.charge(account.clone(), bytes as f64, now);
    }

    /// Counts a submission of an account.
    ///
    /// # Errors
    /// `RateLimited`.
    pub fn submission(&self, account: &AccountId, now: Instant) -> Result<(), ApiError> {
        self.submissions.take(account.clone(), 1.0, now).map(drop).map_err(|left| {
            ApiError::wait("The account has submitted as much as it may in a day.", left.wait(1.0))
        })
    }
}
