//! Batches: one run document a line in, one result line a run out. Lines are read, judged and
//! answered while the body still arrives, so a batch of any length takes bounded memory.

use std::io::{self, BufRead, BufReader, Read};
use std::sync::Arc;
use std::time::Instant;

use actix_web::web::{self, Bytes, Data};
use actix_web::{HttpRequest, HttpResponse};
use futures_util::stream::{self, Stream, StreamExt};
use tokio::sync::{OwnedSemaphorePermit, mpsc};

use super::runs::{idempotency_key, submit};
use crate::auth::access::Submitter;
use crate::body::{self, Coding, Media};
use crate::config::Limits;
use crate::error::{ApiError, ErrorCode};
use crate::query;
use crate::state::State;
use crate::storage::ids::AccountId;
use crate::views::batch::BatchLine;
use crate::views::shapes::RunDocument;

/// Chunks of the body, and lines out of it, that may wait for the next step.
const QUEUE: usize = 4;

/// Submits runs, one JSON document a line (NDJSON). Every line is judged on its own and answered by
/// a line of its own, in order; blank lines are skipped. With `Idempotency-Key: K` each line counts
/// as submitted with the key `K/LINE`, so that a batch can be repeated.
#[utoipa::path(post, path = "/v1/runs/batch", tag = "runs", security(("token" = [])),
    params(("Idempotency-Key" = Option<String>, Header, description = "Your word for this batch, at most 128 visible ASCII characters", max_length = 128, min_length = 1, pattern = "^[!-~]+$")),
    request_body(content = RunDocument, content_type = "application/x-ndjson"),
    responses((status = 200, body = BatchLine, content_type = "application/x-ndjson", description = "One line a run"), crate::openapi::Submission))]
pub async fn create_batch(
    state: Data<State>,
    submitter: Submitter,
    request: HttpRequest,
    payload: web::Payload,
) -> Result<HttpResponse, ApiError> {
    query::none(request.query_string())?;
    let key = idempotency_key(&request)?;
    let coding = body::announced(&request, Media::Lines, None)?;
    let full = |_| ApiError::new(ErrorCode::Busy, "Too many batches are being served.");
    let permit = Arc::clone(&state.batches).try_acquire_owned().map_err(full)?;
    let lines = lines(&state.limits, payload, coding, permit);
    let from = Origin { account: submitter.0.id, network: state.network_hash(&request) };
    let results = results(state, from, key, lines);
    Ok(HttpResponse::Ok().content_type(Media::Lines.name()).streaming(results))
}

/// Something read from the body: a numbered line, or why reading ended early.
type Line = Result<(u64, Bytes), ApiError>;

/// The lines of a body. The connection's task pumps chunks to a thread that inflates and splits them.
fn lines(
    limits: &Limits,
    mut payload: web::Payload,
    coding: Coding,
    permit: OwnedSemaphorePermit,
) -> mpsc::Receiver<Line> {
    let (chunk_out, chunk_in) = mpsc::channel::<Result<Bytes, ApiError>>(QUEUE);
    let (line_out, line_in) = mpsc::channel::<Line>(QUEUE);
    let idle = limits.body_idle;
    actix_web::rt::spawn(async move {
        loop {
            let chunk = match tokio::time::timeout(idle, payload.next()).await {
                Ok(None) => break,
                Ok(Some(chunk)) => chunk.map_err(|e| body::incomplete(&e)),
                Err(_silence) => Err(ApiError::new(
                    ErrorCode::BodyTimeout,
                    format!("No part of the body arrived for {} s.", idle.as_secs_f64()),
                )),
            };
            let last = chunk.is_err();
            if chunk_out.send(chunk).await.is_err() || last {
                break;
            }
        }
    });
    let limits = limits.clone();
    // Batches hold one thread of the pool each and wait there for their own work on the same pool, so
    // `serve` gives the pool more threads than there may be batches.
    drop(actix_web::rt::task::spawn_blocking(move || {
        split(chunk_in, coding, &limits, &line_out);
        drop(permit);
    }));
    line_in
}

/// Splits the inflated body into lines until it ends, breaks a limit, or nobody listens any more.
fn split(
    chunks: mpsc::Receiver<Result<Bytes, ApiError>>,
    coding: Coding,
    limits: &Limits,
    out: &mpsc::Sender<Line>,
) {
    let mut chunks = BufReader::new(Chunks { chunks, current: Bytes::new(), failed: None });
    let ended = split_all(&mut chunks, coding, limits, out);
    if let Err(error) = ended {
        let error = chunks.get_mut().failed.take().unwrap_or(error);
        let _ = out.blocking_send(Err(error));
    }
}

fn split_all(
    chunks: &mut BufReader<Chunks>,
    coding: Coding,
    limits: &Limits,
    out: &mpsc::Sender<Line>,
) -> Result<(), ApiError> {
    let total = limits.batch_expanded_bytes;
    let expanded = body::decoder(chunks, coding).map_err(|e| body::broken(&e))?;
    let mut reader = BufReader::new(expanded.take(total.saturating_add(1)));
    let (mut number, mut runs, mut read) = (0_u64, 0_usize, 0_u64);
    loop {
        let mut line = Vec::new();
        let bound = limits.batch_line_bytes as u64 + 1;
        let count = (&mut reader).take(bound).read_until(b'\n', &mut line).map_err(|e| body::broken(&e))?;
        if count == 0 {
            return Ok(());
        }
        number += 1;
        read += count as u64;
        if read > total {
            return Err(body::too_large("of the batch after decompression", total));
        }
        if count as u64 == bound && line.last() != Some(&b'\n') {
            return Err(body::too_large(&format!("on line {number}"), limits.batch_line_bytes as u64));
        }
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        runs += 1;
        if runs > limits.batch_lines {
            let detail =
                format!("A batch has at most {} runs; send the rest in another.", limits.batch_lines);
            return Err(ApiError::new(ErrorCode::BodyTooLarge, detail));
        }
        if out.blocking_send(Ok((number, line.into()))).is_err() {
            return Ok(());
        }
    }
}

/// Where the runs of a batch come from.
struct Origin {
    account: AccountId,
    /// Keyed hash of the network.
    network: Option<String>,
}

/// The result lines, in the order of the runs, several of which are in work at once.
///
/// A client may send the whole batch before it reads any answer, so results queue here (a few
/// hundred bytes for each of a bounded number of lines) instead of stopping the reading.
fn results(
    state: Data<State>,
    from: Origin,
    key: Option<String>,
    mut lines: mpsc::Receiver<Line>,
) -> impl Stream<Item = Result<Bytes, io::Error>> {
    let (out, results) = mpsc::unbounded_channel::<Bytes>();
    actix_web::rt::spawn(async move {
        let in_flight = state.limits.batch_in_flight;
        let mut answers = stream::poll_fn(|context| lines.poll_recv(context))
            .map(|line| one(&state, &from, key.as_deref(), line))
            .buffered(in_flight);
        while let Some(answer) = answers.next().await {
            if out.send(encode(&answer)).is_err() {
                break;
            }
        }
    });
    stream::unfold(results, |mut results| async { results.recv().await.map(|line| (Ok(line), results)) })
}

async fn one(state: &Data<State>, from: &Origin, key: Option<&str>, line: Line) -> BatchLine {
    let (number, bytes) = match line {
        Ok(line) => line,
        Err(error) => return BatchLine::failed(None, &error),
    };
    if let Err(error) = count(state, &from.account, bytes.len()) {
        return BatchLine::failed(Some(number), &error);
    }
    let key = key.map(|key| format!("{key}/{number}"));
    match submit_patiently(state, from, bytes, key).await {
        Ok(receipt) => BatchLine::judged(number, receipt),
        Err(error) => BatchLine::failed(Some(number), &error),
    }
}

/// Every line counts as a submission of its own.
fn count(state: &State, account: &AccountId, bytes: usize) -> Result<(), ApiError> {
    let now = Instant::now();
    state.rates.upload(account, now)?;
    state.rates.uploaded(account, bytes, now);
    state.rates.submission(account, now)
}

/// A batch waits for the writer where a single submission is sent away: its client cannot repeat one line.
async fn submit_patiently(
    state: &Data<State>,
    from: &Origin,
    bytes: Bytes,
    key: Option<String>,
) -> Result<crate::intake::Receipt, ApiError> {
    const TRIES: u32 = 6;
    let mut pause = std::time::Duration::from_millis(50);
    for _ in 1..TRIES {
        let _permit = state.submission(None).await?;
        match submit(state, from.account.clone(), from.network.clone(), bytes.clone(), key.clone()).await {
            Err(error) if error.code == ErrorCode::Busy => tokio::time::sleep(pause).await,
            answer => return answer,
        }
        pause *= 2;
    }
    let _permit = state.submission(None).await?;
    submit(state, from.account.clone(), from.network.clone(), bytes, key).await
}

fn encode(line: &BatchLine) -> Bytes {
    let mut bytes = serde_json::to_vec(line).unwrap_or_default();
    bytes.push(b'\n');
    bytes.into()
}

/// Chunks from the connection as a blocking reader.
struct Chunks {
    chunks: mpsc::Receiver<Result<Bytes, ApiError>>,
    current: Bytes,
    failed: Option<ApiError>,
}

impl Read for Chunks {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        while self.current.is_empty() {
            match self.chunks.blocking_recv() {
                None => return Ok(0),
                Some(Ok(chunk)) => self.current = chunk,
                Some(Err(error)) => {
                    self.failed = Some(error);
                    return Err(io::Error::other("the body ended early"));
                }
            }
        }
        let count = into.len().min(self.current.len());
        into[..count].copy_from_slice(&self.current.split_to(count));
        Ok(count)
    }
}
