//! Editions: releases of the accepted runs.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::Command;

use serde_json::Value;
use wearmark_api::edition::{self, EditionError};
use wearmark_core::policy::Policy;
use wearmark_tests::app::TestApp;
use wearmark_tests::binary::binary;
use wearmark_tests::runs::run;

fn made(app: &TestApp, folder: &Path) -> (std::path::PathBuf, edition::Manifest) {
    edition::make(&app.storage, &Policy::published(), folder, "CC0 1.0", chrono::Utc::now()).unwrap()
}

/// Everything in a folder, by name.
fn contents(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut all: Vec<(String, Vec<u8>)> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap())
        .map(|entry| (entry.file_name().into_string().unwrap(), fs::read(entry.path()).unwrap()))
        .collect();
    all.sort();
    all
}

/// The checksums are those of another program: GNU coreutils' sha256sum (FIPS 180-4).
#[test]
fn editions_are_numbered_never_changed_and_what_the_service_publishes() {
    let app = TestApp::new();
    app.contributor(0).submit(&run(60.0, 1)).expect(201);
    let folder = tempfile::tempdir().unwrap();
    let (first, manifest) = made(&app, folder.path());
    assert!(first.ends_with("edition-0001"));
    assert_eq!((manifest.number, manifest.runs), (1, 1));
    let before = contents(&first);
    app.contributor(1).submit(&run(61.0, 2)).expect(201);
    let (second, manifest) = made(&app, folder.path());
    assert_eq!((manifest.number, manifest.runs), (2, 2));
    assert_eq!(contents(&first), before);
    let csv = |path: &str| app.anonymous().get(path).expect(200).text();
    assert_eq!(fs::read_to_string(second.join("runs.csv")).unwrap(), csv("/v1/facts?format=csv"));
    assert_eq!(fs::read_to_string(second.join("medians.csv")).unwrap(), csv("/v1/medians?format=csv"));
    assert!(fs::read(second.join("runs.parquet")).unwrap().starts_with(b"PAR1"));
    for edition in [&first, &second] {
        let mut sums = Command::new("sha256sum");
        sums.args(["--check", "--strict", "SHA256SUMS"]).current_dir(edition);
        let said = sums.output().unwrap();
        assert!(said.status.success(), "{said:?}");
        edition::check(edition).unwrap();
    }
}

#[test]
fn whatever_was_altered_is_named() {
    let app = TestApp::new();
    app.contributor(0).submit(&run(60.0, 1)).expect(201);
    let folder = tempfile::tempdir().unwrap();
    let (edition, _) = made(&app, folder.path());
    for (name, bytes) in contents(&edition) {
        let path = edition.join(&name);
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o222, 0, "{name} can be written to");
        fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).unwrap();
        let mut longer = bytes.clone();
        longer.push(b'\n');
        let mut other = bytes.clone();
        *other.last_mut().unwrap() ^= 1;
        for altered in [longer, other] {
            fs::write(&path, altered).unwrap();
            assert!(edition::check(&edition).is_err(), "{name}");
        }
        fs::remove_file(&path).unwrap();
        assert!(matches!(edition::check(&edition), Err(EditionError::File { .. })), "{name}");
        fs::write(&path, bytes).unwrap();
        edition::check(&edition).unwrap();
    }
}

#[test]
fn an_edition_from_the_command_line() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    wearmark_tests::world::stored(&data, 40).storage.close();
    let out = folder.path().join("editions");
    let wearmark = |args: &[&str]| {
        let mut command = Command::new(binary());
        command.args(args);
        command.output().unwrap()
    };
    let (data, out) = (data.to_str().unwrap(), out.to_str().unwrap());
    let said =
        wearmark(&["edition", "make", "--out", out, "--licence", "CC BY 4.0", "--data", data, "--json"]);
    assert!(said.status.success(), "{said:?}");
    let manifest: Value = serde_json::from_slice(&said.stdout).unwrap();
    assert_eq!((&manifest["number"], &manifest["licence"]), (&1.into(), &"CC BY 4.0".into()));
    let edition = format!("{out}/edition-0001");
    let said = wearmark(&["edition", "check", &edition]);
    let text = String::from_utf8(said.stdout).unwrap();
    assert!(text.starts_with("edition 1: ") && text.contains("as it was made"), "{text}");
    assert!(fs::read_to_string(format!("{edition}/README.md")).unwrap().contains("CC BY 4.0"));
    assert!(!wearmark(&["edition", "check", out]).status.success());
    assert!(!wearmark(&["edition", "make", "--out", out, "--licence", " ", "--data", data]).status.success());
}
