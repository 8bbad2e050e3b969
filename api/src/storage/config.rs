//! Settings of the storage.

use std::path::PathBuf;

use crate::auth::password::Costs;

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
