//! What contributors may ask of what is stored about them: everything, and that it goes.

use std::io;

use actix_web::web::{self, Bytes, Data, Path, Payload};
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;
use futures_util::stream::{self, Stream};
use tokio::sync::mpsc;

use super::accounts::prove;
use super::fields::Fields;
use super::{private, storage_error};
use crate::auth::access::{Owner, Submitter};
use crate::error::ApiError;
use crate::query;
use crate::state::State;
use crate::storage::accounts::Account;
use crate::storage::ids::{PriceId, RunId};
use crate::views::personal::{self, GoneView};
use crate::views::shapes::GoodbyeOrder;
use crate::withdrawal::{self, NotWithdrawn};

/// Lines of an export that wait for a slow reader.
const QUEUE: usize = 8;

/// Withdraws a run of one's own: it leaves the tables at once, the model at its next refit, and editions from the next
/// one on. Nothing of it is kept but its id.
#[utoipa::path(delete, path = "/v1/runs/{id}", tag = "account", security(("token" = ["submit"])),
    params(("id" = String, Path, description = "Run id", pattern = "^r-[0-9a-f]{32}$")),
    responses((status = 204, description = "It is withdrawn"), crate::openapi::Decided))]
pub async fn delete_run(
    state: Data<State>,
    submitter: Submitter,
    id: Path<RunId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    withdrawal::run(&state.intake.storage, submitter.0.id, id.into_inner(), Utc::now())
        .await
        .map_err(|why| not_withdrawn("run of yours", &why))?;
    Ok(HttpResponse::NoContent().finish())
}

/// Withdraws a price report of one's own.
#[utoipa::path(delete, path = "/v1/prices/{id}", tag = "account", security(("token" = ["submit"])),
    params(("id" = String, Path, description = "Price id", pattern = "^p-[0-9a-f]{32}$")),
    responses((status = 204, description = "It is withdrawn"), crate::openapi::Decided))]
pub async fn delete_price(
    state: Data<State>,
    submitter: Submitter,
    id: Path<PriceId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    withdrawal::price(&state.intake.storage, submitter.0.id, id.into_inner(), Utc::now())
        .await
        .map_err(|why| not_withdrawn("price of yours", &why))?;
    Ok(HttpResponse::NoContent().finish())
}

fn not_withdrawn(what: &str, why: &NotWithdrawn) -> ApiError {
    match why {
        NotWithdrawn::NotOwn => ApiError::not_found(what),
        NotWithdrawn::Storage(error) => storage_error("withdrawing", error),
    }
}

/// Everything that is stored of the own account, one JSON document a line: the account, its tokens, benches, runs with
/// their frame times, prices, appeals, decisions of its runs and prices, measures about it.
#[utoipa::path(get, path = "/v1/account/export", tag = "account", security(("token" = ["read-own"])),
    responses((status = 200, body = String, content_type = "application/x-ndjson", description = "One line an item; `kind` says what it is"), crate::openapi::Desk))]
pub async fn export_account(
    state: Data<State>,
    owner: Owner,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    Ok(HttpResponse::Ok()
        .insert_header(("cache-control", "no-store"))
        .insert_header(("content-disposition", "attachment; filename=\"wearmark-export.ndjson\""))
        .content_type("application/x-ndjson")
        .streaming(lines(state, owner.0)))
}

fn lines(state: Data<State>, account: Account) -> impl Stream<Item = Result<Bytes, io::Error>> {
    let (out, lines) = mpsc::channel::<Result<Bytes, io::Error>>(QUEUE);
    // It ends when all is written, or when nobody reads any more; a thread of its own, since it waits for its reader.
    let work = web::block(move || {
        let send = |line: serde_json::Value| {
            let bytes = Bytes::from(format!("{line}\n"));
            out.blocking_send(Ok(bytes)).is_ok()
        };
        if let Err(error) = personal::export(&state.intake.storage, &account, send) {
            tracing::error!(%error, "an export broke off");
            // The body ends without its last chunk, so that its reader knows.
            let _ = out.blocking_send(Err(io::Error::other("the export broke off")));
        }
    });
    actix_web::rt::spawn(work);
    stream::unfold(lines, |mut lines| async { lines.recv().await.map(|line| (line, lines)) })
}

/// Deletes the own account with everything that it has submitted. Name and password are asked for again.
#[utoipa::path(delete, path = "/v1/account", tag = "account", security(("token" = ["read-own"])),
    request_body(content = GoodbyeOrder, content_type = "application/json"),
    responses((status = 200, body = GoneView), crate::openapi::Decided))]
pub async fn delete_account(
    state: Data<State>,
    owner: Owner,
    request: HttpRequest,
    payload: Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let mut fields = Fields::read(&request, payload, &["name", "password"]).await?;
    let (name, password) = (fields.text("name"), fields.text("password"));
    let account = owner.0;
    if name != account.name {
        fields.refuse("name", "must be the handle of the account that this credential is of");
    }
    fields.finish()?;
    prove(&state, &request, &account.name, password).await?;
    let gone = withdrawal::account(&state.intake.storage, account.id, Utc::now())
        .await
        .map_err(|why| not_withdrawn("account", &why))?;
    Ok(private().json(GoneView::from(gone)))
}
