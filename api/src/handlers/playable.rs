//! What a card still plays.

use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse};
use utoipa::IntoParams;
use wearmark_core::run::LowDefinition;
use wearmark_core::table::filters::Filters;
use wearmark_core::table::playable::{PlayableQuery, playable, playable_table, unmeasured};

use super::{found, storage_error};
use crate::error::ApiError;
use crate::published::answer::{self, Asked, At, Made};
use crate::published::negotiate::{self, Format};
use crate::published::table::core_error;
use crate::query::Parameters;
use crate::state::State;
use crate::views::playable::PlayableView;

/// What the card is held to, and which runs count.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct PlayableParameters {
    /// Workload ids; all where not given. Lists may be repeated or joined by commas.
    workload: Option<Vec<String>>,
    /// Graphics APIs.
    api: Option<Vec<String>>,
    /// Platform classes: a slow platform holds a fast card back.
    platform: Option<Vec<String>>,
    /// Driver release ids.
    driver: Option<Vec<String>>,
    /// Driver branches.
    branch: Option<Vec<String>>,
    /// Definition of the 1% low: `percentile` (where not given), `tail-mean` or `time-share`. Estimates exist for
    /// `percentile` only.
    #[param(pattern = "^(percentile|tail-mean|time-share)$")]
    definition: Option<String>,
    /// Floor on the 1% low, fps, in place of 30 (single-player) and 60 (multiplayer).
    #[param(minimum = 1, maximum = 10000)]
    target: Option<f64>,
    /// What a live match runs at as a share of a practice area, in place of 0.8.
    #[param(minimum = 0.1, maximum = 1)]
    live_match: Option<f64>,
    /// `no` leaves out settings that nobody measured on the card.
    #[param(pattern = "^(yes|no)$")]
    estimates: Option<String>,
    /// `json`, `csv` or `parquet`, in place of `Accept`.
    #[param(pattern = "^(json|csv|parquet)$")]
    format: Option<String>,
}

impl PlayableParameters {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] = &[
        "workload",
        "api",
        "platform",
        "driver",
        "branch",
        "definition",
        "target",
        "live_match",
        "estimates",
        "format",
    ];
}

/// What a card still plays: by workload the highest settings whose 1% low meets the target, measured or estimated.
#[utoipa::path(get, path = "/v1/cards/{id}/playable", tag = "tables", params(("id" = String, Path, description = "Card id"), PlayableParameters),
    responses((status = 200, description = "Workload scenes with their settings, the highest first", content(
            (PlayableView = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.apache.parquet"))),
        crate::openapi::Track))]
pub async fn find_playable(
    state: Data<State>,
    id: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let mut read = Parameters::read(request.query_string(), PlayableParameters::NAMES);
    let mut query = PlayableQuery {
        card: String::new(),
        filters: Filters {
            workload: read.list("workload"),
            api: read.list("api"),
            platform: read.list("platform"),
            driver: read.list("driver"),
            branch: read.list("branch"),
            ..Filters::default()
        },
        definition: read
            .choice("definition", &LowDefinition::ALL.map(|d| (d.as_str(), d)))
            .unwrap_or_default(),
        target_fps: read.number("target", 1.0, 10_000.0),
        live_match_allowance: read.number("live_match", 0.1, 1.0),
    };
    let estimates = read.choice("estimates", &[("yes", true), ("no", false)]).unwrap_or(true);
    let asked_format = read.choice("format", &Format::ALL.map(|f| (f.as_str(), f)));
    let canonical = read.canonical(&[]);
    read.finish()?;
    let format = negotiate::format(&request, asked_format)?;
    query.card = found(state.intake.storage.catalogue().card(&id), "card", &id)?.id.clone();
    let asked = Asked {
        path: request.path().to_owned(),
        query: canonical,
        position: String::new(),
        at: At::Tables,
        content_type: format.content_type(),
        compress: format != Format::Parquet,
    };
    let shared = state.clone();
    answer::answer(&state, &request, asked, move || make(&shared, &query, estimates, format)).await
}

fn make(state: &State, query: &PlayableQuery, estimates: bool, format: Format) -> Result<Made, ApiError> {
    let (storage, policy) = (&state.intake.storage, &state.intake.policy);
    let at = storage.frame().map_err(|e| storage_error("reading the frame of runs", &e))?;
    let catalogue = storage.catalogue();
    let mut estimated = Vec::new();
    if estimates {
        let wanted = unmeasured(&at.frame, &catalogue, query, policy).map_err(core_error)?;
        let failed = |e| storage_error("estimating what was not measured", &e);
        let conn = &mut *storage.reader().map_err(failed)?;
        let found = storage
            .ledger(conn, policy, |ledger| ledger.estimates(&wanted.benches, &wanted.settings))
            .map_err(failed)?;
        estimated.extend(wanted.settings.into_iter().zip(found).filter_map(|(run, e)| Some((run, e?))));
    }
    let playable = playable(&at.frame, &catalogue, query, &estimated, policy).map_err(core_error)?;
    let body = match format {
        Format::Json => {
            serde_json::to_vec(&PlayableView::new(at.revision, query.definition.as_str(), playable))
                .map_err(|e| ApiError::internal("writing what a card plays as JSON", &e))?
        }
        Format::Csv => playable_table(&playable).and_then(|table| table.csv()).map_err(core_error)?,
        Format::Parquet => playable_table(&playable).and_then(|table| table.parquet()).map_err(core_error)?,
    };
    Ok(Made { revision: at.revision, body, next: None })
}
