//! Each rule on a run that is right but for one claim. The world is invented.

use serde_json::{Value, json};

use super::*;
use crate::catalogue::CatalogueDocument;
use crate::finding::Severity;
use crate::run::BenchClaim;

mod contradictions;

fn catalogue() -> Catalogue {
    let driver = |version: &str, build: Option<&str>, branch: &str, date: &str, chips: Value| {
        let id = format!("ostrel-{version}{}", build.map(|b| format!("-{b}")).unwrap_or_default());
        json!({"id": id, "vendor": "Ostrel", "version": version, "build": build, "branch": branch,
               "date": date, "chips": chips, "systems": ["Plinth", "Gantry"]})
    };
    let document = json!({
        "chips": [
            {"id": "g12", "name": "G12", "vendor": "Ostrel", "architecture": "Fathom",
             "pci_ids": [{"vendor": "0xfe01", "device": "0x1240"}], "pcie_generation": 3, "pcie_lanes": 8,
             "apis": ["Vulkan 1.3", "DirectX 11", "DirectX 12"]},
            {"id": "g12m", "name": "G12M", "vendor": "Ostrel", "architecture": "Fathom",
             "pci_ids": [{"vendor": "0xfe01", "device": "0x12c0"}], "pcie_generation": 3, "pcie_lanes": 8,
             "apis": ["Vulkan 1.3"]},
            {"id": "g14", "name": "G14", "vendor": "Ostrel", "architecture": "Fathom",
             "pci_ids": [{"vendor": "0xfe01", "device": "0x1440"}], "pcie_generation": 4, "pcie_lanes": 16,
             "apis": ["Vulkan 1.3"]},
            {"id": "k7", "name": "K7", "vendor": "Brask", "architecture": "Kelp",
             "pci_ids": [{"vendor": "0xfe02", "device": "0x0700"}], "pcie_generation": 3, "pcie_lanes": 16,
             "apis": ["Vulkan 1.1"]}
        ],
        "cards": [
            {"id": "ostrel-1240-4g", "name": "Ostrel 1240 4 GiB", "aliases": ["Ostrel 1240"], "chip": "g12",
             "form": "desktop", "memory_mib": 4096, "memory_type": "GDDR5", "bus_width_bits": 128,
             "board_power_w": 120, "launch_date": "2024-09-03"},
            {"id": "ostrel-1240-8g", "name": "Ostrel 1240 8 GiB", "chip": "g12", "form": "desktop",
             "memory_mib": 8192, "memory_type": "GDDR5", "bus_width_bits": 128, "board_power_w": 125,
             "launch_date": "2025-01-14"},
            {"id": "ostrel-1240m", "name": "Ostrel 1240M", "chip": "g12m", "form": "mobile",
             "memory_mib": 4096, "memory_type": "GDDR5", "bus_width_bits": 128, "board_power_w": 60,
             "launch_date": "2025-02-04"},
            {"id": "ostrel-1440", "name": "Ostrel 1440", "chip": "g14", "form": "desktop",
             "memory_mib": 8192, "memory_type": "GDDR6", "bus_width_bits": 256, "board_power_w": 180,
             "launch_date": "2031-09-02"},
            {"id": "brask-70", "name": "Brask 70", "chip": "k7", "form": "desktop", "memory_mib": 4096,
             "memory_type": "GDDR5", "bus_width_bits": 256, "board_power_w": 150, "launch_date": "2024-05-01"}
        ],
        "drivers": [
            driver("14.2.1", None, "legacy", "2031-02-11", json!(["g12", "g12m"])),
            driver("15.0", Some("b1"), "current", "2031-01-10", json!(["g14"])),
            driver("15.1", Some("b1"), "current", "2031-03-01", json!(["g12", "g14"])),
            driver("15.1", Some("b2"), "current", "2031-03-20", json!(["g12", "g14"])),
            driver("16.0", None, "current", "2031-06-01", json!(["g12", "g14"])),
            {"id": "brask-3.0", "vendor": "Brask", "version": "3.0", "branch": "current", "date": "2030-03-01",
             "chips": ["k7"], "systems": ["Plinth", "Derrick"]}
        ],
        "cpus": [
            {"id": "korvid-q4", "name": "Korvid Q4", "cores": 4,
             "memory": [{"type": "DDR4", "top_speed_mts": 2666}], "memory_channels": 2,
             "pcie_generation": 3, "pcie_lanes": 16, "launch_date": "2023-05-16"}
        ],
        "workloads": [
            {"id": "tidewrack-ferry", "title": "Tidewrack Ferry", "kind": "multiplayer",
             "apis": ["Vulkan 1.3", "DirectX 11", "DirectX 12"], "presets": ["Low", "Medium"],
             "scenes": [{"id": "harbour-crossing", "name": "harbour crossing", "kind": "scripted-path"}],
             "builds": [{"build": "1.8.2", "date": "2030-11-20"}, {"build": "1.9", "date": "2031-08-01"}]}
        ]
    });
    let document: CatalogueDocument = serde_json::from_value(document).unwrap();
    Catalogue::new(document)
}

fn good() -> Value {
    json!({
        "schema": "run/1", "measured_at": "2031-04-17T14:05:00Z",
        "bench": {
            "cpu": {"model": "Korvid Q4", "cores": 4},
            "memory": {"size_mib": 16384, "type": "DDR4", "channels": 2, "speed_mts": 2666.0},
            "os": {"name": "Plinth", "version": "12.1"}, "pcie": {"generation": 3, "lanes": 8}
        },
        "card": {"name": "Ostrel 1240", "memory_mib": 4096, "pci_vendor_id": "0xFE01",
                 "pci_device_id": "0x1240", "pci_subsystem_id": "0x0a10fe07"},
        "driver": {"vendor": "Ostrel", "version": "14.2.1", "branch": "legacy", "date": "2031-02-12"},
        "workload": {"title": "Tidewrack Ferry", "build": "1.8.2",
                     "scene": {"name": "Harbour crossing", "kind": "scripted-path"}},
        "settings": {"api": "vulkan 1.3", "preset": "medium", "width": 1920, "height": 1080},
        "outcome": "completed",
        "passes": [{"summary": {"mean_fps": 60.0}}],
        "telemetry": {"card_temperature_c": 78.0, "ambient_temperature_c": 25.0, "board_power_w": 118.0,
                      "memory_used_mib": 4200.0}
    })
}

/// The good run with claims changed (null takes one away).
fn with(changes: &[(&str, Value)]) -> PlatformMatch {
    let mut run = good();
    for (pointer, value) in changes {
        let (parent, key) = pointer.rsplit_once('/').unwrap();
        let parent = run.pointer_mut(parent).unwrap().as_object_mut().unwrap();
        if value.is_null() {
            parent.remove(key);
        } else {
            parent.insert(key.to_owned(), value.clone());
        }
    }
    let run: Run = serde_json::from_value(run).unwrap();
    let BenchClaim::Inline(bench) = &run.bench else { unreachable!("the good run describes its bench") };
    check(&run, bench, "b-1", &catalogue())
}

#[track_caller]
fn only(changes: &[(&str, Value)], code: &str, severity: Severity, pointer: &str) -> PlatformMatch {
    let got = with(changes);
    let found: Vec<_> =
        got.findings.iter().map(|f| (f.code.as_ref(), f.severity, f.pointer.as_str())).collect();
    assert_eq!(found, [(code, severity, pointer)], "{changes:?}");
    let finding = &got.findings[0];
    let rule = RULES.iter().find(|r| r.code == code);
    assert!(rule.is_some_and(|r| r.severity >= severity), "{code} is in the table, as severe as it gets");
    assert!(finding.message.ends_with('.') && finding.advice.ends_with('.') && !finding.evidence.is_empty());
    got
}

use Severity::{Hold, Remark};

#[test]
fn a_run_that_agrees_with_the_catalogue_has_no_finding_and_canonical_names() {
    let got = with(&[]);
    assert_eq!(got.findings, []);
    assert_eq!(got.proposals, []);
    let id = &got.identity;
    assert_eq!(
        id.configuration(),
        "ostrel-1240-4g|tidewrack-ferry|harbour-crossing|Vulkan 1.3|Medium|1920x1080|1|"
    );
    assert_eq!((id.driver.as_str(), id.branch.as_deref()), ("ostrel-14.2.1", Some("legacy")));
    assert_eq!(id.platform, "korvid-q4/DDR4x2");
    assert_eq!(id.chip.as_deref(), Some("g12"));
    // 2031-02-11 is day 22321: 61 years and 15 leap days from 1970, and 41 days.
    assert_eq!(id.driver_day, Some(61 * 365 + 15 + 41));
    assert_eq!(id.workload_kind.as_deref(), Some("multiplayer"));
}

#[test]
fn unknown_hardware_is_held_and_proposed_not_rejected() {
    for (place, value, code, pointer, kind, key) in [
        ("/card/name", "Ostrel 9999", "unknown-card", "/card/name", "card", "ostrel-9999"),
        ("/driver/version", "99.1", "unknown-driver", "/driver/version", "driver", "ostrel-99.1"),
        ("/bench/cpu/model", "Korvid Q16", "unknown-cpu", "/bench/cpu/model", "cpu", "korvid-q16"),
    ] {
        let got = with(&[
            (place, json!(value)),
            ("/card/pci_device_id", Value::Null),
            ("/driver/date", Value::Null),
        ]);
        let [finding] = &got.findings[..] else { unreachable!("{:?}", got.findings) };
        assert_eq!(
            (finding.code.as_ref(), finding.severity, finding.pointer.as_str()),
            (code, Hold, pointer)
        );
        let name = if kind == "driver" { "Ostrel 99.1" } else { value };
        let proposal = Proposal { kind: kind.to_owned(), key: key.to_owned(), name: name.to_owned() };
        assert_eq!(got.proposals, [proposal]);
    }
    let got = with(&[("/card/name", json!("Ostrel 9999")), ("/card/pci_device_id", Value::Null)]);
    assert_eq!(got.identity.card, "?ostrel-9999");
    assert_eq!(got.identity.chip, None);
}

#[test]
fn an_unknown_workload_is_one_finding_and_two_proposals() {
    let got = only(&[("/workload/title", json!("Moss & Iron"))], "unknown-workload", Hold, "/workload/title");
    assert_eq!((got.identity.workload.as_str(), got.identity.preset.as_str()), ("?moss-iron", "?medium"));
    let keys: Vec<_> = got.proposals.iter().map(|p| (p.kind.as_str(), p.key.as_str())).collect();
    assert_eq!(keys, [("workload", "moss-iron"), ("scene", "moss-iron/harbour-crossing")]);
}

#[test]
fn an_unknown_scene_is_held_and_an_unknown_build_is_a_remark() {
    let got = only(&[("/workload/scene/name", json!("pier"))], "unknown-scene", Hold, "/workload/scene/name");
    assert_eq!(got.proposals[0].key, "tidewrack-ferry/pier");
    let got = only(&[("/workload/build", json!("1.8.9"))], "unknown-build", Remark, "/workload/build");
    assert_eq!(got.proposals[0].kind, "build");
    assert_eq!(got.identity.build.as_deref(), Some("1.8.9"));
}

#[test]
fn a_version_with_several_builds_is_told_apart_by_build_or_date() {
    let version = ("/driver/version", json!("15.1"));
    let base = [version, ("/driver/branch", json!("current"))];
    let stated = |place: &'static str, value: &str| {
        let date = ("/driver/date", Value::Null);
        with(&[base[0].clone(), base[1].clone(), date, (place, json!(value))])
    };
    assert_eq!(stated("/driver/build", "B2").identity.driver, "ostrel-15.1-b2");
    assert_eq!(stated("/driver/date", "2031-03-01").identity.driver, "ostrel-15.1-b1");
    let other = stated("/driver/build", "b7");
    assert_eq!(
        (other.findings[0].code.as_ref(), other.identity.driver.as_str()),
        ("unknown-driver", "?ostrel-15.1-b7")
    );
    let silent = [base[0].clone(), base[1].clone(), ("/driver/date", Value::Null)];
    let got = only(&silent, "driver-build-not-stated", Remark, "/driver/build");
    assert_eq!(got.identity.driver, "?ostrel-15.1");
    assert_eq!(got.identity.branch.as_deref(), Some("current"));
}

#[test]
fn a_package_name_does_not_make_a_known_version_unknown() {
    let got = with(&[("/driver/build", json!("ostrel-driver 14.2.1-1+plinth12"))]);
    assert_eq!((got.findings.len(), got.identity.driver.as_str()), (0, "ostrel-14.2.1"));
}

#[test]
fn a_card_can_be_told_by_its_pci_id_when_only_one_fits() {
    let name = ("/card/name", json!("Board of some vendor"));
    let got = only(std::slice::from_ref(&name), "card-named-by-pci-id", Remark, "/card/name");
    assert_eq!(got.identity.card, "ostrel-1240-4g");
    // Two cards of that chip, and nothing says which.
    let got = only(&[name, ("/card/memory_mib", Value::Null)], "unknown-card", Hold, "/card/name");
    assert_eq!(got.findings[0].evidence["chip_of_pci_id"], "g12");
}
