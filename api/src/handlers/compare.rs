//! Cards compared on matched configurations.

use std::str::FromStr;

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use chrono::{Datelike, NaiveDate};
use utoipa::IntoParams;
use wearmark_core::run::LowDefinition;
use wearmark_core::table::compare::{CompareQuery, compare, compare_table};
use wearmark_core::table::filters::Filters;

use super::storage_error;
use crate::error::{ApiError, ErrorCode, shorten};
use crate::published::answer::{self, Asked, At, Made};
use crate::published::negotiate::{self, Format};
use crate::published::table::core_error;
use crate::query::Parameters;
use crate::state::State;
use crate::views::compare::CompareView;

/// Cards to compare, and which runs count. Lists may be repeated or joined by commas.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct CompareParameters {
    /// Two to eight card ids. All others are compared with the first.
    #[param(min_items = 2, max_items = 8)]
    card: Vec<String>,
    /// Workload ids.
    workload: Option<Vec<String>>,
    /// Scene ids.
    scene: Option<Vec<String>>,
    /// Presets.
    preset: Option<Vec<String>>,
    /// Graphics APIs.
    api: Option<Vec<String>>,
    /// Platform classes.
    platform: Option<Vec<String>>,
    /// Width, pixels.
    #[param(minimum = 1, maximum = 65535)]
    width: Option<u32>,
    /// Height, pixels.
    #[param(minimum = 1, maximum = 65535)]
    height: Option<u32>,
    /// Only driver releases from that date on; releases without a date are left out then.
    #[param(pattern = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]
    driver_from: Option<String>,
    /// Only driver releases up to that date, likewise.
    #[param(pattern = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]
    driver_to: Option<String>,
    /// Definition of the 1% low: `percentile` (where not given), `tail-mean` or `time-share`.
    #[param(pattern = "^(percentile|tail-mean|time-share)$")]
    definition: Option<String>,
    /// Whether a configuration is matched within one platform class only; `true` where not given.
    by_platform: Option<bool>,
    /// Whether configurations count at which the platform held a card back; `false` where not given.
    include_platform_limited: Option<bool>,
    /// `json`, `csv` or `parquet`, in place of `Accept`. CSV and Parquet have a row a pair and configuration.
    #[param(pattern = "^(json|csv|parquet)$")]
    format: Option<String>,
}

/// A date as ISO 8601 writes it, in days from 1970-01-01.
pub(super) struct Day(pub(super) i32);

impl FromStr for Day {
    type Err = ();

    fn from_str(text: &str) -> Result<Day, ()> {
        let date: NaiveDate = text.parse().map_err(|_| ())?;
        // The parser takes other spellings too, which would make two of one query.
        let epoch = NaiveDate::default().num_days_from_ce();
        if date.to_string() == text { Ok(Day(date.num_days_from_ce() - epoch)) } else { Err(()) }
    }
}

pub(super) const DATE: &str = "must be a date such as 2024-05-31";

pub(super) const TRUTHS: [(&str, bool); 2] = [("true", true), ("false", false)];

impl CompareParameters {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] = &[
        "card",
        "workload",
        "scene",
        "preset",
        "api",
        "platform",
        "width",
        "height",
        "driver_from",
        "driver_to",
        "definition",
        "by_platform",
        "include_platform_limited",
        "format",
    ];

    pub(super) fn read(read: &mut Parameters) -> CompareQuery {
        CompareQuery {
            cards: read.ordered("card"),
            filters: Filters {
                workload: read.list("workload"),
                scene: read.list("scene"),
                preset: read.list("preset"),
                api: read.list("api"),
                platform: read.list("platform"),
                ..Filters::default()
            },
            width: read.number("width", 1, 65535),
            height: read.number("height", 1, 65535),
            driver_from: read.parsed::<Day>("driver_from", DATE).map(|day| day.0),
            driver_to: read.parsed::<Day>("driver_to", DATE).map(|day| day.0),
            definition: read
                .choice("definition", &LowDefinition::ALL.map(|d| (d.as_str(), d)))
                .unwrap_or_default(),
            by_platform: read.choice("by_platform", &TRUTHS).unwrap_or(true),
            include_platform_limited: read.choice("include_platform_limited", &TRUTHS).unwrap_or(false),
        }
    }
}

/// Cards compared with the first one on matched configurations: geometric means of ratios, each workload weighing the
/// same, with intervals and counts. Too few matches are refused with the reason in `refused` and no figure.
#[utoipa::path(get, path = "/v1/compare", tag = "tables", params(CompareParameters),
    responses((status = 200, description = "The comparison", content(
            (CompareView = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.apache.parquet"))),
        crate::openapi::Compare))]
pub async fn find_comparison(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    let mut read = Parameters::read(request.query_string(), CompareParameters::NAMES);
    let mut query = CompareParameters::read(&mut read);
    let asked_format = read.choice("format", &Format::ALL.map(|f| (f.as_str(), f)));
    let canonical = read.canonical(&[]);
    read.finish()?;
    let format = negotiate::format(&request, asked_format)?;
    known_cards(&state, &mut query)?;
    let asked = Asked {
        path: request.path().to_owned(),
        query: canonical,
        position: String::new(),
        at: At::Tables,
        content_type: format.content_type(),
        compress: format != Format::Parquet,
    };
    let shared = state.clone();
    answer::answer(&state, &request, asked, move || make(&shared, &query, format)).await
}

/// Puts the catalogue's ids in the place of the cards asked for.
pub(super) fn known_cards(state: &State, query: &mut CompareQuery) -> Result<(), ApiError> {
    let catalogue = state.intake.storage.catalogue();
    for card in &mut query.cards {
        let known = catalogue.card(card).map(|known| known.id.clone());
        *card = known.ok_or_else(|| {
            let why = format!("There is no card `{}`; `/v1/cards` lists them all.", shorten(card));
            ApiError::new(ErrorCode::UnprocessableQuery, why)
        })?;
    }
    Ok(())
}

fn make(state: &State, query: &CompareQuery, format: Format) -> Result<Made, ApiError> {
    let at = state.intake.storage.frame().map_err(|e| storage_error("reading the frame of runs", &e))?;
    let revision = at.revision;
    let comparison = compare(&at.frame, query, &state.intake.policy).map_err(core_error)?;
    let body = match format {
        Format::Json => serde_json::to_vec(&CompareView::of(revision, comparison))
            .map_err(|e| ApiError::internal("writing a comparison as JSON", &e))?,
        Format::Csv => compare_table(&comparison).and_then(|table| table.csv()).map_err(core_error)?,
        Format::Parquet => {
            compare_table(&comparison).and_then(|table| table.parquet()).map_err(core_error)?
        }
    };
    Ok(Made { revision, body, next: None })
}
