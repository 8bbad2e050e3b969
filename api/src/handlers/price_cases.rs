//! The moderator's desk: price reports that wait, and decisions of them.

use actix_web::web::{Data, Path, Payload};
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;
use utoipa::IntoParams;
use wearmark_core::desk::prices::PriceDecision;

use super::fields::Fields;
use super::moderation::{AskedDecisions, DecisionsQuery, WORDS, refused};
use super::{blocking, found, private};
use crate::auth::access::Moderator;
use crate::error::ApiError;
use crate::moderation::prices::{self, PriceOrder};
use crate::query::{self, Parameters};
use crate::state::State;
use crate::storage::ids::PriceId;
use crate::storage::price_decisions::{self, HeldFilter};
use crate::views::price_case::{PriceCaseView, PriceDecisionList, PriceDecisionView, PriceQueueView};
use crate::views::problem::Problem;
use crate::views::shapes::PriceDecisionOrder;

/// Filters of the price reports that wait.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct PriceQueueQuery {
    /// Card id; of a card that the catalogue did not know, its name in small letters and digits.
    #[param(min_length = 1, max_length = 200)]
    card: Option<String>,
    /// Public handle of the contributor.
    #[param(min_length = 1, max_length = 200)]
    contributor: Option<String>,
    /// Reports of a page, 1 to 200; 50 where not given.
    #[param(minimum = 1, maximum = 200)]
    limit: Option<u32>,
    /// Reports left out at the beginning. The order moves as reports are decided.
    #[param(minimum = 0, maximum = 5000)]
    offset: Option<u32>,
}

/// Lists the price reports that wait, those that deviate most and wait longest first, each with what accepted reports say of
/// its card.
#[utoipa::path(get, path = "/v1/moderation/prices", tag = "moderation", security(("token" = ["moderate"])), params(PriceQueueQuery),
    responses((status = 200, body = PriceQueueView), crate::openapi::Desk))]
pub async fn list_price_cases(
    state: Data<State>,
    _: Moderator,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let mut query = Parameters::read(request.query_string(), &["card", "contributor", "limit", "offset"]);
    let filter = HeldFilter { card: query.text("card"), contributor: query.text("contributor") };
    let limit = query.number("limit", 1, 200).unwrap_or(50_u32);
    let offset = query.number("offset", 0, 5000).unwrap_or(0_u32);
    query.finish()?;
    let queue = blocking(&state, "listing price reports that wait", move |s| {
        let conn = &mut *s.intake.storage.reader()?;
        prices::queue(&s.intake, conn, &filter, (offset as usize, limit as usize), Utc::now())
    })
    .await?;
    Ok(private().json(PriceQueueView::from(queue)))
}

/// One price report with all that helps to decide it; also one that does not wait.
#[utoipa::path(get, path = "/v1/moderation/prices/{id}", tag = "moderation", security(("token" = ["moderate"])),
    params(("id" = String, Path, description = "Price id", pattern = "^p-[0-9a-f]{32}$")),
    responses((status = 200, body = PriceCaseView), (status = 404, body = Problem, content_type = "application/problem+json", description = "No such report"), crate::openapi::Desk))]
pub async fn find_price_case(
    state: Data<State>,
    _: Moderator,
    id: Path<PriceId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let id = id.into_inner();
    let wanted = id.clone();
    let case = blocking(&state, "reading a price report", move |s| {
        prices::find(&s.intake, &mut *s.intake.storage.reader()?, &wanted, Utc::now())
    })
    .await?;
    Ok(private().json(PriceCaseView::from(found(case, "price", id)?)))
}

/// Decides of a price report: its contributor reads the reason, and the medians follow at once. Deciding anew with the
/// other word takes it back.
#[utoipa::path(post, path = "/v1/moderation/prices/{id}/decisions", tag = "moderation", security(("token" = ["moderate"])),
    params(("id" = String, Path, description = "Price id", pattern = "^p-[0-9a-f]{32}$")),
    request_body(content = PriceDecisionOrder, content_type = "application/json"),
    responses((status = 201, body = PriceDecisionView), crate::openapi::Decided))]
pub async fn create_price_decision(
    state: Data<State>,
    moderator: Moderator,
    id: Path<PriceId>,
    request: HttpRequest,
    payload: Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let fields = Fields::read(&request, payload, &["decision", "reason", "revision"]).await?;
    let order = order(id.into_inner(), fields)?;
    let intake = state.intake.clone();
    let decision = state
        .intake
        .storage
        .write("deciding a price", move |tx| prices::decide(&intake, tx, &moderator.0, &order, Utc::now()))
        .await
        .map_err(refused)?;
    Ok(HttpResponse::Created().json(PriceDecisionView::from(decision)))
}

fn order(price: PriceId, mut fields: Fields) -> Result<PriceOrder, ApiError> {
    let decision = fields.word("decision", "must be `accept` or `reject`", PriceDecision::parse);
    let reason = fields.said("reason", WORDS);
    let revision = fields.optional_number("revision", 0, i64::MAX);
    if revision.is_none() {
        fields.refuse("revision", "must be that of the report you looked at");
    }
    fields.finish()?;
    let decision = decision.unwrap_or(PriceDecision::Reject);
    Ok(PriceOrder { price, decision, reason, revision: revision.unwrap_or(0) })
}

/// Lists decisions of price reports, newest first.
#[utoipa::path(get, path = "/v1/moderation/prices/decisions", tag = "moderation", security(("token" = ["moderate"])), params(DecisionsQuery),
    responses((status = 200, body = PriceDecisionList), crate::openapi::Desk))]
pub async fn list_price_decisions(
    state: Data<State>,
    _: Moderator,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let asked = AskedDecisions::read(&request)?;
    let (before, close, fetch) = (asked.before, asked.close, asked.limit + 1);
    let mut all = blocking(&state, "listing decisions of prices", move |s| {
        price_decisions::newest(&mut *s.intake.storage.reader()?, before, close, fetch)
    })
    .await?;
    let next = asked.cut(&mut all, |last| last.id);
    let rows = all.into_iter().map(PriceDecisionView::from).collect();
    Ok(private().json(PriceDecisionList { rows, next }))
}
