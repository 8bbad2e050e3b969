//! Corrections of labels: a moderator proposes, the contributor answers.

use actix_web::web::{self, Data, Path, Payload};
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;

use super::fields::Fields;
use super::moderation::{WORDS, refused};
use super::{blocking, intake_error, private};
use crate::auth::access::{Moderator, Owner, Submitter};
use crate::correction::{self, CHANGES, NotCorrected};
use crate::error::{ApiError, ErrorCode};
use crate::query;
use crate::state::State;
use crate::storage::corrections;
use crate::storage::ids::RunId;
use crate::views::correction::{AnsweredView, CorrectionList, CorrectionView};
use crate::views::shapes::{ConsentOrder, CorrectionOrder};

/// Proposes to put labels of a run right: nothing changes unless its contributor agrees. One that waits for an answer
/// gives way to a new one.
#[utoipa::path(post, path = "/v1/moderation/cases/{id}/corrections", tag = "moderation", security(("token" = ["moderate"])),
    params(("id" = String, Path, description = "Run id", pattern = "^r-[0-9a-f]{32}$")),
    request_body(content = CorrectionOrder, content_type = "application/json"),
    responses((status = 201, body = CorrectionView), crate::openapi::Decided))]
pub async fn create_correction(
    state: Data<State>,
    moderator: Moderator,
    id: Path<RunId>,
    request: HttpRequest,
    payload: Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let mut fields = Fields::read(&request, payload, &["changes", "reason"]).await?;
    let changes = fields.object("changes").unwrap_or_default();
    if changes.is_empty() || changes.len() > CHANGES {
        fields.refuse(
            "changes",
            &format!("must hold 1 to {CHANGES} JSON pointers with the values to put there"),
        );
    }
    let reason = fields.said("reason", WORDS);
    fields.finish()?;
    let (run, intake) = (id.into_inner(), state.intake.clone());
    let fits = web::block({
        let (run, changes, intake) = (run.clone(), changes.clone(), intake.clone());
        move || correction::fits(&intake, &run, &changes)
    });
    fits.await.map_err(|e| ApiError::internal("checking a correction", &e))?.map_err(not_corrected)?;
    let done = correction::propose(&intake, moderator.0, run, changes, reason, Utc::now()).await;
    Ok(HttpResponse::Created().json(CorrectionView::from(done.map_err(not_corrected)?)))
}

/// Lists what moderators would put right in runs of one's own, newest first.
#[utoipa::path(get, path = "/v1/account/corrections", tag = "account", security(("token" = ["read-own"])),
    responses((status = 200, body = CorrectionList), crate::openapi::Desk))]
pub async fn list_corrections(
    state: Data<State>,
    owner: Owner,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let all = blocking(&state, "listing corrections", move |s| {
        corrections::list(&mut *s.intake.storage.reader()?, &owner.0.id)
    })
    .await?;
    Ok(private().json(CorrectionList::from(all)))
}

/// Agrees to a correction, or does not. With consent the run is rejected as corrected, and the corrected run is stored and
/// judged in its place; its measurements stay as they were.
#[utoipa::path(post, path = "/v1/account/corrections/{id}", tag = "account", security(("token" = ["submit"])),
    params(("id" = i64, Path, description = "Number of the correction", minimum = 1)),
    request_body(content = ConsentOrder, content_type = "application/json"),
    responses((status = 200, body = AnsweredView), crate::openapi::Decided))]
pub async fn answer_correction(
    state: Data<State>,
    submitter: Submitter,
    id: Path<i64>,
    request: HttpRequest,
    payload: Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let mut fields = Fields::read(&request, payload, &["agree"]).await?;
    let agree = fields.needed_flag("agree");
    fields.finish()?;
    let (id, account, now) = (id.into_inner(), submitter.0.id, Utc::now());
    let ready = web::block({
        let (intake, account) = (state.intake.clone(), account.clone());
        move || correction::ready(&intake, &account, id, agree, now)
    });
    let ready = ready.await.map_err(|e| ApiError::internal("preparing a correction", &e))?;
    let answered = correction::answer(&state.intake, account, id, ready.map_err(not_corrected)?, now).await;
    Ok(private().json(AnsweredView::from(answered.map_err(not_corrected)?)))
}

fn not_corrected(why: NotCorrected) -> ApiError {
    match why {
        NotCorrected::Unfit(findings) => ApiError::with(ErrorCode::OffSchema, findings),
        NotCorrected::Answered => {
            ApiError::new(ErrorCode::AlreadySo, "The correction was answered before.".to_owned())
        }
        NotCorrected::Refused(why) => refused(why),
        NotCorrected::Intake(error) => intake_error(error),
    }
}
