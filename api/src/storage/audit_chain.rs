//! The trail of decisions as a chain of hashes, so that a row that was changed, moved or taken out shows. Who rewrites
//! the whole chain is found only by who kept one of its earlier heads; `wearmark audit` prints the head for that.

use chrono::NaiveDateTime;
use diesel::prelude::*;
use serde::Serialize;
use sha2::{Digest as _, Sha256};

use super::canonical;
use super::connection::Conn;
use super::error::StorageError;
use super::tables::{audit, audit_links};

/// What the first row is linked to.
const BEGINNING: &str = "wearmark audit 1";

/// Rows read at a time.
const CHUNK: i64 = 10_000;

/// One row of the trail.
#[derive(Queryable)]
struct Row {
    id: i64,
    at: NaiveDateTime,
    actor: String,
    action: String,
    subject: String,
    detail: String,
}

impl Row {
    /// The link of the row behind the one before: SHA-256 over each field with its length in front, so that no two
    /// rows read alike.
    fn link(&self, before: &str) -> String {
        let at = self.at.and_utc().timestamp_micros().to_string();
        let id = self.id.to_string();
        let mut hash = Sha256::new();
        for field in [before, &id, &at, &self.actor, &self.action, &self.subject, &self.detail] {
            hash.update((field.len() as u64).to_be_bytes());
            hash.update(field.as_bytes());
        }
        canonical::hex(&hash.finalize())
    }
}

/// What checking the chain came to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ChainReport {
    /// Rows of the trail.
    pub rows: u64,
    /// The last link: who keeps it can show later that nothing before it was changed. None of an empty trail.
    pub head: Option<String>,
    /// What is not as it was written; empty when all is.
    pub broken: Vec<String>,
    /// Whether the head that was asked for is a link of the chain; none when none was asked for.
    pub known_head: Option<bool>,
}

/// Links every row that has no link yet; all rows are linked when they are written, but for those of before there
/// were links.
pub(crate) fn complete(conn: &mut Conn) -> Result<(), StorageError> {
    let (mut last, mut before) = last(conn)?;
    loop {
        let rows = rows(conn, last)?;
        if rows.is_empty() {
            return Ok(());
        }
        for row in rows {
            before = row.link(&before);
            last = row.id;
            diesel::insert_into(audit_links::table)
                .values((audit_links::id.eq(row.id), audit_links::hash.eq(&before)))
                .execute(conn)
                .map_err(StorageError::database("linking the audit trail"))?;
        }
    }
}

/// The last linked row and its link.
fn last(conn: &mut Conn) -> Result<(i64, String), StorageError> {
    let last: Option<(i64, String)> = audit_links::table
        .order(audit_links::id.desc())
        .select((audit_links::id, audit_links::hash))
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading the head of the audit trail"))?;
    Ok(last.unwrap_or((0, BEGINNING.to_owned())))
}

fn rows(conn: &mut Conn, after: i64) -> Result<Vec<Row>, StorageError> {
    audit::table
        .filter(audit::id.gt(after))
        .order(audit::id)
        .limit(CHUNK)
        .select((audit::id, audit::at, audit::actor, audit::action, audit::subject, audit::detail))
        .load(conn)
        .map_err(StorageError::database("reading the audit trail"))
}

/// Computes every link again. `known` is a head that somebody kept.
pub(crate) fn verify(conn: &mut Conn, known: Option<&str>) -> Result<ChainReport, StorageError> {
    let mut report =
        ChainReport { rows: 0, head: None, broken: Vec::new(), known_head: known.map(|_| false) };
    let mut before = BEGINNING.to_owned();
    let mut after = 0;
    loop {
        let rows = rows(conn, after)?;
        let Some(end) = rows.last().map(|row| row.id) else { break };
        let links: Vec<(i64, String)> = audit_links::table
            .filter(audit_links::id.gt(after))
            .filter(audit_links::id.le(end))
            .order(audit_links::id)
            .select((audit_links::id, audit_links::hash))
            .load(conn)
            .map_err(StorageError::database("reading the links of the audit trail"))?;
        let mut links = links.into_iter().peekable();
        for row in rows {
            if row.id != after + 1 {
                report.broken.push(format!("rows {} to {} are missing", after + 1, row.id - 1));
            }
            after = row.id;
            while let Some((id, _)) = links.next_if(|(id, _)| *id < row.id) {
                report.broken.push(format!("row {id} is missing, its link is there"));
            }
            let fresh = row.link(&before);
            match links.next_if(|(id, _)| *id == row.id) {
                None => report.broken.push(format!("row {} has no link", row.id)),
                Some((_, stored)) if stored != fresh => {
                    report.broken.push(format!("row {} is not what was linked", row.id));
                    // Goes on from what is stored, so that one changed row is told once.
                    before = stored;
                    report.rows += 1;
                    continue;
                }
                Some(_) => {}
            }
            before = fresh;
            report.rows += 1;
            if known == Some(before.as_str()) {
                report.known_head = Some(true);
            }
        }
    }
    let dangling: i64 = audit_links::table
        .filter(audit_links::id.gt(after))
        .count()
        .get_result(conn)
        .map_err(StorageError::database("counting the links of the audit trail"))?;
    if dangling > 0 {
        report.broken.push(format!("{dangling} rows at the end are missing, their links are there"));
    }
    report.head = (report.rows > 0).then_some(before);
    Ok(report)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use chrono::Utc;

    use super::*;
    use crate::storage::audit::Entry;
    use crate::storage::ids::AccountId;
    use crate::storage::{connection, migrate};

    fn trail(rows: usize) -> (tempfile::TempDir, Conn) {
        let folder = tempfile::tempdir().unwrap();
        let mut conn = connection::open(&folder.path().join("db")).unwrap();
        migrate::run(&mut conn).unwrap();
        for _ in 0..rows {
            Entry::appealed(&AccountId::new(), "r-1").write(&mut conn, Utc::now()).unwrap();
        }
        (folder, conn)
    }

    fn tamper(conn: &mut Conn, statement: &str) {
        for trigger in ["audit_keeps_its_rows", "audit_keeps_its_words", "audit_links_keep_their_rows"] {
            diesel::sql_query(format!("DROP TRIGGER IF EXISTS {trigger}")).execute(conn).unwrap();
        }
        diesel::sql_query(statement).execute(conn).unwrap();
    }

    #[test]
    fn an_untouched_trail_holds_and_has_a_head() {
        let (_folder, mut conn) = trail(5);
        let report = verify(&mut conn, None).unwrap();
        assert_eq!((report.rows, report.broken.as_slice()), (5, &[][..]));
        let head = report.head.unwrap();
        Entry::appealed(&AccountId::new(), "r-2").write(&mut conn, Utc::now()).unwrap();
        let later = verify(&mut conn, Some(&head)).unwrap();
        assert_eq!((later.rows, later.known_head, later.broken.len()), (6, Some(true), 0));
        assert_ne!(later.head.unwrap(), head);
        assert_eq!(verify(&mut conn, Some("0")).unwrap().known_head, Some(false));
    }

    #[test]
    fn a_changed_a_missing_and_a_cut_row_show() {
        for (statement, words) in [
            ("UPDATE audit SET actor = 'somebody' WHERE id = 3", "row 3 is not what was linked"),
            ("UPDATE audit SET at = '2001-01-01 00:00:00' WHERE id = 2", "row 2 is not what was linked"),
            ("DELETE FROM audit_links WHERE id = 4", "row 4 has no link"),
        ] {
            let (_folder, mut conn) = trail(5);
            tamper(&mut conn, statement);
            let report = verify(&mut conn, None).unwrap();
            assert_eq!(report.broken, [words], "{statement}");
        }
        for (statement, words) in [
            ("DELETE FROM audit WHERE id = 3", "rows 3 to 3 are missing"),
            ("DELETE FROM audit WHERE id = 5", "1 rows at the end are missing, their links are there"),
        ] {
            let (_folder, mut conn) = trail(5);
            diesel::sql_query("PRAGMA foreign_keys = OFF").execute(&mut conn).unwrap();
            tamper(&mut conn, statement);
            let report = verify(&mut conn, None).unwrap();
            assert!(report.broken.iter().any(|line| line == words), "{statement}: {:?}", report.broken);
        }
    }

    #[test]
    fn rows_without_links_are_linked_once() {
        let (_folder, mut conn) = trail(3);
        let head = verify(&mut conn, None).unwrap().head;
        tamper(&mut conn, "DELETE FROM audit_links");
        complete(&mut conn).unwrap();
        complete(&mut conn).unwrap();
        let report = verify(&mut conn, None).unwrap();
        assert_eq!((report.rows, report.broken.len(), report.head), (3, 0, head));
    }
}
