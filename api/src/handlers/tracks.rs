//! The track of a card or chip over driver releases, and what one release did.

use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse};
use utoipa::IntoParams;
use wearmark_core::table::track::{Subject, TrackQuery, release_changes, track, track_table};

use super::{found, storage_error};
use crate::error::ApiError;
use crate::published::answer::{self, Asked, At, Made};
use crate::published::negotiate::{self, Format};
use crate::published::table::core_error;
use crate::query::{self, Parameters};
use crate::state::State;
use crate::views::table::{ReleaseChangesView, TrackView};

/// What a track is measured against.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct TrackParameters {
    /// Driver release at index 100; where not given, the one with the most matched evidence.
    #[param(min_length = 1, max_length = 200)]
    reference: Option<String>,
    /// Workload ids that count; all where not given. Lists may be repeated or joined by commas.
    workload: Option<Vec<String>>,
    /// `json`, `csv` or `parquet`, in place of `Accept`.
    #[param(pattern = "^(json|csv|parquet)$")]
    format: Option<String>,
}

impl TrackParameters {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] = &["reference", "workload", "format"];
}

/// How a card holds up over its driver releases: index from matched evidence, changes, failures, a verdict.
#[utoipa::path(get, path = "/v1/cards/{id}/track", tag = "tables", params(("id" = String, Path, description = "Card id"), TrackParameters),
    responses((status = 200, description = "The releases, oldest first", content(
            (TrackView = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.apache.parquet"))),
        crate::openapi::Track))]
pub async fn find_track(
    state: Data<State>,
    id: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let card = found(state.intake.storage.catalogue().card(&id), "card", &id)?.id.clone();
    answer_track(state, &request, Whose::Card(card)).await
}

/// The same over all cards with a chip; each bench still compares a card with itself only.
#[utoipa::path(get, path = "/v1/chips/{id}/track", tag = "tables", params(("id" = String, Path, description = "Chip id"), TrackParameters),
    responses((status = 200, description = "The releases, oldest first", content(
            (TrackView = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.apache.parquet"))),
        crate::openapi::Track))]
pub async fn find_chip_track(
    state: Data<State>,
    id: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let chip = found(state.intake.storage.catalogue().chip(&id), "chip", &id)?.id.clone();
    answer_track(state, &request, Whose::Chip(chip)).await
}

enum Whose {
    Card(String),
    Chip(String),
}

async fn answer_track(
    state: Data<State>,
    request: &HttpRequest,
    whose: Whose,
) -> Result<HttpResponse, ApiError> {
    let mut read = Parameters::read(request.query_string(), TrackParameters::NAMES);
    let reference = read.text("reference");
    let workloads = read.list("workload");
    let asked_format = read.choice("format", &Format::ALL.map(|f| (f.as_str(), f)));
    let query = read.canonical(&[]);
    read.finish()?;
    let format = negotiate::format(request, asked_format)?;
    let asked = Asked {
        path: request.path().to_owned(),
        query,
        position: String::new(),
        at: At::Tables,
        content_type: format.content_type(),
        compress: format != Format::Parquet,
    };
    let shared = state.clone();
    let make = move || {
        let query = TrackQuery { reference: reference.as_deref(), workloads: &workloads };
        make(&shared, &whose, &query, format)
    };
    answer::answer(&state, request, asked, make).await
}

fn make(state: &State, whose: &Whose, query: &TrackQuery<'_>, format: Format) -> Result<Made, ApiError> {
    let at = state.intake.storage.frame().map_err(|e| storage_error("reading the frame of runs", &e))?;
    let revision = at.revision;
    let subject = match whose {
        Whose::Card(id) => Subject::Card(id),
        Whose::Chip(id) => Subject::Chip(id),
    };
    let track = track(&at.frame, subject, query, &state.intake.policy).map_err(core_error)?;
    let body = match format {
        Format::Json => serde_json::to_vec(&TrackView::new(revision, track))
            .map_err(|e| ApiError::internal("writing a track as JSON", &e))?,
        Format::Csv => track_table(&track).and_then(|table| table.csv()).map_err(core_error)?,
        Format::Parquet => track_table(&track).and_then(|table| table.parquet()).map_err(core_error)?,
    };
    Ok(Made { revision, body, next: None })
}

/// What a driver release did to every card that was measured on it and on an earlier one, in both directions.
#[utoipa::path(get, path = "/v1/drivers/{id}/changes", tag = "tables", params(("id" = String, Path, description = "Driver release id")),
    responses((status = 200, description = "By card, all workloads first", body = ReleaseChangesView), crate::openapi::Track))]
pub async fn find_changes(
    state: Data<State>,
    id: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let driver = found(state.intake.storage.catalogue().driver(&id), "driver", &id)?.id.clone();
    let asked = Asked {
        path: request.path().to_owned(),
        query: String::new(),
        position: String::new(),
        at: At::Tables,
        content_type: Format::Json.content_type(),
        compress: true,
    };
    let shared = state.clone();
    let make = move || {
        let at = shared.intake.storage.frame().map_err(|e| storage_error("reading the frame of runs", &e))?;
        let changes = release_changes(&at.frame, &driver, &shared.intake.policy).map_err(core_error)?;
        let view = ReleaseChangesView { revision: at.revision, driver, changes };
        let body =
            serde_json::to_vec(&view).map_err(|e| ApiError::internal("writing changes as JSON", &e))?;
        Ok(Made { revision: at.revision, body, next: None })
    };
    answer::answer(&state, &request, asked, make).await
}
