//! The application, the same for the program and its tests.

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceFactory, ServiceRequest, ServiceResponse};
use actix_web::middleware::from_fn;
use actix_web::web::{self, Data};
use actix_web::{App, Error};
use tracing_actix_web::TracingLogger;

use crate::error::ApiError;
use crate::middleware::headers::headers;
use crate::middleware::limits::limit_network;
use crate::middleware::problems::finish;
use crate::middleware::spans::Spans;
use crate::routes::routes;
use crate::state::State;

/// Puts state, routes and the answers for everything else in place.
pub fn configure(state: Data<State>) -> impl FnOnce(&mut web::ServiceConfig) {
    move |config| {
        config
            .app_data(state)
            .app_data(web::PathConfig::default().error_handler(|_, _| ApiError::not_found("resource").into()))
            .configure(routes)
            .default_service(web::to(|| async { Err::<String, _>(ApiError::not_found("resource")) }));
    }
}

/// The application with all that a request passes, outermost last. `extra` may add routes that an
/// embedding program wants behind the same middleware.
pub fn build(
    state: Data<State>,
    extra: impl FnOnce(&mut web::ServiceConfig),
) -> App<
    impl ServiceFactory<
        ServiceRequest,
        Config = (),
        Response = ServiceResponse<impl MessageBody>,
        Error = Error,
        InitError = (),
    >,
> {
    let transport = state.accounts.transport;
    App::new()
        .configure(extra)
        .configure(configure(state))
        .wrap(from_fn(limit_network))
        .wrap(from_fn(finish))
        .wrap(headers(transport))
        .wrap(TracingLogger::<Spans>::new())
}
