//! Whether the service runs and can work.

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use serde::Serialize;
use utoipa::ToSchema;

use super::blocking;
use crate::error::{ApiError, ErrorCode};
use crate::query;
use crate::state::State;
use crate::views::problem::Problem;

/// The state of the service.
#[derive(Debug, Serialize, ToSchema)]
pub struct Health {
    /// `live` or `ready`.
    status: &'static str,
}

/// Whether the service runs.
#[utoipa::path(get, path = "/health/live", tag = "service", responses((status = 200, body = Health), crate::openapi::Plain))]
pub async fn find_live(request: HttpRequest) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    Ok(HttpResponse::Ok().json(Health { status: "live" }))
}

/// Whether the service can read and take submissions.
#[utoipa::path(get, path = "/health/ready", tag = "service", responses((status = 200, body = Health),
    (status = 503, body = Problem, description = "It cannot", content_type = "application/problem+json"), crate::openapi::Plain))]
pub async fn find_ready(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    match blocking(&state, "checking storage", |state| state.intake.storage.ping()).await {
        Ok(()) => Ok(HttpResponse::Ok().json(Health { status: "ready" })),
        Err(error) => Err(ApiError::new(ErrorCode::Busy, error.detail)),
    }
}
