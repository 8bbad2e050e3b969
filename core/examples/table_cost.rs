//! What the tables cost over a synthetic frame of runs: `cargo run --release -p wearmark-core --example
//! table_cost [RUNS [EXPORT.parquet]]`. Seeded, so that two versions of the code are timed on the same rows; the names are
//! invented and mean nothing.

#![expect(clippy::unwrap_used, reason = "a measuring program may stop where it fails")]

use std::hint::black_box;
use std::time::Instant;

use wearmark_core::fact::RunFact;
use wearmark_core::identity::Identity;
use wearmark_core::policy::Policy;
use wearmark_core::run::{Outcome, SceneKind};
use wearmark_core::statistics::Grade;
use wearmark_core::table::filters::Filters;
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::medians::{MediansQuery, medians};
use wearmark_core::table::precision::{PrecisionQuery, precision};
use wearmark_core::table::track::{Subject, TrackQuery, track};
use wearmark_core::table::views::{View, Views};

/// The generator of Steele, Lea and Flood 2014 (SplitMix64): enough to spread rows.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }

    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }
}

fn fact(serial: u64, random: &mut Random) -> RunFact {
    const SIZES: [(u32, u32); 4] = [(1280, 720), (1600, 900), (1920, 1080), (2560, 1440)];
    let contributor = random.below(300);
    let (card, driver, workload) = (random.below(40), random.below(12), random.below(15));
    let (width, height) = SIZES[random.below(4) as usize];
    let preset = random.below(3);
    let rate = 90.0 * (2_073_600.0 / (f64::from(width) * f64::from(height))).powf(0.75)
        / (1.0 + 0.4 * preset as f64)
        * (1.0 + 0.03 * card as f64);
    let mean_fps = rate * (1.0 + 0.08 * (random.unit() - 0.5));
    RunFact {
        run: format!("run-{serial:09}"),
        contributor: format!("contributor-{contributor}"),
        identity: Identity {
            card: format!("card-{card}"),
            chip: Some(format!("chip-{}", card / 2)),
            driver: format!("release-{driver}"),
            branch: Some(if driver < 4 { "legacy" } else { "current" }.to_owned()),
            driver_day: Some(18_000 + 60 * driver as i32),
            workload: format!("workload-{workload}"),
            workload_kind: Some(if workload % 3 == 0 { "multiplayer" } else { "single-player" }.to_owned()),
            scene: "harbour".to_owned(),
            scene_kind: SceneKind::ScriptedPath,
            build: Some(format!("1.{}", random.below(2))),
            api: "vulkan-1.1".to_owned(),
            preset: ["low", "medium", "high"][preset as usize].to_owned(),
            width,
            height,
            render_scale: 1.0,
            variant: String::new(),
            platform: format!("platform-{}", contributor % 20),
            bench: format!("bench-{contributor}"),
        },
        outcome: if random.below(100) == 0 { Outcome::Crashed } else { Outcome::Completed },
        grade: if random.below(4) == 0 { Grade::Short } else { Grade::Full },
        measured_day: 19_000 + (serial % 900) as i32,
        mean_fps: Some(mean_fps),
        low_percentile_fps: Some(mean_fps * (0.6 + 0.2 * random.unit())),
        low_tail_mean_fps: Some(mean_fps * 0.6),
        low_time_share_fps: Some(mean_fps * 0.7),
        between_pass_cv: Some(0.02 * random.unit()),
        card_share: None,
    }
}

/// What a model might say of a run.
fn view(random: &mut Random) -> View {
    let alone = Some([4.5, 0.05, 6.0].map(|value| value + 0.1 * random.unit() as f32));
    View { card_share: 0.2 + 0.8 * random.unit() as f32, share_logit_sd: 0.5, bench: 0.01, alone }
}

/// Prints the median and the worst wall time of some repetitions.
fn time<T>(what: &str, repetitions: usize, mut work: impl FnMut() -> T) {
    black_box(work());
    let mut times: Vec<f64> = (0..repetitions)
        .map(|_| {
            let start = Instant::now();
            black_box(work());
            1e3 * start.elapsed().as_secs_f64()
        })
        .collect();
    times.sort_by(f64::total_cmp);
    println!("{what:<34} {:8.2} ms   worst {:8.2} ms", times[times.len() / 2], times[times.len() - 1]);
}

fn main() {
    let runs: u64 = std::env::args().nth(1).map_or(100_000, |n| n.parse().unwrap());
    let mut random = Random(20_26);
    let facts: Vec<RunFact> = (0..runs).map(|serial| fact(serial, &mut random)).collect();
    let policy = Policy::published();
    let views: Views = facts.iter().map(|fact| (fact.run.clone(), view(&mut random))).collect();
    let frame = RunFrame::new(&facts).unwrap().with_views(views).unwrap();
    if let Some(path) = std::env::args().nth(2) {
        // The same rows for another engine to be timed on.
        std::fs::write(path, frame.export().unwrap().parquet().unwrap()).unwrap();
    }
    let all = MediansQuery { by_driver: true, ..MediansQuery::default() };
    let pooled = MediansQuery::default();
    let one = MediansQuery {
        filters: Filters { card: vec!["card-7".to_owned()], ..Filters::default() },
        ..all.clone()
    };
    println!(
        "{runs} runs; {} rows by driver, {} pooled over drivers, {} of one card by driver",
        medians(&frame, &all, &policy).unwrap().len(),
        medians(&frame, &pooled, &policy).unwrap().len(),
        medians(&frame, &one, &policy).unwrap().len(),
    );
    time("frame of all runs", 3, || RunFrame::new(&facts).unwrap());
    time("medians, all cards, by driver", 15, || medians(&frame, &all, &policy).unwrap());
    time("medians, all cards, drivers pooled", 15, || medians(&frame, &pooled, &policy).unwrap());
    time("medians, one card, by driver", 30, || medians(&frame, &one, &policy).unwrap());
    time("track of one card", 30, || {
        track(&frame, Subject::Card("card-7"), &TrackQuery::default(), &policy).unwrap()
    });
    let precise = PrecisionQuery::default();
    time("precision, all workloads", 15, || precision(&frame, &precise, &policy).unwrap());
    let by_card = PrecisionQuery { by_card: true, ..PrecisionQuery::default() };
    time("precision, by card", 15, || precision(&frame, &by_card, &policy).unwrap());

    let mut growing = frame.clone();
    let mut serial = runs;
    let mut next = || {
        serial += 1;
        fact(serial, &mut random)
    };
    time("three runs more", 400, || growing = growing.updated(&[next(), next(), next()], &[]).unwrap());
    time("medians, one card, after these", 15, || medians(&growing, &one, &policy).unwrap());
    let gone = ["run-000000123".to_owned()];
    time("one run less", 15, || frame.updated(&[], &gone).unwrap());
    let table = medians(&frame, &all, &policy).unwrap();
    time("CSV of all", 5, || table.csv().unwrap());
    time("Parquet of all", 5, || table.parquet().unwrap());
    let page = table.slice(0, 1000);
    time("JSON of 1000 rows", 15, || serde_json::to_vec(&page).unwrap());
    time("the same by way of values", 15, || serde_json::to_vec(&page.json_rows()).unwrap());
}
