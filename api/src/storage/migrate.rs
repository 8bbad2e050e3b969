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

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use diesel::prelude::*;
    use diesel::query_builder::QueryFragment;
    use diesel::sql_types::{Nullable, Text};
    use diesel::sqlite::Sqlite;

    use super::*;
    use crate::storage::connection;
    use crate::storage::tables::*;

    #[derive(QueryableByName, Debug, PartialEq)]
    struct Made {
        #[diesel(sql_type = Text)]
        name: String,
        #[diesel(sql_type = Nullable<Text>)]
        sql: Option<String>,
    }

    fn made(conn: &mut Conn) -> Vec<Made> {
        diesel::sql_query(
            "SELECT name, sql FROM sqlite_schema WHERE name NOT LIKE '\\_\\_diesel%' ESCAPE '\\' ORDER BY name",
        )
        .load(conn)
        .unwrap()
    }

    #[test]
    fn migrations_go_up_down_and_up_again_to_the_same() {
        let folder = tempfile::tempdir().unwrap();
        let mut conn = connection::open(&folder.path().join("db")).unwrap();
        run(&mut conn).unwrap();
        let up = made(&mut conn);
        assert!(up.iter().any(|m| m.name == "runs"));
        let Conn::Sqlite(sqlite) = &mut conn;
        sqlite.revert_all_migrations(SQLITE).unwrap();
        let down: Vec<Made> =
            made(&mut conn).into_iter().filter(|m| !m.name.starts_with("sqlite_")).collect();
        assert_eq!(down, []);
        run(&mut conn).unwrap();
        assert_eq!(made(&mut conn), up);
        run(&mut conn).unwrap();
    }

    /// Runs the query, which fails for a column that is not there, and counts its columns.
    fn selects(conn: &mut Conn, table: &str, query: &impl QueryFragment<Sqlite>) -> usize {
        let text = diesel::debug_query::<Sqlite, _>(query).to_string();
        let text = text.split(" -- binds").next().unwrap();
        diesel::sql_query(text).execute(conn).unwrap();
        text.matches(&format!("`{table}`.`")).count()
    }

    fn columns(conn: &mut Conn, table: &str) -> Vec<String> {
        #[derive(QueryableByName)]
        struct Column {
            #[diesel(sql_type = Text)]
            name: String,
        }
        let columns: Vec<Column> =
            diesel::sql_query(format!("SELECT name FROM pragma_table_info('{table}')")).load(conn).unwrap();
        columns.into_iter().map(|c| c.name).collect()
    }

    #[derive(QueryableByName, Debug, PartialEq)]
    struct Keys {
        #[diesel(sql_type = Text)]
        keys: String,
        #[diesel(sql_type = Text)]
        anchors: String,
    }

    #[test]
    fn keys_that_were_rows_are_in_the_row_of_their_pass() {
        use diesel::connection::SimpleConnection as _;

        let folder = tempfile::tempdir().unwrap();
        let mut conn = connection::open(&folder.path().join("db")).unwrap();
        let Conn::Sqlite(sqlite) = &mut conn;
        for _ in 0..4 {
            sqlite.run_next_migration(SQLITE).unwrap();
        }
        sqlite
            .batch_execute(
                "PRAGMA foreign_keys = OFF;
                 INSERT INTO fingerprints VALUES (1, 'a', 0, x'01'), (2, 'a', 1, x'02');
                 INSERT INTO aligned VALUES (5, 1, 9), (70000, 1, 9), (5, 3, 9);
                 INSERT INTO anchored VALUES (6, 1, 300, -2), (7, 1, 300, -2), (8, 1, 400, 3);",
            )
            .unwrap();
        run(&mut conn).unwrap();
        let keys: Vec<Keys> = diesel::sql_query(
            "SELECT hex(keys) AS keys, hex(anchors) AS anchors FROM fingerprints ORDER BY pass",
        )
        .load(&mut conn)
        .unwrap();
        let first = Keys {
            keys: "0000000500011170".to_owned(),
            anchors: ["0000012C", "FFFFFFFFFFFFFFFE", "02", "00000006", "00000007"].concat()
                + "00000190000000000000000301"
                + "00000008",
        };
        assert_eq!(keys, [first, Keys { keys: String::new(), anchors: String::new() }]);
    }

    macro_rules! agree {
        ($conn:expr, $($table:ident),+) => {$(
            let known = selects($conn, stringify!($table), &$table::table.select($table::all_columns));
            assert_eq!(columns($conn, stringify!($table)).len(), known, stringify!($table));
        )+};
    }

    #[test]
    fn the_tables_of_the_code_are_those_of_the_database() {
        let folder = tempfile::tempdir().unwrap();
        let conn = &mut connection::open(&folder.path().join("db")).unwrap();
        run(conn).unwrap();
        agree!(
            conn,
            accounts,
            tokens,
            sessions,
            invitations,
            second_factors,
            recovery_codes,
            catalogue,
            benches,
            runs,
            submissions,
            passes,
            fingerprints,
            shapes,
            scene_references,
            findings,
            proposals,
            proposal_runs,
            idempotency,
            prices,
            audit,
            audit_links,
            decisions,
            claims,
            appeals,
            corrections,
            measures,
            departures,
            ties,
            people
        );
    }
}
