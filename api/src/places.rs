//! Places for submissions held in memory: so many in all, and no more than half of them for one account, so that one
//! that sends slowly leaves room for the others.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::{AcquireError, OwnedSemaphorePermit, Semaphore};

use crate::storage::ids::AccountId;

/// Accounts remembered at most; beyond that those without a submission in memory are forgotten.
const ACCOUNTS: usize = 1024;

/// All places.
#[derive(Debug)]
pub struct Places {
    all: Arc<Semaphore>,
    each: usize,
    accounts: Mutex<HashMap<AccountId, Arc<Semaphore>>>,
}

/// A place that is taken until this is dropped.
#[derive(Debug)]
pub struct Place {
    // In this order, so that the place is free for others before the account asks for another.
    _of_all: OwnedSemaphorePermit,
    _of_account: Option<OwnedSemaphorePermit>,
}

impl Places {
    /// So many places.
    pub fn new(count: usize) -> Places {
        Places { all: Arc::new(Semaphore::new(count)), each: (count / 2).max(1), accounts: Mutex::default() }
    }

    /// Waits for a place. Who names an account waits for one of its own places first; a batch does not, since its runs
    /// are here in full before they take a place.
    ///
    /// # Errors
    /// When there are no places any more, since the service is closing.
    pub async fn take(&self, account: Option<&AccountId>) -> Result<Place, AcquireError> {
        let of_account = match account {
            Some(account) => Some(self.own(account).acquire_owned().await?),
            None => None,
        };
        let of_all = Arc::clone(&self.all).acquire_owned().await?;
        Ok(Place { _of_all: of_all, _of_account: of_account })
    }

    fn own(&self, account: &AccountId) -> Arc<Semaphore> {
        let mut accounts = self.accounts.lock().unwrap_or_else(PoisonError::into_inner);
        if accounts.len() >= ACCOUNTS {
            // A permit holds its semaphore, and so does whoever waits for one.
            accounts.retain(|_, places| Arc::strong_count(places) > 1);
        }
        let own = accounts.entry(account.clone()).or_insert_with(|| Arc::new(Semaphore::new(self.each)));
        Arc::clone(own)
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    #[actix_web::test]
    async fn one_account_leaves_half_of_the_places_to_others() {
        use futures_util::FutureExt as _;

        let places = Places::new(4);
        let (ada, bo) = (AccountId::new(), AccountId::new());
        let first = places.take(Some(&ada)).await.unwrap();
        let _second = places.take(Some(&ada)).await.unwrap();
        assert!(places.take(Some(&ada)).now_or_never().is_none());
        let _third = places.take(Some(&bo)).await.unwrap();
        let _fourth = places.take(Some(&bo)).await.unwrap();
        assert!(places.take(None).now_or_never().is_none());
        drop(first);
        assert!(places.take(Some(&ada)).now_or_never().is_some());
    }
}
