//! The rows that tables are computed from.

use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse};
use utoipa::IntoParams;
use wearmark_core::policy::Policy;
use wearmark_core::table::frame::RunFrame;

use crate::error::ApiError;
use crate::published::table::{self, Page};
use crate::query::Parameters;
use crate::state::State;
use crate::views::table::FactsPage;

/// Which rows, in which form.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct FactsParameters {
    /// Rows of a page, 1 to 10000; where not given 1000 as JSON and all rows as CSV and Parquet.
    #[param(minimum = 1, maximum = 10000)]
    limit: Option<usize>,
    /// Cursor of the page, as the page before gave it. Pages show the rows as they were at the first
    /// page; once the service has forgotten that, the answer is 410.
    #[param(min_length = 1, pattern = "^[0-9a-f]+$")]
    cursor: Option<String>,
    /// `json`, `csv` or `parquet`, in place of `Accept`.
    #[param(pattern = "^(json|csv|parquet)$")]
    format: Option<String>,
}

impl FactsParameters {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] = &["limit", "cursor", "format"];
}

/// One row an accepted run, by run id, with every key and figure that the tables are computed from:
/// whoever takes all rows can compute every published median again.
#[utoipa::path(get, path = "/v1/facts", tag = "tables", params(FactsParameters),
    responses((status = 200, description = "The rows", content(
            (FactsPage = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.apache.parquet"))),
        crate::openapi::Table))]
pub async fn list_facts(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    let read = Parameters::read(request.query_string(), FactsParameters::NAMES);
    let page = Page::read(read, &request)?;
    let make = |frame: &RunFrame, _: &Policy| frame.export();
    let envelope = |revision, total, rows, next| FactsPage { revision, total, rows, next };
    table::answer(&state, &request, page, make, envelope).await
}
