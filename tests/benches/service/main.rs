//! What the service costs beside a named baseline, in one run: `cargo bench --workspace --bench service`.
//!
//! 1. Submissions of 3 x 20,000 frames over HTTP onto durable storage, beside only parsing the same
//!    JSON and sorting its frames on as many threads.
//! 2. Medians of one card and of all cards over 100,000 stored runs, beside the same query in DuckDB
//!    on a Parquet export of the same runs.
//! 3. A cached table, beside a handler that answers a constant of the same size.
//!
//! Every server is on 127.0.0.1 and every load is bounded in time. `WEARMARK_BENCH_RUNS` changes the
//! number of stored runs of part 2, `WEARMARK_PYTHON` names a Python with duckdb (tests/run makes one).

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    missing_docs,
    reason = "a bench ends at the first thing that goes wrong"
)]

mod client;
mod document;

use std::path::Path;
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde::Deserialize;
use serde_json::Value;
use wearmark_tests::binary::binary;
use wearmark_tests::served::{Served, add_account};

use client::{Client, post_head};
use document::{document, keys};

const CLIENTS: usize = 8;
const SECONDS: u64 = 12;
/// Clients that fill the store of part 2: each waits for the disk, so more of them fill it sooner.
const FILLERS: usize = 48;

/// Runs `work(client, n)` on some threads for some seconds; gives completed calls a second.
fn rate(threads: usize, seconds: u64, work: impl Fn(usize, &AtomicUsize, &AtomicBool) + Sync) -> f64 {
    let done = AtomicUsize::new(0);
    let stop = AtomicBool::new(false);
    let start = Instant::now();
    std::thread::scope(|scope| {
        for thread in 0..threads {
            let (work, done, stop) = (&work, &done, &stop);
            scope.spawn(move || work(thread, done, stop));
        }
        std::thread::sleep(Duration::from_secs(seconds));
        stop.store(true, Ordering::Relaxed);
    });
    done.load(Ordering::Relaxed) as f64 / start.elapsed().as_secs_f64()
}

#[derive(Deserialize)]
struct OnlyFrames {
    passes: Vec<OnlyPass>,
}

#[derive(Deserialize)]
struct OnlyPass {
    frame_times_ms: Vec<f64>,
}

fn submissions(binary: &Path, folder: &Path) {
    let data = folder.join("submissions");
    let tokens: Vec<String> =
        (0..CLIENTS).map(|c| add_account(binary, &data, &format!("bench-{c}"))).collect();
    import_catalogue(binary, &data);
    let bodies: Vec<String> = (0..400).map(|n| document(n + 1, 20_000, &keys(n + 1))).collect();
    let size = bodies.iter().map(String::len).sum::<usize>() / bodies.len();

    let cores = std::thread::available_parallelism().unwrap().get();
    let parse = rate(cores, SECONDS / 2, |thread, done, stop| {
        for body in bodies.iter().skip(thread * 100).cycle() {
            if stop.load(Ordering::Relaxed) {
                break;
            }
            let mut run: OnlyFrames = serde_json::from_str(body).unwrap();
            for pass in &mut run.passes {
                pass.frame_times_ms.sort_unstable_by(f64::total_cmp);
            }
            std::hint::black_box(run.passes.len());
            done.fetch_add(1, Ordering::Relaxed);
        }
    });

    let served = Served::start(binary, &data);
    let next = AtomicUsize::new(0);
    let verdicts = AtomicUsize::new(0);
    let start = Instant::now();
    std::thread::scope(|scope| {
        for token in &tokens {
            let (served, bodies, next, verdicts) = (&served, &bodies, &next, &verdicts);
            scope.spawn(move || {
                let mut client = Client::new(&served.url);
                loop {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    let Some(body) = bodies.get(at) else { break };
                    let (status, _) = client.exchange(&post_head(token, body.len()), body.as_bytes());
                    assert_eq!(status, 201);
                    verdicts.fetch_add(1, Ordering::Relaxed);
                }
            });
        }
    });
    let rate = bodies.len() as f64 / start.elapsed().as_secs_f64();
    assert_eq!(verdicts.load(Ordering::Relaxed), bodies.len());
    println!("1. submissions of 3 x 20,000 frames ({} KiB of JSON), {CLIENTS} clients", size / 1024);
    println!("   over HTTP, judged and on disk     {rate:9.0} /s");
    println!("   baseline: parse and sort, {cores} threads {parse:7.0} /s");
    println!("   ratio                             {:9.2}", rate / parse);
}

fn import_catalogue(binary: &Path, data: &Path) {
    let file = data.with_extension("catalogue.json");
    std::fs::write(&file, serde_json::to_vec(&wearmark_seed_data::catalogue()).unwrap()).unwrap();
    let ended = Command::new(binary)
        .args(["catalogue", "import"])
        .arg(&file)
        .arg("--data")
        .arg(data)
        .output()
        .expect("the program runs");
    assert!(ended.status.success(), "{}", String::from_utf8_lossy(&ended.stderr));
}

fn get(url: &str) -> Vec<u8> {
    ureq::get(url).call().unwrap().body_mut().with_config().limit(1 << 30).read_to_vec().unwrap()
}

/// Waits until a process uses hardly any processor time, seconds that took: what grows with the runs (a fit of the model)
/// goes on for a while after the last of them.
fn idle_after(process: u32) -> f64 {
    // proc(5): fields 14 and 15 are the ticks in user and kernel mode, a hundredth of a second each.
    let ticks = || -> u64 {
        let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).unwrap();
        let fields: Vec<&str> = stat.rsplit(") ").next().unwrap().split(' ').collect();
        fields[11].parse::<u64>().unwrap() + fields[12].parse::<u64>().unwrap()
    };
    let start = Instant::now();
    let mut before = ticks();
    loop {
        std::thread::sleep(Duration::from_secs(3));
        let now = ticks();
        if now - before < 15 {
            return start.elapsed().as_secs_f64();
        }
        assert!(start.elapsed() < Duration::from_secs(600), "the service never rests");
        before = now;
    }
}

fn median_ms(mut samples: Vec<f64>) -> f64 {
    samples.sort_by(f64::total_cmp);
    samples[samples.len() / 2]
}

fn medians(binary: &Path, folder: &Path) {
    let runs: u64 = std::env::var("WEARMARK_BENCH_RUNS").ok().and_then(|n| n.parse().ok()).unwrap_or(100_000);
    let data = folder.join("medians");
    let tokens: Vec<String> = (0..50).map(|c| add_account(binary, &data, &format!("bench-{c}"))).collect();
    import_catalogue(binary, &data);
    let served = Served::start(binary, &data);
    let next = AtomicUsize::new(1);
    let start = Instant::now();
    std::thread::scope(|scope| {
        for _ in 0..FILLERS {
            let (served, next, tokens) = (&served, &next, &tokens);
            scope.spawn(move || {
                let mut client = Client::new(&served.url);
                loop {
                    let serial = next.fetch_add(1, Ordering::Relaxed) as u64;
                    if serial > runs {
                        break;
                    }
                    if serial.is_multiple_of(10_000) {
                        eprintln!("{serial} stored in {:.0} s", start.elapsed().as_secs_f64());
                    }
                    // Short passes: the tables do not care how long a stored run was.
                    let body = document(serial + 1_000_000, 600, &keys(serial));
                    let token = &tokens[serial as usize % tokens.len()];
                    let (status, _) = client.exchange(&post_head(token, body.len()), body.as_bytes());
                    assert_eq!(status, 201);
                }
            });
        }
    });
    println!(
        "2. medians over {runs} stored runs (stored over HTTP in {:.0} s)",
        start.elapsed().as_secs_f64()
    );
    let export = folder.join("facts.parquet");
    std::fs::write(&export, get(&format!("{}/v1/facts?format=parquet", served.url))).unwrap();

    let card = keys(7).card;
    // First at once, then when nothing is fitted beside any more. A target that no call before had, so that no answer
    // comes from the cache.
    let mut unique = 0;
    let mut ask = |filter: &str| {
        let samples = (0..15)
            .map(|_| {
                unique += 1;
                let start = Instant::now();
                get(&format!(
                    "{}/v1/medians?{filter}group=driver&limit=1000&target={}",
                    served.url,
                    30.0 + f64::from(unique) / 1000.0
                ));
                start.elapsed().as_secs_f64() * 1000.0
            })
            .collect();
        median_ms(samples)
    };
    let busy = ask(&format!("card={card}&"));
    let waited = idle_after(served.pid());
    let one = ask(&format!("card={card}&"));
    let all = ask("");
    println!(
        "   one card just after the last run came {busy:8.1} ms; the service rested {waited:.0} s later"
    );
    let python = std::env::var("WEARMARK_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("python/medians_duckdb.py");
    let said = Command::new(python).arg(script).arg(&export).arg(&card).output().expect("Python starts");
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    let duck: Value = serde_json::from_slice(&said.stdout).unwrap();
    for (what, ours, theirs) in
        [("one card", one, duck["one_card_ms"].as_f64()), ("all cards", all, duck["all_cards_ms"].as_f64())]
    {
        let theirs = theirs.unwrap();
        println!(
            "   {what:9} over HTTP, not cached {ours:8.1} ms   DuckDB on Parquet {theirs:8.1} ms   ratio {:.2}",
            ours / theirs
        );
    }
}

fn cached(folder: &Path) {
    // In process, so that the constant handler stands in the same server as the table.
    let bench = wearmark_tests::constant::ConstantBeside::start(&folder.join("cached"));
    let table = "/v1/medians?limit=50";
    let head = |path: &str| format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n");
    let length = Client::new(&bench.url).exchange(&head(table), b"").1;
    let constant = format!("/constant/{length}");
    let measure = |path: &str| {
        let head = head(path);
        rate(4, SECONDS / 2, |_, done, stop| {
            let mut client = Client::new(&bench.url);
            while !stop.load(Ordering::Relaxed) {
                let (status, got) = client.exchange(&head, b"");
                assert_eq!((status, got), (200, length));
                done.fetch_add(1, Ordering::Relaxed);
            }
        })
    };
    let (a, b) = (measure(table), measure(&constant));
    let (c, d) = (measure(table), measure(&constant));
    let (table_rate, constant_rate) = ((a + c) / 2.0, (b + d) / 2.0);
    println!("3. cached table of {length} bytes, 4 connections, client on the same cores");
    println!("   cached table      {table_rate:9.0} /s");
    println!("   constant handler  {constant_rate:9.0} /s");
    println!("   ratio             {:9.2}", table_rate / constant_rate);
}

fn main() {
    let binary = binary();
    let folder = tempfile::tempdir().unwrap();
    let wanted: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    let wants = |name: &str| wanted.is_empty() || wanted.iter().any(|w| w == name);
    if wants("submissions") {
        submissions(&binary, folder.path());
    }
    if wants("medians") {
        medians(&binary, folder.path());
    }
    if wants("cached") {
        cached(folder.path());
    }
}
