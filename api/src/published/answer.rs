//! Serves a published answer: from the cache without any work, else rendered on the blocking pool.

use std::io::Write;
use std::sync::Arc;

use actix_web::http::header::{
    CACHE_CONTROL, CONTENT_ENCODING, CONTENT_TYPE, ETAG, IF_NONE_MATCH, LINK, VARY,
};
use actix_web::web::{self, Data};
use actix_web::{HttpRequest, HttpResponse};
use sha2::{Digest, Sha256};

use super::cache::Rendered;
use super::negotiate::{self, Coding};
use crate::error::{ApiError, ErrorCode};
use crate::state::State;

/// Bodies below this gain nothing from compression: they fit one network packet as they are.
const COMPRESS_FROM_BYTES: usize = 1024;

/// What a caller asks for, in canonical form: equal requests are equal values.
#[derive(Debug, Clone)]
pub struct Asked {
    /// Path of the resource.
    pub path: String,
    /// Canonical query without the cursor.
    pub query: String,
    /// Position in the answer; empty for its beginning.
    pub position: String,
    /// Which revision it shows.
    pub at: At,
    /// Media type of the form.
    pub content_type: &'static str,
    /// Whether compressing this form pays; Parquet is compressed inside.
    pub compress: bool,
}

/// Which revision of the data an answer shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum At {
    /// The present one, counting changes that tables can see.
    Tables,
    /// The present one, counting changes of any run or catalogue entry.
    Entries,
    /// The one that an earlier page showed.
    Pinned(i64),
    /// The program's own: it does not change while the program runs.
    Program,
}

impl At {
    /// The number of that revision now.
    pub fn revision(self, state: &State) -> i64 {
        match self {
            At::Tables => state.intake.storage.revision(),
            At::Entries => state.intake.storage.last_change(),
            At::Pinned(revision) => revision,
            At::Program => 0,
        }
    }
}

/// A body made for [`Asked`].
#[derive(Debug)]
pub struct Made {
    /// Revision of the data it shows.
    pub revision: i64,
    /// The body.
    pub body: Vec<u8>,
    /// Cursor of the next page; none on the last.
    pub next: Option<String>,
}

impl Asked {
    fn key(&self, revision: i64, coding: Coding) -> String {
        let coding = coding.name().unwrap_or("identity");
        format!("{}?{}#{}@{revision}/{coding}/{}", self.path, self.query, self.position, self.content_type)
    }

    /// A strong validator: it names revision, canonical query, form and coding, and the version of
    /// the program since another version may write the same data in another way.
    fn etag(&self, revision: i64, coding: Coding) -> String {
        let mut hash = Sha256::new();
        hash.update(env!("CARGO_PKG_VERSION"));
        hash.update(self.key(revision, coding));
        let digest = hash.finalize();
        let hex: String = digest.iter().take(12).map(|b| format!("{b:02x}")).collect();
        format!("\"{hex}\"")
    }
}

/// Answers with what `make` makes, or with what is kept of it. `make` runs on the blocking pool.
///
/// # Errors
/// Those of `make`; `Busy` when the service is closing.
pub async fn answer<F>(
    state: &Data<State>,
    request: &HttpRequest,
    asked: Asked,
    make: F,
) -> Result<HttpResponse, ApiError>
where
    F: FnOnce() -> Result<Made, ApiError> + Send + 'static,
{
    let coding = if asked.compress { negotiate::coding(request) } else { Coding::Identity };
    let revision = asked.at.revision(state);
    if let Some(kept) = state.cache.answer(&asked.key(revision, coding)) {
        return Ok(respond(request, &asked, &kept));
    }
    let etag = asked.etag(revision, coding);
    if matches(request, &etag) {
        return Ok(not_modified(&etag));
    }
    let closing = |_| ApiError::new(ErrorCode::Busy, "The service is closing.");
    let _permit = state.tables.acquire().await.map_err(closing)?;
    // Somebody else may have made it while this request stood in line.
    if let Some(kept) = state.cache.answer(&asked.key(asked.at.revision(state), coding)) {
        return Ok(respond(request, &asked, &kept));
    }
    let rendered = web::block({
        let asked = asked.clone();
        move || render(&asked, coding, make)
    })
    .await
    .map_err(|e| ApiError::internal("rendering an answer", &e))??;
    let (key, rendered) = rendered;
    let rendered = Arc::new(rendered);
    state.cache.keep_answer(key, Arc::clone(&rendered));
    Ok(respond(request, &asked, &rendered))
}

fn render<F>(asked: &Asked, coding: Coding, make: F) -> Result<(String, Rendered), ApiError>
where
    F: FnOnce() -> Result<Made, ApiError>,
{
    let made = make()?;
    let small = made.body.len() < COMPRESS_FROM_BYTES;
    let used = if small { Coding::Identity } else { coding };
    let body = encode(made.body, used).map_err(|e| ApiError::internal("compressing an answer", &e))?;
    let rendered = Rendered {
        body: body.into(),
        etag: asked.etag(made.revision, coding),
        content_type: asked.content_type,
        coding: used.name(),
        next: made.next,
    };
    Ok((asked.key(made.revision, coding), rendered))
}

fn encode(body: Vec<u8>, coding: Coding) -> std::io::Result<Vec<u8>> {
    // Level 3 of zstd and 6 of gzip are the libraries' own defaults: an answer is compressed once
    // and then served many times.
    const ZSTD_LEVEL: i32 = 3;
    match coding {
        Coding::Identity => Ok(body),
        Coding::Zstd => zstd::encode_all(&body[..], ZSTD_LEVEL),
        Coding::Gzip => {
            let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
            encoder.write_all(&body)?;
            encoder.finish()
        }
    }
}

fn respond(request: &HttpRequest, asked: &Asked, rendered: &Rendered) -> HttpResponse {
    if matches(request, &rendered.etag) {
        return not_modified(&rendered.etag);
    }
    let mut answer = HttpResponse::Ok();
    answer
        .insert_header((CONTENT_TYPE, rendered.content_type))
        .insert_header((ETAG, rendered.etag.as_str()))
        .insert_header((CACHE_CONTROL, REVALIDATE))
        .insert_header((VARY, "accept, accept-encoding"));
    if let Some(coding) = rendered.coding {
        answer.insert_header((CONTENT_ENCODING, coding));
    }
    if let Some(next) = &rendered.next {
        answer.insert_header((LINK, next_link(&asked.path, &asked.query, next)));
    }
    answer.body(rendered.body.clone())
}

/// Anybody may keep a copy, but must ask whether it still holds.
const REVALIDATE: &str = "public, no-cache";

fn not_modified(etag: &str) -> HttpResponse {
    HttpResponse::NotModified()
        .insert_header((ETAG, etag))
        .insert_header((CACHE_CONTROL, REVALIDATE))
        .insert_header((VARY, "accept, accept-encoding"))
        .finish()
}

/// A link to the next page (RFC 8288).
pub fn next_link(path: &str, query: &str, cursor: &str) -> String {
    let separator = if query.is_empty() { "" } else { "&" };
    format!("<{path}?{query}{separator}cursor={cursor}>; rel=\"next\"")
}

/// Whether `If-None-Match` names the validator (RFC 9110, section 13.1.2: weak comparison).
fn matches(request: &HttpRequest, etag: &str) -> bool {
    request.headers().get_all(IF_NONE_MATCH).filter_map(|v| v.to_str().ok()).any(|value| {
        value.split(',').map(str::trim).any(|tag| tag == "*" || tag.trim_start_matches("W/") == etag)
    })
}
