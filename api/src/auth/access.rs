//! Bearer tokens (RFC 6750) and the extractor that says who may call a handler.

use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{Payload, ServiceRequest, ServiceResponse};
use actix_web::http::header::{AUTHORIZATION, WWW_AUTHENTICATE};
use actix_web::middleware::Next;
use actix_web::web::{self, Data};
use actix_web::{Error, FromRequest, HttpMessage, HttpRequest};

use crate::error::{ApiError, ErrorCode};
use crate::state::State;
use crate::storage::accounts::Account;

/// Longest token looked at, characters; ours have 67.
const TOKEN_CHARS: usize = 200;

/// An account that may submit: any account with a valid token.
#[derive(Debug, Clone)]
pub struct Submitter(pub Account);

impl FromRequest for Submitter {
    type Error = ApiError;
    type Future = std::future::Ready<Result<Submitter, ApiError>>;

    /// Hands over what [`require_submitter`] found out; without it nobody is a submitter.
    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        std::future::ready(request.extensions().get::<Submitter>().cloned().ok_or_else(missing))
    }
}

/// Lets only requests with a valid token through, before any of the body is read.
///
/// # Errors
/// Those of the inner service.
pub async fn require_submitter(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    match submitter(&request).await {
        Ok(submitter) => {
            tracing::Span::current().record("account", tracing::field::display(&submitter.0.id));
            request.extensions_mut().insert(submitter);
            next.call(request).await.map(ServiceResponse::map_into_boxed_body)
        }
        Err(error) => Ok(request.error_response(error)),
    }
}

/// An account that may moderate.
#[derive(Debug, Clone)]
pub struct Moderator(pub Account);

impl FromRequest for Moderator {
    type Error = ApiError;
    type Future = std::future::Ready<Result<Moderator, ApiError>>;

    /// Hands over what [`require_moderator`] found out.
    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        std::future::ready(request.extensions().get::<Moderator>().cloned().ok_or_else(missing))
    }
}

/// Lets only requests of moderators and operators through, before any of the body is read.
///
/// # Errors
/// Those of the inner service.
pub async fn require_moderator(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    match submitter(&request).await {
        Ok(caller) if caller.0.role >= crate::storage::accounts::Role::Moderator => {
            tracing::Span::current().record("account", tracing::field::display(&caller.0.id));
            request.extensions_mut().insert(Moderator(caller.0));
            next.call(request).await.map(ServiceResponse::map_into_boxed_body)
        }
        Ok(_) => Ok(request.error_response(ApiError::new(ErrorCode::NeedsOperator, "moderators only"))),
        Err(error) => Ok(request.error_response(error)),
    }
}

async fn submitter(request: &ServiceRequest) -> Result<Submitter, ApiError> {
    let token = bearer(request)?.to_owned();
    let state = request.app_data::<Data<State>>().cloned().ok_or_else(missing)?;
    let account = web::block(move || state.intake.storage.account_of_token(&token))
        .await
        .map_err(|e| ApiError::internal("looking a token up", &e))?
        .map_err(|e| ApiError::internal("looking a token up", &e))?;
    account.map(Submitter).ok_or_else(|| invalid("The token is not one of this service, or it was revoked."))
}

/// The one bearer token of a request.
fn bearer(request: &ServiceRequest) -> Result<&str, ApiError> {
    let mut values = request.headers().get_all(AUTHORIZATION);
    let value = values.next().ok_or_else(missing)?;
    if values.next().is_some() {
        return Err(invalid("There is more than one Authorization header."));
    }
    let (scheme, token) = value.to_str().ok().and_then(|v| v.split_once(' ')).unwrap_or(("", ""));
    if !scheme.eq_ignore_ascii_case("bearer") {
        return Err(missing());
    }
    let token = token.trim_matches(' ');
    // The alphabet of b64token, RFC 6750 section 2.1.
    let spelt = |b: u8| b.is_ascii_alphanumeric() || b"-._~+/=".contains(&b);
    if token.is_empty() || token.len() > TOKEN_CHARS || !token.bytes().all(spelt) {
        return Err(invalid("The Authorization header holds no bearer token."));
    }
    Ok(token)
}

/// No credentials: RFC 6750 section 3.1 wants no error code in the challenge then.
fn missing() -> ApiError {
    ApiError::new(ErrorCode::Unauthorized, ErrorCode::Unauthorized.explanation())
        .header(WWW_AUTHENTICATE, "Bearer realm=\"wearmark\"")
}

fn invalid(detail: &str) -> ApiError {
    ApiError::new(ErrorCode::Unauthorized, detail)
        .header(WWW_AUTHENTICATE, "Bearer realm=\"wearmark\", error=\"invalid_token\"")
}
