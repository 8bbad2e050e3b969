//! What the log says of a request: method, route, status, account id and request id. Neither address nor query nor what
//! the client calls itself: they can name people, and a log outlives what they withdraw.

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::{Error, HttpMessage};
use tracing::Span;
use tracing::field::Empty;
use tracing_actix_web::{RequestId, RootSpanBuilder};

/// See the module.
pub struct Spans;

impl RootSpanBuilder for Spans {
    fn on_request_start(request: &ServiceRequest) -> Span {
        // The pattern, not the path, which can have the name of a contributor in it.
        let route = request.match_pattern().unwrap_or_else(|| "none".to_owned());
        let id = request.extensions().get::<RequestId>().map(ToString::to_string);
        tracing::info_span!(
            "request",
            method = %request.method(),
            route,
            status = Empty,
            account = Empty,
            request_id = id
        )
    }

    fn on_request_end<B: MessageBody>(span: Span, outcome: &Result<ServiceResponse<B>, Error>) {
        let status = match outcome {
            Ok(answer) => answer.status(),
            Err(error) => error.as_response_error().status_code(),
        };
        span.record("status", status.as_u16());
    }
}
