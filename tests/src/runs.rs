//! Run documents, and the small invented catalogue they name.

use serde_json::{Value, json};
use wearmark_core::catalogue::CatalogueDocument;

/// Two chips, two cards, three driver releases, a processor and two workloads.
pub fn catalogue() -> CatalogueDocument {
    serde_json::from_value(json!({
        "chips": [
            {"id": "brindle-2", "name": "Brindle 2", "vendor": "Otterwick", "architecture": "Brindle",
             "pci_ids": [{"vendor": "0xe701", "device": "0x0210"}], "pcie_generation": 3, "pcie_lanes": 16,
             "apis": ["Vulkan", "OpenGL"]},
            {"id": "brindle-4", "name": "Brindle 4", "vendor": "Otterwick", "architecture": "Brindle",
             "pci_ids": [{"vendor": "0xe701", "device": "0x0410"}], "pcie_generation": 3, "pcie_lanes": 16,
             "apis": ["Vulkan", "OpenGL"]}
        ],
        "cards": [
            {"id": "otterwick-burrow-2", "name": "Otterwick Burrow 2", "chip": "brindle-2", "form": "desktop",
             "memory_mib": 2048, "memory_type": "GDDR5", "bus_width_bits": 128, "board_power_w": 75.0,
             "launch_date": "2017-03-01"},
            {"id": "otterwick-burrow-4", "name": "Otterwick Burrow 4", "chip": "brindle-4", "form": "desktop",
             "memory_mib": 4096, "memory_type": "GDDR5", "bus_width_bits": 256, "board_power_w": 120.0,
             "launch_date": "2017-03-01"}
        ],
        "drivers": [
            {"id": "otterwick-5.1", "vendor": "Otterwick", "version": "5.1", "branch": "current",
             "date": "2020-02-01", "chips": ["brindle-2", "brindle-4"], "systems": ["Hedge"]},
            {"id": "otterwick-5.2", "vendor": "Otterwick", "version": "5.2", "branch": "current",
             "date": "2021-02-01", "chips": ["brindle-2", "brindle-4"], "systems": ["Hedge"]},
            {"id": "otterwick-5.3", "vendor": "Otterwick", "version": "5.3", "branch": "legacy",
             "date": "2022-02-01", "chips": ["brindle-2", "brindle-4"], "systems": ["Hedge"]}
        ],
        "cpus": [
            {"id": "fennel-6", "name": "Fennel 6", "cores": 6,
             "memory": [{"type": "DDR4", "top_speed_mts": 2666.0}], "memory_channels": 2,
             "pcie_generation": 3, "pcie_lanes": 16, "launch_date": "2018-05-01"}
        ],
        "workloads": [
            {"id": "lantern-vale", "title": "Lantern Vale", "kind": "single-player", "apis": ["Vulkan"],
             "presets": ["Low", "High"],
             "scenes": [{"id": "mill-walk", "name": "Mill walk", "kind": "scripted-path"}]},
            {"id": "kite-derby", "title": "Kite Derby", "kind": "multiplayer", "apis": ["Vulkan"],
             "presets": ["Low", "High"],
             "scenes": [{"id": "meadow", "name": "Meadow", "kind": "practice-area"}]}
        ]
    }))
    .unwrap()
}

/// A sound run of three passes of 3700 frames around `fps`; the seed makes its frame times its own.
pub fn run(fps: f64, seed: u64) -> Value {
    let passes: Vec<Value> =
        (0..3).map(|pass| json!({"frame_times_ms": frame_times(fps, 3700, seed * 3 + pass)})).collect();
    json!({
        "schema": "run/1",
        "measured_at": "2023-05-06T10:00:00Z",
        "bench": {
            "cpu": {"model": "Fennel 6", "cores": 6},
            "memory": {"size_mib": 16384, "type": "DDR4", "channels": 2, "speed_mts": 2666},
            "os": {"name": "Hedge", "version": "3"}
        },
        "card": {"id": "otterwick-burrow-2", "memory_mib": 2048},
        "driver": {"vendor": "Otterwick", "version": "5.1"},
        "workload": {"title": "Lantern Vale", "scene": {"name": "Mill walk", "kind": "scripted-path"}},
        "settings": {"api": "Vulkan", "preset": "High", "width": 1920, "height": 1080},
        "outcome": "completed",
        "passes": passes
    })
}

/// The same run with one member, by JSON pointer, set to another value.
#[must_use]
pub fn with(mut run: Value, pointer: &str, value: Value) -> Value {
    let (parent, name) = pointer.rsplit_once('/').unwrap();
    run.pointer_mut(parent).unwrap()[name] = value;
    run
}

/// Uneven frame times around 1000 / `fps` ms to the microsecond: the sum of three uniform draws, a
/// slow wander, and now and then a longer frame, as in ordinary play.
pub fn frame_times(fps: f64, frames: usize, seed: u64) -> Vec<f64> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0xD1B5_4A32_D192_ED03;
    let mut uniform = move || {
        // splitmix64 (Steele, Lea and Flood 2014).
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    };
    let mut wander = 0.0;
    (0..frames)
        .map(|_| {
            wander = 0.995 * wander + 0.01 * (uniform() - 0.5);
            let noise = (0..3).map(|_| uniform()).sum::<f64>() - 1.5;
            let spike = if uniform() < 0.008 { 0.5 * uniform() } else { 0.0 };
            let time = 1000.0 / fps * (1.0 + wander + 0.1 * noise + spike);
            (time * 1000.0).round() / 1000.0
        })
        .collect()
}
