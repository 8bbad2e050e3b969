//! Runs: submit, check, list, read.

use std::time::Instant;

use actix_web::web::{self, Bytes, Data, Path};
use actix_web::{HttpRequest, HttpResponse};
use chrono::Utc;
use sha2::{Digest, Sha256};
use utoipa::IntoParams;
use wearmark_core::run::Outcome;
use wearmark_core::series::envelope::envelope;
use wearmark_core::verdict::Verdict;

use super::paging::Paging;
use super::{blocking, found, intake_error, json, upload};
use crate::auth::access::Submitter;
use crate::error::{ApiError, ErrorCode, outside};
use crate::intake::{IdempotencyKey, Receipt};
use crate::query::{self, Parameters};
use crate::state::State;
use crate::storage::ids::{AccountId, RunId};
use crate::storage::runs::RunFilter;
use crate::views::judgement::{JudgedView, JudgementsView};
use crate::views::list::RunList;
use crate::views::plot::{self, PassPlot};
use crate::views::problem::Problem;
use crate::views::run::{FrameTimesView, ReceiptView, RunRowView, RunView};
use crate::views::shapes::RunDocument;

/// Longest idempotency key, characters.
const KEY_CHARS: usize = 128;

/// Submits a run. A judged run answers 201 whatever its verdict.
#[utoipa::path(post, path = "/v1/runs", tag = "runs", security(("token" = [])),
    params(("Idempotency-Key" = Option<String>, Header, description = "Your word for this submission, at most 128 visible ASCII characters: repeating it repeats the answer and stores nothing twice", max_length = 128, min_length = 1, pattern = "^[!-~]+$")),
    request_body(content = RunDocument, content_type = "application/json"),
    responses((status = 201, body = ReceiptView, headers(("location" = String, description = "Path of the run"))),
        (status = 200, body = ReceiptView, description = "The answer to an earlier request with the same key", headers(("location" = String, description = "Path of the run"))),
        (status = 409, body = Problem, description = "The run is stored already", content_type = "application/problem+json"),
        crate::openapi::Submission))]
pub async fn create_run(
    state: Data<State>,
    submitter: Submitter,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let key = idempotency_key(&request)?;
    let _permit = state.submission(Some(&submitter.0.id)).await?;
    let bytes = upload(&state, &submitter.0.id, &request, payload).await?;
    state.rates.submission(&submitter.0.id, Instant::now())?;
    let network = state.network_hash(&request);
    let receipt = submit(&state, submitter.0.id, network, bytes, key).await?;
    let mut answer = if receipt.replayed { HttpResponse::Ok() } else { HttpResponse::Created() };
    if let Some(run) = &receipt.run {
        answer.insert_header(("location", format!("/v1/runs/{run}")));
    }
    Ok(answer.json(ReceiptView::from(receipt)))
}

/// Tells what a submission would get now, and stores nothing.
#[utoipa::path(post, path = "/v1/runs/check", tag = "runs", security(("token" = [])),
    request_body(content = RunDocument, content_type = "application/json"),
    responses((status = 200, body = ReceiptView),
        (status = 409, body = Problem, description = "The run is stored already", content_type = "application/problem+json"),
        crate::openapi::Submission))]
pub async fn check_run(
    state: Data<State>,
    submitter: Submitter,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let _permit = state.submission(Some(&submitter.0.id)).await?;
    let bytes = upload(&state, &submitter.0.id, &request, payload).await?;
    let intake = state.intake.clone();
    let receipt = web::block(move || intake.check(&submitter.0.id, &bytes, Utc::now()).map_err(intake_error))
        .await
        .map_err(|e| ApiError::internal("checking a run", &e))??;
    Ok(HttpResponse::Ok().json(ReceiptView::from(receipt)))
}

/// Judges and stores one document.
pub(super) async fn submit(
    state: &Data<State>,
    account: AccountId,
    network: Option<String>,
    bytes: Bytes,
    key: Option<String>,
) -> Result<Receipt, ApiError> {
    let intake = state.intake.clone();
    let (prepared, key) = web::block(move || {
        let key = key.map(|key| IdempotencyKey { key, body_sha256: Sha256::digest(&bytes).into() });
        let prepared = intake.prepare(&account, &bytes, Utc::now()).map_err(intake_error)?;
        Ok::<_, ApiError>((prepared.from_network(network), key))
    })
    .await
    .map_err(|e| ApiError::internal("preparing a run", &e))??;
    state.intake.store(prepared, key).await.map_err(intake_error)
}

/// The submission's `Idempotency-Key`.
pub(super) fn idempotency_key(request: &HttpRequest) -> Result<Option<String>, ApiError> {
    let mut values = request.headers().get_all("idempotency-key");
    let Some(value) = values.next() else { return Ok(None) };
    let bytes = value.as_bytes();
    let visible = bytes.iter().all(|b| b.is_ascii_graphic());
    if !visible || bytes.is_empty() || bytes.len() > KEY_CHARS || values.next().is_some() {
        let rule = format!("Idempotency-Key must be one value of 1 to {KEY_CHARS} visible ASCII characters.");
        return Err(ApiError::with(
            ErrorCode::BadHeader,
            vec![outside("bad-header", "header", "Idempotency-Key", rule)],
        ));
    }
    Ok(Some(String::from_utf8_lossy(bytes).into_owned()))
}

/// Filters of the list of runs.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "only the derived description is used")]
pub(crate) struct RunsQuery {
    /// Card id.
    #[param(min_length = 1, max_length = 200)]
    card: Option<String>,
    /// Chip id.
    #[param(min_length = 1, max_length = 200)]
    chip: Option<String>,
    /// Workload id.
    #[param(min_length = 1, max_length = 200)]
    workload: Option<String>,
    /// Driver release id.
    #[param(min_length = 1, max_length = 200)]
    driver: Option<String>,
    /// Scene id.
    #[param(min_length = 1, max_length = 200)]
    scene: Option<String>,
    /// Graphics interface, as tables have it.
    #[param(min_length = 1, max_length = 200)]
    api: Option<String>,
    /// Preset, as tables have it.
    #[param(min_length = 1, max_length = 200)]
    preset: Option<String>,
    /// Width, pixels.
    #[param(minimum = 1, maximum = 65535)]
    width: Option<u32>,
    /// Height, pixels.
    #[param(minimum = 1, maximum = 65535)]
    height: Option<u32>,
    /// Build of the workload.
    #[param(min_length = 1, max_length = 200)]
    build: Option<String>,
    /// Platform class, as tables have it.
    #[param(min_length = 1, max_length = 200)]
    platform: Option<String>,
    /// Public handle of the contributor.
    #[param(min_length = 1, max_length = 200)]
    contributor: Option<String>,
    /// `accepted`, `held` or `rejected`.
    #[param(pattern = "^(accepted|held|rejected)$")]
    verdict: Option<String>,
    /// Code of a finding that the run has.
    #[param(min_length = 1, max_length = 200)]
    finding: Option<String>,
    /// `completed`, `did-not-start`, `crashed` or `rendering-fault`.
    #[param(pattern = "^(completed|did-not-start|crashed|rendering-fault)$")]
    outcome: Option<String>,
    /// Rows of a page, 1 to 1000; 100 where not given.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<u32>,
    /// Cursor of the page, as the page before gave it. It goes on where that page ended, also when runs have come in since.
    #[param(min_length = 1, pattern = "^[0-9a-f]+$")]
    cursor: Option<String>,
}

impl RunsQuery {
    /// All parameters.
    pub(crate) const NAMES: &'static [&'static str] = &[
        "card",
        "chip",
        "workload",
        "driver",
        "scene",
        "api",
        "preset",
        "width",
        "height",
        "build",
        "platform",
        "contributor",
        "verdict",
        "finding",
        "outcome",
        "limit",
        "cursor",
    ];
}

const VERDICTS: [Verdict; 3] = [Verdict::Accepted, Verdict::Held, Verdict::Rejected];

const OUTCOMES: [Outcome; 4] =
    [Outcome::Completed, Outcome::DidNotStart, Outcome::Crashed, Outcome::RenderingFault];

/// Lists stored runs, newest first.
#[utoipa::path(get, path = "/v1/runs", tag = "runs", params(RunsQuery),
    responses((status = 200, body = RunList), crate::openapi::List))]
pub async fn list_runs(state: Data<State>, request: HttpRequest) -> Result<HttpResponse, ApiError> {
    let mut query = Parameters::read(request.query_string(), RunsQuery::NAMES);
    let filter = RunFilter {
        card: query.text("card"),
        chip: query.text("chip"),
        workload: query.text("workload"),
        driver: query.text("driver"),
        scene: query.text("scene"),
        api: query.text("api"),
        preset: query.text("preset"),
        width: query.number("width", 1, 65535),
        height: query.number("height", 1, 65535),
        build: query.text("build"),
        platform: query.text("platform"),
        contributor: query.text("contributor"),
        verdict: query.choice("verdict", &VERDICTS.map(|v| (v.as_str(), v))),
        finding: query.text("finding"),
        outcome: query.choice("outcome", &OUTCOMES.map(|o| (o.as_str(), o))),
    };
    let paging = Paging::<RunId>::read(query)?;
    let (after, fetch) = (paging.after.clone(), paging.fetch());
    let (revision, mut rows) = blocking(&state, "listing runs", move |state| {
        let storage = &state.intake.storage;
        Ok((storage.last_change(), storage.list_runs(&filter, after.as_ref(), fetch)?))
    })
    .await?;
    let (mut answer, next) = paging.cut(request.path(), &mut rows, |row| row.id.as_str());
    Ok(answer.json(RunList { revision, rows: rows.into_iter().map(RunRowView::from).collect(), next }))
}

/// One stored run with its figures and findings.
#[utoipa::path(get, path = "/v1/runs/{id}", tag = "runs", params(("id" = String, Path, description = "Run id", pattern = "^r-[0-9a-f]{32}$")),
    responses((status = 200, body = RunView), crate::openapi::Entry))]
pub async fn find_run(
    state: Data<State>,
    id: Path<RunId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let id = id.into_inner();
    let wanted = id.clone();
    let run = blocking(&state, "reading a run", move |s| {
        let Some(run) = s.intake.storage.find_run(&wanted)? else { return Ok(None) };
        let conn = &mut *s.intake.storage.reader()?;
        let (rate, numbers) = (run.statistics.mean_fps, run.judgement.numbers.as_ref());
        let context = s.intake.context(conn, &run.identity, &run.contributor, rate, numbers)?;
        Ok(Some(RunView::new(run, context)))
    })
    .await?;
    match run {
        Some(run) => Ok(json(&run)),
        None => Err(absent(&state, "run", id.to_string()).await?),
    }
}

/// What is said of a run or price that is not there: whether it ever was.
pub(super) async fn absent(state: &Data<State>, what: &str, id: String) -> Result<ApiError, ApiError> {
    let asked = id.clone();
    let at =
        blocking(state, "looking for a withdrawal", move |s| s.intake.storage.withdrawn_at(&asked)).await?;
    Ok(match at {
        None => ApiError::new(ErrorCode::NotFound, format!("There is no {what} `{id}`.")),
        Some(at) => {
            let day = at.format("%Y-%m-%d");
            ApiError::new(ErrorCode::Withdrawn, format!("The {what} `{id}` was withdrawn on {day}."))
        }
    })
}

/// Every verdict that a run ever had, with what each rests on.
#[utoipa::path(get, path = "/v1/runs/{id}/judgements", tag = "runs", params(("id" = String, Path, description = "Run id", pattern = "^r-[0-9a-f]{32}$")),
    responses((status = 200, body = JudgementsView), crate::openapi::Entry))]
pub async fn find_judgements(
    state: Data<State>,
    id: Path<RunId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let id = id.into_inner();
    let wanted = id.clone();
    let all = blocking(&state, "reading verdicts", move |s| s.intake.storage.judgements(&wanted)).await?;
    let all = found(Some(all).filter(|all| !all.is_empty()), "run", &id)?;
    let judgements = all.into_iter().map(JudgedView::from).collect();
    Ok(json(&JudgementsView { run: id.into(), judgements }))
}

/// The frame times of a run, exactly as submitted.
#[utoipa::path(get, path = "/v1/runs/{id}/frame-times", tag = "runs", params(("id" = String, Path, description = "Run id", pattern = "^r-[0-9a-f]{32}$")),
    responses((status = 200, body = FrameTimesView), crate::openapi::Entry))]
pub async fn find_frame_times(
    state: Data<State>,
    id: Path<RunId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let id = id.into_inner();
    let wanted = id.clone();
    let times =
        blocking(&state, "reading frame times", move |s| s.intake.storage.frame_times(&wanted)).await?;
    Ok(json(&FrameTimesView { frame_times_ms: found(times, "run", &id)?, run: id.into() }))
}

/// The frame times of a run as a plot: over time, pass by pass, with its figures in words.
#[utoipa::path(get, path = "/v1/runs/{id}/plot.svg", tag = "runs", params(("id" = String, Path, description = "Run id", pattern = "^r-[0-9a-f]{32}$")),
    responses((status = 200, body = String, content_type = "image/svg+xml"), crate::openapi::Entry))]
pub async fn find_plot(
    state: Data<State>,
    id: Path<RunId>,
    request: HttpRequest,
) -> Result<HttpResponse, ApiError> {
    /// Stretches of a pass: one a unit of the plot's width would be more than can be seen.
    const STRETCHES: usize = 320;
    query::none(request.query_string())?;
    let id = id.into_inner();
    let wanted = id.clone();
    let svg = blocking(&state, "drawing a run", move |state| {
        let storage = &state.intake.storage;
        let (Some(run), Some(times)) = (storage.find_run(&wanted)?, storage.frame_times(&wanted)?) else {
            return Ok(None);
        };
        // Passes without frame times have no figures of their own.
        let mut figures = run.statistics.passes.iter();
        let passes: Vec<PassPlot> = times
            .iter()
            .map(|times| {
                let figures = if times.is_empty() { None } else { figures.next() };
                PassPlot {
                    stretches: envelope(times, STRETCHES),
                    mean_fps: figures.map(|f| f.mean_fps),
                    low_fps: figures.map(|f| f.low_percentile_fps),
                }
            })
            .collect();
        let identity = &run.identity;
        let about = format!(
            "{}, {}, {}, {} at {}x{}, {}",
            identity.card,
            identity.workload,
            identity.scene,
            identity.preset,
            identity.width,
            identity.height,
            identity.driver
        );
        Ok(Some(plot::frame_times(&about, &format!("/v1/runs/{wanted}/frame-times"), &passes)))
    })
    .await?;
    Ok(HttpResponse::Ok()
        .insert_header(("cache-control", "public, no-cache"))
        .content_type("image/svg+xml")
        .body(found(svg, "run", &id)?))
}
