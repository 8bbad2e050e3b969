//! The moderator's desk: the queue, cases, decisions.

use actix_web::web::{Data, Path, Payload};
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;
use utoipa::IntoParams;
use wearmark_core::desk::Decision;
use wearmark_core::verdict::Verdict;

use super::fields::Fields;
use super::{blocking, found, private, storage_error};
use crate::auth::access::Moderator;
use crate::error::{ApiError, ErrorCode};
use crate::moderation::{self, Order, Refused, case, queue};
use crate::query::{self, Parameters};
use crate::state::State;
use crate::storage::cases::CaseFilter;
use crate::storage::decisions;
use crate::storage::ids::RunId;
use crate::views::moderation::{CaseRowView, CaseView, ClaimView, DecisionList, DecisionView, QueueView};
use crate::views::problem::Problem;
use crate::views::shapes::{DecisionOrder, ReasonOrder};

/// Longest reason, characters.
pub(super) const WORDS: usize = 2000;

/// Filters of the queue.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct QueueQuery {
    /// Card id.
    #[param(min_length = 1, max_length = 200)]
    card: Option<String>,
    /// Workload id.
    #[param(min_length = 1, max_length = 200)]
    workload: Option<String>,
    /// Driver release id.
    #[param(min_length = 1, max_length = 200)]
    driver: Option<String>,
    /// Public handle of the contributor.
    #[param(min_length = 1, max_length = 200)]
    contributor: Option<String>,
    /// Code of a finding that the run has.
    #[param(min_length = 1, max_length = 200)]
    finding: Option<String>,
    /// `yes`: only runs that are appealed against.
    #[param(pattern = "^(yes|no)$")]
    appealed: Option<String>,
    /// `yes`: also runs whose contributor was asked to measure again.
    #[param(pattern = "^(yes|no)$")]
    asked: Option<String>,
    /// Cases of a page, 1 to 200; 50 where not given.
    #[param(minimum = 1, maximum = 200)]
    limit: Option<u32>,
    /// Cases left out at the beginning. The order moves as cases are decided.
    #[param(minimum = 0, maximum = 5000)]
    offset: Option<u32>,
}

impl QueueQuery {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] =
        &["card", "workload", "driver", "contributor", "finding", "appealed", "asked", "limit", "offset"];
}

pub(super) const YES_NO: [(&str, bool); 2] = [("yes", true), ("no", false)];

/// Lists the cases that wait, those that matter most first.
#[utoipa::path(get, path = "/v1/moderation/queue", tag = "moderation", security(("token" = ["moderate"])), params(QueueQuery),
    responses((status = 200, body = QueueView), crate::openapi::Desk))]
pub async fn list_cases(
    state: Data<State>,
    _: Moderator,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let mut query = Parameters::read(request.query_string(), QueueQuery::NAMES);
    let filter = CaseFilter {
        card: query.text("card"),
        workload: query.text("workload"),
        driver: query.text("driver"),
        contributor: query.text("contributor"),
        finding: query.text("finding"),
        appealed: query.choice("appealed", &YES_NO).unwrap_or(false),
        asked: query.choice("asked", &YES_NO).unwrap_or(false),
    };
    let limit: u32 = query.number("limit", 1, 200).unwrap_or(50);
    let offset: u32 = query.number("offset", 0, 5000).unwrap_or(0);
    query.finish()?;
    let cases = blocking(&state, "listing cases", move |s| {
        let conn = &mut *s.intake.storage.reader()?;
        let people = s.intake.storage.people();
        queue::queue(conn, &filter, &people, &s.intake.policy.desk, Utc::now()).map(queue::folded)
    })
    .await?;
    let total = cases.len();
    let rows = cases.into_iter().skip(offset as usize).take(limit as usize).map(CaseRowView::from).collect();
    Ok(private().json(QueueView { total, rows }))
}

/// Everything about one run that helps to decide it.
#[utoipa::path(get, path = "/v1/moderation/cases/{id}", tag = "moderation", security(("token" = ["moderate"])),
    params(("id" = String, Path, description = "Run id", pattern = "^r-[0-9a-f]{32}$")),
    responses((status = 200, body = CaseView), (status = 404, body = Problem, content_type = "application/problem+json", description = "No such run"), crate::openapi::Desk))]
pub async fn find_case(
    state: Data<State>,
    _: Moderator,
    id: Path<RunId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let id = id.into_inner();
    let wanted = id.clone();
    let case = blocking(&state, "reading a case", move |s| {
        case::find(&s.intake, &mut *s.intake.storage.reader()?, &wanted, Utc::now())
    })
    .await?;
    Ok(private().json(CaseView::from(found(case, "run", id)?)))
}

/// Takes a case, so that nobody else decides it meanwhile; again to keep it longer.
#[utoipa::path(post, path = "/v1/moderation/cases/{id}/claim", tag = "moderation", security(("token" = ["moderate"])),
    params(("id" = String, Path, description = "Run id", pattern = "^r-[0-9a-f]{32}$")),
    responses((status = 200, body = ClaimView), crate::openapi::Decided))]
pub async fn create_claim(
    state: Data<State>,
    moderator: Moderator,
    id: Path<RunId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let (run, intake) = (id.into_inner(), state.intake.clone());
    let claim = state
        .intake
        .storage
        .write("claiming a case", move |tx| moderation::claim(&intake, tx, &moderator.0, &run, Utc::now()))
        .await
        .map_err(refused)?;
    Ok(private().json(ClaimView::from(claim)))
}

/// Gives a case back.
#[utoipa::path(delete, path = "/v1/moderation/cases/{id}/claim", tag = "moderation", security(("token" = ["moderate"])),
    params(("id" = String, Path, description = "Run id", pattern = "^r-[0-9a-f]{32}$")),
    responses((status = 204, description = "Nobody has the case now"), crate::openapi::Decided))]
pub async fn delete_claim(
    state: Data<State>,
    moderator: Moderator,
    id: Path<RunId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let run = id.into_inner();
    state
        .intake
        .storage
        .write("giving a case back", move |tx| moderation::unclaim(tx, &moderator.0, &run, Utc::now()))
        .await
        .map_err(refused)?;
    Ok(HttpResponse::NoContent().finish())
}

/// Decides of a run: its contributor reads the reason, and the tables follow at once.
#[utoipa::path(post, path = "/v1/moderation/cases/{id}/decisions", tag = "moderation", security(("token" = ["moderate"])),
    params(("id" = String, Path, description = "Run id", pattern = "^r-[0-9a-f]{32}$")),
    request_body(content = DecisionOrder, content_type = "application/json"),
    responses((status = 201, body = DecisionView), crate::openapi::Decided))]
pub async fn create_decision(
    state: Data<State>,
    moderator: Moderator,
    id: Path<RunId>,
    request: HttpRequest,
    payload: Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let fields = Fields::read(&request, payload, &["decision", "reason", "revision", "original"]).await?;
    let order = order(id.into_inner(), fields)?;
    let intake = state.intake.clone();
    let decision = state
        .intake
        .storage
        .write("deciding a case", move |tx| moderation::decide(&intake, tx, &moderator.0, &order, Utc::now()))
        .await
        .map_err(refused)?;
    Ok(HttpResponse::Created().json(DecisionView::from(decision)))
}

fn order(run: RunId, mut fields: Fields) -> Result<Order, ApiError> {
    let decision = decision(&mut fields);
    let reason = fields.said("reason", WORDS);
    let revision = fields.optional_number("revision", 0, i64::MAX);
    let rule = "must be the id of another run, `r-` and 32 hexadecimal digits";
    let original = fields.parsed("original", rule, |text| text.parse::<RunId>().ok());
    if revision.is_none() {
        fields.refuse("revision", "must be that of the case you looked at");
    }
    match (decision, &original) {
        (Some(Decision::Duplicate), None) => {
            fields.refuse("original", "is missing: a duplicate names the run that it is one of");
        }
        (Some(decision), Some(_)) if decision != Decision::Duplicate => {
            fields.refuse("original", "is for duplicates only");
        }
        _ => {}
    }
    fields.finish()?;
    let decision = decision.unwrap_or(Decision::Rerun);
    Ok(Order { run, decision, reason, original, revision: revision.unwrap_or(0), batch: None })
}

/// The decision in a body; refused when it is missing.
pub(super) fn decision(fields: &mut Fields) -> Option<Decision> {
    const RULE: &str = "must be `accept`, `reject`, `rerun` or `duplicate`";
    fields.word("decision", RULE, Decision::parse)
}

/// Takes a decision back: the run, and the tables, stand as before.
#[utoipa::path(post, path = "/v1/moderation/decisions/{id}/revert", tag = "moderation", security(("token" = ["moderate"])),
    params(("id" = i64, Path, description = "Number of the decision", minimum = 1)),
    request_body(content = ReasonOrder, content_type = "application/json"),
    responses((status = 201, body = DecisionView), crate::openapi::Decided))]
pub async fn revert_decision(
    state: Data<State>,
    moderator: Moderator,
    id: Path<i64>,
    request: HttpRequest,
    payload: Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let mut fields = Fields::read(&request, payload, &["reason"]).await?;
    let reason = fields.said("reason", WORDS);
    fields.finish()?;
    let (id, intake) = (id.into_inner(), state.intake.clone());
    let decision = state
        .intake
        .storage
        .write("taking a decision back", move |tx| {
            moderation::revert(&intake, tx, &moderator.0, id, &reason, Utc::now())
        })
        .await
        .map_err(refused)?;
    Ok(HttpResponse::Created().json(DecisionView::from(decision)))
}

/// Which decisions.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct DecisionsQuery {
    /// Decisions of a page, 1 to 1000; 100 where not given.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<u32>,
    /// Number of a decision: those before it.
    #[param(minimum = 1)]
    before: Option<i64>,
    /// `yes`: only those that are marked `close`; `no`: only the others.
    #[param(pattern = "^(yes|no)$")]
    close: Option<String>,
}

/// Which decisions, as asked for.
pub(super) struct AskedDecisions {
    pub(super) limit: u32,
    pub(super) before: Option<i64>,
    pub(super) close: Option<bool>,
}

impl AskedDecisions {
    pub(super) fn read(request: &HttpRequest) -> Result<AskedDecisions, ApiError> {
        let mut query = Parameters::read(request.query_string(), &["limit", "before", "close"]);
        let limit = query.number("limit", 1, 1000).unwrap_or(100);
        let before = query.number("before", 1, i64::MAX);
        let close = query.choice("close", &YES_NO);
        query.finish()?;
        Ok(AskedDecisions { limit, before, close })
    }

    /// Cuts what was read, with one more than asked for, to the page; gives `before` of the next one.
    pub(super) fn cut<T>(&self, all: &mut Vec<T>, id: impl Fn(&T) -> i64) -> Option<i64> {
        let more = all.len() > self.limit as usize;
        all.truncate(self.limit as usize);
        all.last().filter(|_| more).map(id)
    }
}

/// Lists decisions of runs, newest first.
#[utoipa::path(get, path = "/v1/moderation/decisions", tag = "moderation", security(("token" = ["moderate"])), params(DecisionsQuery),
    responses((status = 200, body = DecisionList), crate::openapi::Desk))]
pub async fn list_decisions(
    state: Data<State>,
    _: Moderator,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    let asked = AskedDecisions::read(&request)?;
    let (before, close, fetch) = (asked.before, asked.close, asked.limit + 1);
    let mut all = blocking(&state, "listing decisions", move |s| {
        decisions::newest(&mut *s.intake.storage.reader()?, before, close, fetch)
    })
    .await?;
    let next = asked.cut(&mut all, |last| last.id);
    Ok(private().json(DecisionList { rows: all.into_iter().map(DecisionView::from).collect(), next }))
}

/// Why something was not done, to the caller.
pub(super) fn refused(why: Refused) -> ApiError {
    let detail = why.to_string();
    let code = match why {
        Refused::Unknown(what) => return ApiError::not_found(what),
        Refused::Storage(error) => return storage_error("moderating", &error),
        Refused::Changed { revision, verdict } => return changed(revision, verdict),
        Refused::Own => ErrorCode::OwnRun,
        Refused::Claimed(_) => ErrorCode::Claimed,
        Refused::NotStanding => ErrorCode::NotStanding,
        Refused::Already(_) => ErrorCode::AlreadySo,
        Refused::Uncountable(_) => ErrorCode::CannotCount,
        Refused::NoAppeal(_) => ErrorCode::NoAppeal,
        Refused::Rank => ErrorCode::NeedsOperator,
    };
    ApiError::new(code, sentence(&detail))
}

fn changed(revision: i64, verdict: Verdict) -> ApiError {
    let verdict = verdict.as_str();
    let detail = format!("It is {verdict} now, at revision {revision}.");
    ApiError::new(ErrorCode::CaseChanged, detail)
}

fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    format!("{first}{}.", letters.as_str())
}
