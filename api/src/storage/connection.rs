//! Connections: which engines there are, and how each is set up when it is opened.

use std::path::Path;
use std::time::Duration;

use diesel::connection::{AnsiTransactionManager, SimpleConnection as _, TransactionManager as _};
use diesel::prelude::*;
use diesel::r2d2::{ConnectionManager, CustomizeConnection, Pool, PooledConnection};

use super::error::StorageError;

/// A connection to whichever engine the service runs on. Queries are written once, against this; what an
/// engine does its own way is a `match` in this module and in `migrate`.
#[derive(diesel::MultiConnection)]
pub(crate) enum Conn {
    /// SQLite, embedded.
    Sqlite(SqliteConnection),
}

/// Connections for reading.
pub(crate) type Readers = Pool<ConnectionManager<Conn>>;

/// One of them.
pub(crate) type Reader = PooledConnection<ConnectionManager<Conn>>;

/// How long a connection waits for another process's write.
const BUSY_TIMEOUT_MS: u32 = 5_000;

/// Pages that the writer keeps in memory, so that a group of writes touches the disk once at its end. A reader does
/// with SQLite's own 2 MiB.
const WRITER_CACHE_KIB: u32 = 65_536;

/// How long a request waits for a free reader.
const READER_TIMEOUT: Duration = Duration::from_secs(5);

/// Opens a connection for the writer.
pub(crate) fn open(database: &Path) -> Result<Conn, StorageError> {
    let doing = "opening the writer's connection";
    let mut conn = Conn::establish(&url(database)?)
        .map_err(|e| StorageError::Connection { doing, why: e.to_string() })?;
    set_up(&mut conn).map_err(StorageError::database(doing))?;
    match &mut conn {
        Conn::Sqlite(conn) => conn.batch_execute(&format!("PRAGMA cache_size = -{WRITER_CACHE_KIB}")),
    }
    .map_err(StorageError::database(doing))?;
    Ok(conn)
}

/// Opens the pool of readers.
pub(crate) fn readers(database: &Path, count: u32) -> Result<Readers, StorageError> {
    Pool::builder()
        .max_size(count.max(1))
        .min_idle(Some(1))
        .connection_timeout(READER_TIMEOUT)
        .test_on_check_out(false)
        .connection_customizer(Box::new(SetUp))
        .build(ConnectionManager::new(url(database)?))
        .map_err(|e| StorageError::Connection { doing: "opening the readers", why: e.to_string() })
}

/// Starts the writer's transaction with the write lock in hand. SQLite's ordinary transaction asks for the
/// lock at its first write, when it may be too late to wait for it.
pub(crate) fn begin(conn: &mut Conn) -> QueryResult<()> {
    match conn {
        Conn::Sqlite(conn) => AnsiTransactionManager::begin_transaction_sql(conn, "BEGIN IMMEDIATE"),
    }
}

/// Ends the writer's transaction; on disk when it comes back.
pub(crate) fn commit(conn: &mut Conn) -> QueryResult<()> {
    <Conn as Connection>::TransactionManager::commit_transaction(conn)
}

/// Cuts the database's log, so that nothing that was deleted is left in it. Not within a transaction.
pub(crate) fn erase(conn: &mut Conn) -> QueryResult<()> {
    match conn {
        Conn::Sqlite(conn) => conn.batch_execute("PRAGMA wal_checkpoint(TRUNCATE);"),
    }
}

/// Undoes the writer's transaction.
pub(crate) fn rollback(conn: &mut Conn) -> QueryResult<()> {
    <Conn as Connection>::TransactionManager::rollback_transaction(conn)
}

fn url(database: &Path) -> Result<String, StorageError> {
    match database.to_str() {
        Some(path) => Ok(path.to_owned()),
        None => Err(StorageError::Connection {
            doing: "naming the database",
            why: format!("the path {} is not UTF-8", database.display()),
        }),
    }
}

/// The order matters: switching to the write-ahead log needs a lock, so the wait for locks comes first.
/// `synchronous = FULL` syncs the log at every commit, so that what was acknowledged outlives a power cut.
/// `secure_delete` writes zeros over what is deleted: what contributors withdraw does not stay in free pages.
fn set_up(conn: &mut Conn) -> QueryResult<()> {
    match conn {
        Conn::Sqlite(conn) => conn.batch_execute(&format!(
            "PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}; PRAGMA journal_mode = WAL; \
             PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA trusted_schema = OFF; \
             PRAGMA secure_delete = ON;"
        )),
    }
}

#[derive(Debug)]
struct SetUp;

impl CustomizeConnection<Conn, diesel::r2d2::Error> for SetUp {
    fn on_acquire(&self, conn: &mut Conn) -> Result<(), diesel::r2d2::Error> {
        set_up(conn).map_err(diesel::r2d2::Error::QueryError)
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use diesel::sql_types::{BigInt, Text};

    use super::*;

    #[derive(QueryableByName, Debug, PartialEq)]
    struct Settings {
        #[diesel(sql_type = BigInt)]
        busy_timeout_ms: i64,
        #[diesel(sql_type = Text)]
        journal_mode: String,
        #[diesel(sql_type = BigInt)]
        synchronous: i64,
        #[diesel(sql_type = BigInt)]
        foreign_keys: i64,
    }

    fn settings(conn: &mut Conn) -> Settings {
        diesel::sql_query(
            "SELECT t.timeout AS busy_timeout_ms, j.journal_mode, s.synchronous, f.foreign_keys \
             FROM pragma_busy_timeout t, pragma_journal_mode j, pragma_synchronous s, pragma_foreign_keys f",
        )
        .get_result(conn)
        .unwrap()
    }

    #[test]
    fn every_connection_waits_logs_ahead_syncs_fully_and_checks_foreign_keys() {
        let folder = tempfile::tempdir().unwrap();
        let database = folder.path().join("db");
        // 2 is FULL (SQLite, documentation of the pragmas).
        let wanted = || Settings {
            busy_timeout_ms: 5_000,
            journal_mode: "wal".to_owned(),
            synchronous: 2,
            foreign_keys: 1,
        };
        assert_eq!(settings(&mut open(&database).unwrap()), wanted());
        let readers = readers(&database, 3).unwrap();
        let mut taken: Vec<Reader> = (0..3).map(|_| readers.get().unwrap()).collect();
        for conn in &mut taken {
            assert_eq!(settings(conn), wanted());
        }
    }

    #[test]
    fn the_writers_transaction_holds_the_lock_from_its_beginning() {
        let folder = tempfile::tempdir().unwrap();
        let database = folder.path().join("db");
        let (mut one, mut other) = (open(&database).unwrap(), open(&database).unwrap());
        let Conn::Sqlite(impatient) = &mut other;
        impatient.batch_execute("PRAGMA busy_timeout = 0").unwrap();
        begin(&mut one).unwrap();
        assert!(begin(&mut other).is_err());
        rollback(&mut one).unwrap();
        begin(&mut other).unwrap();
        commit(&mut other).unwrap();
    }
}
