//! The moderator's desk: accounts that count as one person.

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use utoipa::IntoParams;

use super::{blocking, private};
use crate::auth::access::Moderator;
use crate::error::ApiError;
use crate::moderation::clusters;
use crate::query::Parameters;
use crate::state::State;
use crate::views::cluster::ClusterList;

/// Which groups of accounts.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct ClustersQuery {
    /// Groups of a page, 1 to 200; 50 where not given.
    #[param(minimum = 1, maximum = 200)]
    limit: Option<u32>,
    /// Groups left out at the beginning.
    #[param(minimum = 0, maximum = 5000)]
    offset: Option<u32>,
}

/// Lists groups of accounts that count as one person at present, those first that could move most medians if they counted
/// apart; whether or not a run of theirs waits. Two accounts are separated at `/v1/moderation/contributors/{name}/ties`.
#[utoipa::path(get, path = "/v1/moderation/clusters", tag = "moderation", security(("token" = ["moderate"])), params(ClustersQuery),
    responses((status = 200, body = ClusterList), crate::openapi::Desk))]
pub async fn list_clusters(
    state: Data<State>,
    _: Moderator,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let mut query = Parameters::read(request.query_string(), &["limit", "offset"]);
    let limit = query.number("limit", 1, 200).unwrap_or(50_u32);
    let offset = query.number("offset", 0, 5000).unwrap_or(0_u32);
    query.finish()?;
    let found = blocking(&state, "listing accounts that count as one", move |s| {
        let storage = &s.intake.storage;
        let page = (offset as usize, limit as usize);
        clusters::list(&mut *storage.reader()?, &storage.people(), &s.intake.policy.desk, page)
    })
    .await?;
    Ok(private().json(ClusterList::from(found)))
}
