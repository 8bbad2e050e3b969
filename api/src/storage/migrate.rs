//! Brings a database to the present form at start.

use diesel_migrations::{EmbeddedMigrations, MigrationHarness as _, embed_migrations};

use super::connection::Conn;
use super::error::StorageError;

const SQLITE: EmbeddedMigrations = embed_migrations!("../migrations/sqlite");

/// Runs what has not run yet.
pub(crate) fn run(conn: &mut Conn) -> Result<(), StorageError> {
    let done = match conn {
        Conn::Sqlite(conn) => conn.run_pending_migrations(SQLITE).map(|versions| versions.len()),
    };
    match done {
        Ok(0) => Ok(()),
        Ok(count) => {
            tracing::info!(count, "migrated the database");
            Ok(())
        }
        Err(error) => Err(StorageError::Migrate(error.to_string())),
    }
}
