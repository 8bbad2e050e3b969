//! Limits on what one network may ask for, and the headers that tell of limits.

use std::time::Instant;

use actix_web::Error;
use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{HeaderMap, HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::web::Data;

use crate::auth::rates::Left;
use crate::error::ApiError;
use crate::state::State;

/// The limits that apply (draft-ietf-httpapi-ratelimit-headers-10).
pub const POLICY: HeaderName = HeaderName::from_static("ratelimit-policy");

/// What is left of them.
pub const STATE: HeaderName = HeaderName::from_static("ratelimit");

/// Refuses requests of a network that asks for too much.
///
/// # Errors
/// Those of the inner service.
pub async fn limit_network(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let Some(state) = request.app_data::<Data<State>>().cloned() else {
        return next.call(request).await.map(ServiceResponse::map_into_boxed_body);
    };
    let address = state.client(request.peer_addr(), request.headers());
    match state.rates.network_request(address, Instant::now()) {
        Ok(left) => {
            let mut response = next.call(request).await?.map_into_boxed_body();
            tell(response.headers_mut(), left.iter());
            Ok(response)
        }
        Err(left) => Ok(refuse(request, &left, "Too many requests from this network.", 1.0)),
    }
}

/// The answer to what goes beyond a limit.
pub fn refuse(request: ServiceRequest, left: &Left, detail: &str, amount: f64) -> ServiceResponse<BoxBody> {
    let mut response = request.error_response(ApiError::wait(detail, left.wait(amount)));
    tell(response.headers_mut(), [left]);
    response
}

/// Adds what is left to an answer's headers.
pub fn tell<'a>(headers: &mut HeaderMap, left: impl IntoIterator<Item = &'a Left>) {
    for left in left {
        for (name, value) in [(POLICY, left.policy()), (STATE, left.state())] {
            if let Ok(value) = HeaderValue::try_from(value) {
                headers.append(name, value);
            }
        }
    }
}
