//! Prices: report, list, read, pool.

use std::time::Instant;

use actix_web::web::{self, Data, Path};
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;
use utoipa::IntoParams;
use wearmark_core::price::currency::Currency;
use wearmark_core::price::market::{MarketQuery, market};
use wearmark_core::price::{Condition, ConditionClass, PriceSource, date_of, day_of};
use wearmark_core::table::prices::market_table;
use wearmark_core::verdict::Verdict;

use super::compare::{DATE, Day, TRUTHS};
use super::paging::Paging;
use super::runs::absent;
use super::{blocking, intake_error, json, storage_error, upload};
use crate::auth::access::Submitter;
use crate::error::{ApiError, ErrorCode};
use crate::pricing::{self, PriceError};
use crate::published::answer::{self, Asked, At, Made};
use crate::published::negotiate::{self, Format};
use crate::published::table::core_error;
use crate::query::{self, Parameters};
use crate::state::State;
use crate::storage::ids::PriceId;
use crate::storage::prices::PriceFilter;
use crate::views::price::{MarketView, PriceList, PriceReceiptView, PriceView};
use crate::views::problem::Problem;
use crate::views::shapes::PriceDocument;

/// Reports a price. A judged report answers 201 whatever its verdict.
#[utoipa::path(post, path = "/v1/prices", tag = "prices", security(("token" = [])),
    request_body(content = PriceDocument, content_type = "application/json"),
    responses((status = 201, body = PriceReceiptView, headers(("location" = String, description = "Path of the report"))),
        (status = 409, body = Problem, description = "You have reported this price before", content_type = "application/problem+json"),
        crate::openapi::Submission))]
pub async fn create_price(
    state: Data<State>,
    submitter: Submitter,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let _permit = state.submission(Some(&submitter.0.id)).await?;
    let bytes = upload(&state, &submitter.0.id, &request, payload).await?;
    state.rates.submission(&submitter.0.id, Instant::now())?;
    let intake = state.intake.clone();
    let ticket = web::block(move || pricing::submit(&intake, &submitter.0.id, &bytes, Utc::now()))
        .await
        .map_err(|e| ApiError::internal("reading a price", &e))?
        .map_err(price_error)?;
    let receipt = ticket.await.map_err(price_error)?;
    Ok(HttpResponse::Created()
        .insert_header(("location", format!("/v1/prices/{}", receipt.price)))
        .json(PriceReceiptView::from(receipt)))
}

fn price_error(error: PriceError) -> ApiError {
    match error {
        PriceError::Intake(error) => intake_error(error),
        PriceError::Duplicate { of, finding } => ApiError::with(
            ErrorCode::DuplicatePrice,
            vec![finding.evidence("href", format!("/v1/prices/{of}"))],
        ),
    }
}

/// Filters of the list of prices.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct PricesQuery {
    /// Card id.
    #[param(min_length = 1, max_length = 200)]
    card: Option<String>,
    /// Currency code.
    #[param(min_length = 1, max_length = 200)]
    currency: Option<String>,
    /// Condition class: `new`, `second-hand` or `faulty`.
    #[param(pattern = "^(new|second-hand|faulty)$")]
    class: Option<String>,
    /// Condition.
    #[param(pattern = "^(new|open-box|refurbished|used|untested|for-parts)$")]
    condition: Option<String>,
    /// Country code.
    #[param(min_length = 1, max_length = 200)]
    country: Option<String>,
    /// Kind of price.
    #[param(pattern = "^(completed-sale|shop-offer|asking-price)$")]
    source: Option<String>,
    /// Public handle of the contributor.
    #[param(min_length = 1, max_length = 200)]
    contributor: Option<String>,
    /// `accepted`, `held` or `rejected`.
    #[param(pattern = "^(accepted|held|rejected)$")]
    verdict: Option<String>,
    /// First date.
    #[param(pattern = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]
    from: Option<String>,
    /// Last date.
    #[param(pattern = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]
    to: Option<String>,
    /// Rows of a page, 1 to 1000; 100 where not given.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<u32>,
    /// Cursor of the page, as the page before gave it.
    #[param(min_length = 1, pattern = "^[0-9a-f]+$")]
    cursor: Option<String>,
}

impl PricesQuery {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] = &[
        "card",
        "currency",
        "class",
        "condition",
        "country",
        "source",
        "contributor",
        "verdict",
        "from",
        "to",
        "limit",
        "cursor",
    ];
}

const VERDICTS: [Verdict; 3] = [Verdict::Accepted, Verdict::Held, Verdict::Rejected];

/// Words of core with what they stand for.
pub(super) fn classes() -> Vec<(&'static str, ConditionClass)> {
    ConditionClass::ALL.iter().map(|c| (c.as_str(), *c)).collect()
}

pub(super) fn sources() -> Vec<(&'static str, PriceSource)> {
    PriceSource::ALL.iter().map(|s| (s.as_str(), *s)).collect()
}

/// Lists stored price reports, newest first.
#[utoipa::path(get, path = "/v1/prices", tag = "prices", params(PricesQuery),
    responses((status = 200, body = PriceList), crate::openapi::List))]
pub async fn list_prices(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    let mut query = Parameters::read(request.query_string(), PricesQuery::NAMES);
    let conditions: Vec<(&str, Condition)> = Condition::ALL.iter().map(|c| (c.as_str(), *c)).collect();
    let filter = PriceFilter {
        card: query.text("card"),
        currency: query.text("currency"),
        class: query.choice("class", &classes()),
        condition: query.choice("condition", &conditions),
        country: query.text("country"),
        source: query.choice("source", &sources()),
        contributor: query.text("contributor"),
        verdict: query.choice("verdict", &VERDICTS.map(|v| (v.as_str(), v))),
        from: query.parsed::<Day>("from", DATE).map(|day| day.0),
        to: query.parsed::<Day>("to", DATE).map(|day| day.0),
    };
    let paging = Paging::<PriceId>::read(query)?;
    let (after, fetch) = (paging.after.clone(), paging.fetch());
    let (revision, mut rows) = blocking(&state, "listing prices", move |state| {
        let storage = &state.intake.storage;
        Ok((storage.last_change(), storage.list_prices(&filter, after.as_ref(), fetch)?))
    })
    .await?;
    let (mut answer, next) = paging.cut(request.path(), &mut rows, |row| row.id.as_str());
    Ok(answer.json(PriceList { revision, rows: rows.into_iter().map(PriceView::from).collect(), next }))
}

/// One stored price report with its findings.
#[utoipa::path(get, path = "/v1/prices/{id}", tag = "prices", params(("id" = String, Path, description = "Price id", pattern = "^p-[0-9a-f]{32}$")),
    responses((status = 200, body = PriceView), crate::openapi::Entry))]
pub async fn find_price(
    state: Data<State>,
    id: Path<PriceId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let id = id.into_inner();
    let wanted = id.clone();
    let price = blocking(&state, "reading a price", move |s| s.intake.storage.find_price(&wanted)).await?;
    match price {
        Some(price) => Ok(json(&PriceView::from(price))),
        None => Err(absent(&state, "price", id.to_string()).await?),
    }
}

/// Which prices to pool. Lists may be repeated or joined by commas.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct MarketParameters {
    /// Card ids; all where not given.
    card: Option<Vec<String>>,
    /// Currency codes; all where not given. Currencies are never converted.
    currency: Option<Vec<String>>,
    /// Condition classes: `new`, `second-hand`, `faulty`; all where not given.
    condition: Option<Vec<String>>,
    /// Country codes; all where not given.
    country: Option<Vec<String>>,
    /// Kinds of price that count; `completed-sale` and `shop-offer` where not given.
    source: Option<Vec<String>>,
    /// Whether countries are kept apart; `false` where not given.
    by_country: Option<bool>,
    /// Days that count, up to and with `as_of`; 180 where not given.
    #[param(minimum = 7, maximum = 3650)]
    window: Option<u32>,
    /// The last day that counts; today (UTC) where not given.
    #[param(pattern = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]
    as_of: Option<String>,
    /// `json`, `csv` or `parquet`, in place of `Accept`.
    #[param(pattern = "^(json|csv|parquet)$")]
    format: Option<String>,
}

impl MarketParameters {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] =
        &["card", "currency", "condition", "country", "source", "by_country", "window", "as_of", "format"];
}

/// What cards cost: the median of contributor medians over a window of days, by card, currency and condition class, with
/// 95 % intervals.
#[utoipa::path(get, path = "/v1/prices/medians", tag = "prices", params(MarketParameters),
    responses((status = 200, description = "The rows", content(
            (MarketView = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.apache.parquet"))),
        crate::openapi::Whole))]
pub async fn list_medians(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    let policy = &state.intake.policy.price;
    let [fewest, most] = policy.window_range;
    let mut read = Parameters::read(request.query_string(), MarketParameters::NAMES);
    let mut query = MarketQuery::at(Utc::now().date_naive(), policy);
    query.cards = read.list("card");
    query.currencies = read.list("currency");
    for unknown in query.currencies.iter().filter(|code| Currency::of(code).is_none()) {
        read.refuse("currency", unknown, "must be a code of ISO 4217 with a minor unit");
    }
    query.classes = read.choices("condition", &classes());
    query.countries = read.list("country");
    query.sources = read.choices("source", &sources());
    query.by_country = read.choice("by_country", &TRUTHS).unwrap_or(false);
    query.window_days = read.number("window", fewest, most).unwrap_or(query.window_days);
    query.as_of = read.parsed::<Day>("as_of", DATE).map_or(query.as_of, |day| date_of(day.0));
    let asked_format = read.choice("format", &Format::ALL.map(|f| (f.as_str(), f)));
    let canonical = read.canonical(&[]);
    read.finish()?;
    let format = negotiate::format(&request, asked_format)?;
    let asked = Asked {
        path: request.path().to_owned(),
        query: canonical,
        // Without `as_of` the same query means another window tomorrow.
        position: query.as_of.to_string(),
        at: At::Entries,
        content_type: format.content_type(),
        compress: format != Format::Parquet,
    };
    let shared = state.clone();
    answer::answer(&state, &request, asked, move || make(&shared, &query, format)).await
}

fn make(state: &State, query: &MarketQuery, format: Format) -> Result<Made, ApiError> {
    let storage = &state.intake.storage;
    // Read first: what is committed in between shows in an answer that is called older than it is, and is made again.
    let revision = storage.last_change();
    let facts = storage
        .accepted_prices(day_of(query.first_day()), day_of(query.as_of))
        .map_err(|e| storage_error("reading prices", &e))?;
    let found = market(&facts, query, &state.intake.policy);
    let body = match format {
        Format::Json => serde_json::to_vec(&MarketView::of(revision, found))
            .map_err(|e| ApiError::internal("writing prices as JSON", &e))?,
        Format::Csv => market_table(&found).and_then(|table| table.csv()).map_err(core_error)?,
        Format::Parquet => market_table(&found).and_then(|table| table.parquet()).map_err(core_error)?,
    };
    Ok(Made { revision, body, next: None })
}
