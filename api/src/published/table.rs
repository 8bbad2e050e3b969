//! Tables in pages and in three forms, computed at most once for each revision of the data.

use std::sync::Arc;

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use serde::Serialize;
use wearmark_core::error::CoreError;
use wearmark_core::policy::Policy;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::output::Table;

use super::answer::{self, Asked, At, Made};
use super::cursor;
use super::negotiate::{self, Format};
use crate::error::{ApiError, ErrorCode, outside};
use crate::handlers::storage_error;
use crate::query::Parameters;
use crate::state::State;

/// Rows of a JSON page where the caller does not say.
const DEFAULT_ROWS: usize = 1000;

/// Most rows of a page that a caller may ask for.
const MOST_ROWS: usize = 10_000;

/// A table row in memory, about, bytes; what the cache counts a kept table as.
const ROW_BYTES: usize = 400;

/// Which page of which table, in which form.
#[derive(Debug)]
pub struct Page {
    format: Format,
    limit: usize,
    /// Revision and first row, from the cursor.
    position: Option<(i64, usize)>,
    /// Canonical query of the whole table.
    table: String,
    /// Canonical query of the page, without the cursor.
    query: String,
}

impl Page {
    /// Reads `limit`, `cursor` and `format`, the last parameters to be read.
    ///
    /// # Errors
    /// When any parameter was not in order, the cursor is not one of this table, or no accepted form can be made.
    pub fn read(mut read: Parameters, request: &HttpRequest) -> Result<Page, ApiError> {
        let asked = read.choice("format", &Format::ALL.map(|f| (f.as_str(), f)));
        let limit = read.number("limit", 1, MOST_ROWS);
        let cursor = read.one("cursor");
        let table = read.canonical(&["cursor", "limit", "format"]);
        let query = read.canonical(&["cursor"]);
        read.finish()?;
        let format = negotiate::format(request, asked)?;
        let whole = if format == Format::Json { DEFAULT_ROWS } else { usize::MAX };
        let position = cursor.map(|c| position(&table, &c)).transpose()?;
        Ok(Page { format, limit: limit.unwrap_or(whole), position, table, query })
    }
}

fn position(table: &str, cursor: &str) -> Result<(i64, usize), ApiError> {
    let position = cursor::decode(table, cursor)?;
    let parts = position.split_once('.').and_then(|(r, o)| Some((r.parse().ok()?, o.parse().ok()?)));
    parts.ok_or_else(|| ApiError::new(ErrorCode::BadCursor, "The cursor is not one of a table."))
}

/// Answers with a page of the table that `make` makes of the resident frame.
///
/// # Errors
/// `CursorExpired` when the page belongs to a revision that is gone; otherwise those of storage and `make`.
pub async fn answer<M, E, V>(
    state: &Data<State>,
    request: &HttpRequest,
    page: Page,
    make: M,
    envelope: E,
) -> Result<HttpResponse, ApiError>
where
    M: FnOnce(&RunFrame, &Policy) -> Result<Table, CoreError> + Send + 'static,
    E: FnOnce(i64, usize, Table, Option<String>) -> V + Send + 'static,
    V: Serialize,
{
    let asked = Asked {
        path: request.path().to_owned(),
        query: page.query.clone(),
        position: page.position.map(|(_, row)| row.to_string()).unwrap_or_default(),
        at: page.position.map_or(At::Tables, |(revision, _)| At::Pinned(revision)),
        content_type: page.format.content_type(),
        compress: page.format != Format::Parquet,
    };
    let path = asked.path.clone();
    let shared = state.clone();
    answer::answer(state, request, asked, move || {
        let (revision, table) = whole(&shared, &path, &page, make)?;
        cut(revision, &table, &page, envelope)
    })
    .await
}

/// The whole table at the page's revision: kept, or made anew.
fn whole<M>(state: &State, path: &str, page: &Page, make: M) -> Result<(i64, Arc<Table>), ApiError>
where
    M: FnOnce(&RunFrame, &Policy) -> Result<Table, CoreError>,
{
    let key = |revision: i64| format!("table {path}?{}@{revision}", page.table);
    let pinned = page.position.map(|(revision, _)| revision);
    let wanted = pinned.unwrap_or_else(|| state.intake.storage.revision());
    if let Some(table) = state.cache.table::<Table>(&key(wanted)) {
        return Ok((wanted, table));
    }
    let at = state.intake.storage.frame().map_err(|e| storage_error("reading the frame of runs", &e))?;
    if pinned.is_some_and(|pinned| pinned != at.revision) {
        return Err(expired());
    }
    let table = Arc::new(make(&at.frame, &state.intake.policy).map_err(core_error)?);
    // More pages will be cut from it, or other forms made; a large one that goes out whole would only
    // push answers out of the cache, since its own answer is kept.
    if page.limit < table.len() || table.len() <= MOST_ROWS {
        state.cache.keep_table(key(at.revision), Arc::clone(&table), table.len() * ROW_BYTES);
    }
    Ok((at.revision, table))
}

fn cut<E, V>(revision: i64, table: &Table, page: &Page, envelope: E) -> Result<Made, ApiError>
where
    E: FnOnce(i64, usize, Table, Option<String>) -> V,
    V: Serialize,
{
    let first = page.position.map_or(0, |(_, row)| row);
    let slice = table.slice(first, page.limit);
    let end = first.saturating_add(slice.len());
    let next = (end < table.len()).then(|| cursor::encode(&page.table, &format!("{revision}.{end}")));
    let body = match page.format {
        Format::Csv => slice.csv().map_err(core_error)?,
        Format::Parquet => slice.parquet().map_err(core_error)?,
        Format::Json => serde_json::to_vec(&envelope(revision, table.len(), slice, next.clone()))
            .map_err(|e| ApiError::internal("writing a table as JSON", &e))?,
    };
    Ok(Made { revision, body, next })
}

/// What a page of a revision that is gone is to a caller.
pub(crate) fn expired() -> ApiError {
    let finding =
        outside("cursor-expired", "parameter", "cursor", "The table has changed since the cursor was made.")
            .advice("Start again without a cursor.");
    ApiError::with(ErrorCode::CursorExpired, vec![finding])
}

/// What a failure of core is to a caller: a question that the data cannot answer, or our fault.
pub(crate) fn core_error(error: CoreError) -> ApiError {
    match error {
        CoreError::Query(why) => ApiError::new(ErrorCode::UnprocessableQuery, why),
        other => ApiError::internal("computing a table", &other),
    }
}
