//! What goes in comes out: nothing that the schema lets through is lost or changed.

use serde_json::{Value, json};
use wearmark_core::catalogue::CatalogueDocument;
use wearmark_core::run::{
    Bench, BenchClaim, CardClaim, CpuClaim, DriverClaim, LowDefinition, MemoryClaim, NamedLow, OsClaim,
    Outcome, Pass, PassSummary, PcieClaim, Run, SceneClaim, SceneKind, Settings, Telemetry, WorkloadClaim,
};
use wearmark_schema::{Rejection, accept, accept_catalogue};

use crate::oracle::{files, parsed, published, valid};

/// Numbers as doubles: `60` and `60.0` are the same number to JSON Schema (draft 2020-12, core,
/// section 4.2.3).
fn as_doubles(value: &Value) -> Value {
    match value {
        Value::Number(n) => json!(n.as_f64()),
        Value::Array(items) => items.iter().map(as_doubles).collect(),
        Value::Object(fields) => fields.iter().map(|(k, v)| (k.clone(), as_doubles(v))).collect(),
        other => other.clone(),
    }
}

#[test]
fn the_complete_fixture_comes_back_field_by_field() {
    let document = valid("complete.json");
    let run = accept(document.to_string().as_bytes()).unwrap();
    // A time is kept as the moment it names, so its spelling is put aside.
    let mut back = serde_json::to_value(&run).unwrap();
    assert_eq!(back["passes"][0]["started_at"], "2031-04-17T14:05:00.250Z");
    back["x-nothing"] = Value::Null;
    assert_eq!(as_doubles(&back), as_doubles(&document));
}

#[test]
fn extension_fields_are_kept_exactly_as_they_came() {
    let document = valid("complete.json");
    let run = accept(document.to_string().as_bytes()).unwrap();
    assert_eq!(run.extensions["x-origin"], "série 7");
    assert_eq!(run.extensions["x-nothing"], Value::Null);
    let BenchClaim::Inline(bench) = run.bench else { panic!("the bench was given in full") };
    assert_eq!(bench.extensions["x-shelf"], document["bench"]["x-shelf"]);
    assert!(bench.extensions["x-shelf"]["tags"][3].is_f64(), "1.0 stays 1.0");
}

#[test]
fn accepted_fixtures_are_accepted_again_after_serialisation() {
    for file in files("valid") {
        let run = accept(&std::fs::read(&file).unwrap()).unwrap();
        let again = accept(&serde_json::to_vec(&run).unwrap()).unwrap();
        assert_eq!(run, again, "{}", file.display());
    }
}

#[test]
fn the_short_cut_reads_what_a_typed_parse_reads() {
    for file in files("valid") {
        let bytes = std::fs::read(&file).unwrap();
        if let Ok(typed) = serde_json::from_slice::<Run>(&bytes) {
            assert_eq!(accept(&bytes).unwrap(), typed, "{}", file.display());
        }
    }
}

/// Written out in full and without `..`, so that a new field in core does not compile until the
/// schema has been thought of.
fn everything() -> Run {
    let telemetry = Telemetry {
        card_temperature_c: Some(78.0),
        ambient_temperature_c: Some(-5.25),
        board_power_w: Some(0.0),
        core_clock_mhz: Some(1342.5),
        memory_clock_mhz: Some(1750.0),
        memory_used_mib: Some(3610.0),
    };
    Run {
        schema: "run/1".into(),
        measured_at: "2031-04-17T14:05:00.123456789Z".parse().unwrap(),
        bench: BenchClaim::Inline(Box::new(Bench {
            name: Some("workbench by the window".into()),
            cpu: CpuClaim { model: "Korvid Q4".into(), cores: Some(4) },
            memory: MemoryClaim {
                size_mib: 16_384,
                kind: Some("DDR4".into()),
                channels: Some(2),
                speed_mts: Some(2666.0),
            },
            board: Some("Pellworm B-250".into()),
            os: OsClaim { name: "Plinth".into(), version: Some("12.1".into()) },
            pcie: Some(PcieClaim { generation: 3, lanes: 16 }),
            power_supply_w: Some(450.0),
            extensions: [("x-tag".to_owned(), json!([1, 1.0, "1"]))].into(),
        })),
        card: CardClaim {
            id: Some("ostrel-1240-4g".into()),
            name: Some("Ostrel 1240".into()),
            pci_vendor_id: Some("0xfe01".into()),
            pci_device_id: Some("0x1240".into()),
            pci_subsystem_id: Some("0x0a10fe07".into()),
            memory_mib: Some(4096),
            variant: Some("Gannet twin fan".into()),
            core_clock_mhz: Some(1350.0),
            memory_clock_mhz: Some(1750.0),
            power_limit_w: Some(100.0),
        },
        driver: DriverClaim {
            vendor: "Ostrel".into(),
            version: "14.2.1".into(),
            branch: Some("legacy".into()),
            build: Some("14.2.1-3".into()),
            date: Some("2031-02-11".parse().unwrap()),
        },
        workload: WorkloadClaim {
            title: "Tidewrack Ferry".into(),
            build: Some("1.8.2".into()),
            scene: SceneClaim { name: "harbour crossing".into(), kind: SceneKind::LiveMatch },
        },
        settings: Settings {
            api: "Vulkan 1.3".into(),
            preset: "medium".into(),
            width: 1920,
            height: 1080,
            render_scale: 2.0 / 3.0,
            upscaler: Some("Kestrel Scale, balanced".into()),
            anti_aliasing: Some("off".into()),
            vertical_sync: true,
            frame_cap_fps: Some(59.94),
        },
        outcome: Outcome::Completed,
        passes: vec![Pass {
            // Doubles that are hard to print and read back: thirds, the shortest and longest times.
            frame_times_ms: Some(vec![
                50.0 / 3.0,
                1000.0 / 60.0,
                0.1 + 0.2,
                0.000_001,
                600_000.0,
                16.0,
                1.000_000_000_000_000_2e-6,
            ]),
            summary: Some(PassSummary {
                mean_fps: 60.000_000_000_000_01,
                frames: Some(7),
                length_s: Some(1e-3),
                one_percent_low: Some(NamedLow { definition: LowDefinition::TimeShare, fps: 41.0 / 7.0 }),
            }),
            started_at: Some("2031-04-17T14:05:00Z".parse().unwrap()),
            length_s: Some(0.1),
            telemetry: Some(telemetry.clone()),
        }],
        telemetry: Some(telemetry),
        capture_tool: Some("own script".into()),
        notes: Some("two\nlines".into()),
        extensions: [("x-origin".to_owned(), json!({ "shelf": "B3" }))].into(),
    }
}

#[test]
fn a_run_of_core_with_every_field_is_accepted_and_comes_back_equal() {
    let run = everything();
    let bytes = serde_json::to_vec(&run).unwrap();
    let errors: Vec<String> = published("run/1")
        .iter_errors(&serde_json::from_slice(&bytes).unwrap())
        .map(|e| e.to_string())
        .collect();
    assert!(errors.is_empty(), "{errors:?}");
    let back = accept(&bytes).unwrap();
    assert_eq!(back, run);
    // Equality of doubles would let -0 pass for 0; frame times have to be the same bit by bit.
    let bits = |run: &Run| -> Vec<u64> {
        run.passes[0].frame_times_ms.iter().flatten().map(|t| t.to_bits()).collect()
    };
    assert_eq!(bits(&back), bits(&run));
}

#[test]
fn every_word_of_core_is_a_word_of_the_schema() {
    for (outcome, kind, definition) in [
        (Outcome::Completed, SceneKind::BuiltInTest, LowDefinition::Percentile),
        (Outcome::DidNotStart, SceneKind::ScriptedPath, LowDefinition::TailMean),
        (Outcome::Crashed, SceneKind::PracticeArea, LowDefinition::TimeShare),
        (Outcome::RenderingFault, SceneKind::FreePlay, LowDefinition::Percentile),
        (Outcome::Completed, SceneKind::LiveMatch, LowDefinition::Percentile),
    ] {
        let mut run = everything();
        run.outcome = outcome;
        run.workload.scene.kind = kind;
        run.passes[0].summary.as_mut().unwrap().one_percent_low.as_mut().unwrap().definition = definition;
        assert_eq!(accept(&serde_json::to_vec(&run).unwrap()), Ok(run));
    }
}

#[test]
fn two_thousand_random_doubles_come_back_bit_by_bit() {
    let mut state = 7_u64;
    let mut run = everything();
    let times: Vec<f64> = std::iter::repeat_with(|| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from_bits(state)
    })
    .filter(|t| (0.000_001..=600_000.0).contains(t))
    .take(2000)
    .collect();
    run.passes[0].frame_times_ms = Some(times.clone());
    let back = accept(&serde_json::to_vec(&run).unwrap()).unwrap();
    let bits = |times: &[f64]| times.iter().map(|t| t.to_bits()).collect::<Vec<_>>();
    assert_eq!(bits(back.passes[0].frame_times_ms.as_ref().unwrap()), bits(&times));
}

fn catalogue() -> Value {
    let example = |id: &str| {
        let (_, document) = parsed().into_iter().find(|(i, _)| i.ends_with(id)).unwrap();
        let mut entry = document["examples"][0].clone();
        entry["aliases"] = json!(["another spelling"]);
        entry
    };
    let mut driver = example("/driver-release/1");
    driver.as_object_mut().unwrap().remove("aliases");
    driver["build"] = json!("14.2.1-3");
    let mut workload = example("/workload/1");
    workload["scenes"] = json!([example("/scene/1")]);
    json!({
        "chips": [example("/chip/1")],
        "cards": [example("/card/1")],
        "drivers": [driver],
        "cpus": [example("/cpu/1")],
        "workloads": [workload],
    })
}

#[test]
fn a_catalogue_comes_back_field_by_field() {
    let document = catalogue();
    let read = accept_catalogue(document.to_string().as_bytes()).unwrap();
    let back = serde_json::to_value(&read).unwrap();
    assert_eq!(as_doubles(&back), as_doubles(&document));
    assert_eq!(accept_catalogue(&serde_json::to_vec(&read).unwrap()), Ok(read));
}

#[test]
fn lists_that_a_catalogue_leaves_out_are_empty() {
    assert_eq!(accept_catalogue(br#"{"schema":"catalogue/1"}"#), Ok(CatalogueDocument::default()));
}

#[test]
fn a_catalogue_gets_findings_with_the_place_of_the_entry() {
    let mut document = catalogue();
    document["cards"][0]["launch_date"] = json!("2024-9-3");
    document["cards"].as_array_mut().unwrap().push(catalogue()["cards"][0].clone());
    document["workloads"][0]["scenes"][0]["kind"] = json!("livematch");
    document["drivers"][0]["chip"] = json!([]);
    let Err(Rejection::OffSchema(findings)) = accept_catalogue(document.to_string().as_bytes()) else {
        panic!("it was accepted");
    };
    let found: Vec<(&str, &str)> = findings.iter().map(|f| (f.code.as_ref(), f.pointer.as_str())).collect();
    assert_eq!(
        found,
        [
            ("schema-format", "/cards/0/launch_date"),
            ("schema-duplicate-id", "/cards/1/id"),
            ("schema-unknown-field", "/drivers/0/chip"),
            ("schema-choice", "/workloads/0/scenes/0/kind"),
        ]
    );
    assert_eq!(findings[2].advice, "Did you mean `chips`?");
    assert_eq!(findings[3].advice, "Did you mean `live-match`?");
}
