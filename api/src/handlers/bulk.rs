//! One decision of many cases.

use actix_web::web::{Data, Payload};
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;
use serde_json::{Map, Value};
use wearmark_core::desk::Decision;

use super::fields::Fields;
use super::moderation::{WORDS, decision, refused};
use super::{blocking, private};
use crate::auth::access::Moderator;
use crate::error::{ApiError, ErrorCode};
use crate::moderation::bulk::{self, BulkOrder};
use crate::query;
use crate::state::State;
use crate::storage::cases::CaseFilter;
use crate::views::bulk::{BulkView, OutcomeView, PreviewView};
use crate::views::shapes::BulkOrderShape;

/// Decides of all cases that pass a filter, 200 at most: first without `stamp`, which changes nothing and shows what
/// would be decided, then with the stamp of that answer, which is taken only while the cases are as they were shown.
#[utoipa::path(post, path = "/v1/moderation/bulk", tag = "moderation", security(("token" = ["moderate"])),
    request_body(content = BulkOrderShape, content_type = "application/json"),
    responses((status = 200, body = PreviewView, description = "What would be decided"),
        (status = 201, body = BulkView, description = "What was decided"), crate::openapi::Decided))]
pub async fn create_bulk(
    state: Data<State>,
    moderator: Moderator,
    request: HttpRequest,
    payload: Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let fields = Fields::read(&request, payload, &["decision", "reason", "stamp", "filter"]).await?;
    let (order, stamp) = order(fields)?;
    let Some(stamp) = stamp else {
        let preview = blocking(&state, "looking at cases", move |s| {
            bulk::preview(&s.intake, &mut *s.intake.storage.reader()?, &order, Utc::now())
        })
        .await?;
        return Ok(private().json(PreviewView::from(preview)));
    };
    let intake = state.intake.clone();
    let outcomes = state
        .intake
        .storage
        .write("deciding cases", move |tx| {
            bulk::decide_all(&intake, tx, &moderator.0, &order, &stamp, Utc::now())
        })
        .await
        .map_err(refused)?;
    let Some(outcomes) = outcomes else {
        return Err(ApiError::new(
            ErrorCode::CaseChanged,
            "The cases are not those that were shown. Look at them again, without a stamp.",
        ));
    };
    let rows = outcomes
        .into_iter()
        .map(|outcome| OutcomeView::new(outcome.run, outcome.decision.map_err(refused)))
        .collect();
    Ok(HttpResponse::Created().json(BulkView { rows }))
}

fn order(mut fields: Fields) -> Result<(BulkOrder, Option<String>), ApiError> {
    let decision = decision(&mut fields);
    if decision == Some(Decision::Duplicate) {
        fields.refuse(
            "decision",
            "cannot be `duplicate` here: each names its original, so each is decided alone",
        );
    }
    let reason = fields.said("reason", WORDS);
    let stamp = fields.optional_text("stamp");
    let filter = match fields.object("filter") {
        Some(object) if !object.is_empty() => filter(&object, &mut fields),
        _ => {
            fields.refuse("filter", "must name at least one of card, workload, driver, contributor, finding");
            CaseFilter::default()
        }
    };
    fields.finish()?;
    Ok((BulkOrder { filter, decision: decision.unwrap_or(Decision::Rerun), reason }, stamp))
}

fn filter(object: &Map<String, Value>, fields: &mut Fields) -> CaseFilter {
    let mut filter = CaseFilter::default();
    for (name, value) in object {
        let place = match name.as_str() {
            "card" => &mut filter.card,
            "workload" => &mut filter.workload,
            "driver" => &mut filter.driver,
            "contributor" => &mut filter.contributor,
            "finding" => &mut filter.finding,
            _ => {
                fields.refuse("filter", "has the fields card, workload, driver, contributor and finding");
                continue;
            }
        };
        match value.as_str().filter(|text| (1..=200).contains(&text.chars().count())) {
            Some(text) => *place = Some(text.to_owned()),
            None => fields.refuse("filter", "must have texts of 1 to 200 characters only"),
        }
    }
    filter
}
