//! Sessions of pages: log in, list, log out.

use actix_web::http::header::USER_AGENT;
use actix_web::web::{self, Data, Path};
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;
use serde::Deserialize;
use utoipa::ToSchema;

use super::accounts::{by_password, slow_down, wrong};
use super::fields::Fields;
use super::{blocking, found, private};
use crate::auth::access::{Owner, Shown};
use crate::auth::cookie::check_site;
use crate::error::{ApiError, ErrorCode};
use crate::query;
use crate::state::State;
use crate::storage::ids::SessionId;
use crate::storage::tokens::Via;
use crate::views::account::{SessionList, SessionView};

/// What is kept of a browser's name for itself, characters.
const AGENT_CHARS: usize = 120;

/// A log-in.
#[derive(Deserialize, ToSchema)]
#[schema(as = LogIn)]
#[serde(deny_unknown_fields)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct LogInBody {
    /// Name of the account.
    #[schema(max_length = 64)]
    name: String,
    /// Its password.
    #[schema(max_length = 1024, format = Password)]
    password: String,
    /// The present code of the authenticator, or a recovery code, where the account has a second factor.
    #[schema(max_length = 64)]
    code: Option<String>,
}

/// Logs in: the answer sets the cookie of a new session. Needs no token.
#[utoipa::path(post, path = "/v1/sessions", tag = "account",
    request_body(content = LogInBody, content_type = "application/json"),
    responses((status = 201, body = SessionView, headers(("set-cookie" = String, description = "The cookie of the session"))),
        crate::openapi::Open))]
pub async fn create_session(
    state: Data<State>,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let transport = state.accounts.transport;
    transport.check(request.headers())?;
    check_site(request.headers(), false)?;
    let mut fields = Fields::read(&request, payload, &["name", "password", "code"]).await?;
    let (name, password) = (fields.text("name"), fields.text("password"));
    let code = fields.optional_text("code");
    fields.finish()?;
    let network = state.network(&request);
    slow_down(&state, &name, network)?;
    let account = by_password(&state, name.clone(), password).await?.ok_or_else(wrong)?;
    let agent = request.headers().get(USER_AGENT).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let agent: String = agent.chars().take(AGENT_CHARS).collect();
    let (before, life) = (transport.value(&request), state.accounts.sessions);
    let begun = blocking(&state, "logging in", move |s| {
        let (storage, now) = (&s.intake.storage, Utc::now());
        if storage.has_second_factor(&account.id)? {
            let Some(code) = code else { return Ok(Err(ErrorCode::CodeNeeded)) };
            if !storage.take_code(&account.id, &code, now)? {
                return Ok(Err(ErrorCode::WrongCredentials));
            }
        }
        tracing::info!(account = %account.id, "logged in");
        storage.begin_session(&account.id, &agent, before.as_deref(), life, now).map(Ok)
    })
    .await?;
    let (value, session) = match begun {
        Ok(begun) => begun,
        Err(ErrorCode::CodeNeeded) => {
            // The password was right, so this was no guess; wrong codes before it still count.
            state.throttle.forgive(&name, network);
            return Err(ApiError::new(ErrorCode::CodeNeeded, ErrorCode::CodeNeeded.explanation()));
        }
        Err(_) => return Err(wrong()),
    };
    state.throttle.succeeded(&name, network);
    let cookie = transport.begin(value.reveal(), life.longest.num_seconds());
    let id = session.id.clone();
    Ok(HttpResponse::Created().cookie(cookie).json(SessionView::new(session, Some(&id))))
}

/// Lists your sessions, newest first. Scope `read-own`, or a session.
#[utoipa::path(get, path = "/v1/sessions", tag = "account", security(("token" = []), ("session" = [])),
    responses((status = 200, body = SessionList), crate::openapi::Own))]
pub async fn list_sessions(
    state: Data<State>,
    owner: Owner,
    shown: Shown,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let (id, life) = (owner.0.id, state.accounts.sessions);
    let sessions =
        blocking(&state, "listing sessions", move |s| s.intake.storage.sessions(&id, life, Utc::now()))
            .await?;
    let current = session_of(&shown);
    let rows = sessions.into_iter().map(|session| SessionView::new(session, current)).collect();
    Ok(private().json(SessionList { rows }))
}

fn session_of(shown: &Shown) -> Option<&SessionId> {
    match &shown.0.via {
        Via::Session(id) => Some(id),
        Via::Token(_) => None,
    }
}

/// Ends one of your sessions; ending the present one logs out. Scope `read-own`, or a session.
#[utoipa::path(delete, path = "/v1/sessions/{id}", tag = "account", security(("token" = []), ("session" = [])),
    params(("id" = String, Path, description = "Id of the session, or `current`", pattern = "^(s-[0-9a-f]{32}|current)$")),
    responses((status = 204, description = "It has ended"), crate::openapi::OwnEntry))]
pub async fn delete_session(
    state: Data<State>,
    owner: Owner,
    shown: Shown,
    session: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let name = session.into_inner();
    let current = session_of(&shown);
    let id = if name == "current" { current.cloned() } else { name.parse::<SessionId>().ok() };
    let id = found(id, "session of yours", &name)?;
    let own = current == Some(&id);
    let ended = blocking(&state, "ending a session", move |s| s.intake.storage.end_session(&owner.0.id, &id));
    found(ended.await?.then_some(()), "session of yours", &name)?;
    let mut answer = HttpResponse::NoContent();
    if own {
        answer.cookie(state.accounts.transport.end());
    }
    Ok(answer.finish())
}
