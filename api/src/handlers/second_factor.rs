//! The second factor of log-in: a shared secret for an authenticator program (RFC 6238), and recovery codes.

use actix_web::web::{self, Data};
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;
use serde::Deserialize;
use utoipa::ToSchema;

use super::accounts::{prove, slow_down, wrong};
use super::blocking;
use super::fields::Fields;
use crate::auth::access::Owner;
use crate::auth::code::SharedSecret;
use crate::error::{ApiError, ErrorCode};
use crate::query;
use crate::state::State;
use crate::views::account::{NewSecondFactorView, RecoveryCodesView};
use crate::views::problem::Problem;

/// The password, asked for again.
#[derive(Deserialize, ToSchema)]
#[schema(as = PasswordAgain)]
#[serde(deny_unknown_fields)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct PasswordAgainBody {
    /// Your password.
    #[schema(max_length = 1024, format = Password)]
    password: String,
}

/// A code of the authenticator.
#[derive(Deserialize, ToSchema)]
#[schema(as = Code)]
#[serde(deny_unknown_fields)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct CodeBody {
    /// The present code.
    #[schema(max_length = 64)]
    code: String,
}

/// Makes a shared secret for an authenticator program; it counts once a code of it was shown. Scope `read-own`, or a
/// session.
#[utoipa::path(post, path = "/v1/account/second-factor", tag = "account", security(("token" = []), ("session" = [])),
    request_body(content = PasswordAgainBody, content_type = "application/json"),
    responses((status = 201, body = NewSecondFactorView),
        (status = 409, body = Problem, description = "There is one already", content_type = "application/problem+json"),
        crate::openapi::OwnChange))]
pub async fn create_second_factor(
    state: Data<State>,
    owner: Owner,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    ask_again(&state, &owner, &request, payload).await?;
    let secret = SharedSecret::random();
    let view = NewSecondFactorView { secret: secret.base32(), address: secret.address(&owner.0.name) };
    let begun = blocking(&state, "beginning a second factor", move |s| {
        s.intake.storage.begin_second_factor(&owner.0.id, &secret)
    });
    if !begun.await? {
        let code = ErrorCode::SecondFactorExists;
        return Err(ApiError::new(code, code.explanation()));
    }
    Ok(HttpResponse::Created().json(view))
}

/// Shows a code of the new secret: from now on log-in needs one. Answers with recovery codes. Scope `read-own`, or a
/// session.
#[utoipa::path(put, path = "/v1/account/second-factor", tag = "account", security(("token" = []), ("session" = [])),
    request_body(content = CodeBody, content_type = "application/json"),
    responses((status = 200, body = RecoveryCodesView), crate::openapi::OwnChange))]
pub async fn confirm_second_factor(
    state: Data<State>,
    owner: Owner,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let mut fields = Fields::read(&request, payload, &["code"]).await?;
    let code = fields.text("code");
    fields.finish()?;
    let network = state.network(&request);
    slow_down(&state, &owner.0.name, network)?;
    let name = owner.0.name.clone();
    let codes = blocking(&state, "confirming a second factor", move |s| {
        s.intake.storage.confirm_second_factor(&owner.0.id, &code, Utc::now())
    });
    let recovery_codes = codes.await?.ok_or_else(wrong)?;
    state.throttle.succeeded(&name, network);
    Ok(HttpResponse::Ok().json(RecoveryCodesView { recovery_codes }))
}

/// Ends the second factor: log-in needs the password only. Scope `read-own`, or a session.
#[utoipa::path(delete, path = "/v1/account/second-factor", tag = "account", security(("token" = []), ("session" = [])),
    request_body(content = PasswordAgainBody, content_type = "application/json"),
    responses((status = 204, description = "It has ended"), crate::openapi::OwnChange))]
pub async fn delete_second_factor(
    state: Data<State>,
    owner: Owner,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    ask_again(&state, &owner, &request, payload).await?;
    let ended = blocking(&state, "ending a second factor", move |s| {
        s.intake.storage.end_second_factor(&owner.0.id, Utc::now())
    });
    ended.await?;
    Ok(HttpResponse::NoContent().finish())
}

async fn ask_again(
    state: &Data<State>,
    owner: &Owner,
    request: &HttpRequest,
    payload: web::Payload,
) -> Result<(), ApiError> {
    let mut fields = Fields::read(request, payload, &["password"]).await?;
    let password = fields.text("password");
    fields.finish()?;
    prove(state, request, &owner.0.name, password).await
}
