//! What the rules of the series find and how often they are wrong, on runs whose truth is known: honest runs of
//! the demo's world, and the same spoilt in one way. References of scenes come from the first part of the
//! world's runs as the rules themselves let them through, good or bad; the rest is judged with them, and without.
//! `cargo run --release --example detection [SEED] [RUNS]`

use std::collections::BTreeMap;

use wearmark_core::catalogue::CatalogueDocument;
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::policy::Policy;
use wearmark_core::policy::series::REFERENCE_RUNS_MOST;
use wearmark_core::run::{Outcome, Run, SceneKind};
use wearmark_core::series::reference::{ReferenceSet, References, Shape};
use wearmark_core::{series, statistics};
use wearmark_seed_data::{Size, World, catalogue};

/// SplitMix64 (Steele, Lea and Flood 2014).
struct Random(u64);

impl Random {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

type Passes = Vec<Vec<f64>>;
type Spoil = fn(&mut Passes, &mut Random) -> bool;

/// How runs are spoilt; false where a run does not lend itself to it.
const SPOILS: &[(&str, Spoil)] = &[
    ("frame cap, usual rate, 0.6 to 0.95 of the native one", |p, r| cap(p, r, true)),
    ("frame cap, any rate, 0.6 to 0.95 of the native one", |p, r| cap(p, r, false)),
    ("throttling over the run, 8 %", |p, _| throttle(p, 0.08)),
    ("throttling over the run, 10 %", |p, _| throttle(p, 0.10)),
    ("throttling over the run, 15 %", |p, _| throttle(p, 0.15)),
    ("throttling over the run, 8 to 25 %", |p, r| {
        let decline = r.between(0.08, 0.25);
        throttle(p, decline)
    }),
    ("throttling in each pass, 15 %", |p, _| {
        p.iter_mut().all(|pass| throttle(std::slice::from_mut(pass), 0.15))
    }),
    ("menu, 5 % of the time", |p, r| menus(p, r, 0.05)),
    ("menu, 10 % of the time", |p, r| menus(p, r, 0.10)),
    ("menu, 25 % of the time", |p, r| menus(p, r, 0.25)),
    ("menu without loading, 10 % of the time", |p, r| plain_menus(p, r, 0.10)),
    ("independent noise", fabricate),
    ("copied passes, exact", |p, r| copy(p, r, 0.0)),
    ("copied passes, jitter 0.4 %", |p, r| copy(p, r, 0.004)),
    ("copied passes, jitter 3 %", |p, r| copy(p, r, 0.03)),
];

fn total(pass: &[f64]) -> f64 {
    pass.iter().sum()
}

fn cap(passes: &mut Passes, random: &mut Random, usual: bool) -> bool {
    let native = 1000.0 * passes[0].len() as f64 / total(&passes[0]);
    let wanted = native * random.between(0.6, 0.95);
    let rates = [30.0, 40.0, 50.0, 60.0, 72.0, 75.0, 90.0, 100.0, 120.0, 144.0, 165.0, 240.0];
    let below = rates.iter().copied().rfind(|r| (0.6..0.95).contains(&(r / native)));
    let Some(rate) = (if usual { below } else { Some(wanted) }) else { return false };
    for time in passes.iter_mut().flatten() {
        *time = time.max(1000.0 / rate) * (1.0 + 0.0015 * random.normal());
    }
    true
}

fn throttle(passes: &mut [Vec<f64>], decline: f64) -> bool {
    let frames: usize = passes.iter().map(Vec::len).sum();
    for (at, time) in passes.iter_mut().flatten().enumerate() {
        *time /= 1.0 - decline * at as f64 / frames as f64;
    }
    true
}

fn menus(passes: &mut Passes, random: &mut Random, share: f64) -> bool {
    let factor = [0.25, 0.4, 0.55, 1.6][(4.0 * random.uniform()) as usize];
    for pass in passes {
        let (end, usual) = (share * total(pass), total(pass) / pass.len() as f64);
        let (mut start, mut elapsed) = (Vec::new(), 0.0);
        while elapsed < end {
            let loading = elapsed >= 0.85 * end;
            let time = if loading {
                random.between(60.0, 900.0)
            } else {
                factor * usual * (0.03 * random.normal()).exp()
            };
            elapsed += time;
            start.push(time);
        }
        replace_start(pass, start, elapsed);
    }
    true
}

fn plain_menus(passes: &mut Passes, random: &mut Random, share: f64) -> bool {
    let factor = [0.4, 0.55, 0.8, 1.25, 1.6][(5.0 * random.uniform()) as usize];
    for pass in passes {
        let end = share * total(pass);
        let mut elapsed = 0.0;
        for time in pass.iter_mut() {
            elapsed += *time;
            if elapsed > end {
                break;
            }
            *time *= factor;
        }
    }
    true
}

fn replace_start(pass: &mut Vec<f64>, mut start: Vec<f64>, elapsed: f64) {
    let mut skipped = 0.0;
    let kept = pass.iter().position(|t| {
        skipped += t;
        skipped >= elapsed
    });
    start.extend_from_slice(&pass[kept.unwrap_or(0)..]);
    *pass = start;
}

fn fabricate(passes: &mut Passes, random: &mut Random) -> bool {
    let sd = random.between(0.03, 0.12);
    for pass in passes {
        let mean = total(pass) / pass.len() as f64;
        pass.iter_mut().for_each(|t| *t = mean * (sd * random.normal()).exp());
    }
    true
}

fn copy(passes: &mut Passes, random: &mut Random, jitter: f64) -> bool {
    let first = passes[0].clone();
    let several = passes.len() > 1;
    for pass in passes.iter_mut().skip(1) {
        pass.clone_from(&first);
        if jitter > 0.0 {
            let scale = random.between(0.97, 1.03);
            pass.iter_mut().for_each(|t| *t *= scale * (1.0 + jitter * random.normal()));
        }
    }
    several
}

/// Canonical workload and scene of a run, for which people write a title or an id.
fn scene(run: &Run, catalogue: &CatalogueDocument) -> Option<(String, String)> {
    let claim = &run.workload;
    let like = |a: &str| a.eq_ignore_ascii_case(&claim.title);
    let workload = catalogue.workloads.iter().find(|w| like(&w.id) || like(&w.title))?;
    let like = |a: &str| a.eq_ignore_ascii_case(&claim.scene.name);
    let scene = workload.scenes.iter().find(|s| like(&s.id) || like(&s.name))?;
    Some((workload.id.clone(), scene.id.clone()))
}

fn fixed_path(kind: SceneKind) -> bool {
    matches!(kind, SceneKind::BuiltInTest | SceneKind::ScriptedPath)
}

fn held(findings: &[Finding]) -> bool {
    findings.iter().any(|f| f.severity >= Severity::Hold)
}

#[derive(Default)]
struct Row {
    runs: usize,
    held: usize,
    held_blind: usize,
    codes: BTreeMap<String, usize>,
}

impl Row {
    fn add(&mut self, with: &[Finding], blind: &[Finding]) {
        self.runs += 1;
        self.held += usize::from(held(with));
        self.held_blind += usize::from(held(blind));
        let mut codes: Vec<String> = with
            .iter()
            .filter(|f| f.code != "evidence-grade" && f.code != "too-short")
            .map(|f| format!("{} {}", f.code, f.severity.as_str()))
            .collect();
        codes.sort_unstable();
        codes.dedup();
        for code in codes {
            *self.codes.entry(code).or_default() += 1;
        }
    }
}

fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|a| a.parse::<u64>().ok());
    let seed = arguments.next().unwrap_or(11);
    let world = World::new(seed, Size::Demo);
    let runs = arguments.next().map_or(world.len(), |n| world.len().min(n as usize));
    let (policy, catalogue) = (Policy::published(), catalogue());
    let none = References::default();

    let mut shapes: BTreeMap<(String, String, bool), Vec<Shape>> = BTreeMap::new();
    for at in 0..runs / 2 {
        let run = world.submission(at).run;
        let Some((workload, scene)) = scene(&run, &catalogue) else { continue };
        let figures = statistics::of_run(&run.passes);
        let (findings, shape) = series::check_and_shape(&run, &figures, &none, &policy);
        if let (false, Some(shape)) = (held(&findings), shape) {
            let fixed = fixed_path(run.workload.scene.kind);
            shapes.entry((workload, scene, fixed)).or_default().push(shape);
        }
    }
    let mut references = ReferenceSet::default();
    for ((workload, scene, fixed), shapes) in &shapes {
        let latest = &shapes[shapes.len().saturating_sub(REFERENCE_RUNS_MOST)..];
        references.insert(workload, scene, References::of(latest, *fixed, 1, &policy.series));
    }

    let random = &mut Random(seed);
    let mut rows: BTreeMap<(usize, String), Row> = BTreeMap::new();
    for at in runs / 2..runs {
        let submission = world.submission(at);
        let mut run = submission.run;
        let Some((workload, scene)) = scene(&run, &catalogue) else { continue };
        let of_scene = references.of(&workload, &scene);
        let complete = run.outcome == Outcome::Completed
            && run.passes.iter().all(|p| p.frame_times_ms.as_ref().is_some_and(|t| t.len() >= 1000));
        if !submission.label.is_honest() || of_scene.is_empty() || !complete {
            continue;
        }
        let kind = if fixed_path(run.workload.scene.kind) { "fixed path" } else { "no fixed path" };
        let mut judge = |row: usize, name: &str, run: &Run| {
            let figures = statistics::of_run(&run.passes);
            let with = series::check(run, &figures, of_scene, &policy);
            let blind = series::check(run, &figures, &none, &policy);
            rows.entry((row, format!("{name}; {kind}"))).or_default().add(&with, &blind);
        };
        judge(0, "honest", &run);
        let honest: Passes = run.passes.iter().filter_map(|p| p.frame_times_ms.clone()).collect();
        for (row, (name, spoil)) in SPOILS.iter().enumerate() {
            let mut passes = honest.clone();
            if !spoil(&mut passes, random) {
                continue;
            }
            for (pass, times) in run.passes.iter_mut().zip(passes) {
                (pass.length_s, pass.summary, pass.started_at) = (None, None, None);
                pass.frame_times_ms = Some(times.iter().map(|t| (t * 1e3).round() / 1e3).collect());
            }
            judge(row + 1, name, &run);
        }
    }
    println!("seed {seed}, {runs} runs, references of {} scenes", references.iter().count());
    println!("{:<66} {:>6} {:>8} {:>8}  findings", "runs", "number", "held %", "blind %");
    for ((_, name), row) in rows {
        let share = |n: usize| 100.0 * n as f64 / row.runs as f64;
        let codes: Vec<String> = row.codes.iter().map(|(c, n)| format!("{c} {:.1}", share(*n))).collect();
        println!(
            "{name:<66} {:>6} {:>8.2} {:>8.2}  {}",
            row.runs,
            share(row.held),
            share(row.held_blind),
            codes.join(", ")
        );
    }
}
