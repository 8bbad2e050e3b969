//! The steps before the writer: everything that takes time and needs no other run.

use chrono::{DateTime, NaiveDate, Utc};
use sha2::{Digest as _, Sha256};
use wearmark_core::examine::{Examined, examine};
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::ledger::Subject;
use wearmark_core::policy::Policy;
use wearmark_core::run::{Bench, BenchClaim, Outcome, Run};
use wearmark_core::series::fingerprint::Fingerprint;
use wearmark_core::series::reference::Shape;
use wearmark_schema::Rejection;

use super::{Intake, IntakeError};
use crate::storage::error::StorageError;
use crate::storage::ids::{AccountId, BenchId, RunId};
use crate::storage::submissions::NewPass;
use crate::storage::{Storage, canonical, evidence, time};

/// Passes shorter than this are not told apart by their frame times: with few frames, rounded as captures
/// are, two honest passes can be equal.
const TELLING_FRAMES: usize = 100;

/// A submission that is parsed and examined.
pub(super) struct Submission {
    pub(super) account: AccountId,
    /// As whom the account counts.
    pub(super) person: String,
    /// Keyed hash of the network that it came from.
    pub(super) network: Option<String>,
    pub(super) received_at: DateTime<Utc>,
    pub(super) measured_at: DateTime<Utc>,
    pub(super) measured_day: i32,
    pub(super) outcome: Outcome,
    pub(super) bench: BenchId,
    pub(super) bench_document: String,
    /// Hash of what the bench is made of.
    pub(super) bench_parts: String,
    /// The document without its frame times.
    pub(super) document: String,
    pub(super) fingerprint: String,
    pub(super) examined: Examined,
    pub(super) statistics: String,
    pub(super) passes: Vec<NewPass>,
    /// One list a pass.
    pub(super) frame_times: Vec<Vec<f64>>,
    /// What is kept for the references of the scene.
    pub(super) shape: Option<Shape>,
    /// One entry a pass.
    pub(super) fingerprints: Vec<Option<Fingerprint>>,
}

impl Submission {
    /// Whose run it is and what was measured.
    pub(super) fn subject(&self) -> Subject<'_> {
        Subject {
            contributor: &self.person,
            identity: &self.examined.identity,
            traits: &self.examined.traits,
            measured_day: self.measured_day,
        }
    }
}

/// A submission that is ready to be judged and stored.
pub struct Prepared {
    /// The id that it will have.
    pub(super) run: RunId,
    pub(super) submission: Submission,
    pub(super) frames: FrameTimes,
}

impl Prepared {
    /// The id that the run will have.
    pub(crate) fn id(&self) -> &RunId {
        &self.run
    }

    /// The same, with the keyed hash of the network that it came from.
    #[must_use]
    pub fn from_network(mut self, network: Option<String>) -> Prepared {
        self.submission.network = network;
        self
    }
}

/// Where the frame times are.
pub(super) enum FrameTimes {
    /// There are none.
    None,
    /// On disk, under this name.
    Kept(String),
    /// Still in memory: the run looked like a stored one, which needs no second copy.
    Unkept,
}

/// Bytes to an examined submission.
pub(super) fn read(
    intake: &Intake,
    account: &AccountId,
    bytes: &[u8],
    now: DateTime<Utc>,
) -> Result<Submission, IntakeError> {
    let run = wearmark_schema::accept(bytes).map_err(|rejection| match rejection {
        Rejection::Malformed(finding) => IntakeError::Malformed(Box::new(finding)),
        Rejection::OffSchema(findings) => IntakeError::OffSchema(findings),
    })?;
    let (bench, bench_id) = resolve_bench(&intake.storage, account, &run)?;
    let catalogue = intake.storage.catalogue();
    let references = intake.storage.references();
    let (examined, shape) = examine(&run, &bench, bench_id.as_str(), &catalogue, &references, &intake.policy);
    let mut submission = pack(account, run, &bench, bench_id, examined, &intake.policy, now)?;
    submission.shape = shape;
    submission.person = intake.storage.people().person(account.as_str()).to_owned();
    Ok(submission)
}

/// Puts the frame times on disk, unless every pass is there already and the run is about to be refused.
pub(super) fn keep_frame_times(intake: &Intake, mut submission: Submission) -> Result<Prepared, IntakeError> {
    let frames = if submission.frame_times.iter().all(Vec::is_empty) {
        FrameTimes::None
    } else if looks_stored(&intake.storage, &submission)? {
        FrameTimes::Unkept
    } else {
        let name = put(&intake.storage, &submission.frame_times)?;
        submission.frame_times = Vec::new();
        FrameTimes::Kept(name)
    };
    Ok(Prepared { run: RunId::new(), submission, frames })
}

/// Puts frame times on disk.
pub(super) fn put(storage: &Storage, frame_times: &[Vec<f64>]) -> Result<String, StorageError> {
    let passes: Vec<&[f64]> = frame_times.iter().map(Vec::as_slice).collect();
    storage.put_frame_times(&passes)
}

fn looks_stored(storage: &Storage, submission: &Submission) -> Result<bool, StorageError> {
    let conn = &mut *storage.reader()?;
    let hashes: Vec<&str> = submission.passes.iter().filter_map(|p| p.hash.as_deref()).collect();
    let stored = evidence::stored_passes(conn, &submission.account, &hashes)?;
    let all = !hashes.is_empty() && hashes.iter().all(|hash| stored.contains_key(*hash));
    Ok(all || evidence::stored_fingerprint(conn, &submission.fingerprint)?.is_some())
}

/// The machine the run's claim stands for.
fn resolve_bench(storage: &Storage, account: &AccountId, run: &Run) -> Result<(Bench, BenchId), IntakeError> {
    match &run.bench {
        BenchClaim::Inline(bench) => {
            let id = BenchId::of(account, bench)
                .map_err(|e| IntakeError::from(StorageError::damaged("a bench")(e)))?;
            Ok((Bench::clone(bench), id))
        }
        BenchClaim::Reference { id } => {
            let known = match id.parse::<BenchId>() {
                Ok(id) => storage.bench(account, &id)?.map(|bench| (bench, id)),
                Err(_) => None,
            };
            known.ok_or_else(|| IntakeError::UnknownBench(Box::new(unknown_bench(id))))
        }
    }
}

fn unknown_bench(id: &str) -> Finding {
    Finding::new("unknown-bench", Severity::Reject, "/bench/id", "None of your benches has this id.")
        .advice("Describe the bench in place once; the answer to that submission has its id.")
        .evidence("id", id.chars().take(64).collect::<String>())
}

/// Everything of the run that will be stored, in the form it is stored in.
fn pack(
    account: &AccountId,
    mut run: Run,
    bench: &Bench,
    bench_id: BenchId,
    examined: Examined,
    policy: &Policy,
    now: DateTime<Utc>,
) -> Result<Submission, IntakeError> {
    let frame_times: Vec<Vec<f64>> =
        run.passes.iter_mut().map(|pass| pass.frame_times_ms.take().unwrap_or_default()).collect();
    let hashes: Vec<[u8; 32]> = frame_times.iter().map(|times| rounded_hash(times)).collect();
    let unwritable = |e| IntakeError::from(StorageError::damaged("a new run")(e));
    let document = canonical::json(&run).map_err(unwritable)?;
    let passes = frame_times
        .iter()
        .zip(&hashes)
        .map(|(times, hash)| NewPass {
            frames: times.len() as u64,
            hash: (times.len() >= TELLING_FRAMES).then(|| canonical::hex(hash)),
        })
        .collect();
    Ok(Submission {
        account: account.clone(),
        person: account.to_string(),
        network: None,
        received_at: time::cut(now),
        measured_at: run.measured_at,
        measured_day: day(run.measured_at),
        outcome: run.outcome,
        bench: bench_id,
        bench_document: canonical::json(bench).map_err(unwritable)?,
        bench_parts: parts(bench).map_err(unwritable)?,
        fingerprint: fingerprint(account, &document, &hashes),
        document,
        statistics: serde_json::to_string(&examined.statistics).map_err(unwritable)?,
        examined,
        passes,
        shape: None,
        fingerprints: frame_times.iter().map(|times| Fingerprint::of(times, policy)).collect(),
        frame_times,
    })
}

/// Hash of what a bench is made of, whatever its owner calls it and however its parts are capitalised.
fn parts(bench: &Bench) -> Result<String, serde_json::Error> {
    let bare = Bench { name: None, extensions: Default::default(), ..bench.clone() };
    let text = canonical::json(&bare)?.to_lowercase();
    Ok(canonical::hex(&Sha256::digest(text)[..16]))
}

/// SHA-256 of the frame times in units of 0.01 ms: a copy that was only printed with other digits has the
/// same.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a cast saturates; the schema bounds frame times"
)]
fn rounded_hash(times: &[f64]) -> [u8; 32] {
    let mut bytes = Vec::with_capacity(4 * times.len());
    for time in times {
        bytes.extend_from_slice(&((time * 100.0).round() as u32).to_le_bytes());
    }
    Sha256::digest(bytes).into()
}

/// The same submission of the same contributor again has the same fingerprint, also when it has no frames.
fn fingerprint(account: &AccountId, document: &str, hashes: &[[u8; 32]]) -> String {
    let mut hash = Sha256::new();
    hash.update(account.as_str());
    hash.update(b"\n");
    hash.update(document);
    for pass in hashes {
        hash.update(pass);
    }
    canonical::hex(&hash.finalize())
}

/// Days from 1970-01-01.
fn day(time: DateTime<Utc>) -> i32 {
    let days = time.date_naive().signed_duration_since(NaiveDate::default()).num_days();
    // chrono's years end long before an i32 of days does.
    i32::try_from(days).unwrap_or(i32::MAX)
}
