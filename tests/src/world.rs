//! The invented world of the demo, stored through intake.

use std::path::Path;
use std::sync::Arc;

use chrono::Utc;
use wearmark_api::intake::{Intake, IntakeError};
use wearmark_api::storage::accounts::Role;
use wearmark_api::storage::{Storage, StorageConfig};
use wearmark_core::policy::Policy;
use wearmark_seed_data::{Size, World};

/// Opens a data folder and submits the first `runs` of the small world to it, each by its own
/// contributor. What the world duplicates on purpose is refused, as it should be.
///
/// # Panics
/// When anything else is refused.
pub fn stored(folder: &Path, runs: usize) -> Intake {
    let storage = Storage::open(&StorageConfig::for_testing(folder)).unwrap();
    storage.import_catalogue(wearmark_seed_data::catalogue(), Utc::now()).unwrap();
    let world = World::new(1, Size::Small);
    let accounts: Vec<_> = world
        .contributors
        .iter()
        .map(|c| storage.create_account(&c.name, "a long enough password", Role::Contributor, Utc::now()))
        .map(|account| account.unwrap().id)
        .collect();
    let intake = Intake { storage, policy: Arc::new(Policy::published()) };
    for submission in world.submissions().take(runs) {
        let body = serde_json::to_vec(&submission.run).unwrap();
        let stored = match intake.prepare(&accounts[submission.contributor], &body, Utc::now()) {
            Ok(prepared) => intake.store(prepared, None).wait().err(),
            Err(error) => Some(error),
        };
        let expected = matches!(stored, None | Some(IntakeError::Duplicate { .. }));
        assert!(expected, "{stored:?}: {:?}", submission.label);
    }
    intake
}
