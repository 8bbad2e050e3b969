//! The rules that submissions are checked by, and the kinds of problems.

use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse};

use crate::error::{ApiError, ErrorCode};
use crate::published::answer::At;
use crate::published::document;
use crate::state::State;
use crate::views::finding::{RuleView, RulesView};
use crate::views::problem::{ProblemKind, ProblemKinds};

/// Every finding code with the most that can follow from it and why it exists.
#[utoipa::path(get, path = "/v1/rules", tag = "rules", responses((status = 200, body = RulesView), crate::openapi::Plain))]
pub async fn list_rules(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Program, |_, _| {
        Ok(RulesView { rows: crate::rules::all().map(RuleView::from).collect() })
    })
    .await
}

/// Every kind of problem that an answer can name.
#[utoipa::path(get, path = "/problems", tag = "rules", responses((status = 200, body = ProblemKinds), crate::openapi::Plain))]
pub async fn list_problems(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Program, |_, _| {
        Ok(ProblemKinds { rows: ErrorCode::ALL.iter().copied().map(ProblemKind::from).collect() })
    })
    .await
}

/// One kind of problem, at the address that is its type.
#[utoipa::path(get, path = "/problems/{code}", tag = "rules", params(("code" = String, Path, description = "Code of the problem")),
    responses((status = 200, body = ProblemKind), crate::openapi::Entry))]
pub async fn find_problem(
    state: Data<State>,
    code: Path<String>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    document::answer(&state, &request, At::Program, move |_, _| {
        let kind = ErrorCode::ALL.iter().copied().find(|kind| kind.slug() == *code);
        super::found(kind.map(ProblemKind::from), "kind of problem", code)
    })
    .await
}
