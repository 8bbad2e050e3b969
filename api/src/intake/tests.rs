#![expect(clippy::unwrap_used, clippy::panic, reason = "tests")]

use serde_json::{Value, json};
use wearmark_core::verdict::Verdict;

use super::{IdempotencyKey, Intake, IntakeError, Receipt};
use crate::storage::fixture::{Fixture, bytes, frame_times, now, open, run};
use crate::storage::ids::AccountId;
use crate::storage::runs::RunFilter;

const FULL_HD: (u32, u32) = (1920, 1080);

fn submit(intake: &Intake, account: &AccountId, run: &Value) -> Result<Receipt, IntakeError> {
    intake.store(intake.prepare(account, &bytes(run), now())?, None).wait()
}

fn key(name: &str, body: u8) -> Option<IdempotencyKey> {
    Some(IdempotencyKey { key: name.to_owned(), body_sha256: [body; 32] })
}

#[test]
fn an_honest_run_is_accepted_and_can_be_read_back_in_full() {
    let fixture = Fixture::new();
    let who = fixture.account("ada");
    let document = run(1, 58.0, FULL_HD);
    let receipt = submit(&fixture.intake, &who.id, &document).unwrap();
    assert_eq!(receipt.judgement.verdict, Verdict::Accepted, "{:#?}", receipt.judgement.findings);
    let id = receipt.run.clone().unwrap();
    let stored = fixture.storage().find_run(&id).unwrap().unwrap();
    assert_eq!(stored.judgement, receipt.judgement);
    assert_eq!(stored.statistics, receipt.statistics);
    assert_eq!(stored.identity, receipt.identity);
    assert_eq!(stored.contributor_name, "ada");
    assert_eq!(stored.received_at, now());
    assert!(stored.document.passes.iter().all(|p| p.frame_times_ms.is_none()));
    assert_eq!(serde_json::to_value(&stored.bench_document).unwrap(), document["bench"]);
    let frames: Vec<Vec<f64>> = document["passes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| serde_json::from_value(p["frame_times_ms"].clone()).unwrap())
        .collect();
    assert_eq!(fixture.storage().frame_times(&id).unwrap().unwrap(), frames);
    assert_eq!(stored.pass_frames, frames.iter().map(|f| f.len() as u64).collect::<Vec<_>>());
}

#[test]
fn a_check_says_what_a_submission_would_and_stores_nothing() {
    let fixture = Fixture::new();
    let who = fixture.account("ada");
    let document = run(1, 58.0, FULL_HD);
    let checked = fixture.intake.check(&who.id, &bytes(&document), now()).unwrap();
    assert_eq!(checked.run, None);
    assert!(fixture.storage().list_runs(&RunFilter::default(), None, 10).unwrap().is_empty());
    let stored = submit(&fixture.intake, &who.id, &document).unwrap();
    assert_eq!(Receipt { run: None, ..stored }, checked);
    assert!(matches!(
        fixture.intake.check(&who.id, &bytes(&document), now()),
        Err(IntakeError::Duplicate { .. })
    ));
}

#[test]
fn everything_is_there_after_a_restart() {
    let fixture = Fixture::new();
    let who = fixture.account("ada");
    let receipt = submit(&fixture.intake, &who.id, &run(1, 58.0, FULL_HD)).unwrap();
    let (revision, last) = (fixture.storage().revision(), fixture.storage().last_change());
    let stored = fixture.storage().find_run(receipt.run.as_ref().unwrap()).unwrap();
    fixture.storage().close();
    assert!(matches!(submit(&fixture.intake, &who.id, &run(2, 58.0, FULL_HD)), Err(IntakeError::Storage(_))));
    let again = open(fixture.folder.path());
    assert_eq!(again.storage.find_run(receipt.run.as_ref().unwrap()).unwrap(), stored);
    assert_eq!((again.storage.revision(), again.storage.last_change()), (revision, last));
    assert_eq!(again.storage.frame().unwrap().revision, revision);
    assert_eq!(again.storage.catalogue().document(), fixture.storage().catalogue().document());
    assert_eq!(again.storage.account_by_name("Ada").unwrap(), Some(who));
}

#[test]
fn a_run_sent_again_is_refused_and_names_the_original() {
    let fixture = Fixture::new();
    let (ada, bob) = (fixture.account("ada"), fixture.account("bob"));
    let document = run(1, 58.0, FULL_HD);
    let first = submit(&fixture.intake, &ada.id, &document).unwrap().run.unwrap();
    // Somebody else's copy, passes in another order and with fewer digits, is the same run.
    let mut copy = document.clone();
    copy["passes"].as_array_mut().unwrap().rotate_left(1);
    for pass in copy["passes"].as_array_mut().unwrap() {
        for time in pass["frame_times_ms"].as_array_mut().unwrap() {
            *time = json!((time.as_f64().unwrap() * 100.0).round() / 100.0);
        }
    }
    for (who, document) in [(&ada, &document), (&bob, &copy)] {
        match submit(&fixture.intake, &who.id, document) {
            Err(IntakeError::Duplicate { of, finding }) => {
                assert_eq!(of, first);
                assert_eq!(finding.evidence["run"], first.as_str());
            }
            other => panic!("{other:?}"),
        }
    }
    assert_eq!(fixture.storage().list_runs(&RunFilter::default(), None, 10).unwrap().len(), 1);
}

#[test]
fn a_run_with_one_stored_pass_is_judged_and_told_so() {
    let fixture = Fixture::new();
    let who = fixture.account("ada");
    let first = run(1, 58.0, FULL_HD);
    submit(&fixture.intake, &who.id, &first).unwrap();
    let mut second = run(2, 58.0, FULL_HD);
    second["passes"][1] = first["passes"][2].clone();
    let submission = super::prepare::read(&fixture.intake, &who.id, &bytes(&second), now()).unwrap();
    let found = super::commit::duplicates(&mut fixture.storage().reader().unwrap(), &submission).unwrap();
    assert_eq!(found.iter().map(|d| d.pass).collect::<Vec<_>>(), [1]);
    assert!(submit(&fixture.intake, &who.id, &second).is_ok());
}

#[test]
fn short_passes_may_be_alike_but_the_same_failure_is_told_once() {
    let fixture = Fixture::new();
    let (ada, bob) = (fixture.account("ada"), fixture.account("bob"));
    let mut failure = run(1, 58.0, FULL_HD);
    failure["outcome"] = json!("did-not-start");
    failure["passes"] = json!([]);
    submit(&fixture.intake, &ada.id, &failure).unwrap();
    assert!(matches!(submit(&fixture.intake, &ada.id, &failure), Err(IntakeError::Duplicate { .. })));
    submit(&fixture.intake, &bob.id, &failure).unwrap();
    let mut short = run(1, 58.0, FULL_HD);
    short["passes"] = json!([{ "frame_times_ms": &frame_times(1, 58.0, 40.0)[..50] }]);
    submit(&fixture.intake, &ada.id, &short).unwrap();
    submit(&fixture.intake, &bob.id, &short).unwrap();
}

#[test]
fn a_repeated_key_gets_the_first_answer_and_another_body_is_refused() {
    let fixture = Fixture::new();
    let (ada, bob) = (fixture.account("ada"), fixture.account("bob"));
    let send = |who: &AccountId, seed: u64, key: Option<IdempotencyKey>| {
        let prepared = fixture.intake.prepare(who, &bytes(&run(seed, 58.0, FULL_HD)), now())?;
        fixture.intake.store(prepared, key).wait()
    };
    let first = send(&ada.id, 1, key("k", 1)).unwrap();
    let again = send(&ada.id, 1, key("k", 1)).unwrap();
    assert!(!first.replayed && again.replayed);
    assert_eq!(Receipt { replayed: false, ..again }, first);
    assert!(matches!(send(&ada.id, 2, key("k", 2)), Err(IntakeError::KeyReused)));
    assert!(!send(&bob.id, 3, key("k", 1)).unwrap().replayed);
    assert!(!send(&ada.id, 4, key("l", 1)).unwrap().replayed);
}

#[test]
fn a_bench_is_known_by_its_id_to_its_owner_only() {
    let fixture = Fixture::new();
    let (ada, bob) = (fixture.account("ada"), fixture.account("bob"));
    let bench = submit(&fixture.intake, &ada.id, &run(1, 58.0, FULL_HD)).unwrap().bench;
    let mut second = run(2, 58.0, FULL_HD);
    second["bench"] = json!({ "id": bench });
    let receipt = submit(&fixture.intake, &ada.id, &second).unwrap();
    assert_eq!(receipt.bench, bench);
    assert_eq!(receipt.identity.bench, bench.as_str());
    for id in [bench.as_str(), "b-ffffffffffffffff", "b-' or 1=1 --"] {
        second["bench"] = json!({ "id": id });
        assert!(
            matches!(
                submit(&fixture.intake, &bob.id, &second),
                Err(IntakeError::UnknownBench(_) | IntakeError::OffSchema(_))
            ),
            "{id}"
        );
    }
}

#[test]
fn bytes_that_are_no_run_are_refused_with_findings() {
    let fixture = Fixture::new();
    let who = fixture.account("ada");
    assert!(matches!(fixture.intake.check(&who.id, b"{", now()), Err(IntakeError::Malformed(_))));
    match fixture.intake.check(&who.id, b"{}", now()) {
        Err(IntakeError::OffSchema(findings)) => assert!(!findings.is_empty()),
        other => panic!("{other:?}"),
    }
}

#[test]
fn peers_are_accepted_runs_of_other_contributors_in_the_same_cell() {
    let fixture = Fixture::new();
    let [ada, bob, cyd] = ["ada", "bob", "cyd"].map(|name| fixture.account(name));
    submit(&fixture.intake, &ada.id, &run(1, 58.0, FULL_HD)).unwrap();
    submit(&fixture.intake, &ada.id, &run(2, 58.5, FULL_HD)).unwrap();
    submit(&fixture.intake, &bob.id, &run(3, 57.5, FULL_HD)).unwrap();
    submit(&fixture.intake, &bob.id, &run(4, 80.0, (1280, 720))).unwrap();
    let mut failed = run(5, 58.0, FULL_HD);
    failed["outcome"] = json!("crashed");
    submit(&fixture.intake, &bob.id, &failed).unwrap();
    let peers = |who: &AccountId| {
        let checked = fixture.intake.check(who, &bytes(&run(9, 58.0, FULL_HD)), now()).unwrap();
        checked.judgement.numbers.unwrap().inputs.cell.contributors
    };
    assert_eq!((peers(&ada.id), peers(&bob.id), peers(&cyd.id)), (1, 1, 2));
}

#[test]
fn a_rung_that_shows_the_platform_limit_marks_its_siblings() {
    let fixture = Fixture::new();
    let who = fixture.account("ada");
    let steps = [(1, FULL_HD), (2, (1600, 900)), (3, (1280, 720))];
    let ids: Vec<_> = steps
        .map(|(seed, size)| submit(&fixture.intake, &who.id, &run(seed, 120.0, size)).unwrap().run.unwrap())
        .into();
    let limited = |run| {
        let findings = fixture.storage().find_run(run).unwrap().unwrap().judgement.findings;
        findings.iter().filter(|f| f.code == "platform-limited").count()
    };
    // 120 fps at three resolutions is the platform's rate at all of them (common practice).
    assert_eq!(ids.iter().map(limited).collect::<Vec<_>>(), [1, 1, 1]);
}

#[test]
fn submissions_from_many_threads_are_all_stored_with_revisions_of_their_own() {
    let fixture = Fixture::new();
    let who = fixture.account("ada");
    std::thread::scope(|scope| {
        for thread in 0..4_u64 {
            let (fixture, who) = (&fixture, &who);
            scope.spawn(move || {
                for n in 0..5 {
                    submit(&fixture.intake, &who.id, &run(100 + thread * 5 + n, 58.0, FULL_HD)).unwrap();
                }
            });
        }
    });
    let rows = fixture.storage().list_runs(&RunFilter::default(), None, 100).unwrap();
    assert_eq!(rows.len(), 20);
    let conn = &mut fixture.storage().reader().unwrap();
    let mut revisions: Vec<i64> = rows
        .iter()
        .map(|r| crate::storage::rows::find(conn, r.id.as_str()).unwrap().unwrap().revision)
        .collect();
    revisions.sort_unstable();
    revisions.dedup();
    assert_eq!(revisions.len(), 20);
    assert_eq!(fixture.storage().last_change(), *revisions.last().unwrap());
}
