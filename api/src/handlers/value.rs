//! What a card is worth second-hand.

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;
use utoipa::IntoParams;
use wearmark_core::catalogue::Catalogue;
use wearmark_core::policy::Policy;
use wearmark_core::price::currency::Currency;
use wearmark_core::price::market::MarketQuery;
use wearmark_core::price::{date_of, day_of};
use wearmark_core::run::LowDefinition;
use wearmark_core::table::filters::Filters;
use wearmark_core::table::value::{Measure, ValueQuery, value};

use super::compare::{DATE, Day, TRUTHS};
use super::prices::{classes, sources};
use super::storage_error;
use crate::error::{ApiError, ErrorCode, shorten};
use crate::published::answer::{self, Asked, At, Made};
use crate::published::negotiate::Format;
use crate::published::table::core_error;
use crate::query::Parameters;
use crate::state::State;
use crate::views::value::ValueView;

/// Most alternatives: with the card itself, as many as a comparison takes.
const ALTERNATIVES: usize = 7;

/// The card, its alternatives, the prices, the basket and the use. Lists may be repeated or joined by commas.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct ValueParameters {
    /// Card id.
    #[param(min_length = 1, max_length = 200)]
    card: String,
    /// Ids of up to seven cards that it is weighed against.
    #[param(max_items = 7)]
    against: Option<Vec<String>>,
    /// Currency code (ISO 4217); prices in other currencies do not count.
    #[param(pattern = "^[A-Z]{3}$")]
    currency: String,
    /// Condition class of all prices: `second-hand` (where not given), `new` or `faulty`.
    #[param(pattern = "^(new|second-hand|faulty)$")]
    condition: Option<String>,
    /// Country codes; all where not given.
    country: Option<Vec<String>>,
    /// Kinds of price that count; `completed-sale` and `shop-offer` where not given.
    source: Option<Vec<String>>,
    /// Days of prices, up to and with `as_of`; 180 where not given.
    #[param(minimum = 7, maximum = 3650)]
    window: Option<u32>,
    /// The day for which the answer holds; today (UTC) where not given. Later prices and driver releases do not count.
    #[param(pattern = "^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]
    as_of: Option<String>,
    /// Workload ids of the basket; all where not given.
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
    /// Which figure counts: `mean-fps` (where not given) or `low-fps`.
    #[param(pattern = "^(mean-fps|low-fps)$")]
    measure: Option<String>,
    /// Definition of the 1% low: `percentile` (where not given), `tail-mean` or `time-share`.
    #[param(pattern = "^(percentile|tail-mean|time-share)$")]
    definition: Option<String>,
    /// Whether configurations count at which the platform held a card back; `false` where not given.
    include_platform_limited: Option<bool>,
    /// Floor on the 1% low, fps, in place of 30 (single-player) and 60 (multiplayer).
    #[param(minimum = 1, maximum = 10000)]
    target: Option<f64>,
    /// Price of a kWh in the currency; without it power has no cost in the answer.
    #[param(minimum = 0, maximum = 1000000)]
    tariff: Option<f64>,
    /// Hours a day in use; 2 where not given.
    #[param(minimum = 0, maximum = 24)]
    hours: Option<f64>,
    /// Years of use; 3 where not given.
    #[param(minimum = 0, maximum = 50)]
    years: Option<f64>,
}

impl ValueParameters {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] = &[
        "card",
        "against",
        "currency",
        "condition",
        "country",
        "source",
        "window",
        "as_of",
        "workload",
        "scene",
        "preset",
        "api",
        "platform",
        "width",
        "height",
        "measure",
        "definition",
        "include_platform_limited",
        "target",
        "tariff",
        "hours",
        "years",
    ];

    fn read(read: &mut Parameters, policy: &Policy) -> ValueQuery {
        let [fewest, most] = policy.price.window_range;
        let card = read.needed("card", "the id of a card, as /v1/cards lists them");
        let currency = read.needed("currency", "an alphabetic code of ISO 4217, such as EUR");
        if !currency.is_empty() && Currency::of(&currency).is_none() {
            read.refuse("currency", &currency, "must be a code of ISO 4217 with a minor unit");
        }
        let against = read.ordered("against");
        if against.len() > ALTERNATIVES {
            read.refuse("against", "", &format!("must not name more than {ALTERNATIVES} cards"));
        }
        let plain = ValueQuery::of(&card, &currency, Utc::now().date_naive(), policy);
        let measures = [Measure::MeanFps, Measure::LowFps].map(|m| (m.as_str(), m));
        ValueQuery {
            against,
            condition: read.choice("condition", &classes()).unwrap_or(plain.condition),
            countries: read.list("country"),
            sources: read.choices("source", &sources()),
            window_days: read.number("window", fewest, most).unwrap_or(plain.window_days),
            as_of: read.parsed::<Day>("as_of", DATE).map_or(plain.as_of, |day| date_of(day.0)),
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
            measure: read.choice("measure", &measures).unwrap_or_default(),
            definition: read
                .choice("definition", &LowDefinition::ALL.map(|d| (d.as_str(), d)))
                .unwrap_or_default(),
            include_platform_limited: read.choice("include_platform_limited", &TRUTHS).unwrap_or(false),
            target_fps: read.number("target", 1.0, 10_000.0),
            tariff: read.number("tariff", 0.0, 1_000_000.0),
            hours_per_day: read.number("hours", 0.0, 24.0).unwrap_or(plain.hours_per_day),
            years: read.number("years", 0.0, 50.0).unwrap_or(plain.years),
            ..plain
        }
    }
}

/// What a card is worth: its price, its rates per money and per watt, what its power costs, how it is supported, and for
/// each alternative the price up to which it is worth buying instead. Every part stands apart with its evidence; thin
/// evidence is refused with the reason in `refused`.
#[utoipa::path(get, path = "/v1/value", tag = "prices", params(ValueParameters),
    responses((status = 200, description = "What the card is worth", body = ValueView), crate::openapi::Valued))]
pub async fn find_value(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    let mut read = Parameters::read(request.query_string(), ValueParameters::NAMES);
    let mut query = ValueParameters::read(&mut read, &state.intake.policy);
    let canonical = read.canonical(&[]);
    read.finish()?;
    let catalogue = state.intake.storage.catalogue();
    query.card = known(&catalogue, &query.card)?;
    for other in &mut query.against {
        *other = known(&catalogue, other)?;
    }
    let asked = Asked {
        path: request.path().to_owned(),
        query: canonical,
        // Without `as_of` the same query means another window tomorrow.
        position: query.as_of.to_string(),
        at: At::Entries,
        content_type: Format::Json.content_type(),
        compress: true,
    };
    let shared = state.clone();
    answer::answer(&state, &request, asked, move || make(&shared, &query)).await
}

fn known(catalogue: &Catalogue, card: &str) -> Result<String, ApiError> {
    catalogue.card(card).map(|known| known.id.clone()).ok_or_else(|| {
        let why = format!("There is no card `{}`; `/v1/cards` lists them all.", shorten(card));
        ApiError::new(ErrorCode::UnprocessableQuery, why)
    })
}

fn make(state: &State, query: &ValueQuery) -> Result<Made, ApiError> {
    let storage = &state.intake.storage;
    // Read first: what is committed in between shows in an answer that is called older than it is, and is made again.
    let revision = storage.last_change();
    let at = storage.frame().map_err(|e| storage_error("reading the frame of runs", &e))?;
    let window = MarketQuery {
        window_days: query.window_days,
        ..MarketQuery::at(query.as_of, &state.intake.policy.price)
    };
    let prices = storage
        .accepted_prices(day_of(window.first_day()), day_of(window.as_of))
        .map_err(|e| storage_error("reading prices", &e))?;
    let found =
        value(&at.frame, &storage.catalogue(), &prices, query, &state.intake.policy).map_err(core_error)?;
    let body = serde_json::to_vec(&ValueView::of(revision, found))
        .map_err(|e| ApiError::internal("writing a card's worth as JSON", &e))?;
    Ok(Made { revision, body, next: None })
}
