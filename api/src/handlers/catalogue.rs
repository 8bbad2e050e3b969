//! The catalogue: chips, cards, driver releases, processors, workloads.

use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse};

use super::found;
use crate::error::ApiError;
use crate::published::answer::At;
use crate::published::document;
use crate::state::State;
use crate::views::list::{CardList, ChipList, CpuList, DriverList, WorkloadList};
use crate::views::shapes::{
    CardDocument, ChipDocument, CpuDocument, DriverReleaseDocument, WorkloadDocument,
};

/// Lists cards by id.
#[utoipa::path(get, path = "/v1/cards", tag = "catalogue", responses((status = 200, body = CardList), crate::openapi::Plain))]
pub async fn list_cards(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Entries, |state, revision| {
        let mut rows = state.intake.storage.catalogue().document().cards.clone();
        rows.sort_by(|a, b| a.id.cmp(&b.id));
        Ok(CardList { revision, rows, next: None })
    })
    .await
}

/// One card, by id, name or alias.
#[utoipa::path(get, path = "/v1/cards/{id}", tag = "catalogue", params(("id" = String, Path, description = "Card id, name or alias")),
    responses((status = 200, body = CardDocument), crate::openapi::Entry))]
pub async fn find_card(
    state: Data<State>,
    id: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Entries, move |state, _| {
        found(state.intake.storage.catalogue().card(&id).cloned(), "card", &id)
    })
    .await
}

/// Lists chips by id.
#[utoipa::path(get, path = "/v1/chips", tag = "catalogue", responses((status = 200, body = ChipList), crate::openapi::Plain))]
pub async fn list_chips(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Entries, |state, revision| {
        let mut rows = state.intake.storage.catalogue().document().chips.clone();
        rows.sort_by(|a, b| a.id.cmp(&b.id));
        Ok(ChipList { revision, rows, next: None })
    })
    .await
}

/// One chip, by id, name or alias.
#[utoipa::path(get, path = "/v1/chips/{id}", tag = "catalogue", params(("id" = String, Path, description = "Chip id, name or alias")),
    responses((status = 200, body = ChipDocument), crate::openapi::Entry))]
pub async fn find_chip(
    state: Data<State>,
    id: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Entries, move |state, _| {
        found(state.intake.storage.catalogue().chip(&id).cloned(), "chip", &id)
    })
    .await
}

/// Lists driver releases, oldest first.
#[utoipa::path(get, path = "/v1/drivers", tag = "catalogue", responses((status = 200, body = DriverList), crate::openapi::Plain))]
pub async fn list_drivers(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Entries, |state, revision| {
        let mut rows = state.intake.storage.catalogue().document().drivers.clone();
        rows.sort_by(|a, b| (a.date, &a.id).cmp(&(b.date, &b.id)));
        Ok(DriverList { revision, rows, next: None })
    })
    .await
}

/// One driver release, by id.
#[utoipa::path(get, path = "/v1/drivers/{id}", tag = "catalogue", params(("id" = String, Path, description = "Driver release id")),
    responses((status = 200, body = DriverReleaseDocument), crate::openapi::Entry))]
pub async fn find_driver(
    state: Data<State>,
    id: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Entries, move |state, _| {
        found(state.intake.storage.catalogue().driver(&id).cloned(), "driver release", &id)
    })
    .await
}

/// Lists processors by id.
#[utoipa::path(get, path = "/v1/cpus", tag = "catalogue", responses((status = 200, body = CpuList), crate::openapi::Plain))]
pub async fn list_cpus(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Entries, |state, revision| {
        let mut rows = state.intake.storage.catalogue().document().cpus.clone();
        rows.sort_by(|a, b| a.id.cmp(&b.id));
        Ok(CpuList { revision, rows, next: None })
    })
    .await
}

/// One processor, by id, name or alias.
#[utoipa::path(get, path = "/v1/cpus/{id}", tag = "catalogue", params(("id" = String, Path, description = "Processor id, name or alias")),
    responses((status = 200, body = CpuDocument), crate::openapi::Entry))]
pub async fn find_cpu(
    state: Data<State>,
    id: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Entries, move |state, _| {
        found(state.intake.storage.catalogue().cpu(&id).cloned(), "processor", &id)
    })
    .await
}

/// Lists workloads with their scenes, by id.
#[utoipa::path(get, path = "/v1/workloads", tag = "catalogue", responses((status = 200, body = WorkloadList), crate::openapi::Plain))]
pub async fn list_workloads(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Entries, |state, revision| {
        let mut rows = state.intake.storage.catalogue().document().workloads.clone();
        rows.sort_by(|a, b| a.id.cmp(&b.id));
        Ok(WorkloadList { revision, rows, next: None })
    })
    .await
}

/// One workload with its scenes, by id, title or alias.
#[utoipa::path(get, path = "/v1/workloads/{id}", tag = "catalogue", params(("id" = String, Path, description = "Workload id, title or alias")),
    responses((status = 200, body = WorkloadDocument), crate::openapi::Entry))]
pub async fn find_workload(
    state: Data<State>,
    id: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Entries, move |state, _| {
        found(state.intake.storage.catalogue().workload(&id).cloned(), "workload", &id)
    })
    .await
}
