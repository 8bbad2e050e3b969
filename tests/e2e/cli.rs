//! The client commands against the program's own service: what a tester does from a script.

use std::process::Command;

use serde_json::Value;
use wearmark_tests::binary::binary;
use wearmark_tests::served::{Served, add_account};

use crate::pack::{Desk, capture};

/// A served data folder with the invented catalogue, and a desk with the token of one contributor.
struct Bench {
    desk: Desk,
    served: Served,
}

impl Bench {
    fn new() -> Bench {
        let desk = Desk::new();
        let path = |name: &str| desk.folder.path().join(name);
        std::fs::write(path("catalogue.json"), serde_json::to_vec(&wearmark_seed_data::catalogue()).unwrap())
            .unwrap();
        desk.ends(0, &["catalogue", "import", "catalogue.json", "--data", "data"]);
        let served = Served::start(&binary(), &path("data"));
        for name in ["brick-lane", "willow-weir"] {
            let token = add_account(&binary(), &path("data"), name);
            std::fs::write(path(&format!("{name}.token")), token).unwrap();
        }
        Bench { desk, served }
    }

    /// Arguments that say where and who.
    fn with<'a>(&'a self, args: &[&'a str], token: Option<&'a str>) -> Vec<&'a str> {
        let mut all = args.to_vec();
        all.extend(["--server", &self.served.url]);
        all.extend(token.iter().flat_map(|file| ["--token-file", file]));
        all
    }

    #[track_caller]
    fn json(&self, code: i32, args: &[&str], token: Option<&str>) -> Value {
        let mut args = self.with(args, token);
        args.push("--json");
        serde_json::from_str(&self.desk.ends(code, &args)).unwrap()
    }
}

/// Frames over time of a capture, by the manifest's own sums.
fn mean_fps(capture: &Value) -> f64 {
    let passes = capture["passes"].as_array().unwrap();
    let sum = |name: &str| passes.iter().map(|p| p[name].as_f64().unwrap()).sum::<f64>();
    sum("frames") / sum("total_seconds")
}

#[track_caller]
fn close(ours: &Value, theirs: f64) {
    let ours = ours.as_f64().unwrap();
    assert!((ours / theirs - 1.0).abs() < 1e-9, "{ours} against {theirs}");
}

#[test]
fn real_captures_go_from_csv_to_the_tables_and_the_track() {
    let bench = Bench::new();
    let (older, newer) = (capture("ld-e2ea"), capture("ld-3c5d"));
    bench.desk.pack(&older, "older.json", &[]);
    bench.desk.pack(&newer, "newer.json", &["--set", "driver.version=7.5"]);

    let checked = bench.json(0, &["check", "older.json"], Some("brick-lane.token"));
    assert_eq!(checked["verdict"], "accepted");
    assert_eq!(checked.get("run"), None);

    let submitted = bench.json(0, &["submit", "older.json"], Some("brick-lane.token"));
    assert_eq!((&submitted["verdict"], &submitted["replayed"]), (&"accepted".into(), &false.into()));
    let again = bench.json(0, &["submit", "older.json"], Some("brick-lane.token"));
    assert_eq!((&again["run"], &again["replayed"]), (&submitted["run"], &true.into()));
    bench.desk.ends(0, &bench.with(&["submit", "newer.json"], Some("brick-lane.token")));

    let rows = bench.json(0, &["table", "--card", "draywick-kiln-ochre", "--group", "driver"], None);
    let rows = rows.as_array().unwrap();
    assert_eq!(rows.len(), 2);
    for (driver, capture) in [("draywick-7.3", &older), ("draywick-7.5", &newer)] {
        let row = rows.iter().find(|row| row["driver"] == driver).unwrap();
        close(&row["mean_fps"], mean_fps(capture));
        assert_eq!((&row["runs"], &row["contributors"]), (&1.into(), &1.into()));
    }
    let text = bench.desk.ends(0, &bench.with(&["table", "--group", "driver"], None));
    assert!(text.contains("73.7") && text.contains("79.7") && text.contains("1920x1080"), "{text}");
    let csv = bench.desk.ends(0, &bench.with(&["table", "--group", "driver", "--csv", "--limit", "1"], None));
    assert_eq!(csv.split("\r\n").filter(|line| !line.is_empty()).count(), 2, "{csv}");

    let rows = bench.json(0, &["precision", "--quantity", "mean-fps", "--group", "card"], None);
    assert_eq!((rows[0]["runs"].as_u64(), rows[0]["repeatability_from"].as_str()), (Some(2), Some("passes")));
    let text = bench.desk.ends(0, &bench.with(&["precision"], None));
    assert!(text.contains("low-time-share") && text.contains("s_r %"), "{text}");
    let csv = bench.desk.ends(0, &bench.with(&["precision", "--csv", "--limit", "1"], None));
    assert_eq!(csv.split("\r\n").filter(|line| !line.is_empty()).count(), 2, "{csv}");
    let text = bench.desk.ends(0, &bench.with(&["precision", "--rules"], None));
    assert!(text.contains("2 runs judged"), "{text}");

    let track = bench.json(0, &["track", "draywick-kiln-ochre", "--reference", "draywick-7.3"], None);
    let point = track["points"].as_array().unwrap().iter().find(|p| p["driver"] == "draywick-7.5").unwrap();
    close(&point["index"], 100.0 * mean_fps(&newer) / mean_fps(&older));
    let text = bench
        .desk
        .ends(0, &bench.with(&["track", "draywick-kiln-ochre", "--reference", "draywick-7.3"], None));
    assert!(text.contains("108.0") && text.contains("index 100: draywick-7.3"), "{text}");
    let csv = bench.desk.ends(0, &bench.with(&["track", "draywick-kiln-ochre", "--csv"], None));
    assert_eq!(csv.split("\r\n").filter(|line| !line.is_empty()).count(), 3, "{csv}");
}

#[test]
fn refusals_faults_and_silence_have_their_own_exit_codes() {
    let bench = Bench::new();
    bench.desk.pack(&capture("ld-e2ea"), "run.json", &[]);
    bench.desk.pack(&capture("ld-10e0"), "strange.json", &["--set", "card.id=wicketfall-vane-3"]);
    let path = |name: &str| bench.desk.folder.path().join(name);
    std::fs::write(path("off.json"), r#"{"schema":"run/1"}"#).unwrap();
    std::fs::write(path("wrong.token"), "wm_0000\n").unwrap();

    bench.desk.ends(0, &bench.with(&["submit", "run.json"], Some("brick-lane.token")));
    // Another contributor sends the same frames.
    let copied = bench.json(4, &["submit", "run.json"], Some("willow-weir.token"));
    assert_eq!(copied["verdict"], "duplicate");
    let unknown = bench.json(3, &["submit", "strange.json"], Some("willow-weir.token"));
    assert_eq!(unknown["verdict"], "held");
    let off = bench.json(4, &["submit", "off.json"], Some("brick-lane.token"));
    assert_eq!(off["verdict"], "off-schema");
    assert!(off["findings"].as_array().unwrap().len() > 3);

    let said = bench.desk.complains(1, &bench.with(&["submit", "run.json"], Some("wrong.token")));
    assert!(said.contains("token") && !said.contains("wm_0000"), "{said}");
    bench.desk.complains(1, &bench.with(&["submit", "run.json"], None));
    let said = bench.desk.complains(1, &bench.with(&["track", "no-such-card"], None));
    assert!(said.contains("no-such-card") || said.contains("card"), "{said}");
    // Nothing listens on port 1 of this machine.
    bench.desk.complains(5, &["table", "--server", "http://127.0.0.1:1"]);
    bench.desk.complains(1, &["table", "--server", "127.0.0.1"]);
}

#[test]
fn many_runs_in_one_file_are_each_answered_and_the_gravest_counts() {
    let bench = Bench::new();
    let path = |name: &str| bench.desk.folder.path().join(name);
    let mut lines = Vec::new();
    for (id, driver) in [("ld-e2ea", "7.3"), ("ld-3c5d", "7.5")] {
        bench.desk.pack(&capture(id), "one.json", &["--force", "--set", &format!("driver.version={driver}")]);
        lines.extend(std::fs::read(path("one.json")).unwrap());
    }
    lines.extend(b"{\"schema\":\"run/1\"}\n");
    std::fs::write(path("runs.ndjson"), lines).unwrap();
    let mut args = bench.with(&["submit", "runs.ndjson"], Some("brick-lane.token"));
    args.push("--json");
    let answers: Vec<Value> =
        bench.desk.ends(4, &args).lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let verdicts: Vec<_> =
        answers.iter().map(|a| (a["file"].as_str().unwrap(), a["verdict"].as_str().unwrap())).collect();
    assert_eq!(
        verdicts,
        [("runs.ndjson:1", "accepted"), ("runs.ndjson:2", "accepted"), ("runs.ndjson:3", "off-schema")]
    );
}

#[test]
fn accounts_and_the_catalogue_are_listed_and_secrets_are_shown_once() {
    let bench = Bench::new();
    let list = bench.desk.ends(0, &["account", "list", "--data", "data"]);
    assert!(list.contains("brick-lane") && list.contains("contributor") && !list.contains("wm_"), "{list}");
    let token = bench.desk.ends(0, &["account", "token", "brick-lane", "--data", "data"]);
    assert!(token.starts_with("wm_") && token.lines().count() == 1);
    bench.desk.complains(1, &["account", "add", "brick-lane", "--data", "data"]);
    let cards = bench.desk.ends(0, &["catalogue", "list", "--kind", "cards", "--data", "data"]);
    assert!(cards.contains("draywick-kiln-ochre") && !cards.contains("nine-weirs"), "{cards}");
    let again = bench.desk.ends(0, &["catalogue", "import", "catalogue.json", "--data", "data", "--json"]);
    let counts: Value = serde_json::from_str(&again).unwrap();
    assert_eq!((&counts["added"], &counts["changed"]), (&0.into(), &0.into()));
}

#[test]
fn tokens_are_scoped_listed_and_revoked_on_the_command_line() {
    let bench = Bench::new();
    let ends = |arguments: &[&str]| bench.desk.ends(0, &[arguments, &["--data", "data"]].concat());
    let narrow =
        ["account", "token", "brick-lane", "--label", "night runs", "--scopes", "submit", "--expires", "3"];
    assert!(ends(&narrow).starts_with("wm_"));
    let list = ends(&["account", "tokens", "brick-lane"]);
    assert!(list.contains("night runs") && list.contains("never") && !list.contains("wm_"), "{list}");
    let rows: Value = serde_json::from_str(&ends(&["account", "tokens", "brick-lane", "--json"])).unwrap();
    assert_eq!(rows[0]["scopes"], serde_json::json!(["submit"]));
    let id = rows[0]["id"].as_str().unwrap();
    ends(&["account", "revoke", "brick-lane", id]);
    assert!(ends(&["account", "tokens", "brick-lane"]).contains("revoked"));
    for wrong in [
        vec!["account", "revoke", "brick-lane", "t-00000000000000000000000000000000"],
        vec!["account", "token", "brick-lane", "--scopes", "moderate"],
        vec!["account", "tokens", "nobody"],
    ] {
        bench.desk.complains(1, &[wrong.as_slice(), &["--data", "data"]].concat());
    }
    bench.desk.complains(2, &["account", "token", "brick-lane", "--expires", "367", "--data", "data"]);
    ends(&["account", "role", "brick-lane", "moderator"]);
    assert!(ends(&["account", "list"]).contains("moderator"));
    ends(&["account", "token", "brick-lane", "--scopes", "moderate,read-own"]);
    let invitation = ends(&["account", "invite", "--role", "moderator", "--expires", "2"]);
    assert!(invitation.starts_with("wmi_") && invitation.lines().count() == 1);
    assert!(ends(&["account", "invitations"]).contains("moderator"));
    let password = ends(&["account", "reset", "brick-lane", "--tokens"]);
    assert_eq!(password.trim().len(), 24);
    let rows: Value = serde_json::from_str(&ends(&["account", "tokens", "brick-lane", "--json"])).unwrap();
    assert!(rows.as_array().unwrap().iter().all(|row| row["revoked_at"].is_string()), "{rows}");
}

#[test]
fn the_demo_fills_a_folder_prints_its_tables_and_can_be_served_later() {
    let desk = Desk::new();
    let text = desk.ends(0, &["demo", "--once", "--size", "small", "--data", "world"]);
    for part in ["invented world", "Medians", "Track", "reasons", "honest", "accepted"] {
        assert!(text.contains(part), "no {part} in:\n{text}");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 120), "{text}");
    // The folder holds data now; a second world must not be mixed into it.
    assert!(desk.complains(1, &["demo", "--once", "--data", "world"]).contains("wearmark serve"));
    let served = Served::start(&binary(), &desk.folder.path().join("world"));
    let rows: Value =
        serde_json::from_str(&desk.ends(0, &["table", "--server", &served.url, "--json"])).unwrap();
    assert!(rows.as_array().unwrap().len() > 3);
}

#[test]
fn the_demo_serves_what_it_printed() {
    let desk = Desk::new();
    let mut command = Command::new(binary());
    command.args(["demo", "--size", "small", "--listen", "127.0.0.1:0", "--json"]);
    command.current_dir(desk.folder.path()).stdout(std::process::Stdio::null());
    let served = Served::from_command(command);
    let rows: Value =
        serde_json::from_str(&desk.ends(0, &["table", "--server", &served.url, "--json"])).unwrap();
    assert!(rows.as_array().unwrap().len() > 3);
}
