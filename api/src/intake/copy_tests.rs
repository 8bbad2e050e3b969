#![expect(clippy::unwrap_used, reason = "tests")]

use serde_json::{Value, json};
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::verdict::Verdict;

use super::{Intake, IntakeError, Receipt};
use crate::storage::fixture::{Fixture, bytes, now, run};
use crate::storage::ids::AccountId;

const FULL_HD: (u32, u32) = (1920, 1080);

fn submit(intake: &Intake, account: &AccountId, run: &Value) -> Result<Receipt, IntakeError> {
    intake.store(intake.prepare(account, &bytes(run), now())?, None).wait()
}

/// The run with its frame times changed: pass and frame go in with the time.
fn changed(run: &Value, mut change: impl FnMut(usize, usize, f64) -> Option<f64>) -> Value {
    let mut copy = run.clone();
    for (pass, p) in copy["passes"].as_array_mut().unwrap().iter_mut().enumerate() {
        let times: Vec<f64> = serde_json::from_value(p["frame_times_ms"].clone()).unwrap();
        let times: Vec<f64> = times
            .into_iter()
            .enumerate()
            .filter_map(|(at, t)| change(pass, at, t))
            .map(|t| (t * 1e3).round() / 1e3)
            .collect();
        p["frame_times_ms"] = json!(times);
    }
    copy
}

/// Uniform noise between -1 and 1 that only depends on where it is.
fn noise(pass: usize, at: usize) -> f64 {
    let mut z = (pass as u64 + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_add(at as u64);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

fn copied(receipt: &Receipt) -> Vec<&Finding> {
    receipt.judgement.findings.iter().filter(|f| f.code == "copied-series").collect()
}

#[test]
fn a_rescaled_and_jittered_copy_of_another_contributors_run_is_held_and_names_the_passes() {
    let fixture = Fixture::new();
    let (ada, bo) = (fixture.account("ada"), fixture.account("bo"));
    let original = run(1, 58.0, FULL_HD);
    let stored = submit(&fixture.intake, &ada.id, &original).unwrap().run.unwrap();
    // A uniform jitter of 3.5 % has a standard deviation of 2 %.
    let copy = changed(&original, |pass, at, t| Some(t * 1.04 * (1.0 + 0.035 * noise(pass, at))));
    let checked = fixture.intake.check(&bo.id, &bytes(&copy), now()).unwrap();
    let receipt = submit(&fixture.intake, &bo.id, &copy).unwrap();
    assert_eq!(receipt.judgement, checked.judgement);
    assert_eq!(receipt.judgement.verdict, Verdict::Held);
    let found = copied(&receipt);
    assert_eq!(found.len(), 3, "{found:#?}");
    for (pass, finding) in found.iter().enumerate() {
        assert_eq!(finding.severity, Severity::Hold);
        assert_eq!(finding.pointer, format!("/passes/{pass}"));
        assert_eq!(finding.evidence["run"], stored.as_str());
        assert_eq!(finding.evidence["of_pass"], format!("/passes/{pass}"));
        assert_eq!(finding.evidence["own"], false);
    }
    // A copy of the copy is told of the original.
    let again = changed(&copy, |_, _, t| Some(t * 0.95));
    let receipt = submit(&fixture.intake, &fixture.account("cy").id, &again).unwrap();
    assert!(copied(&receipt).iter().all(|f| f.evidence["run"] == stored.as_str()));
}

#[test]
fn a_copy_that_was_cut_is_held_and_says_where_it_begins() {
    let fixture = Fixture::new();
    let (ada, bo) = (fixture.account("ada"), fixture.account("bo"));
    let original = run(2, 58.0, FULL_HD);
    submit(&fixture.intake, &ada.id, &original).unwrap();
    let copy = changed(&original, |pass, at, t| (at >= 200).then(|| t * (1.0 + 0.01 * noise(pass, at))));
    let receipt = submit(&fixture.intake, &bo.id, &copy).unwrap();
    let found = copied(&receipt);
    assert!(!found.is_empty());
    assert!(found.iter().all(|f| f.evidence["offset_frames"] == 200), "{found:#?}");
    assert!(found[0].message.contains("200 frames into it"), "{}", found[0].message);
}

#[test]
fn a_contributors_own_changed_capture_is_held_in_other_words_unless_it_was_rejected() {
    let fixture = Fixture::new();
    let ada = fixture.account("ada");
    let original = run(3, 58.0, FULL_HD);
    submit(&fixture.intake, &ada.id, &original).unwrap();
    let copy = changed(&original, |_, _, t| Some(t * 0.9));
    let receipt = submit(&fixture.intake, &ada.id, &copy).unwrap();
    let found = copied(&receipt);
    assert_eq!(found.len(), 3);
    assert!(found[0].message.contains("your own run"), "{}", found[0].message);
    assert_eq!(receipt.judgement.verdict, Verdict::Held);

    // Seconds where milliseconds are asked are rejected; with the unit put right the run may come again.
    let bo = fixture.account("bo");
    let seconds = {
        let mut run = run(4, 58.0, FULL_HD);
        for p in run["passes"].as_array_mut().unwrap() {
            let times: Vec<f64> = serde_json::from_value(p["frame_times_ms"].clone()).unwrap();
            p["frame_times_ms"] = json!(times.iter().map(|t| t / 1000.0).collect::<Vec<f64>>());
        }
        run
    };
    let rejected = submit(&fixture.intake, &bo.id, &seconds).unwrap();
    assert_eq!(rejected.judgement.verdict, Verdict::Rejected);
    let receipt = submit(&fixture.intake, &bo.id, &run(4, 58.0, FULL_HD)).unwrap();
    assert_eq!(receipt.judgement.verdict, Verdict::Accepted, "{:#?}", receipt.judgement.findings);
    // Others may not.
    let receipt =
        submit(&fixture.intake, &ada.id, &changed(&run(4, 58.0, FULL_HD), |_, _, t| Some(t * 1.01)));
    assert_eq!(copied(&receipt.unwrap()).len(), 3);
}

#[test]
fn honest_runs_of_one_configuration_are_not_taken_for_copies() {
    let fixture = Fixture::new();
    for n in 0..12 {
        let who = fixture.account(&format!("bench {n}"));
        let receipt = submit(&fixture.intake, &who.id, &run(10 + n, 58.0, FULL_HD)).unwrap();
        assert!(copied(&receipt).is_empty(), "{n}");
    }
}
