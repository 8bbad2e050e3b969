//! Accounts: register, read the own record, change the password.

use std::time::Instant;

use actix_web::web::{self, Data};
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;
use serde::Deserialize;
use utoipa::ToSchema;

use super::fields::Fields;
use super::{blocking, private, storage_error};
use crate::auth::access::{Owner, Scopes, Shown};
use crate::config::Registration;
use crate::error::{ApiError, ErrorCode};
use crate::query;
use crate::state::State;
use crate::storage::accounts::Role;
use crate::storage::error::StorageError;
use crate::storage::passwords::Reset;
use crate::storage::tokens::NewToken;
use crate::views::account::{AccountView, NewAccountView, NewTokenView, OwnAccountView};
use crate::views::problem::Problem;

/// An account to be made.
#[derive(Deserialize, ToSchema)]
#[schema(as = NewAccount)]
#[serde(deny_unknown_fields)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct NewAccountBody {
    /// Public handle: it stands beside the runs.
    #[schema(min_length = 1, max_length = 64)]
    name: String,
    /// At least 15 characters, and not made of what guessers try first.
    #[schema(min_length = 15, max_length = 1024, format = Password)]
    password: String,
    /// Where the service asks for one.
    invitation: Option<String>,
}

/// Makes an account, by invitation or freely as the service is set up, and its first token, which is shown this once.
/// Needs no token.
#[utoipa::path(post, path = "/v1/accounts", tag = "account",
    request_body(content = NewAccountBody, content_type = "application/json"),
    responses((status = 201, body = NewAccountView),
        (status = 409, body = Problem, description = "The name is taken", content_type = "application/problem+json"),
        crate::openapi::Open))]
pub async fn create_account(
    state: Data<State>,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let registration = state.accounts.registration;
    if registration == Registration::Closed {
        let detail = "This service makes accounts on its operator's command line only.";
        return Err(ApiError::new(ErrorCode::RegistrationClosed, detail));
    }
    let mut fields = Fields::read(&request, payload, &["name", "password", "invitation"]).await?;
    let (name, password) = (fields.text("name"), fields.text("password"));
    let invitation = fields.optional_text("invitation");
    fields.finish()?;
    if registration == Registration::Invited && invitation.is_none() {
        let detail = "This service makes accounts by invitation only: send `invitation`.";
        return Err(ApiError::new(ErrorCode::RegistrationClosed, detail));
    }
    // An invitation has 256 random bits; what is slowed down here is using the service to try names or fill it.
    let network = state.network(&request);
    state
        .throttle
        .begin_here(network, Instant::now())
        .map_err(|wait| ApiError::wait("Too many accounts were asked for from this network.", wait))?;
    let _permit = state.hashing().await?;
    let storage = state.intake.storage.clone();
    let made = web::block(move || {
        let now = Utc::now();
        let account = match invitation {
            Some(invitation) if !storage.is_invited(&invitation, now)? => Err(StorageError::NotInvited),
            Some(invitation) => storage.create_invited_account(&name, &password, &invitation, now),
            None => storage.create_account(&name, &password, Role::Contributor, now),
        }?;
        let new = NewToken::of(&account, "made with the account");
        let (token, record) = storage.create_token(&account.id, &new, Some(&account.id), now)?;
        Ok((account, token, record, now))
    })
    .await
    .map_err(|e| ApiError::internal("making an account", &e))?;
    let (account, token, record, now) = made.map_err(|e| account_error("making an account", &e))?;
    tracing::info!(account = %account.id, "an account was made over HTTP");
    Ok(HttpResponse::Created().json(NewAccountView {
        account: AccountView::new(account, now),
        token: NewTokenView::new(&token, record),
    }))
}

/// What a refused account or password is to a caller.
fn account_error(doing: &'static str, error: &StorageError) -> ApiError {
    match error {
        StorageError::NameTaken => ApiError::new(ErrorCode::NameTaken, ErrorCode::NameTaken.title()),
        StorageError::NotInvited => ApiError::new(ErrorCode::NotInvited, ErrorCode::NotInvited.explanation()),
        StorageError::BadName => {
            let finding = wearmark_core::finding::Finding::new(
                "bad-field",
                wearmark_core::finding::Severity::Reject,
                "/name",
                "`name` has 1 to 64 characters, none of them control or invisible characters or blanks at its ends.",
            );
            ApiError::with(ErrorCode::OffSchema, vec![finding])
        }
        StorageError::Password(rule @ crate::auth::password::PasswordError::Hash(_)) => {
            ApiError::internal(doing, rule)
        }
        StorageError::Password(rule) => ApiError::new(ErrorCode::UnfitPassword, sentence(&rule.to_string())),
        other => storage_error(doing, other),
    }
}

/// An error's words as a sentence.
fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).chain(['.']).collect()).unwrap_or_default()
}

/// Your own record, and what the credential shown is good for. Scope `read-own`, or a session.
#[utoipa::path(get, path = "/v1/account", tag = "account", security(("token" = []), ("session" = [])),
    responses((status = 200, body = OwnAccountView), crate::openapi::Own))]
pub async fn find_account(
    state: Data<State>,
    owner: Owner,
    shown: Shown,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let scopes = shown.0.scopes.common(Scopes::of_role(owner.0.role));
    let id = owner.0.id.clone();
    let (second_factor, recovery_codes) = blocking(&state, "reading an account", move |s| {
        let storage = &s.intake.storage;
        Ok((storage.has_second_factor(&id)?, storage.recovery_codes_left(&id)?))
    })
    .await?;
    Ok(private().json(OwnAccountView {
        account: AccountView::new(owner.0, Utc::now()),
        second_factor,
        recovery_codes,
        scopes: scopes.iter().collect(),
        expires_at: shown.0.expires_at,
    }))
}

/// A password to be changed.
#[derive(Deserialize, ToSchema)]
#[schema(as = PasswordChange)]
#[serde(deny_unknown_fields)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct PasswordChangeBody {
    /// The present password.
    #[schema(max_length = 1024, format = Password)]
    old: String,
    /// The new one: at least 15 characters, and not made of what guessers try first.
    #[schema(min_length = 15, max_length = 1024, format = Password)]
    new: String,
    /// Revoke every token as well.
    revoke_tokens: Option<bool>,
}

/// Changes your password and ends all your sessions, this one included. Scope `read-own`, or a session.
#[utoipa::path(put, path = "/v1/account/password", tag = "account", security(("token" = []), ("session" = [])),
    request_body(content = PasswordChangeBody, content_type = "application/json"),
    responses((status = 204, description = "It is changed"), crate::openapi::OwnChange))]
pub async fn update_password(
    state: Data<State>,
    owner: Owner,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let mut fields = Fields::read(&request, payload, &["old", "new", "revoke_tokens"]).await?;
    let (old, new) = (fields.text("old"), fields.text("new"));
    let also = Reset { tokens: fields.flag("revoke_tokens"), second_factor: false };
    fields.finish()?;
    prove(&state, &request, &owner.0.name, old).await?;
    let _permit = state.hashing().await?;
    let storage = state.intake.storage.clone();
    web::block(move || storage.set_password(&owner.0, &new, also, Some(&owner.0.id), Utc::now()))
        .await
        .map_err(|e| ApiError::internal("changing a password", &e))?
        .map_err(|e| account_error("changing a password", &e))?;
    Ok(HttpResponse::NoContent().finish())
}

/// Asks for the password of the account that is known already, before something that a found token or an open
/// browser must not be enough for.
///
/// # Errors
/// `WrongCredentials`, or `RateLimited` after too many of them.
pub(super) async fn prove(
    state: &Data<State>,
    request: &HttpRequest,
    name: &str,
    password: String,
) -> Result<(), ApiError> {
    let network = state.network(request);
    slow_down(state, name, network)?;
    let account = by_password(state, name.to_owned(), password).await?;
    if account.is_none() {
        return Err(wrong());
    }
    state.throttle.succeeded(name, network);
    Ok(())
}

/// Begins a try that counts as failed until it has succeeded.
pub(super) fn slow_down(
    state: &State,
    name: &str,
    network: crate::auth::network::Network,
) -> Result<(), ApiError> {
    state.throttle.begin(name, network, Instant::now()).map_err(|wait| {
        tracing::info!(wait_s = wait.as_secs(), "a try to log in came too soon after failed ones");
        ApiError::wait("Too many tries failed; the next has to wait as long as Retry-After says.", wait)
    })
}

/// The account of that name and password, hashed when there is room.
pub(super) async fn by_password(
    state: &Data<State>,
    name: String,
    password: String,
) -> Result<Option<crate::storage::accounts::Account>, ApiError> {
    let _permit = state.hashing().await?;
    blocking(state, "comparing a password", move |s| s.intake.storage.account_by_password(&name, &password))
        .await
}

/// Which of name, password and code is wrong is not said.
pub(super) fn wrong() -> ApiError {
    tracing::info!("a try to log in failed");
    ApiError::new(ErrorCode::WrongCredentials, "The name, the password or the code is wrong.")
}
