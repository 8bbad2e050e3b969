//! A page of stored entries, newest first.

use std::str::FromStr;

use actix_web::{HttpResponse, HttpResponseBuilder};

use crate::error::ApiError;
use crate::published::answer::next_link;
use crate::published::cursor;
use crate::query::Parameters;

const DEFAULT_ROWS: u32 = 100;
const MOST_ROWS: u32 = 1000;

/// Which page.
pub(super) struct Paging<I> {
    /// The entry before the page; none for the first.
    pub(super) after: Option<I>,
    limit: u32,
    /// The canonical query without the cursor.
    canonical: String,
}

impl<I: FromStr> Paging<I> {
    /// Reads `limit` and `cursor`, which come last.
    pub(super) fn read(mut query: Parameters) -> Result<Paging<I>, ApiError> {
        let limit = query.number("limit", 1, MOST_ROWS).unwrap_or(DEFAULT_ROWS);
        let canonical = query.canonical(&["cursor"]);
        let cursor = query.one("cursor");
        query.finish()?;
        let after = cursor.map(|c| cursor::decode(&canonical, &c)).transpose()?;
        Ok(Paging { after: after.and_then(|id| id.parse().ok()), limit, canonical })
    }

    /// How many entries to fetch: one more than the page has, so that it is known whether another page follows.
    pub(super) fn fetch(&self) -> u32 {
        self.limit + 1
    }

    /// Cuts what was fetched to the page. Gives the answer to fill, and the cursor of the next page.
    pub(super) fn cut<T>(
        &self,
        path: &str,
        rows: &mut Vec<T>,
        id: impl Fn(&T) -> &str,
    ) -> (HttpResponseBuilder, Option<String>) {
        let more = rows.len() > self.limit as usize;
        rows.truncate(self.limit as usize);
        let next = rows.last().filter(|_| more).map(|last| cursor::encode(&self.canonical, id(last)));
        let mut answer = HttpResponse::Ok();
        answer.insert_header(("cache-control", "public, no-cache"));
        if let Some(next) = &next {
            answer.insert_header(("link", next_link(path, &self.canonical, next)));
        }
        (answer, next)
    }
}
