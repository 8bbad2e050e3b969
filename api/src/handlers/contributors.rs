//! Contributors as moderators see them, and contributors' word against a rejection.

use actix_web::web::{Data, Path, Payload};
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;

use super::fields::Fields;
use super::moderation::{WORDS, refused};
use super::{blocking, found, private};
use crate::auth::access::{Moderator, Submitter};
use crate::error::ApiError;
use crate::moderation::{self, case};
use crate::query;
use crate::state::State;
use crate::storage::accounts::Account;
use crate::storage::ids::RunId;
use crate::storage::measures::MeasureKind;
use crate::views::contributor::{MeasureView, RecordView, TiesView};
use crate::views::problem::Problem;
use crate::views::shapes::{AppealOrder, MeasureOrder, SeparationOrder};

/// The record of a contributor: what became of their runs, how their benches stand among others, measures about them.
#[utoipa::path(get, path = "/v1/moderation/contributors/{name}", tag = "moderation", security(("token" = ["moderate"])),
    params(("name" = String, Path, description = "Public handle", min_length = 1, max_length = 64)),
    responses((status = 200, body = RecordView), (status = 404, body = Problem, content_type = "application/problem+json", description = "No such contributor"), crate::openapi::Desk))]
pub async fn find_contributor(
    state: Data<State>,
    _: Moderator,
    name: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let account = account(&state, name.into_inner()).await?;
    let id = account.id.clone();
    let record = blocking(&state, "reading a record", move |s| {
        case::record(&mut *s.intake.storage.reader()?, id.as_str())
    })
    .await?;
    Ok(private().json(RecordView::new(account.name, record)))
}

/// Acts on a contributor: a note for other moderators, all their runs held, or the account suspended; with an end or
/// until it is lifted.
#[utoipa::path(post, path = "/v1/moderation/contributors/{name}/measures", tag = "moderation", security(("token" = ["moderate"])),
    params(("name" = String, Path, description = "Public handle", min_length = 1, max_length = 64)),
    request_body(content = MeasureOrder, content_type = "application/json"),
    responses((status = 201, body = MeasureView), crate::openapi::Decided))]
pub async fn create_measure(
    state: Data<State>,
    moderator: Moderator,
    name: Path<String>,
    request: HttpRequest,
    payload: Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let now = Utc::now();
    let mut fields = Fields::read(&request, payload, &["kind", "words", "until"]).await?;
    let kind = fields.word("kind", "must be `note`, `hold-all` or `suspend`", MeasureKind::parse);
    let words = fields.said("words", WORDS);
    let until = fields.later("until", now);
    fields.finish()?;
    let kind = kind.unwrap_or(MeasureKind::Note);
    let about = account(&state, name.into_inner()).await?;
    let measure = state
        .intake
        .storage
        .write("taking a measure", move |tx| {
            moderation::measure(tx, &moderator.0, &about, kind, &words, until, now)
        })
        .await
        .map_err(refused)?;
    state.intake.storage.forget_credentials();
    Ok(HttpResponse::Created().json(MeasureView::from(measure)))
}

/// Lifts a measure before its time.
#[utoipa::path(delete, path = "/v1/moderation/contributors/{name}/measures/{id}", tag = "moderation", security(("token" = ["moderate"])),
    params(("name" = String, Path, description = "Public handle", min_length = 1, max_length = 64), ("id" = i64, Path, description = "Number of the measure", minimum = 1)),
    responses((status = 200, body = MeasureView), crate::openapi::Decided))]
pub async fn delete_measure(
    state: Data<State>,
    moderator: Moderator,
    path: Path<(String, i64)>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let (name, id) = path.into_inner();
    let about = account(&state, name).await?;
    let measure = state
        .intake
        .storage
        .write("lifting a measure", move |tx| moderation::lift(tx, &moderator.0, &about, id, Utc::now()))
        .await
        .map_err(refused)?;
    state.intake.storage.forget_credentials();
    Ok(private().json(MeasureView::from(measure)))
}

/// The accounts that have anything in common with a contributor's, and which of them count as one with it.
#[utoipa::path(get, path = "/v1/moderation/contributors/{name}/ties", tag = "moderation", security(("token" = ["moderate"])),
    params(("name" = String, Path, description = "Public handle", min_length = 1, max_length = 64)),
    responses((status = 200, body = TiesView), (status = 404, body = Problem, content_type = "application/problem+json", description = "No such contributor"), crate::openapi::Desk))]
pub async fn list_ties(
    state: Data<State>,
    _: Moderator,
    name: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let account = account(&state, name.into_inner()).await?;
    let id = account.id.clone();
    let tied =
        blocking(&state, "reading ties", move |s| case::tied(&mut *s.intake.storage.reader()?, id.as_str()))
            .await?;
    Ok(private().json(TiesView::new(account.name, tied)))
}

/// Finds that two accounts are two persons: they count apart from now on. With `separated` false that is taken back.
#[utoipa::path(post, path = "/v1/moderation/contributors/{name}/ties", tag = "moderation", security(("token" = ["moderate"])),
    params(("name" = String, Path, description = "Public handle", min_length = 1, max_length = 64)),
    request_body(content = SeparationOrder, content_type = "application/json"),
    responses((status = 204, description = "Tables follow at once, judgement from the next run on"), crate::openapi::Decided))]
pub async fn create_separation(
    state: Data<State>,
    moderator: Moderator,
    name: Path<String>,
    request: HttpRequest,
    payload: Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let mut fields = Fields::read(&request, payload, &["other", "separated"]).await?;
    let other = fields.text("other");
    let apart = fields.flag("separated");
    fields.finish()?;
    let one = account(&state, name.into_inner()).await?;
    let other = account(&state, other).await?;
    state
        .intake
        .storage
        .write("separating accounts", move |tx| {
            moderation::separate(tx, &moderator.0, (&one, &other), apart, Utc::now())
        })
        .await
        .map_err(refused)?;
    Ok(HttpResponse::NoContent().finish())
}

/// Says why a rejected run of one's own should count; once a run. Another look is taken by a moderator.
#[utoipa::path(post, path = "/v1/runs/{id}/appeal", tag = "runs", security(("token" = ["submit"])),
    params(("id" = String, Path, description = "Run id", pattern = "^r-[0-9a-f]{32}$")),
    request_body(content = AppealOrder, content_type = "application/json"),
    responses((status = 204, description = "The appeal waits for a moderator"), crate::openapi::Decided))]
pub async fn create_appeal(
    state: Data<State>,
    submitter: Submitter,
    id: Path<RunId>,
    request: HttpRequest,
    payload: Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let mut fields = Fields::read(&request, payload, &["words"]).await?;
    let words = fields.said("words", WORDS);
    fields.finish()?;
    let run = id.into_inner();
    state
        .intake
        .storage
        .write("storing an appeal", move |tx| {
            moderation::appeal(tx, &submitter.0.id, &run, &words, Utc::now())
        })
        .await
        .map_err(refused)?;
    Ok(HttpResponse::NoContent().finish())
}

async fn account(state: &Data<State>, name: String) -> Result<Account, ApiError> {
    let wanted = name.clone();
    let account =
        blocking(state, "looking for a contributor", move |s| s.intake.storage.account_by_name(&wanted))
            .await?;
    found(account, "contributor", name)
}
