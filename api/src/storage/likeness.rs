//! Whether two accounts have a bench or a network in common.

use diesel::dsl::{exists, select};
use diesel::prelude::*;

use super::connection::Conn;
use super::error::StorageError;
use super::tables::{benches, runs, submissions};

/// Hash of what a bench is made of; none of one that is unknown, or of before it was noted.
pub(super) fn parts(conn: &mut Conn, bench: &str) -> Result<Option<String>, StorageError> {
    let parts: Option<Option<String>> = benches::table
        .filter(benches::id.eq(bench))
        .select(benches::parts)
        .first(conn)
        .optional()
        .map_err(StorageError::database("reading the parts of a bench"))?;
    Ok(parts.flatten())
}

/// Whether the account has described a bench of the same parts.
pub(crate) fn same_parts(conn: &mut Conn, bench: &str, account: &str) -> Result<bool, StorageError> {
    let doing = "comparing benches";
    let Some(parts) = parts(conn, bench)? else { return Ok(false) };
    select(exists(benches::table.filter(benches::contributor.eq(account)).filter(benches::parts.eq(parts))))
        .get_result(conn)
        .map_err(StorageError::database(doing))
}

/// Whether both have described a bench of the same parts.
pub(crate) fn same_benches(conn: &mut Conn, one: &str, other: &str) -> Result<bool, StorageError> {
    let doing = "comparing benches";
    let parts: Vec<Option<String>> = benches::table
        .filter(benches::contributor.eq(one))
        .filter(benches::parts.is_not_null())
        .select(benches::parts)
        .distinct()
        .load(conn)
        .map_err(StorageError::database(doing))?;
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    select(exists(benches::table.filter(benches::contributor.eq(other)).filter(benches::parts.eq_any(parts))))
        .get_result(conn)
        .map_err(StorageError::database(doing))
}

/// Whether both have sent runs from one network.
pub(crate) fn same_network(conn: &mut Conn, one: &str, other: &str) -> Result<bool, StorageError> {
    let doing = "comparing networks";
    let networks: Vec<Option<String>> = submissions::table
        .inner_join(runs::table)
        .filter(runs::contributor.eq(one))
        .filter(submissions::network.is_not_null())
        .select(submissions::network)
        .distinct()
        .load(conn)
        .map_err(StorageError::database(doing))?;
    let networks: Vec<String> = networks.into_iter().flatten().collect();
    select(exists(
        submissions::table
            .inner_join(runs::table)
            .filter(runs::contributor.eq(other))
            .filter(submissions::network.eq_any(networks)),
    ))
    .get_result(conn)
    .map_err(StorageError::database(doing))
}
