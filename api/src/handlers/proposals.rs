//! Catalogue entries that runs would need.

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};

use super::storage_error;
use crate::error::ApiError;
use crate::published::answer::At;
use crate::published::document;
use crate::state::State;
use crate::views::list::{ProposalList, ProposalView};

/// Lists catalogue entries that stored runs would need and the catalogue lacks, most wanted first.
#[utoipa::path(get, path = "/v1/proposals", tag = "catalogue", responses((status = 200, body = ProposalList), crate::openapi::Plain))]
pub async fn list_proposals(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Entries, |state, revision| {
        let rows = state.intake.storage.proposals().map_err(|e| storage_error("listing proposals", &e))?;
        Ok(ProposalList { revision, rows: rows.into_iter().map(ProposalView::from).collect(), next: None })
    })
    .await
}
