//! Hardware codes of published standards. Sources beside each case: DMTF DSP0134 (SMBIOS), PCI-SIG
//! (PCI Express Base Specification), JEDEC (module naming).

use std::collections::BTreeMap;

use serde_json::{Value, json};
use wearmark_core::catalogue::{Catalogue, CatalogueDocument};
use wearmark_core::finding::Severity;
use wearmark_core::platform;
use wearmark_core::policy::platform::{PCIE_LANES, PCIE_NEWEST_GENERATION, SMBIOS_MEMORY_TYPES};
use wearmark_core::run::{Bench, MemoryClaim, Run};

use crate::cases::{items, numbers};

/// A catalogue with one processor that uses every memory type given, and nothing else.
fn catalogue(types: &[&str]) -> Catalogue {
    let memory: Vec<Value> = types.iter().map(|t| json!({"type": t, "top_speed_mts": 3200.0})).collect();
    let document: CatalogueDocument = serde_json::from_value(json!({
        "cpus": [{"id": "q4", "name": "Korvid Q4", "cores": 4, "memory": memory, "memory_channels": 2,
                  "pcie_generation": 7, "pcie_lanes": 32, "launch_date": "2023-05-16"}]
    }))
    .unwrap();
    Catalogue::new(document)
}

/// Codes and severities of what a bench with this memory and link is told; the rest of the run is unknown.
fn told(catalogue: &Catalogue, kind: &str, generation: u32, lanes: u32) -> BTreeMap<String, Severity> {
    let bench = json!({
        "cpu": {"model": "q4"}, "memory": {"size_mib": 8192, "type": kind}, "os": {"name": "Plinth"},
        "pcie": {"generation": generation, "lanes": lanes}
    });
    let run: Run = serde_json::from_value(json!({
        "schema": "run/1", "measured_at": "2031-04-17T14:05:00Z", "bench": bench,
        "card": {"name": "a card"}, "driver": {"vendor": "v", "version": "1"},
        "workload": {"title": "w", "scene": {"name": "s", "kind": "free-play"}},
        "settings": {"api": "Vulkan", "preset": "low", "width": 1280, "height": 720}, "outcome": "crashed"
    }))
    .unwrap();
    let bench: Bench = serde_json::from_value(bench).unwrap();
    let findings = platform::check(&run, &bench, "b", catalogue).findings;
    findings.into_iter().map(|f| (f.code.into_owned(), f.severity)).collect()
}

#[test]
fn memory_types_are_those_of_the_smbios_specification() {
    let published: Vec<(u8, String)> = items("16-hardware-codes", "lookup")
        .iter()
        .find(|i| i.id() == "smbios-memory-type")
        .map(|item| {
            let codes = item.expected("code").as_object().unwrap();
            let code = |text: &str| u8::from_str_radix(&text[2..], 16).unwrap();
            codes.iter().map(|(c, name)| (code(c), name.as_str().unwrap().to_owned())).collect()
        })
        .unwrap();
    assert_eq!(published.len(), SMBIOS_MEMORY_TYPES.len());
    for entry in SMBIOS_MEMORY_TYPES {
        assert!(published.contains(&(entry.0, entry.1.to_owned())), "{entry:?}");
    }
}

#[test]
fn every_published_memory_type_is_known_and_checked_against_the_processor() {
    let (all, ddr4) = (SMBIOS_MEMORY_TYPES.map(|(_, name)| name), catalogue(&["DDR4"]));
    let every = catalogue(&all);
    for name in all {
        let usable = told(&every, name, 3, 16);
        assert!(!usable.keys().any(|code| code.starts_with("memory-")), "{name}: {usable:?}");
        let wrong = told(&ddr4, name, 3, 16).get("memory-type").copied();
        let says_nothing = matches!(name, "Other" | "Unknown" | "DDR4");
        assert_eq!(wrong, (!says_nothing).then_some(Severity::Reject), "{name}");
    }
    // A later version of the specification may add types: not refused, only not checked.
    assert_eq!(told(&ddr4, "DDR9", 3, 16).get("memory-type-unknown"), Some(&Severity::Remark));
}

#[test]
fn published_pci_express_generations_and_link_widths_pass_and_others_are_held() {
    let item = &items("16-hardware-codes", "link_rates")[0];
    let generations = numbers(item.input("generation"));
    assert!(generations.iter().all(|g| *g <= f64::from(PCIE_NEWEST_GENERATION)));
    let any = catalogue(&["DDR4"]);
    for generation in generations {
        for lanes in PCIE_LANES {
            let told = told(&any, "DDR4", generation as u32, lanes);
            assert!(!told.keys().any(|code| code.starts_with("pcie-")), "{generation} x{lanes}: {told:?}");
        }
    }
    // Widths that no link has.
    for lanes in [0, 3, 5, 6, 7, 9, 10, 15, 24, 64] {
        assert_eq!(told(&any, "DDR4", 3, lanes).get("pcie-link"), Some(&Severity::Hold), "x{lanes}");
    }
    for generation in [0, 8] {
        assert_eq!(told(&any, "DDR4", generation, 16).get("pcie-link"), Some(&Severity::Hold));
    }
}

#[test]
fn peak_memory_bandwidth_is_channels_times_bytes_times_rate() {
    let item = &items("16-hardware-codes", "memory_bandwidth")[0];
    let rows = item.input("rows").as_array().unwrap();
    let got: Vec<f64> = rows
        .iter()
        .map(|row| {
            let bits = row["bus_bits"].as_u64().unwrap();
            // A wider bus is as many 64-bit channels.
            let channels = row["channels"].as_u64().unwrap_or(1) * bits / 64;
            let memory = MemoryClaim {
                size_mib: 0,
                kind: None,
                channels: Some(channels as u32),
                speed_mts: row["mega_transfers"].as_f64(),
            };
            memory.bandwidth_gb_s().unwrap()
        })
        .collect();
    assert!(item.meets("GB_per_s", &got));
}
