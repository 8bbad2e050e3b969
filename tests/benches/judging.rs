//! What a verdict costs as the store grows: `cargo bench --workspace --bench judging`.
//!
//! The judging step (evidence from the ledger, twin, weighing) of a run with 8 other contributors in its cell,
//! in ledgers of 10,000, 100,000 and 1,000,000 accepted runs with a fitted model of some 4,000 parameters; each
//! beside the smallest ledger in the same run. `WEARMARK_BENCH_LEDGER` names other sizes, for example
//! `10000,100000`.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    missing_docs,
    reason = "a bench ends at the first thing that goes wrong"
)]

use std::hint::black_box;
use std::sync::Arc;
use std::time::{Duration, Instant};

use wearmark_core::identity::{Identity, Traits};
use wearmark_core::judge::weigh;
use wearmark_core::ledger::{Entry, Ledger, Standing, Subject};
use wearmark_core::policy::Policy;
use wearmark_core::run::SceneKind;
use wearmark_core::statistics::Grade;

/// Contributors of a cell.
const PER_CELL: usize = 9;

/// Runs that the model is fitted to.
const FITTED: usize = 20_000;

/// Verdicts that are timed.
const VERDICTS: usize = 20_000;

struct Case {
    run: String,
    contributor: String,
    identity: Identity,
    traits: Traits,
    ln_fps: f64,
}

impl Case {
    /// Run `number` of a store in which each cell has `PER_CELL` runs of as many contributors.
    fn new(number: usize) -> Case {
        let cell = number / PER_CELL;
        // Two groups of contributors have each card, as people have few cards and measure them often.
        let who = (cell % 48 * 8 + cell / 48 % 2 * 37 + number % PER_CELL) % 400;
        // Cells are card x workload x preset x resolution, and beyond those a variant of the settings.
        let (card, workload, preset, height) = (cell % 48, cell / 48 % 14, cell / 672 % 4, cell / 2_688 % 4);
        let variant = cell / 10_752;
        let noise = ((number * 2_654_435_761) % 1_000_003) as f64 / 1_000_003.0 - 0.5;
        let height_px = [720_u32, 900, 1080, 1440][height];
        Case {
            run: format!("r-{number:032x}"),
            contributor: format!("contributor-{who}"),
            identity: Identity {
                card: format!("card-{card}"),
                chip: None,
                // Each of two makers has releases of its own.
                driver: format!("driver-{}-{}", card % 2, number % 12),
                branch: None,
                driver_day: None,
                workload: format!("workload-{workload}"),
                workload_kind: None,
                scene: "scene".to_owned(),
                scene_kind: SceneKind::ScriptedPath,
                build: Some(format!("build-{}", number % 3)),
                api: "vulkan".to_owned(),
                preset: format!("preset-{preset}"),
                width: height_px * 16 / 9,
                height: height_px,
                render_scale: 1.0,
                variant: format!("variant-{variant}"),
                platform: "p".to_owned(),
                bench: format!("bench-{who}"),
            },
            traits: Traits {
                family: Some(format!("family-{}", card % 6)),
                memory_mib: [2048, 4096, 6144, 8192][card % 4],
                preset_rank: preset as u32,
                cpu: format!("cpu-{}", who % 25),
                single_channel: who.is_multiple_of(7),
            },
            ln_fps: 4.0 + 0.02 * card as f64 - 0.2 * preset as f64 - 0.4 * height as f64 + 0.06 * noise,
        }
    }

    fn subject(&self) -> Subject<'_> {
        Subject {
            contributor: &self.contributor,
            identity: &self.identity,
            traits: &self.traits,
            measured_day: 20_000,
        }
    }
}

fn ledger(runs: usize, policy: &Policy) -> Ledger {
    let mut ledger = Ledger::new(policy);
    for number in 0..runs {
        let case = Case::new(number);
        ledger.put(&Entry {
            run: &case.run,
            subject: case.subject(),
            mean_fps: case.ln_fps.exp(),
            low_fps: Some((case.ln_fps - 0.3).exp()),
            grade: Grade::Full,
            standing: Standing::Accepted,
            revision: number as i64 + 1,
        });
        if number + 1 == FITTED.min(runs) {
            let start = Instant::now();
            let model = Arc::new(ledger.lesson().fitted(policy));
            println!(
                "  fitted {} parameters to {} runs in {:.2} s, {} steps",
                model.parameters(),
                model.observations(),
                start.elapsed().as_secs_f64(),
                model.steps()
            );
            ledger.install(model, 1, number as i64 + 1, 2.4);
        }
    }
    ledger
}

fn verdicts(ledger: &Ledger, runs: usize, policy: &Policy) -> Vec<Duration> {
    let mut times = Vec::with_capacity(VERDICTS);
    for turn in 0..VERDICTS {
        // A new run of one of the cell's contributors: the other eight are its peers.
        let mut case = Case::new(turn * 7_919 % runs);
        case.ln_fps += 0.01;
        let subject = case.subject();
        let start = Instant::now();
        let inputs = ledger.inputs(&subject, &policy.judge);
        black_box(ledger.twin(&subject, case.ln_fps, Some(-0.31), &policy.judge));
        black_box(weigh(case.ln_fps, Some(-0.31), &inputs, &policy.judge));
        times.push(start.elapsed());
    }
    times.sort_unstable();
    times
}

fn main() {
    let policy = Policy::published();
    let sizes = std::env::var("WEARMARK_BENCH_LEDGER").unwrap_or("10000,100000,1000000".to_owned());
    let mut least = None;
    for size in sizes.split(',').map(|size| size.parse::<usize>().expect("sizes are numbers")) {
        println!("{size} stored runs");
        let start = Instant::now();
        let ledger = ledger(size, &policy);
        println!("  taken in in {:.1} s", start.elapsed().as_secs_f64());
        let times = verdicts(&ledger, size, &policy);
        let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e6;
        let least = *least.get_or_insert(at(0.5));
        println!(
            "  a verdict: median {:.1} us, 99th percentile {:.1} us; {:.2} of the smallest ledger's median",
            at(0.5),
            at(0.99),
            at(0.5) / least
        );
    }
}
