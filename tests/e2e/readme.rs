//! Every command of the README, as it stands there.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use wearmark_tests::binary::binary;
use wearmark_tests::served::Served;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// The shell blocks of the README, in order.
fn blocks() -> Vec<String> {
    let text = std::fs::read_to_string(root().join("README.md")).unwrap();
    text.split("```sh\n").skip(1).map(|rest| rest.split("```").next().unwrap().to_owned()).collect()
}

#[test]
fn every_command_of_the_readme_works_in_the_order_it_stands_there() {
    let program = binary();
    let blocks = blocks();
    assert!(blocks.len() > 5, "the README has lost its commands");

    // The first command, in the clone, until it serves; in the target folder that the tests use.
    let mut demo = Command::new("bash");
    let target = program.parent().unwrap().parent().unwrap();
    // `exec`, so that ending the shell ends the program.
    demo.args(["-c", &format!("exec {}", blocks[0].trim())])
        .current_dir(root())
        .env("CARGO_TARGET_DIR", target);
    demo.stdout(Stdio::null());
    let served = Served::from_command_within(demo, std::time::Duration::from_secs(1500));
    let cards =
        ureq::get(format!("{}/v1/cards", served.url)).call().unwrap().body_mut().read_to_string().unwrap();
    assert!(cards.contains("pelloram-lantern-27"), "{cards}");
    served.kill();

    // The second is what runs this test; continuous integration must call nothing else.
    let ci = std::fs::read_to_string(root().join(".ci/run")).unwrap();
    assert!(ci.lines().any(|line| line == format!("exec {}", blocks[1].trim())), "{ci}");

    // All others as one script, in an empty folder with the files of the clone that they name.
    let folder = tempfile::tempdir().unwrap();
    for entry in ["seed-data", "tests", "schema"] {
        std::os::unix::fs::symlink(root().join(entry), folder.path().join(entry)).unwrap();
    }
    let script = format!("set -euo pipefail\ntrap 'kill $(jobs -p)' EXIT\n{}", blocks[2..].join("\n"));
    let path = format!("{}:{}", program.parent().unwrap().display(), std::env::var("PATH").unwrap());
    let ended = Command::new("bash")
        .args(["-c", &script])
        .current_dir(folder.path())
        .env("PATH", path)
        .env_remove("WEARMARK_DATA")
        .env_remove("WEARMARK_SERVER")
        .env_remove("WEARMARK_TOKEN")
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let (out, err) = (String::from_utf8_lossy(&ended.stdout), String::from_utf8_lossy(&ended.stderr));
    assert!(ended.status.success(), "{}\n{out}\n{err}", ended.status);
    // The three runs were accepted, and the tables show them.
    assert!(out.matches("accepted").count() >= 3, "{out}\n{err}");
    for shown in ["pelloram-44.0", "pelloram-44.6", "nine-weirs", "\"verdict\":\"accepted\""] {
        assert!(out.contains(shown), "{shown} is not in:\n{out}\n{err}");
    }
    assert!(std::fs::read(folder.path().join("accepted-runs.parquet")).unwrap().starts_with(b"PAR1"));
}
