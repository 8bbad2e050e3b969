//! Who may know whom: `core <- schema <- api <- tests`, and `seed-data` knows core alone.

use std::collections::BTreeSet;
use std::process::Command;

use crate::{root, sources};

/// The packages that a package is built with, itself included; `depth` 1 for those it names itself. Asked of
/// the resolver that the build asks, so that features which are off count as off.
fn built_with(package: &str, depth: Option<u32>) -> BTreeSet<String> {
    let mut command = Command::new(env!("CARGO"));
    command
        .args(["tree", "--package", package, "--edges", "normal,build", "--prefix", "none"])
        .args(["--format", "{p}", "--locked", "--offline"])
        .current_dir(root());
    if let Some(depth) = depth {
        command.args(["--depth", &depth.to_string()]);
    }
    let output = command.output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines().filter_map(|line| line.split(' ').next()).map(str::to_owned).collect()
}

#[track_caller]
fn cannot_reach(package: &str, forbidden: &[&str]) {
    let reached: Vec<String> = built_with(package, None)
        .into_iter()
        .filter(|name| forbidden.iter().any(|f| name.starts_with(f)))
        .collect();
    assert!(reached.is_empty(), "{package} reaches {reached:?}");
}

fn members_of(package: &str) -> Vec<String> {
    built_with(package, Some(1))
        .into_iter()
        .filter(|name| name.starts_with("wearmark-") && name != package)
        .collect()
}

const HTTP: [&str; 6] = ["actix", "hyper", "reqwest", "ureq", "rustls", "native-tls"];
const SQL: [&str; 3] = ["diesel", "libsqlite3-sys", "pq-sys"];

#[test]
fn the_walk_sees_what_is_there() {
    let reachable = built_with("wearmark-api", None);
    for name in ["actix-web", "diesel", "libsqlite3-sys", "ureq", "polars", "jsonschema"] {
        assert!(reachable.contains(name), "{name} should be reachable from the service");
    }
}

#[test]
fn core_knows_no_http_and_no_sql() {
    cannot_reach("wearmark-core", &HTTP);
    cannot_reach("wearmark-core", &SQL);
}

#[test]
fn schema_opens_no_socket_and_no_database() {
    cannot_reach("wearmark-schema", &HTTP);
    cannot_reach("wearmark-schema", &SQL);
}

#[test]
fn seed_data_knows_no_http_and_no_sql() {
    cannot_reach("wearmark-seed-data", &HTTP);
    cannot_reach("wearmark-seed-data", &SQL);
}

#[test]
fn dependencies_between_our_packages_point_one_way() {
    assert!(members_of("wearmark-core").is_empty());
    assert_eq!(members_of("wearmark-schema"), ["wearmark-core"]);
    assert_eq!(members_of("wearmark-seed-data"), ["wearmark-core"]);
    assert!(!members_of("wearmark-api").contains(&"wearmark-tests".to_owned()));
}

#[test]
fn sql_stays_under_storage() {
    let mut inside = 0;
    for folder in ["core", "schema", "seed-data", "api", "tests"] {
        for (path, text) in sources(folder) {
            let path = path.to_str().unwrap();
            if path == "api/src/storage.rs" || path.starts_with("api/src/storage/") {
                inside += text.matches("use diesel").count();
                continue;
            }
            // Spelled in two parts, so that this file does not name what it looks for.
            for word in [concat!("die", "sel::"), concat!("die", "sel_"), concat!("libsqlite3", "_sys")] {
                assert!(!text.contains(word), "{path} uses {word}");
            }
        }
    }
    assert!(inside > 5, "the search finds what is under storage");
}

#[test]
fn core_reads_no_clock_no_file_and_no_environment() {
    for (path, text) in sources("core/src") {
        for word in
            ["std::fs", "std::env", "std::net", "std::process", "SystemTime", "Utc::now", "Instant::now"]
        {
            assert!(!text.contains(word), "{} uses {word}", path.display());
        }
    }
}
