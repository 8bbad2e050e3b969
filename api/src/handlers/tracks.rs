//! The track of a card or chip over driver releases, and what one release did.

use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse};
use utoipa::IntoParams;
use wearmark_core::table::basket;
use wearmark_core::table::track::{Subject, TrackQuery, release_changes, track, track_table};

use super::{found, storage_error};
use crate::error::{ApiError, ErrorCode, shorten};
use crate::published::answer::{self, Asked, At, Made};
use crate::published::negotiate::{self, Format};
use crate::published::table::core_error;
use crate::query::{self, Parameters};
use crate::state::State;
use crate::views::behind;
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
    /// Card ids to compare with, by date; `supported` for all cards that the current branches support. As CSV and Parquet
    /// the releases are then those that can be compared with the basket.
    #[param(max_items = 100)]
    basket: Option<Vec<String>>,
    /// `json`, `csv` or `parquet`, in place of `Accept`.
    #[param(pattern = "^(json|csv|parquet)$")]
    format: Option<String>,
}

/// Stands for all cards that the current branches support.
const SUPPORTED: &str = "supported";

/// Cards of a basket at most: each has its track fitted.
const BASKET_CARDS: usize = 100;

impl TrackParameters {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] = &["reference", "workload", "basket", "format"];
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
    let basket = read.list("basket");
    let asked_format = read.choice("format", &Format::ALL.map(|f| (f.as_str(), f)));
    let query = read.canonical(&[]);
    read.finish()?;
    let format = negotiate::format(request, asked_format)?;
    let basket = basket_of(&state, &whose, basket)?;
    let asked = Asked {
        path: request.path().to_owned(),
        query,
        position: String::new(),
        // What is supported is the catalogue's.
        at: if basket.is_some() { At::Entries } else { At::Tables },
        content_type: format.content_type(),
        compress: format != Format::Parquet,
    };
    let shared = state.clone();
    let make = move || {
        let query = TrackQuery { reference: reference.as_deref(), workloads: &workloads };
        make(&shared, &whose, &query, basket.as_deref(), format)
    };
    answer::answer(&state, request, asked, make).await
}

impl Whose {
    fn subject(&self) -> Subject<'_> {
        match self {
            Whose::Card(id) => Subject::Card(id),
            Whose::Chip(id) => Subject::Chip(id),
        }
    }
}

/// The cards of the basket that a query names; none where it names none.
fn basket_of(state: &State, whose: &Whose, mut named: Vec<String>) -> Result<Option<Vec<String>>, ApiError> {
    let catalogue = state.intake.storage.catalogue();
    if named.is_empty() {
        return Ok(None);
    }
    if named == [SUPPORTED] {
        named = basket::supported(&catalogue, whose.subject());
    }
    let refused = |why: String| Err(ApiError::new(ErrorCode::UnprocessableQuery, why));
    if named.len() > BASKET_CARDS {
        return refused(format!("`basket` takes at most {BASKET_CARDS} cards, and {} came.", named.len()));
    }
    for card in &mut named {
        let Some(known) = catalogue.card(card) else {
            return refused(format!(
                "There is no card `{}` for `basket`; `/v1/cards` lists them all, `{SUPPORTED}` alone takes those that \
                 the current branches support.",
                shorten(card)
            ));
        };
        card.clone_from(&known.id);
    }
    Ok(Some(named))
}

fn make(
    state: &State,
    whose: &Whose,
    query: &TrackQuery<'_>,
    basket: Option<&[String]>,
    format: Format,
) -> Result<Made, ApiError> {
    let revision = At::Entries.revision(state);
    let at = state.intake.storage.frame().map_err(|e| storage_error("reading the frame of runs", &e))?;
    let (subject, policy) = (whose.subject(), &state.intake.policy);
    let revision = if basket.is_some() { revision } else { at.revision };
    let against = basket.map(|cards| basket::against_basket(&at.frame, subject, query, cards, policy));
    let against = against.transpose().map_err(core_error)?;
    let table = |track: &_| match &against {
        Some(against) => basket::basket_table(against),
        None => track_table(track),
    };
    let track = track(&at.frame, subject, query, policy).map_err(core_error)?;
    let body = match format {
        Format::Csv => table(&track).and_then(|table| table.csv()).map_err(core_error)?,
        Format::Parquet => table(&track).and_then(|table| table.parquet()).map_err(core_error)?,
        Format::Json => serde_json::to_vec(&TrackView::new(revision, track, against))
            .map_err(|e| ApiError::internal("writing a track as JSON", &e))?,
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
        let view =
            ReleaseChangesView { revision: at.revision, driver, changes, runs_template: behind::OF_A_CHANGE };
        let body =
            serde_json::to_vec(&view).map_err(|e| ApiError::internal("writing changes as JSON", &e))?;
        Ok(Made { revision: at.revision, body, next: None })
    };
    answer::answer(&state, &request, asked, make).await
}
