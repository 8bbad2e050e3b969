//! The real service on a free port with a data folder of its own.

use std::sync::Arc;

use chrono::{TimeDelta, Utc};
use tempfile::TempDir;
use wearmark_api::auth::scope::Scopes;
use wearmark_api::config::{AccountPolicy, Limits, ServeConfig};
use wearmark_api::intake::Intake;
use wearmark_api::serve::Running;
use wearmark_api::storage::accounts::{Account, Role};
use wearmark_api::storage::tokens::NewToken;
use wearmark_api::storage::{Storage, StorageConfig};
use wearmark_core::policy::Policy;

use crate::caller::Caller;
use crate::runs::catalogue;

/// The password of every account of a [`TestApp`].
pub const PASSWORD: &str = "a long enough password";

/// A service in this process; it stops, and its folder goes, when this is dropped.
pub struct TestApp {
    running: Option<Running>,
    /// Its storage, to look behind the interface.
    pub storage: Storage,
    tokens: [String; 5],
    folder: TempDir,
}

impl TestApp {
    /// A service with the published limits and the catalogue of [`crate::runs`].
    pub fn new() -> TestApp {
        TestApp::with_limits(Limits::published())
    }

    /// A service with other limits.
    pub fn with_limits(limits: Limits) -> TestApp {
        TestApp::with_config(ServeConfig { limits, ..ServeConfig::local(0) })
    }

    /// A service with another way of keeping accounts.
    pub fn with_accounts(accounts: AccountPolicy) -> TestApp {
        TestApp::with_config(ServeConfig { accounts, ..ServeConfig::local(0) })
    }

    /// A service set up otherwise.
    pub fn with_config(config: ServeConfig) -> TestApp {
        let folder = tempfile::tempdir().unwrap();
        let storage = Storage::open(&StorageConfig::for_testing(folder.path())).unwrap();
        storage.import_catalogue(catalogue(), Utc::now()).unwrap();
        let accounts = [
            ("ada", Role::Contributor),
            ("bo", Role::Contributor),
            ("cleo", Role::Contributor),
            ("mo", Role::Moderator),
            ("opal", Role::Operator),
        ];
        let tokens = accounts.map(|(name, role)| token(&storage, name, role));
        let intake = Intake { storage: storage.clone(), policy: Arc::new(Policy::published()) };
        let config = ServeConfig { workers: 1, ..config };
        let running = Running::start(config, intake).unwrap();
        TestApp { running: Some(running), storage, tokens, folder }
    }

    fn running(&self) -> &Running {
        self.running.as_ref().unwrap()
    }

    /// `127.0.0.1:PORT`.
    pub fn address(&self) -> String {
        self.running().address().to_string()
    }

    /// Somebody without a token.
    pub fn anonymous(&self) -> Caller {
        Caller::new(self.address(), None)
    }

    /// The contributor `ada`.
    pub fn submitter(&self) -> Caller {
        self.contributor(0)
    }

    /// One of the contributors `ada`, `bo`, `cleo`.
    pub fn contributor(&self, which: usize) -> Caller {
        Caller::new(self.address(), Some(self.tokens[which].clone()))
    }

    /// The token of one of the contributors.
    pub fn contributor_token(&self, which: usize) -> &str {
        &self.tokens[which]
    }

    /// The token of the moderator `mo`.
    pub fn moderator_token(&self) -> &str {
        &self.tokens[3]
    }

    /// The moderator `mo`.
    pub fn moderator(&self) -> Caller {
        self.contributor(3)
    }

    /// The operator `opal`.
    pub fn operator(&self) -> Caller {
        self.contributor(4)
    }

    /// A token of one of the accounts, good for some scopes and for so long.
    pub fn token(&self, name: &str, scopes: Scopes, life: TimeDelta) -> String {
        let account = self.storage.account_by_name(name).unwrap().unwrap();
        let new = NewToken { label: "test".to_owned(), scopes, life };
        self.storage.create_token(&account.id, &new, None, Utc::now()).unwrap().0.reveal().to_owned()
    }

    /// A token of a further contributor.
    pub fn newcomer(&self, name: &str) -> String {
        token(&self.storage, name, Role::Contributor)
    }

    /// A further account with a role.
    pub fn staff(&self, name: &str, role: Role) -> Caller {
        Caller::new(self.address(), Some(token(&self.storage, name, role)))
    }

    /// An account by a further token of its own.
    pub fn with_new_token(&self, account: &Account) -> Caller {
        let new = NewToken::of(account, "further");
        let token = self.storage.create_token(&account.id, &new, None, Utc::now()).unwrap().0;
        Caller::new(self.address(), Some(token.reveal().to_owned()))
    }

    /// Runs in the database, whatever their verdict.
    pub fn stored_runs(&self) -> usize {
        self.storage.list_runs(&Default::default(), None, 100_000).unwrap().len()
    }

    /// The data folder.
    pub fn folder(&self) -> &std::path::Path {
        self.folder.path()
    }

    /// Files below the data folder, the database's own left out: frame times.
    pub fn stored_blobs(&self) -> usize {
        files(self.folder.path())
            .iter()
            .filter(|name| !name.contains("sqlite") && !name.contains(".db") && !name.contains("network.key"))
            .count()
    }
}

/// Makes an account and a token with all that its role may do.
fn token(storage: &Storage, name: &str, role: Role) -> String {
    let account = storage.create_account(name, PASSWORD, role, Utc::now()).unwrap();
    let new = NewToken::of(&account, "test");
    storage.create_token(&account.id, &new, None, Utc::now()).unwrap().0.reveal().to_owned()
}

fn files(folder: &std::path::Path) -> Vec<String> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(files(&path));
        } else {
            found.push(path.file_name().unwrap().to_string_lossy().into_owned());
        }
    }
    found
}

impl Default for TestApp {
    fn default() -> TestApp {
        TestApp::new()
    }
}

impl Drop for TestApp {
    fn drop(&mut self) {
        drop(self.running.take());
        self.storage.close();
    }
}
