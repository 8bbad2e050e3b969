//! Gives every error answer its full problem document, the framework's own errors included, and
//! every answer the id of its request.

use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{ALLOW, CONTENT_TYPE, HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage};
use tracing_actix_web::RequestId;

use super::limits::{POLICY, STATE};
use crate::error::ApiError;
use crate::views::problem::PROBLEM_JSON;

/// Name of the header that carries the id of the request.
pub const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

/// Finishes error answers.
///
/// # Errors
/// Those of the inner service that carry no request to answer on.
pub async fn finish(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let id = request.extensions().get::<RequestId>().map(ToString::to_string);
    let path = request.path().to_owned();
    let response = next.call(request).await?.map_into_boxed_body();
    let mut response = match problem_of(&response) {
        Some(problem) => {
            let told: Vec<(HeaderName, HeaderValue)> = [ALLOW, POLICY, STATE]
                .iter()
                .flat_map(|name| response.headers().get_all(name).map(|value| (name.clone(), value.clone())))
                .collect();
            let mut finished = response.into_response(problem.respond(Some(&path), id.clone()));
            finished.headers_mut().remove(ALLOW);
            for (name, value) in told {
                finished.headers_mut().append(name, value);
            }
            finished
        }
        None => response,
    };
    if let Some(id) = id.and_then(|id| HeaderValue::from_str(&id).ok()) {
        response.headers_mut().insert(REQUEST_ID, id);
    }
    Ok(response)
}

/// The error an answer stands for: ours as it is, the framework's by its status.
fn problem_of(response: &ServiceResponse) -> Option<ApiError> {
    let status = response.status();
    if !(status.is_client_error() || status.is_server_error()) {
        return None;
    }
    if let Some(ours) = response.response().error().and_then(Error::as_error::<ApiError>) {
        return Some(ours.clone());
    }
    let finished = response.headers().get(CONTENT_TYPE).is_some_and(|kind| kind == PROBLEM_JSON);
    (!finished).then(|| ApiError::of_status(status))
}
