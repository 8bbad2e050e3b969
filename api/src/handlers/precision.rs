//! How well runs repeat and contributors agree, and how the rules fare.

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use utoipa::IntoParams;
use wearmark_core::policy::Policy;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::precision::{PrecisionQuery, Quantity, precision};
use wearmark_core::table::rules::rules;

use super::filters::FilterParameters;
use super::storage_error;
use crate::error::ApiError;
use crate::published::answer::{self, Asked, At, Made};
use crate::published::negotiate::{self, Format};
use crate::published::table::{self, Page, core_error};
use crate::query::Parameters;
use crate::state::State;
use crate::views::precision::{PrecisionPage, RuleRecords};

/// Quantities and grouping of the table of precision.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct PrecisionParameters {
    /// What was measured: `mean-fps`, `low-percentile`, `low-tail-mean`, `low-time-share`; all where not given.
    quantity: Option<Vec<String>>,
    /// Only rows with at least that many contributors.
    #[param(minimum = 0, maximum = 1000000)]
    min_contributors: Option<u32>,
    /// Keys beside workload and scene: `card`, `preset`, `platform`, `build`. Contributors are then compared within
    /// one of these only.
    group: Option<Vec<String>>,
    /// Rows of a page, 1 to 10000; where not given 1000 as JSON and the whole table as CSV and Parquet.
    #[param(minimum = 1, maximum = 10000)]
    limit: Option<usize>,
    /// Cursor of the page, as the page before gave it. Pages show the table as it was at the first
    /// page; once the service has forgotten that, the answer is 410.
    #[param(min_length = 1, pattern = "^[0-9a-f]+$")]
    cursor: Option<String>,
    /// `json`, `csv` or `parquet`, in place of `Accept`.
    #[param(pattern = "^(json|csv|parquet)$")]
    format: Option<String>,
}

/// Keys beside workload and scene.
#[derive(Clone, Copy, PartialEq)]
enum Group {
    Card,
    Preset,
    Platform,
    Build,
}

const GROUPS: [(&str, Group); 4] = [
    ("card", Group::Card),
    ("preset", Group::Preset),
    ("platform", Group::Platform),
    ("build", Group::Build),
];

impl PrecisionParameters {
    /// All parameters, filters aside.
    pub(crate) const NAMES: &'static [&'static str] =
        &["quantity", "min_contributors", "group", "limit", "cursor", "format"];

    fn read(read: &mut Parameters) -> PrecisionQuery {
        let group = read.choices("group", &GROUPS);
        PrecisionQuery {
            filters: FilterParameters::read(read),
            quantity: read.choices("quantity", &Quantity::ALL.map(|q| (q.as_str(), q))),
            min_contributors: read.number("min_contributors", 0, 1_000_000).unwrap_or(0),
            by_card: group.contains(&Group::Card),
            by_preset: group.contains(&Group::Preset),
            by_platform: group.contains(&Group::Platform),
            by_build: group.contains(&Group::Build),
        }
    }
}

/// Repeatability and reproducibility of each workload, scene and quantity (ISO 5725-2), with consistency and outlier
/// tests: how well one contributor's runs repeat and how far contributors differ, per cent.
#[utoipa::path(get, path = "/v1/precision", tag = "tables", params(FilterParameters, PrecisionParameters),
    responses((status = 200, description = "The rows", content(
            (PrecisionPage = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.apache.parquet"))),
        crate::openapi::Table))]
pub async fn list_precision(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    let mut read =
        Parameters::read(request.query_string(), &FilterParameters::names_and(PrecisionParameters::NAMES));
    let query = PrecisionParameters::read(&mut read);
    let page = Page::read(read, &request)?;
    let make = move |frame: &RunFrame, policy: &Policy| precision(frame, &query, policy);
    let envelope = |revision, total, rows, next| PrecisionPage { revision, total, rows, next };
    table::answer(&state, &request, page, make, envelope).await
}

/// The form of the table of rules.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct RuleRecordsParameters {
    /// `json`, `csv` or `parquet`, in place of `Accept`.
    #[param(pattern = "^(json|csv|parquet)$")]
    format: Option<String>,
}

impl RuleRecordsParameters {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] = &["format"];
}

/// The record of every rule that can hold or reject a stored run: how many it stopped, how many of the held were
/// released since without a person, how many a moderator overturned. Rules that refuse a document before it is stored
/// have no record.
#[utoipa::path(get, path = "/v1/precision/rules", tag = "tables", params(RuleRecordsParameters),
    responses((status = 200, description = "The rows", content(
            (RuleRecords = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.apache.parquet"))),
        crate::openapi::Whole))]
pub async fn list_rule_records(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    let mut read = Parameters::read(request.query_string(), RuleRecordsParameters::NAMES);
    let asked_format = read.choice("format", &Format::ALL.map(|f| (f.as_str(), f)));
    let query = read.canonical(&[]);
    read.finish()?;
    let format = negotiate::format(&request, asked_format)?;
    let asked = Asked {
        path: request.path().to_owned(),
        query,
        position: String::new(),
        // A held run changes it too.
        at: At::Entries,
        content_type: format.content_type(),
        compress: format != Format::Parquet,
    };
    let shared = state.clone();
    answer::answer(&state, &request, asked, move || make_rules(&shared, format)).await
}

fn make_rules(state: &State, format: Format) -> Result<Made, ApiError> {
    let storage = &state.intake.storage;
    // Read first: what is committed in between shows in a table that is called older than it is, and is made again.
    let revision = storage.last_change();
    let known: Vec<_> = wearmark_core::rules::run_rules().copied().collect();
    let (stopped, judged) =
        storage.stopped(&known).map_err(|e| storage_error("reading what the rules stopped", &e))?;
    let table = rules(&known, &stopped, judged).map_err(core_error)?;
    let body = match format {
        Format::Csv => table.csv().map_err(core_error)?,
        Format::Parquet => table.parquet().map_err(core_error)?,
        Format::Json => serde_json::to_vec(&RuleRecords { revision, judged, rows: table })
            .map_err(|e| ApiError::internal("writing a table as JSON", &e))?,
    };
    Ok(Made { revision, body, next: None })
}
