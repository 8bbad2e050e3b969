#![expect(clippy::unwrap_used, reason = "tests")]

use serde_json::json;

use super::*;

fn with(assignments: &[&str]) -> Result<Value, PackError> {
    let mut run = from_toml("run.toml", "[settings]\npreset = \"low\"\n[[passes]]\nlength_s = 60\n").unwrap();
    for assignment in assignments {
        set(&mut run, assignment)?;
    }
    Ok(Value::Object(run))
}

#[test]
fn a_toml_file_becomes_the_json_of_the_run_document() {
    let text = "measured_at = 2026-05-01T18:30:00Z\n[driver]\nvendor = \"Korvid\"\ndate = 2026-04-01\n[settings]\nwidth = 1920\nrender_scale = 0.75\nvertical_sync = false\n";
    assert_eq!(
        Value::Object(from_toml("run.toml", text).unwrap()),
        json!({
            "measured_at": "2026-05-01T18:30:00Z",
            "driver": {"vendor": "Korvid", "date": "2026-04-01"},
            "settings": {"width": 1920, "render_scale": 0.75, "vertical_sync": false}
        })
    );
}

#[test]
fn broken_toml_is_named_by_file_line_and_column() {
    let said = from_toml("run.toml", "[card]\nname = oops\n").unwrap_err().to_string();
    assert!(said.starts_with("run.toml:2:8: "), "{said}");
    assert!(from_toml("run.toml", "x = nan").unwrap_err().to_string().contains("no number"));
}

#[test]
fn single_fields_are_set_by_their_path() {
    assert_eq!(
        with(&[
            "settings.width=1920",
            "settings.vertical_sync=true",
            "card.name=Talon 4",
            "passes.0.length_s=61.5"
        ])
        .unwrap(),
        json!({
            "settings": {"preset": "low", "width": 1920, "vertical_sync": true},
            "card": {"name": "Talon 4"},
            "passes": [{"length_s": 61.5}]
        })
    );
}

#[test]
fn a_path_that_leads_nowhere_says_so() {
    for (assignment, expected) in [
        ("settings.width", "PATH=VALUE"),
        ("settings..width=1", "empty step"),
        ("settings.preset.x=1", "`preset` has no fields"),
        ("passes.3.length_s=1", "a list of 1"),
        ("passes.0=1", "name a field of one item"),
    ] {
        let said = with(&[assignment]).unwrap_err().to_string();
        assert!(said.contains(expected), "{said}");
    }
}
#[test]
fn where_the_schema_wants_a_text_a_number_stays_a_text() {
    let run = with(&["driver.version=21.40", "workload.build=7", "bench.os.version=12"]).unwrap();
    assert_eq!(run.pointer("/driver/version"), Some(&json!("21.40")));
    assert_eq!(run.pointer("/workload/build"), Some(&json!("7")));
    assert_eq!(run.pointer("/bench/os/version"), Some(&json!("12")));
}
