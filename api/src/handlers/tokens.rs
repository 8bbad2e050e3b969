//! The caller's own tokens: list, make, revoke.

use actix_web::web::{self, Data, Path};
use actix_web::{HttpRequest, HttpResponse};
use chrono::{DateTime, Duration, Utc};
use serde::Deserialize;
use utoipa::ToSchema;

use super::fields::Fields;
use super::{blocking, found, private};
use crate::auth::access::{Owner, Scope, Scopes, Shown};
use crate::error::{ApiError, ErrorCode};
use crate::query;
use crate::state::State;
use crate::storage::ids::TokenId;
use crate::storage::tokens::{Credential, DEFAULT_LIFE, LONGEST_LIFE, NewToken, Via};
use crate::views::account::{NewTokenView, TokenList, TokenView};

/// Longest name of a token, characters.
const NAME_CHARS: usize = 100;

/// A token to be made.
#[derive(Deserialize, ToSchema)]
#[schema(as = NewToken)]
#[serde(deny_unknown_fields)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct NewTokenBody {
    /// What it is for, in your words.
    #[schema(min_length = 1, max_length = 100)]
    name: String,
    /// What it is to be good for: no more than the account's role and the credential shown have.
    #[schema(min_items = 1)]
    scopes: Vec<Scope>,
    /// Days until it ends, 90 where not given; a token makes none that outlives itself.
    #[schema(minimum = 1, maximum = 366)]
    expires_in_days: Option<i64>,
}

/// Lists your tokens, newest first, revoked and expired ones included. Scope `read-own`, or a session.
#[utoipa::path(get, path = "/v1/tokens", tag = "account", security(("token" = []), ("session" = [])),
    responses((status = 200, body = TokenList), crate::openapi::Own))]
pub async fn list_tokens(
    state: Data<State>,
    owner: Owner,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let id = owner.0.id;
    let tokens = blocking(&state, "listing tokens", move |s| s.intake.storage.tokens(&id)).await?;
    Ok(private().json(TokenList { rows: tokens.into_iter().map(TokenView::from).collect() }))
}

/// Makes a token, which is shown this once. Scope `read-own`, or a session.
#[utoipa::path(post, path = "/v1/tokens", tag = "account", security(("token" = []), ("session" = [])),
    request_body(content = NewTokenBody, content_type = "application/json"),
    responses((status = 201, body = NewTokenView), crate::openapi::OwnChange))]
pub async fn create_token(
    state: Data<State>,
    owner: Owner,
    shown: Shown,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let mut fields = Fields::read(&request, payload, &["name", "scopes", "expires_in_days"]).await?;
    let now = Utc::now();
    let new = asked(&mut fields, &shown.0, now);
    fields.finish()?;
    let (account, most) = (owner.0.id, state.accounts.tokens);
    let made = blocking(&state, "making a token", move |s| {
        let storage = &s.intake.storage;
        let live =
            storage.tokens(&account)?.into_iter().filter(|t| t.revoked_at.is_none() && t.expires_at > now);
        if live.count() >= most {
            return Ok(None);
        }
        storage.create_token(&account, &new, Some(&account), now).map(Some)
    })
    .await?;
    let Some((token, record)) = made else {
        let detail = format!("The account has {most} tokens that are good; revoke one first.");
        return Err(ApiError::new(ErrorCode::TooManyTokens, detail));
    };
    Ok(HttpResponse::Created().json(NewTokenView::new(&token, record)))
}

/// The token that the body asks for, within what was shown.
fn asked(fields: &mut Fields, shown: &Credential, now: DateTime<Utc>) -> NewToken {
    let label = fields.text("name");
    let chars = label.chars().count();
    if label.trim() != label || chars > NAME_CHARS || label.chars().any(char::is_control) {
        fields.refuse(
            "name",
            "has at most 100 characters, none of them control characters or blanks at its ends",
        );
    } else if label.is_empty() {
        fields.refuse("name", "must not be empty");
    }
    let words = Scopes::from_iter(Scope::ALL).to_string();
    let scopes: Scopes =
        fields.words("scopes", &words, |word| word.parse::<Scope>().ok()).into_iter().collect();
    let own = shown.scopes.common(Scopes::of_role(shown.account.role));
    if scopes.is_empty() {
        fields.refuse("scopes", "must name at least one scope");
    } else if !scopes.is_within(own) {
        fields.refuse("scopes", &format!("must not go beyond what this credential is good for: {own}"));
    }
    let longest = match &shown.via {
        Via::Token(_) => LONGEST_LIFE.min(shown.expires_at - now),
        Via::Session(_) => LONGEST_LIFE,
    };
    let days = fields.optional_number("expires_in_days", 1, LONGEST_LIFE.num_days());
    let life = days.map_or(DEFAULT_LIFE.min(longest), Duration::days);
    if life > longest {
        let days = longest.num_days();
        fields.refuse(
            "expires_in_days",
            &format!("must not outlive the token shown, which ends in {days} days"),
        );
    }
    NewToken { label, scopes, life }
}

/// Revokes one of your tokens; it may be the one shown. Scope `read-own`, or a session.
#[utoipa::path(delete, path = "/v1/tokens/{id}", tag = "account", security(("token" = []), ("session" = [])),
    params(("id" = String, Path, description = "Id of the token", pattern = "^t-[0-9a-f]{32}$")),
    responses((status = 204, description = "It is not good any more"), crate::openapi::OwnEntry))]
pub async fn delete_token(
    state: Data<State>,
    owner: Owner,
    token: Path<TokenId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let (account, id) = (owner.0.id, token.into_inner());
    let revoked = id.clone();
    let known = blocking(&state, "revoking a token", move |s| {
        s.intake.storage.revoke_token(&account, &revoked, Some(&account), Utc::now())
    })
    .await?;
    found(known.then_some(()), "token of yours", id)?;
    Ok(HttpResponse::NoContent().finish())
}
