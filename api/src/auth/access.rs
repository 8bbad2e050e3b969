//! Bearer tokens (RFC 6750), sessions, and the extractors that say who may call a handler.

use std::time::Instant;

use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{Payload, ServiceRequest, ServiceResponse};
use actix_web::http::header::{AUTHORIZATION, WWW_AUTHENTICATE};
use actix_web::middleware::Next;
use actix_web::web::{self, Data};
use actix_web::{Error, FromRequest, HttpMessage, HttpRequest};
use chrono::Utc;

use super::cookie::check_site;
use super::rates::Left;
pub use super::scope::{Scope, Scopes};
use crate::error::{ApiError, ErrorCode};
use crate::middleware::limits;
use crate::state::State;
use crate::storage::accounts::Account;
use crate::storage::tokens::{Credential, Refusal};

/// Longest token looked at, characters; ours have 75.
const TOKEN_CHARS: usize = 200;

/// A caller whom a middleware let through, by the scope that was asked for.
trait Caller: FromRequest + Clone + 'static {
    const SCOPE: Scope;
    /// Whether a suspended account still may.
    const SUSPENDED: bool;
    /// Whether the cookie of a session does in place of a token.
    const SESSION: bool;

    fn of(account: Account) -> Self;
}

/// Declares an extractor and the middleware without which nobody is one.
macro_rules! callers {
    ($($(#[$doc:meta])* $name:ident, $middleware:ident, $scope:ident, suspended: $suspended:literal, session: $session:literal;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone)]
        pub struct $name(pub Account);

        impl Caller for $name {
            const SCOPE: Scope = Scope::$scope;
            const SUSPENDED: bool = $suspended;
            const SESSION: bool = $session;

            fn of(account: Account) -> $name {
                $name(account)
            }
        }

        impl FromRequest for $name {
            type Error = ApiError;
            type Future = std::future::Ready<Result<$name, ApiError>>;

            /// Hands over what the middleware found out.
            fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
                std::future::ready(request.extensions().get::<$name>().cloned().ok_or_else(missing))
            }
        }

        $(#[$doc])*
        ///
        /// Lets nobody else through, and decides before any of the body is read.
        ///
        /// # Errors
        /// Those of the inner service.
        pub async fn $middleware(
            request: ServiceRequest,
            next: Next<impl MessageBody + 'static>,
        ) -> Result<ServiceResponse<BoxBody>, Error> {
            admit::<$name>(request, next).await
        }
    )+};
}

callers! {
    /// An account that submits, by a credential with scope `submit`.
    Submitter, require_submitter, Submit, suspended: false, session: false;
    /// An account that looks after itself, by a credential with scope `read-own`.
    Owner, require_owner, ReadOwn, suspended: true, session: true;
    /// A moderator or operator, by a credential with scope `moderate`.
    Moderator, require_moderator, Moderate, suspended: false, session: true;
    /// An operator, by a credential with scope `operate`.
    Operator, require_operator, Operate, suspended: false, session: true;
}

async fn admit<C: Caller>(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    match credential::<C>(&request).await.and_then(|found| allowed::<C>(found)) {
        Ok(credential) => {
            let told = match rates(&request, &credential) {
                Ok(told) => told,
                Err(left) => {
                    return Ok(limits::refuse(request, &left, "Too many requests of this account.", 1.0));
                }
            };
            tracing::Span::current().record("account", tracing::field::display(&credential.account.id));
            request.extensions_mut().insert(C::of(credential.account.clone()));
            request.extensions_mut().insert(Shown(credential));
            let mut response = next.call(request).await?.map_into_boxed_body();
            limits::tell(response.headers_mut(), &told);
            Ok(response)
        }
        Err(error) => {
            tracing::info!(why = error.code.slug(), "access was refused");
            Ok(request.error_response(error))
        }
    }
}

/// What is left for the credential and its account.
fn rates(request: &ServiceRequest, credential: &Credential) -> Result<Vec<Left>, Left> {
    match request.app_data::<Data<State>>() {
        Some(state) => state.rates.request(credential, Instant::now()),
        None => Ok(Vec::new()),
    }
}

/// The credential, if it is good for what the caller wants.
fn allowed<C: Caller>(credential: Credential) -> Result<Credential, ApiError> {
    let account = &credential.account;
    if let Some(until) = account.suspended_until.filter(|until| *until > Utc::now() && !C::SUSPENDED) {
        let until = until.format("%Y-%m-%d %H:%M");
        return Err(ApiError::new(
            ErrorCode::Suspended,
            format!("The account is suspended until {until} UTC; it may only look after itself."),
        ));
    }
    let (scope, role) = (C::SCOPE, account.role);
    if role < scope.least_role() {
        let (needed, role) = (scope.least_role().as_str(), role.as_str());
        return Err(insufficient(scope, format!("This needs the role {needed}; the account is a {role}.")));
    }
    if !credential.scopes.has(scope) {
        let word = scope.as_str();
        return Err(insufficient(scope, format!("This needs a token with the scope `{word}`.")));
    }
    Ok(credential)
}

/// What the caller showed, behind any of the middlewares.
#[derive(Debug, Clone)]
pub struct Shown(pub Credential);

impl FromRequest for Shown {
    type Error = ApiError;
    type Future = std::future::Ready<Result<Shown, ApiError>>;

    /// Hands over what the middleware found out.
    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        std::future::ready(request.extensions().get::<Shown>().cloned().ok_or_else(missing))
    }
}

/// The credential that a request carries: a token before a cookie.
async fn credential<C: Caller>(request: &ServiceRequest) -> Result<Credential, ApiError> {
    let state = request.app_data::<Data<State>>().cloned().ok_or_else(missing)?;
    let cookie = match request.headers().contains_key(AUTHORIZATION) {
        false if C::SESSION => state.accounts.transport.value(request.request()),
        _ => None,
    };
    if let Some(value) = cookie {
        if !request.method().is_safe() {
            check_site(request.headers(), true)?;
        }
        let life = state.accounts.sessions;
        return web::block(move || state.intake.storage.credential_of_session(&value, life, Utc::now()))
            .await
            .map_err(|e| ApiError::internal("looking a session up", &e))?
            .map_err(|e| ApiError::internal("looking a session up", &e))?
            .ok_or_else(|| unauthorized("The session is over. Log in again."));
    }
    let token = bearer(request)?.to_owned();
    web::block(move || state.intake.storage.credential_of_token(&token, Utc::now()))
        .await
        .map_err(|e| ApiError::internal("looking a token up", &e))?
        .map_err(|e| ApiError::internal("looking a token up", &e))?
        .map_err(|refusal| {
            invalid(match refusal {
                Refusal::Unknown => "The token is not one of this service.",
                Refusal::Expired => "The token has expired.",
                Refusal::Revoked => "The token was revoked.",
            })
        })
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
    unauthorized(ErrorCode::Unauthorized.explanation())
}

fn unauthorized(detail: &str) -> ApiError {
    ApiError::new(ErrorCode::Unauthorized, detail).header(WWW_AUTHENTICATE, "Bearer realm=\"wearmark\"")
}

fn invalid(detail: &str) -> ApiError {
    ApiError::new(ErrorCode::Unauthorized, detail)
        .header(WWW_AUTHENTICATE, "Bearer realm=\"wearmark\", error=\"invalid_token\"")
}

/// A good credential that is not good for this: RFC 6750 section 3.1, `insufficient_scope`.
fn insufficient(scope: Scope, detail: String) -> ApiError {
    let challenge =
        format!("Bearer realm=\"wearmark\", error=\"insufficient_scope\", scope=\"{}\"", scope.as_str());
    ApiError::new(ErrorCode::InsufficientScope, detail).header(WWW_AUTHENTICATE, challenge)
}
