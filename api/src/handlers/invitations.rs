//! Invitations to make an account: made, listed and withdrawn by operators.

use actix_web::web::{self, Data, Path};
use actix_web::{HttpRequest, HttpResponse};
use chrono::{Duration, Utc};
use serde::Deserialize;
use utoipa::ToSchema;

use super::fields::Fields;
use super::{blocking, found, private};
use crate::auth::access::Operator;
use crate::error::ApiError;
use crate::query;
use crate::state::State;
use crate::storage::accounts::Role;
use crate::storage::ids::InvitationId;
use crate::storage::invitations::{DEFAULT_LIFE, LONGEST_LIFE};
use crate::views::account::{InvitationList, InvitationView, NewInvitationView};

/// An invitation to be made.
#[derive(Deserialize, ToSchema)]
#[schema(as = NewInvitation)]
#[serde(deny_unknown_fields)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct NewInvitationBody {
    /// Role of the account that it makes; `contributor` where not given.
    #[schema(pattern = "^(contributor|moderator|operator)$")]
    role: Option<String>,
    /// Days until it ends, 14 where not given.
    #[schema(minimum = 1, maximum = 90)]
    expires_in_days: Option<i64>,
}

/// Lists invitations, newest first. Role operator, scope `operate`, or a session.
#[utoipa::path(get, path = "/v1/invitations", tag = "account", security(("token" = []), ("session" = [])),
    responses((status = 200, body = InvitationList), crate::openapi::Own))]
pub async fn list_invitations(
    state: Data<State>,
    _operator: Operator,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let invitations = blocking(&state, "listing invitations", |s| s.intake.storage.invitations()).await?;
    let rows = invitations.into_iter().map(InvitationView::from).collect();
    Ok(private().json(InvitationList { rows }))
}

/// Makes an invitation, which is shown this once. Role operator, scope `operate`, or a session.
#[utoipa::path(post, path = "/v1/invitations", tag = "account", security(("token" = []), ("session" = [])),
    request_body(content = NewInvitationBody, content_type = "application/json"),
    responses((status = 201, body = NewInvitationView), crate::openapi::OwnChange))]
pub async fn create_invitation(
    state: Data<State>,
    operator: Operator,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let mut fields = Fields::read(&request, payload, &["role", "expires_in_days"]).await?;
    let role = match fields.optional_text("role").as_deref().map(Role::parse) {
        None => Role::Contributor,
        Some(Some(role)) => role,
        Some(None) => {
            fields.refuse("role", "must be contributor, moderator or operator");
            Role::Contributor
        }
    };
    let days = fields.optional_number("expires_in_days", 1, LONGEST_LIFE.num_days());
    fields.finish()?;
    let life = days.map_or(DEFAULT_LIFE, Duration::days);
    let made = blocking(&state, "making an invitation", move |s| {
        s.intake.storage.create_invitation(role, life, Some(&operator.0.id), Utc::now())
    });
    let (invitation, record) = made.await?;
    Ok(HttpResponse::Created().json(NewInvitationView::new(&invitation, record)))
}

/// Withdraws an invitation that was not used. Role operator, scope `operate`, or a session.
#[utoipa::path(delete, path = "/v1/invitations/{id}", tag = "account", security(("token" = []), ("session" = [])),
    params(("id" = String, Path, description = "Id of the invitation", pattern = "^i-[0-9a-f]{32}$")),
    responses((status = 204, description = "It is not good any more"), crate::openapi::OwnEntry))]
pub async fn delete_invitation(
    state: Data<State>,
    operator: Operator,
    invitation: Path<InvitationId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let id = invitation.into_inner();
    let asked = id.clone();
    let gone = blocking(&state, "withdrawing an invitation", move |s| {
        s.intake.storage.withdraw_invitation(&asked, Some(&operator.0.id), Utc::now())
    });
    found(gone.await?.then_some(()), "unused invitation", id)?;
    Ok(HttpResponse::NoContent().finish())
}
