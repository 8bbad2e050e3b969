//! The checklist of application security names only what is there.

use std::collections::BTreeSet;
use std::fs;

use crate::root;

/// What stands between backquotes and begins like a path of the workspace.
fn named(text: &str) -> Vec<&str> {
    let roots = ["tests/", "api/", "core/", "schema/", "README.md", "DEVELOPERS.md", "Cargo."];
    text.split('`')
        .skip(1)
        .step_by(2)
        .filter(|name| roots.iter().any(|root| name.starts_with(root)))
        .collect()
}

#[test]
fn every_test_and_place_that_the_checklist_names_is_there() {
    let text = fs::read_to_string(root().join("tests/asvs.md")).unwrap();
    let named = named(&text);
    let mut tests = 0;
    for name in &named {
        let (file, function) = name.split_once("::").map_or((*name, None), |(file, test)| (file, Some(test)));
        let path = root().join(file);
        assert!(path.exists(), "{name}: there is no {file}");
        let Some(function) = function else { continue };
        let source = fs::read_to_string(path).unwrap();
        let body = source.split_once(&format!("fn {function}()"));
        let before = body.unwrap_or_else(|| panic!("{name}: there is no such test")).0;
        assert!(before.trim_end().ends_with("#[test]"), "{name} is no test");
        tests += 1;
    }
    assert!(tests > 100, "{tests}");
}

#[test]
fn every_item_of_the_checklist_stands_once_with_a_state() {
    let text = fs::read_to_string(root().join("tests/asvs.md")).unwrap();
    let mut seen = BTreeSet::new();
    for row in text.lines().filter(|line| line.starts_with("| ") && line.as_bytes()[2].is_ascii_digit()) {
        let cells: Vec<&str> = row.trim_matches('|').split(" | ").map(str::trim).collect();
        assert_eq!(cells.len(), 5, "{row}");
        let states = ["met", "part", "**not met**", "operator", "n/a"];
        assert!(states.contains(&cells[3]), "{row}");
        // What is not met, or met in part, says what lacks; what is met says where.
        assert!(matches!(cells[3], "n/a" | "operator") || !cells[4].is_empty(), "{row}");
        for item in cells[0].split(", ") {
            assert!(seen.insert(item.to_owned()), "{item} stands twice");
        }
    }
    for chapter in 1..=17 {
        let prefix = format!("{chapter}.");
        assert!(seen.iter().any(|item| item.starts_with(&prefix)), "nothing of chapter {chapter}");
    }
    assert!(seen.len() > 190, "{}", seen.len());
}
