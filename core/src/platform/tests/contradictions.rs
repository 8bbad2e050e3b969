//! Claims that contradict the catalogue or each other.

use super::Severity::{Hold, Reject, Remark};
use super::*;

#[test]
fn a_memory_size_the_card_does_not_have_is_rejected_and_names_the_card_that_has_it() {
    let got = only(&[("/card/memory_mib", json!(8192))], "card-memory-size", Reject, "/card/memory_mib");
    assert!(got.findings[0].advice.contains("ostrel-1240-8g"));
    // What programs report is a little less than what is fitted.
    assert_eq!(with(&[("/card/memory_mib", json!(4024))]).findings, []);
}

#[test]
fn pci_ids_of_something_else_are_rejected_and_unlisted_ones_held() {
    let device = "/card/pci_device_id";
    only(&[(device, json!("0x1440"))], "pci-id-of-other-chip", Reject, device);
    only(&[(device, json!("0x12C0"))], "mobile-named-as-desktop", Reject, device);
    only(&[(device, json!("0x1299"))], "pci-id-not-listed", Hold, device);
    only(&[("/card/pci_vendor_id", json!("0xfe02"))], "pci-vendor", Reject, "/card/pci_vendor_id");
    only(
        &[("/card/pci_subsystem_id", json!("0x0a10ffff"))],
        "pci-subsystem",
        Remark,
        "/card/pci_subsystem_id",
    );
}

#[test]
fn words_for_a_mobile_part_hold_a_desktop_card() {
    let variant = ("/card/variant", json!("Laptop, 90 W"));
    only(&[variant], "mobile-named-as-desktop", Hold, "/card/variant");
    only(
        &[("/card/id", json!("ostrel-1240-8g")), ("/card/memory_mib", Value::Null)],
        "card-id-and-name-differ",
        Hold,
        "/card/name",
    );
}

#[test]
fn a_driver_that_cannot_have_run_the_card_is_rejected() {
    let date = ("/driver/date", Value::Null);
    let branch = ("/driver/branch", Value::Null);
    let version = ("/driver/version", json!("15.0"));
    only(
        &[version.clone(), date.clone(), branch.clone()],
        "driver-does-not-support-chip",
        Reject,
        "/driver/version",
    );
    // A failure on such a driver may be just that.
    let failed = ("/outcome", json!("did-not-start"));
    only(
        &[version, date.clone(), branch.clone(), failed],
        "driver-does-not-support-chip",
        Hold,
        "/driver/version",
    );
    let other = [("/driver/vendor", json!("Brask")), ("/driver/version", json!("3.0")), date, branch];
    only(&other, "driver-vendor", Reject, "/driver/vendor");
}

#[test]
fn a_driver_for_another_system_is_rejected_and_a_strange_system_held() {
    let os = "/bench/os/name";
    only(&[(os, json!("Derrick"))], "driver-does-not-support-system", Reject, os);
    only(&[(os, json!("Scaffold"))], "driver-does-not-support-system", Hold, os);
    assert_eq!(with(&[(os, json!("Gantry 11 Home"))]).findings, []);
}

#[test]
fn dates_that_contradict_each_other_are_found() {
    let run = |day: &str| ("/measured_at", json!(format!("{day}T08:00:00Z")));
    only(&[run("2031-02-08")], "driver-after-run", Reject, "/driver/version");
    assert_eq!(with(&[run("2031-02-09")]).findings, []);
    only(&[("/workload/build", json!("1.9"))], "build-after-run", Hold, "/workload/build");
    only(&[("/driver/date", json!("2031-03-14"))], "driver-date", Remark, "/driver/date");
    only(&[("/driver/date", json!("2030-03-14"))], "driver-date", Hold, "/driver/date");
    let card = [
        ("/card/name", json!("Ostrel 1440")),
        ("/card/memory_mib", Value::Null),
        ("/card/pci_device_id", Value::Null),
        ("/driver/version", json!("15.1")),
        ("/driver/build", json!("b1")),
        ("/driver/branch", Value::Null),
        ("/driver/date", Value::Null),
    ];
    only(&card, "card-launched-after-run", Reject, "/measured_at");
    let soon = [&card[..], &[run("2031-08-20")]].concat();
    only(&soon, "card-launched-after-run", Hold, "/measured_at");
    let early = with(&[run("2022-01-01")]);
    assert!(early.findings.iter().any(|f| f.code == "cpu-launched-after-run" && f.severity == Reject));
}

#[test]
fn a_driver_of_unknown_version_is_still_not_newer_than_the_run() {
    let got = with(&[("/driver/version", json!("99.1")), ("/driver/date", json!("2031-05-01"))]);
    assert!(got.findings.iter().any(|f| f.code == "driver-after-run" && f.pointer == "/driver/date"));
}

#[test]
fn a_branch_of_another_release_is_held_and_an_unused_word_is_a_remark() {
    only(&[("/driver/branch", json!("Current"))], "driver-branch", Hold, "/driver/branch");
    only(&[("/driver/branch", json!("studio"))], "driver-branch", Remark, "/driver/branch");
}

#[test]
fn memory_that_the_processor_cannot_use_is_rejected() {
    let kind = "/bench/memory/type";
    only(&[(kind, json!("DDR3")), ("/bench/memory/speed_mts", Value::Null)], "memory-type", Reject, kind);
    only(&[(kind, json!("quick memory"))], "memory-type-unknown", Remark, kind);
    only(&[("/bench/memory/channels", json!(4))], "memory-channels", Reject, "/bench/memory/channels");
    for same in ["ddr4", "DDR4 SDRAM", "DDR4-2666"] {
        let got = with(&[(kind, json!(same))]);
        assert_eq!((got.findings.len(), got.identity.platform.as_str()), (0, "korvid-q4/DDR4x2"), "{same}");
    }
    // Types of SMBIOS that say nothing contradict nothing.
    assert_eq!(with(&[(kind, json!("Unknown"))]).findings, []);
    let speed = "/bench/memory/speed_mts";
    assert_eq!(with(&[(speed, json!(3200.0))]).findings, []);
    only(&[(speed, json!(4000.0))], "memory-speed", Remark, speed);
    only(&[(speed, json!(6000.0))], "memory-speed", Hold, speed);
}

#[test]
fn more_cores_or_lanes_than_exist_are_found() {
    only(&[("/bench/cpu/cores", json!(8))], "cpu-cores", Reject, "/bench/cpu/cores");
    only(&[("/bench/pcie/lanes", json!(16))], "pcie-above-chip", Remark, "/bench/pcie");
    only(&[("/bench/pcie/lanes", json!(6))], "pcie-link", Hold, "/bench/pcie/lanes");
    let got = with(&[("/bench/pcie/generation", json!(4))]);
    let found: Vec<_> = got.findings.iter().map(|f| (f.code.as_ref(), f.severity)).collect();
    assert_eq!(found, [("pcie-above-cpu", Hold), ("pcie-above-chip", Remark)]);
}

#[test]
fn a_scene_of_another_kind_is_held_and_keeps_the_catalogues() {
    let kind = "/workload/scene/kind";
    let got = only(&[(kind, json!("free-play"))], "scene-kind", Hold, kind);
    assert_eq!(got.identity.scene_kind, crate::run::SceneKind::ScriptedPath);
}

#[test]
fn an_api_that_cannot_be_is_found() {
    let api = "/settings/api";
    let codes = |value: &str| {
        let got = with(&[(api, json!(value))]);
        got.findings.iter().map(|f| (f.code.clone().into_owned(), f.severity)).collect::<Vec<_>>()
    };
    let pair = |code: &str, severity| (code.to_owned(), severity);
    assert_eq!(codes("OpenGL 4.6"), [pair("api-not-on-chip", Reject), pair("api-not-in-workload", Hold)]);
    assert_eq!(codes("Vulkan 1.4"), [pair("api-not-on-chip", Hold)]);
    assert_eq!(codes("Vulkan 1.0"), []);
    only(&[(api, json!("DirectX"))], "api-version-not-stated", Remark, api);
    let preset = "/settings/preset";
    only(&[(preset, json!("custom"))], "preset-not-in-workload", Hold, preset);
}

#[test]
fn a_summary_at_a_declared_cap_is_held_and_one_below_it_is_not() {
    let cap = |fps: f64| ("/settings/frame_cap_fps", json!(fps));
    let pointer = "/passes/0/summary/mean_fps";
    let got = only(&[cap(60.0)], "cap-cannot-be-excluded", Hold, pointer);
    assert_eq!(got.identity.variant, "frame-cap=60");
    assert_eq!(with(&[cap(144.0)]).findings, []);
    only(&[("/settings/vertical_sync", json!(true))], "cap-cannot-be-excluded", Hold, pointer);
}

#[test]
fn settings_that_make_figures_incomparable_make_their_own_configuration() {
    let got = with(&[
        ("/settings/upscaler", json!("Sharp 2x, quality")),
        ("/settings/anti_aliasing", json!("off")),
        ("/card/core_clock_mhz", json!(1500.0)),
    ]);
    assert_eq!(got.identity.variant, "upscaler=sharp-2x-quality,core-clock=1500");
}

#[test]
fn readings_that_cannot_be_are_held_and_dangerous_ones_carry_a_caution() {
    let reading = |name: &str| format!("/telemetry/{name}");
    let hot = reading("card_temperature_c");
    only(&[(&hot, json!(20.0))], "cooler-than-room", Hold, &hot);
    let got = only(&[(&hot, json!(104.0))], "card-very-hot", Remark, &hot);
    assert!(got.findings[0].advice.contains("unplug"));
    let power = reading("board_power_w");
    only(&[(&power, json!(260.0))], "board-power", Hold, &power);
    assert_eq!(with(&[(&power, json!(260.0)), ("/card/power_limit_w", json!(150.0))]).findings, []);
    let used = reading("memory_used_mib");
    only(&[(&used, json!(6000.0))], "memory-used", Hold, &used);
}

#[test]
fn findings_of_a_bench_given_by_reference_point_at_the_reference() {
    let mut run = good();
    let bench: Bench = serde_json::from_value(run["bench"].clone()).unwrap();
    run["bench"] = json!({"id": "b-7"});
    let run: Run = serde_json::from_value(run).unwrap();
    let bench = Bench { cpu: crate::run::CpuClaim { cores: Some(9), ..bench.cpu.clone() }, ..bench };
    let got = check(&run, &bench, "b-7", &catalogue());
    assert_eq!((got.findings.len(), got.findings[0].pointer.as_str()), (1, "/bench/id"));
}

#[test]
fn identities_are_the_same_whether_or_not_the_claims_are_checked() {
    let run: Run = serde_json::from_value(good()).unwrap();
    let BenchClaim::Inline(bench) = &run.bench else { unreachable!("the good run describes its bench") };
    assert_eq!(identify(&run, bench, "b-1", &catalogue()), with(&[]).identity);
}
