//! JSON documents that are the same for everybody: catalogue lists, schemas, the interface description.

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use serde::Serialize;

use super::answer::{self, Asked, At, Made};
use crate::error::ApiError;
use crate::query;
use crate::state::State;

/// Answers with the view that `make` makes of the state, as JSON.
///
/// # Errors
/// `UnknownParameter` when the request has query parameters; otherwise those of `make`.
pub async fn answer<V, F>(
    state: &Data<State>,
    request: &HttpRequest,
    at: At,
    make: F,
) -> Result<HttpResponse, ApiError>
where
    V: Serialize,
    F: FnOnce(&State, i64) -> Result<V, ApiError> + Send + 'static,
{
    text(state, request, at, "application/json", move |state, revision| {
        serde_json::to_vec(&make(state, revision)?).map_err(|e| ApiError::internal("writing JSON", &e))
    })
    .await
}

/// Answers with a text that `make` makes of the state.
///
/// # Errors
/// `UnknownParameter` when the request has query parameters; otherwise those of `make`.
pub async fn text<F>(
    state: &Data<State>,
    request: &HttpRequest,
    at: At,
    content_type: &'static str,
    make: F,
) -> Result<HttpResponse, ApiError>
where
    F: FnOnce(&State, i64) -> Result<Vec<u8>, ApiError> + Send + 'static,
{
    query::none(request.query_string())?;
    let asked = Asked {
        path: request.path().to_owned(),
        query: String::new(),
        position: String::new(),
        at,
        content_type,
        compress: true,
    };
    let shared = state.clone();
    answer::answer(state, request, asked, move || {
        let revision = at.revision(&shared);
        Ok(Made { revision, body: make(&shared, revision)?, next: None })
    })
    .await
}
