//! Handlers: extract, call one function, shape the answer. One file a noun.

pub(crate) mod filters;
mod distinct;
mod fields;
mod paging;
pub mod runs;
pub mod batch;
pub mod medians;
pub mod facts;
pub mod tracks;
pub mod playable;
pub mod wanted;
pub mod plots;
pub mod compare;
pub mod prices;
pub mod value;
pub mod precision;
pub mod accounts;
pub mod tokens;
pub mod sessions;
pub mod second_factor;
pub mod invitations;
pub mod catalogue;
pub mod rules;
pub mod proposals;
pub mod moderation;
pub mod corrections;
pub mod bulk;
pub mod price_cases;
pub mod clusters;
pub mod contributors;
pub mod personal;
pub mod documents;
pub mod health;

use std::fmt::Display;
use std::time::Instant;

use actix_web::web::{self, Bytes, Data};
use actix_web::{HttpRequest, HttpResponse, HttpResponseBuilder};

use crate::body;
use crate::error::{ApiError, ErrorCode};
use crate::intake::IntakeError;
use crate::state::State;
use crate::storage::error::StorageError;
use crate::storage::ids::AccountId;

/// Runs a blocking call of storage off the connection's thread.
pub(crate) async fn blocking<T, F>(state: &Data<State>, doing: &'static str, call: F) -> Result<T, ApiError>
where
    F: FnOnce(&State) -> Result<T, StorageError> + Send + 'static,
    T: Send + 'static,
{
    let state = state.clone();
    web::block(move || call(&state))
        .await
        .map_err(|e| ApiError::internal(doing, &e))?
        .map_err(|e| storage_error(doing, &e))
}

/// Reads the body of a submission, within what its account may upload.
pub(crate) async fn upload(
    state: &State,
    account: &AccountId,
    request: &HttpRequest,
    payload: web::Payload,
) -> Result<Bytes, ApiError> {
    state.rates.upload(account, Instant::now())?;
    let bytes = body::read(request, payload, &state.limits).await?;
    state.rates.uploaded(account, bytes.len(), Instant::now());
    Ok(bytes)
}

/// What a failure of storage is to a caller: come back later, or our fault.
pub(crate) fn storage_error(doing: &'static str, error: &StorageError) -> ApiError {
    match error {
        StorageError::Busy => busy(),
        StorageError::Closed => ApiError::new(ErrorCode::Busy, "The service is closing."),
        other => ApiError::internal(doing, other),
    }
}

/// What a failure of intake is to a caller.
pub(crate) fn intake_error(error: IntakeError) -> ApiError {
    match error {
        IntakeError::Malformed(finding) => ApiError::with(ErrorCode::MalformedJson, vec![*finding]),
        IntakeError::OffSchema(findings) => ApiError::with(ErrorCode::OffSchema, findings),
        IntakeError::UnknownBench(finding) => ApiError::with(ErrorCode::UnknownBench, vec![*finding]),
        IntakeError::Duplicate { of, finding } => ApiError::with(
            ErrorCode::Duplicate,
            vec![finding.evidence("run", of.as_str()).evidence("href", format!("/v1/runs/{of}"))],
        ),
        IntakeError::KeyReused => {
            let finding = crate::error::outside(
                "key-reused",
                "header",
                "Idempotency-Key",
                "The idempotency key came with another body before.",
            )
            .advice("Use a new key for a new body.");
            ApiError::with(ErrorCode::KeyReused, vec![finding])
        }
        IntakeError::Busy => busy(),
        IntakeError::Storage(error) => storage_error("storing a run", &error),
    }
}

fn busy() -> ApiError {
    ApiError::new(ErrorCode::Busy, "Too many submissions are waiting to be stored.")
}

/// A JSON answer that anybody may keep but must revalidate.
pub(crate) fn json<T: serde::Serialize>(view: &T) -> HttpResponse {
    HttpResponse::Ok().insert_header(("cache-control", "public, no-cache")).json(view)
}

/// An answer for its asker alone, which nobody keeps.
pub(crate) fn private() -> HttpResponseBuilder {
    let mut answer = HttpResponse::Ok();
    answer.insert_header(("cache-control", "no-store"));
    answer
}

/// A name from the address, or nothing has that address.
pub(crate) fn found<T>(entry: Option<T>, what: &str, name: impl Display) -> Result<T, ApiError> {
    entry.ok_or_else(|| {
        let name = crate::error::shorten(&name.to_string());
        ApiError::new(ErrorCode::NotFound, format!("There is no {what} `{name}`."))
    })
}
