//! Accounts of the tokens in use.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::accounts::Account;

/// Accounts by the hash of their token, for a short while, so that a script that submits in a loop costs one
/// look-up and not a thousand.
#[derive(Default)]
pub(crate) struct TokenCache(Mutex<HashMap<String, (Account, Instant)>>);

impl TokenCache {
    /// A revoked token works this long at most.
    const KEPT: Duration = Duration::from_secs(30);
    /// Entries at most; then all go.
    const SIZE: usize = 1024;

    /// The account, if it was looked up lately.
    pub(crate) fn get(&self, hash: &str) -> Option<Account> {
        let kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.get(hash).filter(|(_, since)| since.elapsed() < Self::KEPT).map(|(account, _)| account.clone())
    }

    /// Keeps an account.
    pub(crate) fn keep(&self, hash: String, account: Account) {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.len() >= Self::SIZE {
            kept.clear();
        }
        kept.insert(hash, (account, Instant::now()));
    }
}
