//! Where the time of a submission goes: runs of 3 x 20,000 frames through intake from several threads, and
//! each step alone on one thread. `cargo run --release -p wearmark-api --example intake_cost -- [RUNS] [THREADS]`

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use wearmark_api::intake::Intake;
use wearmark_api::storage::accounts::Role;
use wearmark_api::storage::ids::AccountId;
use wearmark_api::storage::{Storage, StorageConfig};
use wearmark_core::policy::Policy;
use wearmark_core::run::Run;

fn main() -> anyhow::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let runs: usize = arguments.next().map_or(Ok(400), |a| a.parse())?;
    let threads: usize = arguments.next().map_or(Ok(8), |a| a.parse())?;
    let folder = std::env::temp_dir().join(format!("wearmark-intake-cost-{}", std::process::id()));
    let storage = Storage::open(&StorageConfig::for_testing(&folder))?;
    let account =
        storage.create_account("measure", "no secret at all", Role::Contributor, DateTime::UNIX_EPOCH)?.id;
    let intake = Intake { storage, policy: Arc::new(Policy::published()) };
    let bodies: Vec<String> = (0..runs).map(body).collect();
    println!("{runs} runs of 3 x 20,000 frames, {} kB each", bodies[0].len() / 1000);

    steps(&intake, &account, &bodies[..20])?;
    let (elapsed, mut latencies) = all(&intake, &account, &bodies[20..], threads)?;
    latencies.sort();
    let done = latencies.len();
    println!("prepare and store, {threads} threads: {:.0} runs/s", done as f64 / elapsed.as_secs_f64());
    println!("latency p50 {:.1?}, p99 {:.1?}", latencies[done / 2], latencies[done * 99 / 100]);
    intake.storage.close();
    std::fs::remove_dir_all(&folder)?;
    Ok(())
}

/// Each step alone, on one thread.
fn steps(intake: &Intake, account: &AccountId, bodies: &[String]) -> anyhow::Result<()> {
    let each = |what: &str, elapsed: Duration| {
        println!("{what:32} {:6.2} ms", elapsed.as_secs_f64() * 1000.0 / bodies.len() as f64);
    };
    let start = Instant::now();
    for body in bodies {
        std::hint::black_box(serde_json::from_str::<Run>(body)?);
    }
    each("parsing the JSON alone", start.elapsed());
    let start = Instant::now();
    for body in bodies {
        std::hint::black_box(wearmark_schema::accept(body.as_bytes()).is_ok());
    }
    each("schema", start.elapsed());
    let start = Instant::now();
    for body in bodies {
        intake.check(account, body.as_bytes(), DateTime::UNIX_EPOCH)?;
    }
    each("check (schema to judgement)", start.elapsed());
    let start = Instant::now();
    let mut prepared = Vec::new();
    for body in bodies {
        prepared.push(intake.prepare(account, body.as_bytes(), DateTime::UNIX_EPOCH)?);
    }
    each("prepare (schema to blob on disk)", start.elapsed());
    let start = Instant::now();
    for prepared in prepared {
        intake.store(prepared, None).wait()?;
    }
    each("store, one by one", start.elapsed());
    Ok(())
}

/// Everything, from several threads, each waiting for its answer.
fn all(
    intake: &Intake,
    account: &AccountId,
    bodies: &[String],
    threads: usize,
) -> anyhow::Result<(Duration, Vec<Duration>)> {
    let next = AtomicUsize::new(0);
    let start = Instant::now();
    let latencies = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads)
            .map(|_| {
                scope.spawn(|| {
                    let mut latencies = Vec::new();
                    while let Some(body) = bodies.get(next.fetch_add(1, Ordering::Relaxed)) {
                        let start = Instant::now();
                        let now: DateTime<Utc> = DateTime::UNIX_EPOCH;
                        intake.store(intake.prepare(account, body.as_bytes(), now)?, None).wait()?;
                        latencies.push(start.elapsed());
                    }
                    anyhow::Ok(latencies)
                })
            })
            .collect();
        workers
            .into_iter()
            .map(|w| w.join().map_err(|_| anyhow::anyhow!("a thread ended in a panic"))?)
            .collect::<anyhow::Result<Vec<_>>>()
    })?;
    Ok((start.elapsed(), latencies.concat()))
}

/// A run with noisy frame times of three decimals.
fn body(seed: usize) -> String {
    // splitmix64 (Steele, Lea, Flood 2014).
    let mut state = (seed as u64 + 1).wrapping_mul(0xd1b5_4a32_d192_ed03);
    let mut uniform = move || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    };
    let passes: Vec<String> = (0..3)
        .map(|_| {
            let mut level = 0.0;
            let times: Vec<String> = (0..20_000)
                .map(|_| {
                    level = 0.99 * level + 0.02 * (uniform() - 0.5);
                    format!("{:.3}", 7.0 * (1.0 + level + 0.1 * (uniform() - 0.5)))
                })
                .collect();
            format!("{{\"frame_times_ms\":[{}]}}", times.join(","))
        })
        .collect();
    format!(
        "{{\"schema\":\"run/1\",\"measured_at\":\"2031-04-17T14:05:00Z\",\
         \"bench\":{{\"cpu\":{{\"model\":\"Korvid Q4\"}},\"memory\":{{\"size_mib\":16384}},\"os\":{{\"name\":\"Plinth\"}}}},\
         \"card\":{{\"name\":\"Ostrel 1240\"}},\"driver\":{{\"vendor\":\"Ostrel\",\"version\":\"14.2.{}\"}},\
         \"workload\":{{\"title\":\"Tidewrack Ferry\",\"scene\":{{\"name\":\"harbour\",\"kind\":\"scripted-path\"}}}},\
         \"settings\":{{\"api\":\"Vulkan 1.3\",\"preset\":\"medium\",\"width\":1920,\"height\":1080}},\
         \"outcome\":\"completed\",\"passes\":[{}]}}",
        seed % 50,
        passes.join(",")
    )
}
