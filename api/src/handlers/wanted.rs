//! What to measure next.

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use utoipa::IntoParams;
use wearmark_core::policy::Policy;
use wearmark_core::table::playable::{PlayableQuery, unmeasured};
use wearmark_core::table::wanted::{Measurer, Sources, Wanted, WantedQuery, wanted};

use super::storage_error;
use crate::error::{ApiError, ErrorCode, shorten};
use crate::published::answer::{self, Asked, At, Made};
use crate::published::cursor;
use crate::published::negotiate::Format;
use crate::published::table::core_error;
use crate::query::Parameters;
use crate::state::State;
use crate::storage::Storage;
use crate::views::wanted::WantedView;

/// Candidates of a page where the caller does not say.
const DEFAULT_ROWS: usize = 20;

/// Most candidates of a page.
const MOST_ROWS: usize = 200;

/// Longest afternoon, hours.
const MOST_HOURS: f64 = 12.0;

/// Who measures what, and for how long.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct WantedParameters {
    /// Card id.
    #[param(min_length = 1, max_length = 200)]
    card: String,
    /// Bench id, as the receipt of a run has it; where not given, a bench that has measured nothing yet.
    #[param(min_length = 1, max_length = 200)]
    bench: Option<String>,
    /// Operating system of a bench that is not given, as in the catalogue's driver releases.
    #[param(min_length = 1, max_length = 200)]
    system: Option<String>,
    /// Driver release that is installed already: it costs no minutes.
    #[param(min_length = 1, max_length = 200)]
    installed: Option<String>,
    /// Workload ids; all where not given. Lists may be repeated or joined by commas.
    workload: Option<Vec<String>>,
    /// Hours of an afternoon to plan; no plan where not given.
    #[param(minimum = 0.5, maximum = 12)]
    hours: Option<f64>,
    /// Minutes that changing the driver takes, in place of 20.
    #[param(minimum = 0, maximum = 240)]
    driver_minutes: Option<f64>,
    /// Candidates of a page, in place of 20.
    #[param(minimum = 1, maximum = 200)]
    limit: Option<usize>,
    /// Where the last page ended.
    cursor: Option<String>,
}

impl WantedParameters {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] =
        &["card", "bench", "system", "installed", "workload", "hours", "driver_minutes", "limit", "cursor"];
}

/// Which page, of what.
struct Page {
    query: WantedQuery,
    driver_minutes: Option<f64>,
    limit: usize,
    /// Revision and first candidate, from the cursor.
    position: Option<(i64, usize)>,
    /// The canonical query without limit and cursor.
    table: String,
}

/// What to measure next on a card: runs ranked by how much an hour of testing would tighten what is published or settle,
/// and a plan for an afternoon.
#[utoipa::path(get, path = "/v1/wanted", tag = "tables", params(WantedParameters),
    responses((status = 200, description = "Candidates, most gain an hour first, and the plan", body = WantedView),
        crate::openapi::Table))]
pub async fn find_wanted(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    let mut read = Parameters::read(request.query_string(), WantedParameters::NAMES);
    let card = read.needed("card", "the id of a card, as /v1/cards lists them");
    let mut query = WantedQuery {
        card,
        system: read.text("system"),
        installed: read.text("installed"),
        workloads: read.list("workload"),
        hours: read.number("hours", 0.5, MOST_HOURS),
        measurer: None,
    };
    let bench = read.text("bench");
    let driver_minutes = read.number("driver_minutes", 0.0, 240.0);
    let limit = read.number("limit", 1, MOST_ROWS).unwrap_or(DEFAULT_ROWS);
    let cursor = read.one("cursor");
    let table = read.canonical(&["cursor", "limit"]);
    let canonical = read.canonical(&["cursor"]);
    read.finish()?;
    let refuse = |what: String| ApiError::new(ErrorCode::UnprocessableQuery, what);
    let known = state.intake.storage.catalogue().card(&query.card).map(|card| card.id.clone());
    query.card = known.ok_or_else(|| refuse(format!("There is no card `{}`.", shorten(&query.card))))?;
    let position = cursor.map(|c| position(&table, &c)).transpose()?;
    let asked = Asked {
        path: request.path().to_owned(),
        query: canonical,
        position: position.map(|(_, first)| first.to_string()).unwrap_or_default(),
        // Held runs are in it, which no table shows.
        at: position.map_or(At::Entries, |(revision, _)| At::Pinned(revision)),
        content_type: Format::Json.content_type(),
        compress: true,
    };
    let page = Page { query, driver_minutes, limit, position, table };
    let shared = state.clone();
    answer::answer(&state, &request, asked, move || make(&shared, page, bench.as_deref())).await
}

fn position(table: &str, cursor: &str) -> Result<(i64, usize), ApiError> {
    let position = cursor::decode(table, cursor)?;
    let parts = position.split_once('.').and_then(|(r, o)| Some((r.parse().ok()?, o.parse().ok()?)));
    parts
        .ok_or_else(|| ApiError::new(ErrorCode::BadCursor, "The cursor is not one of a list of wanted runs."))
}

fn make(state: &State, page: Page, bench: Option<&str>) -> Result<Made, ApiError> {
    let Page { query, driver_minutes, limit, position, table } = page;
    let storage = &state.intake.storage;
    let revision = storage.last_change();
    let first = match position {
        Some((pinned, _)) if pinned != revision => return Err(crate::published::table::expired()),
        Some((_, first)) => first,
        None => 0,
    };
    let mut policy = (*state.intake.policy).clone();
    policy.wanted.driver_minutes = driver_minutes.unwrap_or(policy.wanted.driver_minutes);
    let wanted = of_storage(storage, &policy, query, bench)?;
    let end = (first + limit).min(wanted.candidates.len());
    let next = (end < wanted.candidates.len()).then(|| cursor::encode(&table, &format!("{revision}.{end}")));
    let view = WantedView::new(revision, wanted, first..end, next.clone());
    let body =
        serde_json::to_vec(&view).map_err(|e| ApiError::internal("writing wanted runs as JSON", &e))?;
    Ok(Made { revision, body, next })
}

/// What to measure next by what is stored; the bench of the query is the one given.
///
/// # Errors
/// `UnprocessableQuery` when there is no such bench, release or system; otherwise when storage fails.
pub(crate) fn of_storage(
    storage: &Storage,
    policy: &Policy,
    mut query: WantedQuery,
    bench: Option<&str>,
) -> Result<Wanted, ApiError> {
    let at = storage.frame().map_err(|e| storage_error("reading the frame of runs", &e))?;
    let catalogue = storage.catalogue();
    let failed = |e| storage_error("looking what to measure next", &e);
    let conn = &mut *storage.reader().map_err(failed)?;
    if let Some(id) = bench {
        let found = storage.bench_of_anybody(conn, id).map_err(failed)?;
        let Some((contributor, document)) = found else {
            let what = format!("There is no bench `{}`; the receipt of a run names its bench.", shorten(id));
            return Err(ApiError::new(ErrorCode::UnprocessableQuery, what));
        };
        query.measurer =
            Some(Measurer { bench: id.to_owned(), contributor, system: document.os.name, accepted: 0 });
    }
    let asked = PlayableQuery { card: query.card.clone(), ..PlayableQuery::default() };
    let others = unmeasured(&at.frame, &catalogue, &asked, policy).map_err(core_error)?;
    let (estimates, waiting, accepted) = storage
        .ledger(conn, policy, |ledger| {
            let contributor = query.measurer.as_ref().map_or("", |m| m.contributor.as_str());
            (
                ledger.estimates(&others.benches, &others.settings),
                ledger.waiting(&query.card, &policy.judge),
                ledger.accepted_of(contributor),
            )
        })
        .map_err(failed)?;
    if let Some(measurer) = &mut query.measurer {
        measurer.accepted = accepted;
    }
    let estimates: Vec<_> =
        others.settings.into_iter().zip(estimates).filter_map(|(run, e)| Some((run, e?))).collect();
    let sources =
        Sources { frame: &at.frame, catalogue: &catalogue, estimates: &estimates, waiting: &waiting };
    wanted(&sources, &query, policy).map_err(core_error)
}
