//! Credentials of the tokens in use.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use super::tokens::Credential;

/// Credentials by the hash of their token, for a short while, so that a script that submits in a loop costs one
/// look-up and not a thousand.
#[derive(Default)]
pub(crate) struct TokenCache(Mutex<Kept>);

#[derive(Default)]
struct Kept {
    credentials: HashMap<String, (Credential, Instant)>,
    /// Counts how often everything was forgotten.
    era: u64,
}

impl TokenCache {
    /// A change that another process made, such as the command line on the same folder, shows after this long
    /// at most; one of this process at once.
    const KEPT: Duration = Duration::from_secs(10);
    /// Entries at most; then all go.
    const SIZE: usize = 1024;

    /// The credential if it was looked up lately, else the era, to be handed to [`TokenCache::keep`].
    pub(crate) fn get(&self, hash: &str) -> Result<Credential, u64> {
        let kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        match kept.credentials.get(hash) {
            Some((credential, since)) if since.elapsed() < Self::KEPT => Ok(credential.clone()),
            _ => Err(kept.era),
        }
    }

    /// Keeps a credential, unless all was forgotten since the era in which it was looked for.
    pub(crate) fn keep(&self, era: u64, hash: String, credential: Credential) {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.era != era {
            return;
        }
        if kept.credentials.len() >= Self::SIZE {
            kept.credentials.clear();
        }
        kept.credentials.insert(hash, (credential, Instant::now()));
    }

    /// Forgets all: something that credentials say has changed.
    pub(crate) fn forget(&self) {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.era += 1;
        kept.credentials.clear();
    }
}
