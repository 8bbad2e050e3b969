//! `wearmark pack` and `wearmark check` as a user runs them: real captures in, figures out that agree
//! with what another program computed of the same files.
//!
//! Source of the captures and of the figures: `tests/captures`, measured by the Wearmark project, CC0 1.0.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;
use wearmark_tests::binary::binary;

/// The example files of `wearmark pack --help`, word for word as far as they are needed here.
pub(crate) const BENCH: &str = r#"
name = "workbench by the window"
[cpu]
model = "nembrook-treadle-40"
cores = 4
[memory]
size_mib = 8192
type = "DDR3"
channels = 2
speed_mts = 1600
[os]
name = "Sill"
version = "12"
[pcie]
generation = 3
lanes = 16
"#;

pub(crate) const RUN: &str = r#"
measured_at = 2026-05-01T18:30:00Z
[card]
id = "draywick-kiln-ochre"
memory_mib = 2048
[driver]
vendor = "Draywick"
version = "7.3"
[workload]
title = "nine-weirs"
[workload.scene]
name = "river-survey"
kind = "built-in-test"
[settings]
api = "Vulkan"
preset = "Low"
width = 1920
height = 1080
"#;

/// A folder with the example files in it, and the program run inside it.
pub(crate) struct Desk {
    pub(crate) folder: tempfile::TempDir,
}

impl Desk {
    pub(crate) fn new() -> Desk {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("bench.toml"), BENCH).unwrap();
        std::fs::write(folder.path().join("run.toml"), RUN).unwrap();
        Desk { folder }
    }

    pub(crate) fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(binary());
        command.args(args).current_dir(self.folder.path()).stdin(Stdio::null());
        command.env_remove("WEARMARK_SERVER").env_remove("WEARMARK_TOKEN").env_remove("WEARMARK_DATA");
        command
    }

    pub(crate) fn run(&self, args: &[&str]) -> Output {
        self.command(args).output().unwrap()
    }

    /// Runs a command that must end with a code, and gives what it wrote on stdout.
    #[track_caller]
    pub(crate) fn ends(&self, code: i32, args: &[&str]) -> String {
        let output = self.run(args);
        let stderr = String::from_utf8_lossy(&output.stderr);
        let stdout = String::from_utf8(output.stdout).unwrap();
        assert_eq!(output.status.code(), Some(code), "{args:?}\nstdout: {stdout:.2000}\nstderr: {stderr}");
        stdout
    }

    /// What a command that must end with a code says on stderr.
    #[track_caller]
    pub(crate) fn complains(&self, code: i32, args: &[&str]) -> String {
        let output = self.run(args);
        let stderr = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(code), "{args:?}\nstderr: {stderr}");
        stderr
    }

    /// Packs a capture of the manifest into a file.
    #[track_caller]
    pub(crate) fn pack(&self, capture: &Value, into: &str, extra: &[&str]) {
        let files: Vec<String> = capture["passes"]
            .as_array()
            .unwrap()
            .iter()
            .map(|pass| captures().join(pass["file"].as_str().unwrap()).to_str().unwrap().to_owned())
            .collect();
        let mut args = vec!["pack", "--bench", "bench.toml", "--run", "run.toml", "-o", into];
        args.extend(extra);
        args.extend(files.iter().map(String::as_str));
        self.ends(0, &args);
    }
}

pub(crate) fn captures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("captures")
}

pub(crate) fn capture(id: &str) -> Value {
    let manifest: Value =
        serde_json::from_slice(&std::fs::read(captures().join("manifest.json")).unwrap()).unwrap();
    manifest["captures"].as_array().unwrap().iter().find(|c| c["id"] == id).unwrap().clone()
}

#[track_caller]
fn close(ours: &Value, theirs: &Value) {
    let (ours, theirs) = (ours.as_f64().unwrap(), theirs.as_f64().unwrap());
    assert!((ours / theirs - 1.0).abs() < 1e-9, "{ours} against {theirs}");
}

#[test]
fn a_real_capture_is_packed_digit_for_digit_and_its_figures_are_those_of_another_program() {
    let desk = Desk::new();
    let capture = capture("ld-e2ea");
    desk.pack(&capture, "run.json", &[]);
    let run: Value =
        serde_json::from_slice(&std::fs::read(desk.folder.path().join("run.json")).unwrap()).unwrap();
    let first = std::fs::read(captures().join("ld-e2ea/pass-1.csv.gz")).unwrap();
    let mut csv = String::new();
    std::io::Read::read_to_string(&mut flate2::read::GzDecoder::new(first.as_slice()), &mut csv).unwrap();
    let written: Vec<f64> = csv.lines().skip(1).map(|line| line.parse().unwrap()).collect();
    let packed: Vec<f64> = serde_json::from_value(run["passes"][0]["frame_times_ms"].clone()).unwrap();
    let bits = |values: &[f64]| values.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
    assert_eq!(bits(&packed), bits(&written));

    let report: Value = serde_json::from_str(&desk.ends(0, &["check", "run.json", "--json"])).unwrap();
    assert_eq!(report["verdict"], "accepted");
    for (ours, theirs) in
        report["statistics"]["passes"].as_array().unwrap().iter().zip(capture["passes"].as_array().unwrap())
    {
        assert_eq!(ours["frames"], theirs["frames"]);
        for (name, other) in [
            ("length_s", "total_seconds"),
            ("mean_fps", "mean_fps"),
            ("p99_ms", "p99_frame_ms"),
            ("low_percentile_fps", "p99_fps"),
            ("low_tail_mean_fps", "tail_mean_1pct_low_fps"),
            ("low_time_share_fps", "time_share_1pct_low_fps"),
            ("median_ms", "median_frame_ms"),
            ("max_ms", "max_frame_ms"),
        ] {
            close(&ours[name], &theirs[other]);
        }
    }
}

#[test]
fn the_same_frames_in_other_units_and_as_timestamps_make_the_same_run() {
    let desk = Desk::new();
    let write = |name: &str, text: &str| std::fs::write(desk.folder.path().join(name), text).unwrap();
    write("ms.csv", "frame_ms\n16.7\n17.25\n16.9\n");
    write("us.csv", "frame;other\n16700;1\n17250;1\n16900;1\n");
    write("s.csv", "0,0167\n0,01725\n0,0169\n");
    write(
        "moments.csv",
        "note,t\na,1764000000.0\na,1764000000.0167\na,1764000000.03395\na,1764000000.05085\n",
    );
    let pack = |args: &[&str]| {
        let mut all = vec!["pack", "--bench", "bench.toml", "--run", "run.toml"];
        all.extend(args);
        desk.ends(0, &all)
    };
    let expected = pack(&["ms.csv"]);
    assert_eq!(pack(&["us.csv", "--unit", "us", "--delimiter", ";", "--column", "frame"]), expected);
    assert_eq!(pack(&["s.csv", "--unit", "s", "--delimiter", ";", "--decimal-comma"]), expected);
    assert_eq!(pack(&["moments.csv", "--unit", "timestamps-s", "--column", "t"]), expected);
}

#[test]
fn single_fields_and_start_times_go_over_the_run_file() {
    let desk = Desk::new();
    std::fs::write(desk.folder.path().join("pass.csv"), "frame_ms\n16.7\n").unwrap();
    let args = [
        "pack",
        "pass.csv",
        "--bench",
        "bench.toml",
        "--run",
        "run.toml",
        "--set",
        "settings.width=1280",
        "--set",
        "driver.version=7.50",
        "--set",
        "bench.memory.channels=1",
        "--started-at",
        "2026-05-01T18:31:00Z",
    ];
    let run: Value = serde_json::from_str(&desk.ends(0, &args)).unwrap();
    assert_eq!(run["settings"]["width"], 1280);
    assert_eq!(run["driver"]["version"], "7.50");
    assert_eq!(run["bench"]["memory"]["channels"], 1);
    assert_eq!(run["passes"][0]["started_at"], "2026-05-01T18:31:00Z");
    assert_eq!(run["outcome"], "completed");
}

#[test]
fn a_failure_without_frames_is_a_run_too() {
    let desk = Desk::new();
    let args = ["pack", "--bench", "bench.toml", "--run", "run.toml", "--set", "outcome=did-not-start"];
    let run: Value = serde_json::from_str(&desk.ends(0, &args)).unwrap();
    assert_eq!(run["outcome"], "did-not-start");
    assert_eq!(run["passes"], serde_json::json!([]));
}

#[test]
fn what_is_wrong_is_named_by_file_line_and_column_and_nothing_is_written() {
    let desk = Desk::new();
    std::fs::write(desk.folder.path().join("bad.csv"), "frame_ms\n16.7\noops\n").unwrap();
    let said = desk
        .complains(1, &["pack", "bad.csv", "--bench", "bench.toml", "--run", "run.toml", "-o", "run.json"]);
    assert!(said.contains("bad.csv:3:1: `oops` is not a number"), "{said}");
    assert!(!desk.folder.path().join("run.json").exists());

    std::fs::write(desk.folder.path().join("good.csv"), "frame_ms\n16.7\n").unwrap();
    let off = [
        "pack",
        "good.csv",
        "--bench",
        "bench.toml",
        "--run",
        "run.toml",
        "--set",
        "settings.width=wide",
        "-o",
        "run.json",
    ];
    let said = desk.complains(4, &off);
    assert!(said.contains("/settings/width"), "{said}");
    assert!(!desk.folder.path().join("run.json").exists());
}

#[test]
fn an_existing_file_is_only_replaced_when_told_so() {
    let desk = Desk::new();
    std::fs::write(desk.folder.path().join("pass.csv"), "frame_ms\n16.7\n").unwrap();
    let args = ["pack", "pass.csv", "--bench", "bench.toml", "--run", "run.toml", "-o", "run.json"];
    desk.ends(0, &args);
    assert!(desk.complains(1, &args).contains("--force"));
    desk.ends(0, &[args.as_slice(), &["--force"]].concat());
}

#[test]
fn checks_tell_rejected_from_broken_by_their_exit_code() {
    let desk = Desk::new();
    let path = |name: &str| desk.folder.path().join(name);
    desk.pack(&capture("ld-e2ea"), "good.json", &[]);
    std::fs::write(path("off.json"), r#"{"schema":"run/1"}"#).unwrap();
    std::fs::write(path("torn.json"), r#"{"schema":"run/1""#).unwrap();
    desk.ends(0, &["check", "good.json"]);
    assert!(desk.ends(4, &["check", "good.json", "off.json"]).contains("off.json: off-schema"));
    assert!(desk.ends(4, &["check", "torn.json"]).contains("torn.json: malformed"));
    desk.ends(1, &["check", "missing.json"]);
    desk.ends(2, &["check"]);
    desk.ends(2, &["check", "good.json", "--unheard-of"]);
}

#[test]
fn the_catalogue_finds_what_no_series_can_show() {
    let desk = Desk::new();
    let catalogue = serde_json::to_vec(&wearmark_seed_data::catalogue()).unwrap();
    std::fs::write(desk.folder.path().join("catalogue.json"), catalogue).unwrap();
    desk.pack(&capture("ld-e2ea"), "good.json", &[]);
    desk.pack(&capture("ld-e2ea"), "bad.json", &["--set", "card.memory_mib=6144"]);
    desk.ends(0, &["check", "good.json", "--catalogue", "catalogue.json"]);
    let said = desk.ends(4, &["check", "bad.json", "--catalogue", "catalogue.json"]);
    assert!(said.contains("/card/memory_mib"), "{said}");
}

#[test]
fn a_capture_can_come_through_a_pipe_and_a_closed_pipe_is_no_fault() {
    let desk = Desk::new();
    let mut child = desk
        .command(&["pack", "-", "--bench", "bench.toml", "--run", "run.toml"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(b"frame_ms\n16.7\n").unwrap();
    assert!(child.wait_with_output().unwrap().status.success());

    for args in [&["completions", "bash"][..], &["schema", "run"], &["openapi"], &["--help"]] {
        let mut child = desk.command(args).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        drop(child.stdout.take());
        let output = child.wait_with_output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{args:?}: {said}");
        assert!(said.is_empty(), "{args:?}: {said}");
    }
}
