//! What the tests of storage and intake share: a small invented world and runs measured in it.

use std::sync::Arc;

use chrono::{DateTime, TimeZone as _, Utc};
use diesel::prelude::*;
use serde_json::{Value, json};
use wearmark_core::policy::Policy;

use super::accounts::{Account, Role};
use super::tables::audit;
use super::{Storage, StorageConfig};
use crate::intake::Intake;

/// A storage in a folder of its own, gone when this is dropped.
pub(crate) struct Fixture {
    pub(crate) intake: Intake,
    pub(crate) folder: tempfile::TempDir,
}

impl Fixture {
    pub(crate) fn new() -> Fixture {
        let folder = tempfile::tempdir().unwrap();
        let intake = open(folder.path());
        let document = serde_json::from_value(catalogue()).unwrap();
        intake.storage.import_catalogue(document, now()).unwrap();
        Fixture { intake, folder }
    }

    pub(crate) fn storage(&self) -> &Storage {
        &self.intake.storage
    }

    pub(crate) fn account(&self, name: &str) -> Account {
        self.storage().create_account(name, "seven grey herons", Role::Contributor, now()).unwrap()
    }
}

pub(crate) fn open(folder: &std::path::Path) -> Intake {
    let storage = Storage::open(&StorageConfig::for_testing(folder)).unwrap();
    Intake { storage, policy: Arc::new(Policy::published()) }
}

/// Actions of the audit trail on a subject, in order.
pub(crate) fn trail(storage: &Storage, subject: &str) -> Vec<String> {
    audit::table
        .filter(audit::subject.eq(subject))
        .order(audit::id)
        .select(audit::action)
        .load(&mut *storage.reader().unwrap())
        .unwrap()
}

/// Makes every stored rate a tenth higher, behind the service's back.
pub(crate) fn tamper(storage: &Storage) {
    storage
        .write("tampering", |tx| {
            diesel::sql_query("UPDATE runs SET mean_fps = mean_fps * 1.1")
                .execute(tx.conn)
                .map_err(super::error::StorageError::database("tampering"))
        })
        .wait()
        .unwrap();
}

/// Leaves models in the store that no version of this program can read.
pub(crate) fn spoil_models(storage: &Storage) {
    let blob = storage.blobs().put(b"of another version").unwrap();
    storage
        .write("spoiling", move |tx| {
            diesel::sql_query(format!("UPDATE models SET blob = '{blob}'"))
                .execute(tx.conn)
                .map_err(super::error::StorageError::database("spoiling"))
        })
        .wait()
        .unwrap();
}

pub(crate) fn now() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2031, 5, 1, 12, 0, 0).unwrap()
}

pub(crate) fn catalogue() -> Value {
    json!({
        "chips": [{
            "id": "o12", "name": "Ostrel O12", "vendor": "Ostrel", "architecture": "first",
            "pcie_generation": 3, "pcie_lanes": 16, "apis": ["Vulkan 1.3"]
        }],
        "cards": [{
            "id": "ostrel-1240-4g", "name": "Ostrel 1240", "chip": "o12", "form": "desktop", "memory_mib": 4096,
            "memory_type": "GDDR5", "bus_width_bits": 128, "board_power_w": 75.0, "launch_date": "2026-02-01"
        }],
        "drivers": [{
            "id": "ostrel-14.2.1", "vendor": "Ostrel", "version": "14.2.1", "branch": "legacy",
            "date": "2030-11-05", "chips": ["o12"], "systems": ["Plinth"]
        }],
        "cpus": [{
            "id": "korvid-q4", "name": "Korvid Q4", "cores": 4, "memory": [{"type": "DDR4", "top_speed_mts": 2666.0}],
            "memory_channels": 2, "pcie_generation": 3, "pcie_lanes": 16, "launch_date": "2025-03-01"
        }],
        "workloads": [{
            "id": "tidewrack-ferry", "title": "Tidewrack Ferry", "kind": "single-player", "apis": ["Vulkan 1.3"],
            "presets": ["low", "medium"],
            "scenes": [{"id": "harbour", "name": "harbour crossing", "kind": "scripted-path"}]
        }]
    })
}

/// A run at that rate and resolution with three passes of 40 s; the seed makes its frame times its own.
pub(crate) fn run(seed: u64, fps: f64, (width, height): (u32, u32)) -> Value {
    let passes: Vec<Value> =
        (0..3).map(|pass| json!({ "frame_times_ms": frame_times(seed * 3 + pass, fps, 40.0) })).collect();
    json!({
        "schema": "run/1", "measured_at": "2031-04-17T14:05:00Z",
        "bench": bench(),
        "card": { "id": "ostrel-1240-4g", "memory_mib": 4096 },
        "driver": { "vendor": "Ostrel", "version": "14.2.1" },
        "workload": { "title": "tidewrack-ferry", "scene": { "name": "harbour", "kind": "scripted-path" } },
        "settings": { "api": "Vulkan 1.3", "preset": "medium", "width": width, "height": height },
        "outcome": "completed", "passes": passes
    })
}

pub(crate) fn bench() -> Value {
    json!({
        "cpu": { "model": "korvid-q4", "cores": 4 },
        "memory": { "size_mib": 16384, "type": "DDR4", "channels": 2, "speed_mts": 2666.0 },
        "os": { "name": "Plinth" }, "pcie": { "generation": 3, "lanes": 16 }
    })
}

pub(crate) fn bytes(run: &Value) -> Vec<u8> {
    serde_json::to_vec(run).unwrap()
}

/// Frame times as a scene makes them: a level that wanders slowly about the mean, and noise on each frame; to
/// three decimals.
pub(crate) fn frame_times(seed: u64, fps: f64, seconds: f64) -> Vec<f64> {
    // splitmix64 (Steele, Lea, Flood 2014); twelve uniform numbers less six are normal enough.
    let mut state = (seed + 1).wrapping_mul(0xd1b5_4a32_d192_ed03);
    let mut uniform = move || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    };
    let mut normal = move || (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
    let keep = 1.0 - 1.0 / fps;
    let (mut level, mut clock, mut times) = (0.0_f64, 0.0, Vec::new());
    while clock < seconds * 1000.0 {
        level = keep * level + (1.0 - keep * keep).sqrt() * 0.05 * normal();
        let time = 1000.0 / fps * (level + 0.04 * normal()).exp();
        let time = (time * 1000.0).round() / 1000.0;
        clock += time;
        times.push(time);
    }
    times
}
