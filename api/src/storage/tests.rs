#![expect(clippy::unwrap_used, reason = "tests")]

use chrono::Duration;
use serde_json::json;
use wearmark_core::catalogue::CatalogueDocument;
use wearmark_core::run::Outcome;
use wearmark_core::verdict::Verdict;

use super::accounts::Role;
use super::error::StorageError;
use super::fixture::{Fixture, bytes, catalogue, now, open, run, trail};
use super::ids::{AccountId, RunId};
use super::judgements::{Cause, Judged};
use super::runs::RunFilter;
use super::standing;
use super::ticket::Ticket;
use super::tokens::{NewToken, Refusal, Via};
use crate::auth::secret::{Kind, Secret};

const FULL_HD: (u32, u32) = (1920, 1080);

fn submit(fixture: &Fixture, account: &AccountId, run: &serde_json::Value) -> RunId {
    let prepared = fixture.intake.prepare(account, &bytes(run), now()).unwrap();
    fixture.intake.store(prepared, None).wait().unwrap().run.unwrap()
}

#[test]
fn a_token_leads_to_its_account_and_another_to_none() {
    let fixture = Fixture::new();
    let ada = fixture.account("ada");
    let new = NewToken::of(&ada, "script");
    let (token, _) = fixture.storage().create_token(&ada.id, &new, None, now()).unwrap();
    let of = |token: &str| fixture.storage().credential_of_token(token, now()).unwrap();
    for _ in 0..2 {
        let found = of(token.reveal()).unwrap();
        assert_eq!((found.account, found.scopes), (ada.clone(), new.scopes));
    }
    let other = Secret::new(Kind::Token);
    for wrong in ["", "wm_", &token.reveal()[3..], other.reveal()] {
        assert_eq!(of(wrong), Err(Refusal::Unknown), "{wrong}");
    }
    let none = fixture.storage().create_token(&AccountId::new(), &new, None, now());
    assert!(matches!(none, Err(StorageError::NoAccount)));
}

#[test]
fn a_token_ends_with_its_time_or_when_it_is_revoked_and_its_use_is_noted() {
    let fixture = Fixture::new();
    let storage = fixture.storage();
    let ada = fixture.account("ada");
    let new = NewToken { life: Duration::hours(1), ..NewToken::of(&ada, "script") };
    let (token, record) = storage.create_token(&ada.id, &new, None, now()).unwrap();
    let at = |minutes: i64| {
        let found = storage.credential_of_token(token.reveal(), now() + Duration::minutes(minutes));
        found.unwrap().map(|credential| credential.via)
    };
    assert_eq!(at(0), Ok(Via::Token(record.id.clone())));
    assert_eq!(at(59), Ok(Via::Token(record.id.clone())));
    assert_eq!(at(60), Err(Refusal::Expired));
    // The writer is one: what was queued before this is done when it answers.
    storage.ping().unwrap();
    assert_eq!(storage.tokens(&ada.id).unwrap()[0].last_used_at, Some(now()));
    let bo = fixture.account("bo");
    assert!(!storage.revoke_token(&bo.id, &record.id, None, now()).unwrap());
    assert_eq!(at(1), Ok(Via::Token(record.id.clone())));
    assert!(storage.revoke_token(&ada.id, &record.id, None, now()).unwrap());
    assert_eq!(at(1), Err(Refusal::Revoked));
    assert!(storage.revoke_token(&ada.id, &record.id, None, now()).unwrap());
    let trail = trail(storage, ada.id.as_str());
    assert_eq!(trail.iter().filter(|action| *action == "token-revoked").count(), 1, "{trail:?}");
}

#[test]
fn what_changes_about_an_account_shows_at_once_in_what_its_tokens_say() {
    let fixture = Fixture::new();
    let storage = fixture.storage();
    let ada = fixture.account("ada");
    let (token, _) = storage.create_token(&ada.id, &NewToken::of(&ada, "x"), None, now()).unwrap();
    let account = || storage.credential_of_token(token.reveal(), now()).unwrap().unwrap().account;
    assert_eq!(account(), ada);
    let until = Some(now() + Duration::days(3));
    let suspend = |until| {
        let id = ada.id.clone();
        storage.write("a test", move |tx| standing::set(tx.conn, id.as_str(), until, None)).wait().unwrap();
        storage.forget_credentials();
    };
    suspend(until);
    assert_eq!(account().suspended_until, until);
    suspend(None);
    assert_eq!(account().suspended_until, None);
    storage.set_role(&ada.id, Role::Moderator, None, now()).unwrap();
    assert_eq!(account().role, Role::Moderator);
    assert!(matches!(
        storage.set_role(&AccountId::new(), Role::Operator, None, now()),
        Err(StorageError::NoAccount)
    ));
}

#[test]
fn neither_token_nor_password_is_in_the_data_folder() {
    let fixture = Fixture::new();
    let ada = fixture.account("ada");
    let token = fixture.storage().create_token(&ada.id, &NewToken::of(&ada, "x"), None, now()).unwrap().0;
    fixture.storage().close();
    for entry in std::fs::read_dir(fixture.folder.path()).unwrap() {
        let path = entry.unwrap().path();
        if path.is_file() {
            let content = std::fs::read(&path).unwrap();
            for secret in [&token.reveal().as_bytes()[3..67], b"seven grey herons"] {
                assert!(!content.windows(secret.len()).any(|w| w == secret), "{}", path.display());
            }
        }
    }
}

#[test]
fn account_names_are_unique_whatever_their_case_and_passwords_are_checked() {
    let fixture = Fixture::new();
    let ada = fixture.account("Ada");
    let storage = fixture.storage();
    let make = |name: &str, password: &str| storage.create_account(name, password, Role::Operator, now());
    assert!(matches!(make("aDA", "seven grey herons"), Err(StorageError::NameTaken)));
    for bad in ["", " x", "x\n", &"n".repeat(65)] {
        assert!(matches!(make(bad, "seven grey herons"), Err(StorageError::BadName)), "{bad:?}");
    }
    assert!(matches!(make("bob", "short"), Err(StorageError::Password(_))));
    assert_eq!(storage.account_by_name("ADA").unwrap().as_ref(), Some(&ada));
    assert_eq!(storage.account_by_password("ada", "seven grey herons").unwrap().as_ref(), Some(&ada));
    assert_eq!(storage.account_by_password("ada", "seven grey heron").unwrap(), None);
    assert_eq!(storage.account_by_password("eve", "seven grey herons").unwrap(), None);
    assert_eq!(storage.accounts().unwrap(), [ada]);
}

#[test]
fn an_import_adds_changes_and_leaves_alone() {
    let fixture = Fixture::new();
    let storage = fixture.storage();
    let document: CatalogueDocument = serde_json::from_value(catalogue()).unwrap();
    let before = storage.last_change();
    let counts = storage.import_catalogue(document.clone(), now()).unwrap();
    assert_eq!((counts.added, counts.changed, counts.unchanged), (0, 0, 5));
    let mut changed = catalogue();
    changed["cards"][0]["board_power_w"] = json!(80.0);
    changed["cpus"][0]["id"] = json!("korvid-q6");
    let counts = storage.import_catalogue(serde_json::from_value(changed).unwrap(), now()).unwrap();
    assert_eq!((counts.added, counts.changed, counts.unchanged), (1, 1, 3));
    assert!(storage.last_change() > before);
    let seen = storage.catalogue();
    assert_eq!(seen.card("ostrel 1240").unwrap().board_power_w, 80.0);
    assert_eq!(
        seen.document().cpus.iter().map(|c| c.id.as_str()).collect::<Vec<_>>(),
        ["korvid-q4", "korvid-q6"]
    );
}

#[test]
fn a_catalogue_that_contradicts_itself_changes_nothing() {
    let fixture = Fixture::new();
    let storage = fixture.storage();
    let before = storage.catalogue();
    let mut dangling = catalogue();
    dangling["cards"][0]["chip"] = json!("o99");
    dangling["drivers"][0]["id"] = json!("new");
    let mut twice = catalogue();
    twice["chips"] = json!([twice["chips"][0], twice["chips"][0]]);
    let mut nameless = catalogue();
    nameless["cpus"][0]["id"] = json!(" ");
    for bad in [dangling, twice, nameless] {
        let outcome = storage.import_catalogue(serde_json::from_value(bad).unwrap(), now());
        assert!(matches!(outcome, Err(StorageError::Catalogue(ref why)) if why.len() == 1), "{outcome:?}");
    }
    assert_eq!(storage.catalogue().document(), before.document());
    assert_eq!(open(fixture.folder.path()).storage.catalogue().document(), before.document());
}

#[test]
fn an_import_by_another_process_is_seen_with_the_next_write() {
    let fixture = Fixture::new();
    let other = open(fixture.folder.path());
    let mut changed = catalogue();
    changed["cards"][0]["board_power_w"] = json!(80.0);
    other.storage.import_catalogue(serde_json::from_value(changed).unwrap(), now()).unwrap();
    fixture.storage().ping().unwrap();
    assert_eq!(fixture.storage().catalogue().card("ostrel-1240-4g").unwrap().board_power_w, 80.0);
    assert_eq!(fixture.storage().last_change(), other.storage.last_change());
}

#[test]
fn lists_are_filtered_and_paged_newest_first() {
    let fixture = Fixture::new();
    let (ada, bob) = (fixture.account("ada"), fixture.account("bob"));
    let mut failure = run(4, 58.0, FULL_HD);
    failure["outcome"] = json!("did-not-start");
    failure["passes"] = json!([]);
    let ids = [
        submit(&fixture, &ada.id, &run(1, 58.0, FULL_HD)),
        submit(&fixture, &ada.id, &run(2, 58.0, (1280, 720))),
        submit(&fixture, &bob.id, &run(3, 58.0, FULL_HD)),
        submit(&fixture, &bob.id, &failure),
    ];
    let list = |filter: &RunFilter, after: Option<&RunId>, limit| -> Vec<usize> {
        let rows = fixture.storage().list_runs(filter, after, limit).unwrap();
        rows.iter().map(|row| ids.iter().position(|id| *id == row.id).unwrap()).collect()
    };
    let all = RunFilter::default();
    assert_eq!(list(&all, None, 10), [3, 2, 1, 0]);
    assert_eq!(list(&all, None, 2), [3, 2]);
    assert_eq!(list(&all, Some(&ids[2]), 2), [1, 0]);
    assert!(list(&all, Some(&ids[0]), 2).is_empty());
    let with = |set: fn(&mut RunFilter)| {
        let mut filter = RunFilter::default();
        set(&mut filter);
        list(&filter, None, 10)
    };
    assert_eq!(with(|f| f.contributor = Some("Bob".to_owned())), [3, 2]);
    assert_eq!(with(|f| f.outcome = Some(Outcome::DidNotStart)), [3]);
    assert_eq!(with(|f| f.card = Some("ostrel-1240-4g".to_owned())), [3, 2, 1, 0]);
    assert!(with(|f| f.card = Some("%".to_owned())).is_empty());
    assert!(with(|f| f.finding = Some("no-such-code".to_owned())).is_empty());
    let rows = fixture.storage().list_runs(&all, None, 10).unwrap();
    for row in rows {
        let stored = fixture.storage().find_run(&row.id).unwrap().unwrap();
        assert_eq!(row.identity, stored.identity);
        assert_eq!(row.findings.len(), stored.judgement.findings.len());
        assert_eq!(row.verdict, stored.judgement.verdict);
        let code = row.findings.first().map(|f| f.code.clone());
        let filter = RunFilter { finding: code, verdict: Some(row.verdict), ..RunFilter::default() };
        assert!(fixture.storage().list_runs(&filter, None, 10).unwrap().iter().any(|r| r.id == row.id));
    }
}

#[test]
fn the_frame_follows_what_is_accepted() {
    let fixture = Fixture::new();
    let ada = fixture.account("ada");
    assert_eq!(fixture.storage().frame().unwrap().frame.len(), 0);
    let first = submit(&fixture, &ada.id, &run(1, 58.0, FULL_HD));
    let one = fixture.storage().frame().unwrap();
    assert_eq!((one.frame.len(), one.revision), (1, fixture.storage().revision()));
    // A summary that contradicts its frames is not accepted, and tables do not see it.
    let mut wrong = run(2, 58.0, FULL_HD);
    wrong["passes"][0]["summary"] = json!({ "mean_fps": 400.0 });
    let wrong = submit(&fixture, &ada.id, &wrong);
    let verdict = fixture.storage().find_run(&wrong).unwrap().unwrap().judgement.verdict;
    assert_ne!(verdict, Verdict::Accepted);
    // What was found out of a frame is found out once.
    let same = fixture.storage().frame().unwrap();
    assert_eq!((same.revision, same.frame.is_one_with(&one.frame)), (one.revision, true));
    assert!(fixture.storage().last_change() > one.revision);
    submit(&fixture, &ada.id, &run(3, 58.0, FULL_HD));
    assert_eq!(fixture.storage().frame().unwrap().frame.len(), 2);
    // A run that is taken back leaves the frame, and a restart sees the same.
    let id = first.to_string();
    let ticket: Ticket<Result<(), StorageError>> = fixture.storage().write("taking a run back", move |tx| {
        let revision = tx.change.next();
        tx.change.tables = revision;
        let finding = wearmark_core::finding::Finding::new(
            "test",
            wearmark_core::finding::Severity::Hold,
            "",
            "taken back by a test",
        );
        let judged = Judged {
            at: now(),
            revision,
            cause: Cause::Refit,
            verdict: Verdict::Held,
            held_for: None,
            unconfirmed: false,
            numbers: None,
        };
        super::submissions::amend(tx.conn, &id, finding, &judged)
    });
    ticket.wait().unwrap();
    let after = fixture.storage().frame().unwrap();
    assert_eq!((after.frame.len(), after.revision), (1, fixture.storage().revision()));
    let again = open(fixture.folder.path()).storage.frame().unwrap();
    assert_eq!((again.frame.len(), again.revision), (1, after.revision));
}

#[test]
fn a_write_that_fails_or_panics_takes_nothing_with_it() {
    let fixture = Fixture::new();
    let storage = fixture.storage();
    let before = storage.last_change();
    let failed: Ticket<Result<(), StorageError>> = storage.write("failing", |tx| {
        tx.change.next();
        super::proposals::add(tx.conn, &RunId::new(), &[proposal()], now())
    });
    let panicked: Ticket<Result<(), StorageError>> = storage.write("panicking", |tx| {
        tx.change.next();
        #[expect(clippy::panic, reason = "what is tested")]
        if tx.change.last > 0 {
            panic!("a bug of ours");
        }
        Ok(())
    });
    let ada = fixture.account("ada");
    assert!(matches!(failed.wait(), Err(StorageError::Database { .. })));
    assert!(matches!(panicked.wait(), Err(StorageError::Broken { .. })));
    assert_eq!(storage.account_by_name("ada").unwrap(), Some(ada));
    assert_eq!(storage.proposals().unwrap(), []);
    assert_eq!(storage.last_change(), before);
    storage.ping().unwrap();
}

#[test]
fn proposals_count_the_runs_that_need_them() {
    let fixture = Fixture::new();
    let ada = fixture.account("ada");
    let ids = [1, 2].map(|seed| submit(&fixture, &ada.id, &run(seed, 58.0, FULL_HD)));
    let ticket: Ticket<Result<(), StorageError>> = fixture.storage().write("proposing", move |tx| {
        super::proposals::add(tx.conn, &ids[0], &[proposal(), proposal()], now())?;
        super::proposals::add(tx.conn, &ids[1], &[proposal()], now())
    });
    ticket.wait().unwrap();
    let rows = fixture.storage().proposals().unwrap();
    assert_eq!(rows.len(), 1);
    assert_eq!((rows[0].kind.as_str(), rows[0].runs, rows[0].first_seen), ("card", 2, now()));
}

fn proposal() -> wearmark_core::platform::Proposal {
    wearmark_core::platform::Proposal {
        kind: "card".to_owned(),
        key: "ostrel1250".to_owned(),
        name: "Ostrel 1250".to_owned(),
    }
}

#[test]
fn the_audit_trail_only_grows() {
    use diesel::prelude::*;
    let fixture = Fixture::new();
    fixture.account("ada");
    let conn = &mut super::connection::open(&fixture.folder.path().join("wearmark.sqlite")).unwrap();
    let audit = super::tables::audit::table;
    let rows: i64 = audit.count().get_result(conn).unwrap();
    assert_eq!(rows, 2, "one import, one account");
    assert!(diesel::delete(audit).execute(conn).is_err());
    let rewrite = diesel::update(audit).set(super::tables::audit::action.eq("nothing"));
    assert!(rewrite.execute(conn).is_err());
    assert_eq!(audit.count().get_result::<i64>(conn).unwrap(), rows);
}
