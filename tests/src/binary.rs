//! Where the program under test is.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// The `wearmark` program of the profile that the tests were built with, built first if it is missing
/// or older than its sources: a test must never speak of yesterday's program.
///
/// # Panics
/// When it cannot be built.
pub fn binary() -> PathBuf {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    BINARY.get_or_init(build).clone()
}

fn build() -> PathBuf {
    // .../target/PROFILE/deps/this-test -> .../target/PROFILE
    let test = std::env::current_exe().expect("a test knows where it is");
    let profile = test.parent().and_then(Path::parent).expect("a test stands in PROFILE/deps");
    let mut cargo = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into()));
    cargo.args(["build", "--quiet", "--package", "wearmark-api", "--bin", "wearmark"]);
    cargo.arg("--target-dir").arg(profile.parent().expect("PROFILE stands in the target folder"));
    cargo.current_dir(Path::new(env!("CARGO_MANIFEST_DIR")));
    if profile.file_name().is_some_and(|name| name == "release") {
        cargo.arg("--release");
    }
    let ended = cargo.status().expect("cargo starts");
    assert!(ended.success(), "the program does not build");
    profile.join("wearmark")
}
