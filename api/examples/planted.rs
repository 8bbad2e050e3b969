//! What tracks and limits find in a kept demo beside what was planted, without filling it again.
//! `planted SEED FOLDER [DUMP]`, the folder made by `wearmark demo --once --seed SEED --data FOLDER`.

use std::collections::BTreeMap;

use wearmark_api::cli::demo::{limited, tracked};
use wearmark_api::storage::{Storage, StorageConfig};
use wearmark_core::policy::Policy;
use wearmark_core::table::track::{Subject, TrackQuery, track};
use wearmark_seed_data::label::Label;
use wearmark_seed_data::{Size, World};

fn main() -> anyhow::Result<()> {
    let mut arguments = std::env::args().skip(1);
    let seed: u64 = arguments.next().map_or(Ok(1), |a| a.parse())?;
    let folder = arguments.next().unwrap_or_default();
    let mut policy = Policy::published();
    let set = |name: &str, to: &mut f64| {
        if let Some(value) = std::env::var(name).ok().and_then(|v| v.parse().ok()) {
            *to = value;
        }
    };
    let t = &mut policy.track;
    set("EFFECTS_DF", &mut t.effects_df);
    set("OUTLIER", &mut t.outlier_from);
    set("PLATFORM", &mut t.platform_share);
    set("FDR", &mut t.false_discoveries);
    set("DRIFT", &mut t.drift_sd);
    set("LEAST", &mut t.least_change);
    set("WORKLOAD", &mut t.release_workload_sd);
    set("BENCH", &mut t.bench_release_sd);
    set("BUILD", &mut t.build_sd);
    if folder == "covers" {
        use wearmark_core::table::frame::RunFrame;
        use wearmark_seed_data::cover;
        for benches in [4, 6, 8, 12, 24, 48] {
            let (mut hits, mut of, mut half) = (0, 0, 0.0);
            for number in 0..300 {
                let history = cover::history(seed * 1000, benches, number);
                let frame = RunFrame::new(&history.facts)?;
                let track = track(&frame, Subject::Card("card"), &TrackQuery::default(), &policy)?;
                let truth = |driver: &str| {
                    let at: usize = driver.strip_prefix("release-")?.parse().ok()?;
                    history.ln_index.get(at).copied()
                };
                let Some(base) = track.reference.as_deref().and_then(truth) else { continue };
                for p in &track.points {
                    if let (Some(low), Some(high), Some(ln)) = (p.index_low, p.index_high, truth(&p.driver)) {
                        let real = 100.0 * (ln - base).exp();
                        of += 1;
                        hits += u32::from(low <= real && real <= high);
                        half += 50.0 * (high / low).ln();
                    }
                }
            }
            println!(
                "{benches} benches: {:.1} % of {of}, half width {:.2}",
                100.0 * f64::from(hits) / f64::from(of),
                half / f64::from(of)
            );
        }
        return Ok(());
    }
    let storage = Storage::open(&StorageConfig::new(std::path::Path::new(&folder)))?;
    let world = World::new(seed, Size::Demo);
    let frame = storage.frame()?;
    let broken = |_| anyhow::anyhow!("a table fails");
    let tracked = tracked::tracked(&frame.frame, &world, &policy).map_err(broken)?;
    println!("{}", tracked::text(&tracked, 110));
    let truth = world.truth();
    for card in &world.catalogue().cards {
        let track = track(&frame.frame, Subject::Card(&card.id), &TrackQuery::default(), &policy)?;
        for c in &track.changes {
            let real = match &c.workload {
                Some(w) => truth
                    .driver_effect_ln(&card.id, &c.driver, w)
                    .zip(truth.driver_effect_ln(&card.id, &c.from, w))
                    .map(|(a, b)| 100.0 * (a - b)),
                None => truth.index(&card.id, &c.driver, &c.from).map(|i| i - 100.0),
            };
            if real.is_none_or(|r| r.abs() < 1.0 || (r > 0.0) != (c.percent > 0.0)) {
                println!(
                    "wrong: {} {:?} {} from {}: {:.2} ({:.2} {:.2}) benches {} p {:.5} adj {:.4}; true {real:?}",
                    card.id,
                    c.workload,
                    c.driver,
                    c.from,
                    c.percent,
                    c.percent_low,
                    c.percent_high,
                    c.benches,
                    c.p,
                    c.adjusted_p
                );
            }
        }
    }
    let limited = limited::limited(&frame.frame, &world, &policy).map_err(broken)?;
    println!("{}", limited::text(&limited, 110));
    if let Some(dump) = arguments.next() {
        let facts = frame.frame.export()?.json_rows();
        let mut cells: BTreeMap<String, (Vec<f64>, f64)> = BTreeMap::new();
        for at in 0..world.len() {
            if *world.label(at) != Label::Honest {
                continue;
            }
            let c = world.claimed(at);
            let key =
                [c.card, c.workload, c.scene, c.api, c.preset, &c.width.to_string(), &c.height.to_string()]
                    .join("|")
                    .to_lowercase();
            let (share, loss) = world.limit(at);
            let cell = cells.entry(key).or_default();
            cell.0.push(share);
            cell.1 = loss;
        }
        let memory: BTreeMap<&str, u64> =
            world.catalogue().cards.iter().map(|c| (c.id.as_str(), c.memory_mib)).collect();
        let chips: BTreeMap<&str, &str> =
            world.catalogue().cards.iter().map(|c| (c.id.as_str(), c.chip.as_str())).collect();
        std::fs::write(
            dump,
            serde_json::to_vec(
                &serde_json::json!({"facts": facts, "cells": cells, "memory": memory, "chips": chips}),
            )?,
        )?;
    }
    storage.close();
    Ok(())
}
