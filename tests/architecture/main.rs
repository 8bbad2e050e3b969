//! Promises about the shape of the code.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs, reason = "tests")]

mod asvs;
mod dependencies;
mod migrations;

use std::fs;
use std::path::{Path, PathBuf};

/// The folder of the workspace.
fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// All Rust files below a folder of the workspace, with their text.
fn sources(folder: &str) -> Vec<(PathBuf, String)> {
    fn walk(folder: &Path, found: &mut Vec<(PathBuf, String)>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = fs::read_to_string(&path).unwrap();
                found.push((path.strip_prefix(root()).unwrap().to_owned(), text));
            }
        }
    }
    let mut found = Vec::new();
    walk(&root().join(folder), &mut found);
    assert!(!found.is_empty(), "no Rust file in {folder}");
    found
}
