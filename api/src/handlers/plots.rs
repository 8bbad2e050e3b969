//! Tables as plots.

use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse};
use utoipa::IntoParams;
use wearmark_core::table::compare::compare;
use wearmark_core::table::ladders::ladders;
use wearmark_core::table::track::{Subject, TrackQuery, track};

use super::compare::{CompareParameters, known_cards};
use super::{found, storage_error};
use crate::error::ApiError;
use crate::published::answer::{self, Asked, At, Made};
use crate::published::table::core_error;
use crate::query::Parameters;
use crate::state::State;
use crate::storage::frames::FrameAt;
use crate::views::dots::Dots;
use crate::views::plots;

/// What a plotted track is measured against.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct TrackPlotParameters {
    /// Driver release at index 100; where not given, the one with the most matched evidence.
    #[param(min_length = 1, max_length = 200)]
    reference: Option<String>,
    /// Workload ids that count; all where not given. Lists may be repeated or joined by commas.
    workload: Option<Vec<String>>,
}

/// The track of a card as a plot: the index of each release with its interval, changes and failures.
#[utoipa::path(get, path = "/v1/cards/{id}/track.svg", tag = "tables", params(("id" = String, Path, description = "Card id"), TrackPlotParameters),
    responses((status = 200, description = "SVG with title and description, for light and dark pages", body = String, content_type = "image/svg+xml"),
        crate::openapi::Track))]
pub async fn find_track_plot(
    state: Data<State>,
    id: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let mut read = Parameters::read(request.query_string(), &["reference", "workload"]);
    let (reference, workloads) = (read.text("reference"), read.list("workload"));
    let canonical = read.canonical(&[]);
    read.finish()?;
    let card = found(state.intake.storage.catalogue().card(&id), "card", &id)?.id.clone();
    answered(state, request, canonical, move |state, at, query| {
        let asked = TrackQuery { reference: reference.as_deref(), workloads: &workloads };
        let track =
            track(&at.frame, Subject::Card(&card), &asked, &state.intake.policy).map_err(core_error)?;
        Ok(plots::track(&track, address(&format!("/v1/cards/{card}/track"), query)))
    })
    .await
}

/// Which ladders are drawn.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct LadderPlotParameters {
    /// Workload ids; all where not given. Lists may be repeated or joined by commas.
    workload: Option<Vec<String>>,
}

/// What a card reaches at several resolutions of the same settings, and whether card or platform limits it.
#[utoipa::path(get, path = "/v1/cards/{id}/ladders.svg", tag = "tables", params(("id" = String, Path, description = "Card id"), LadderPlotParameters),
    responses((status = 200, description = "SVG with title and description, for light and dark pages", body = String, content_type = "image/svg+xml"),
        crate::openapi::Track))]
pub async fn find_ladder_plot(
    state: Data<State>,
    id: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let mut read = Parameters::read(request.query_string(), &["workload"]);
    let workloads = read.list("workload");
    let canonical = read.canonical(&[]);
    read.finish()?;
    let card = found(state.intake.storage.catalogue().card(&id), "card", &id)?.id.clone();
    answered(state, request, canonical, move |state, at, query| {
        let found = ladders(&at.frame, &card, &workloads, &state.intake.policy).map_err(core_error)?;
        let data = address(&format!("/v1/medians?card={card}"), query);
        Ok(plots::ladders(&card, &found, data))
    })
    .await
}

/// A comparison as a plot: ratios by workload and over all, with intervals. Parameters as of `/v1/compare`; `format` is
/// passed over.
#[utoipa::path(get, path = "/v1/compare.svg", tag = "tables", params(CompareParameters),
    responses((status = 200, description = "SVG with title and description, for light and dark pages", body = String, content_type = "image/svg+xml"),
        crate::openapi::Compare))]
pub async fn find_comparison_plot(
    state: Data<State>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let mut read = Parameters::read(request.query_string(), CompareParameters::NAMES);
    let mut asked = CompareParameters::read(&mut read);
    let canonical = read.canonical(&["format"]);
    read.finish()?;
    known_cards(&state, &mut asked)?;
    answered(state, request, canonical, move |state, at, query| {
        let comparison = compare(&at.frame, &asked, &state.intake.policy).map_err(core_error)?;
        Ok(plots::comparison(&comparison, address("/v1/compare", query)))
    })
    .await
}

fn address(path: &str, query: &str) -> String {
    match (query.is_empty(), path.contains('?')) {
        (true, _) => path.to_owned(),
        (false, true) => format!("{path}&{query}"),
        (false, false) => format!("{path}?{query}"),
    }
}

async fn answered<F>(
    state: Data<State>,
    request: HttpRequest,
    query: String,
    draw: F,
) -> Result<HttpResponse, ApiError>
where
    F: FnOnce(&State, &FrameAt, &str) -> Result<Dots, ApiError> + Send + 'static,
{
    let asked = Asked {
        path: request.path().to_owned(),
        query: query.clone(),
        position: String::new(),
        at: At::Tables,
        content_type: "image/svg+xml",
        compress: true,
    };
    let shared = state.clone();
    let make = move || {
        let at = shared.intake.storage.frame().map_err(|e| storage_error("reading the frame of runs", &e))?;
        let body = draw(&shared, &at, &query)?.svg().into_bytes();
        Ok(Made { revision: at.revision, body, next: None })
    };
    answer::answer(&state, &request, asked, make).await
}
