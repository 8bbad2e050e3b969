//! Bounds the time from the head of a request to the head of its answer.

use actix_web::Error;
use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::middleware::Next;
use actix_web::web::Data;

use crate::error::{ApiError, ErrorCode};
use crate::state::State;

/// Answers 503 when the inner service takes longer than the limit. Work on the blocking pool is not
/// cancelled by this; it finishes and its result is dropped. Wraps resources, not the application:
/// before routing a request may not be shared.
///
/// # Errors
/// Those of the inner service.
pub async fn deadline(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let Some(limit) = request.app_data::<Data<State>>().map(|state| state.limits.request_timeout) else {
        return next.call(request).await.map(ServiceResponse::map_into_boxed_body);
    };
    let asked = request.request().clone();
    match tokio::time::timeout(limit, next.call(request)).await {
        Ok(answer) => answer.map(ServiceResponse::map_into_boxed_body),
        Err(_elapsed) => {
            let seconds = limit.as_secs_f64();
            let error =
                ApiError::new(ErrorCode::Timeout, format!("The request was not served within {seconds} s."));
            Ok(ServiceResponse::from_err(error, asked))
        }
    }
}
