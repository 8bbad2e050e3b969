//! Canonical names.

use chrono::NaiveDate;

use super::api;
use super::resolve::{Release, Resolved, pci_id};
use crate::identity::{Identity, Traits, UNKNOWN};
use crate::run::{Bench, Settings};

/// A claim as a name: lower case, letters and digits, everything else one hyphen.
pub(super) fn slug(claim: &str) -> String {
    let mut slug = String::with_capacity(claim.len());
    for c in claim.chars() {
        if c.is_alphanumeric() || (c == '.' && slug.ends_with(|last: char| last.is_numeric())) {
            slug.extend(c.to_lowercase());
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    slug.truncate(slug.trim_end_matches(['-', '.']).len());
    if slug.is_empty() { "unnamed".to_owned() } else { slug }
}

fn unknown(slug: &str) -> String {
    format!("{UNKNOWN}{slug}")
}

/// The slug of a card the catalogue does not know.
pub(super) fn card_slug(resolved: &Resolved<'_>) -> String {
    match (resolved.run.card.label(), pci_id(resolved.run)) {
        ("", Some(id)) => slug(&format!("pci {} {}", id.vendor, id.device)),
        (label, _) => slug(label),
    }
}

/// The slug of a driver release the catalogue does not know.
pub(super) fn driver_slug(resolved: &Resolved<'_>) -> String {
    let claim = &resolved.run.driver;
    let build = claim.build.as_deref().unwrap_or("");
    slug(&format!("{} {} {build}", claim.vendor, claim.version))
}

pub(super) fn identity(resolved: &Resolved<'_>, bench_id: &str) -> Identity {
    let Resolved { run, bench, workload, .. } = resolved;
    let releases = resolved.release.candidates();
    Identity {
        card: resolved.card.map_or_else(|| unknown(&card_slug(resolved)), |c| c.id.clone()),
        chip: resolved.card.map(|c| c.chip.clone()),
        driver: match &resolved.release {
            Release::Known(release) => release.id.clone(),
            _ => unknown(&driver_slug(resolved)),
        },
        branch: releases.first().map(|r| r.branch.clone()).or_else(|| run.driver.branch.clone()),
        driver_day: releases.iter().map(|r| r.date).min().or(run.driver.date).map(day_number),
        workload: workload.map_or_else(|| unknown(&slug(&run.workload.title)), |w| w.id.clone()),
        workload_kind: workload.map(|w| w.kind.as_str().to_owned()),
        scene: resolved.scene.map_or_else(|| unknown(&slug(&run.workload.scene.name)), |s| s.id.clone()),
        scene_kind: resolved.scene.map_or(run.workload.scene.kind, |s| s.kind),
        build: resolved
            .build
            .map(|b| b.build.clone())
            .or_else(|| run.workload.build.as_ref().map(|b| b.trim().to_owned())),
        api: api::canonical(&run.settings.api, workload.map_or(&[], |w| &w.apis)),
        preset: workload
            .and_then(|w| w.preset(&run.settings.preset))
            .map_or_else(|| unknown(&slug(&run.settings.preset)), str::to_owned),
        width: run.settings.width,
        height: run.settings.height,
        render_scale: run.settings.render_scale,
        variant: variant(resolved),
        platform: platform(bench, resolved.cpu.map(|c| c.id.as_str())),
        bench: bench_id.to_owned(),
    }
}

/// What the prediction model needs beside the names.
pub(super) fn traits(resolved: &Resolved<'_>) -> Traits {
    let Resolved { run, bench, card, workload, .. } = resolved;
    let memory_mib = card.map(|c| c.memory_mib).or(run.card.memory_mib).unwrap_or(0);
    let rank = workload.and_then(|w| {
        let preset = w.preset(&run.settings.preset)?;
        w.presets.iter().position(|p| p == preset)
    });
    Traits {
        family: resolved.chip.map(|c| c.architecture.clone()),
        memory_mib: u32::try_from(memory_mib).unwrap_or(u32::MAX),
        preset_rank: rank.and_then(|rank| u32::try_from(rank).ok()).unwrap_or(0),
        cpu: cpu(bench, resolved.cpu.map(|c| c.id.as_str())),
        single_channel: bench.memory.channels == Some(1),
    }
}

fn day_number(day: NaiveDate) -> i32 {
    day.to_epoch_days()
}

/// Everything else that makes figures incomparable: upscaler, anti-aliasing, vertical sync, a frame cap, and
/// clocks or limits of the card that were changed.
fn variant(resolved: &Resolved<'_>) -> String {
    let Settings { upscaler, anti_aliasing, vertical_sync, frame_cap_fps, .. } = &resolved.run.settings;
    let card = &resolved.run.card;
    let word = |name: &str, value: &Option<String>| {
        let value = value.as_deref().map(slug).filter(|v| !matches!(v.as_str(), "none" | "off" | "unnamed"));
        value.map(|v| format!("{name}={v}"))
    };
    let number = |name: &str, value: Option<f64>| value.map(|v| format!("{name}={v}"));
    [
        word("upscaler", upscaler),
        word("anti-aliasing", anti_aliasing),
        vertical_sync.then(|| "vertical-sync".to_owned()),
        number("frame-cap", *frame_cap_fps),
        number("core-clock", card.core_clock_mhz),
        number("memory-clock", card.memory_clock_mhz),
        number("power-limit", card.power_limit_w),
    ]
    .into_iter()
    .flatten()
    .collect::<Vec<_>>()
    .join(",")
}

/// Platform class: processor, memory type, channels; `?` for what is not stated.
fn platform(bench: &Bench, cpu: Option<&str>) -> String {
    let cpu = self::cpu(bench, cpu);
    let kind = bench.memory.kind.as_deref().map(super::memory::kind);
    let kind = kind.unwrap_or("?".into());
    match bench.memory.channels {
        Some(channels) => format!("{cpu}/{kind}x{channels}"),
        None => format!("{cpu}/{kind}x?"),
    }
}

fn cpu(bench: &Bench, known: Option<&str>) -> String {
    known.map_or_else(|| unknown(&slug(&bench.cpu.model)), str::to_owned)
}
