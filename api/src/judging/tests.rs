//! Verdicts that change as evidence comes, and that come out the same again from the log.

use std::collections::BTreeSet;
use std::sync::Arc;

use chrono::TimeDelta;
use wearmark_core::desk::Decision;
use wearmark_core::finding::{Finding, Severity};
use wearmark_core::policy::Policy;
use wearmark_core::verdict::Verdict;

use super::{due, let_be, refit, replay};
use crate::intake::{self, Amendment, Intake, Receipt};
use crate::moderation;
use crate::storage::fixture::{Fixture, bytes, now, open, run, spoil_models, tamper};
use crate::storage::ids::{AccountId, RunId};
use crate::storage::judgements::Cause;
use crate::storage::writer::Tx;

const FULL_HD: (u32, u32) = (1920, 1080);
const HD: (u32, u32) = (1280, 720);

/// A service that holds from its first run on, and its contributors, each with runs elsewhere.
struct Service {
    fixture: Fixture,
    intake: Intake,
    accounts: Vec<AccountId>,
    seed: u64,
}

impl Service {
    fn new(contributors: usize) -> Service {
        let fixture = Fixture::new();
        let mut policy = Policy::published();
        policy.judge.shadow_runs = 0;
        policy.judge.model_runs = 30;
        policy.judge.refit_runs = 40;
        let intake = Intake { storage: fixture.storage().clone(), policy: Arc::new(policy) };
        let accounts = (0..contributors).map(|at| fixture.account(&format!("c{at}")).id).collect();
        Service { fixture, intake, accounts, seed: 0 }
    }

    fn submit(&mut self, who: usize, fps: f64, size: (u32, u32)) -> Receipt {
        self.seed += 1;
        let document = bytes(&run(self.seed, fps, size));
        let prepared = self.intake.prepare(&self.accounts[who], &document, now()).unwrap();
        self.intake.store(prepared, None).wait().unwrap()
    }

    /// The first of them have eight accepted runs each at another resolution.
    fn make_known(&mut self, first: usize) {
        for who in 0..first {
            for turn in 0..8 {
                let fps = 96.0 + 0.3 * who as f64 + 0.1 * f64::from(turn);
                assert_eq!(self.submit(who, fps, HD).judgement.verdict, Verdict::Accepted);
            }
        }
    }

    fn verdict(&self, run: &RunId) -> Verdict {
        self.intake.storage.find_run(run).unwrap().unwrap().judgement.verdict
    }

    fn causes(&self, run: &RunId) -> Vec<Cause> {
        self.intake.storage.judgements(run).unwrap().into_iter().map(|judged| judged.cause).collect()
    }

    fn replayed(&self) -> usize {
        let runs = replay::sample(&self.intake.storage, 10_000).unwrap();
        let replayed = replay::replay(&self.intake.storage, &self.intake.policy, &runs).unwrap();
        for one in &replayed {
            assert!(one.differences.is_empty(), "{one:?}");
        }
        replayed.len()
    }
}

#[test]
fn a_run_far_from_what_others_have_is_held_and_two_that_agree_let_each_other_go() {
    let mut service = Service::new(6);
    service.make_known(6);
    for who in 0..2 {
        service.submit(who, 58.0 + 0.2 * who as f64, FULL_HD);
    }
    refit(&service.intake, now()).unwrap();
    let first = service.submit(4, 100.0, FULL_HD);
    assert_eq!(first.judgement.verdict, Verdict::Held, "{:?}", first.judgement);
    let first = first.run.unwrap();
    let second = service.submit(5, 100.8, FULL_HD);
    assert_eq!(second.judgement.verdict, Verdict::Accepted, "{:?}", second.judgement);
    let second = second.run.unwrap();
    assert_eq!((service.verdict(&first), service.verdict(&second)), (Verdict::Accepted, Verdict::Accepted));
    assert_eq!(service.causes(&first), [Cause::Arrival, Cause::Corroborated]);
    assert_eq!(service.causes(&second), [Cause::Arrival, Cause::Corroborated]);
    assert_eq!(service.replayed(), 6 * 8 + 2 + 4);
}

#[test]
fn strangers_do_not_bear_each_other_out() {
    let mut service = Service::new(6);
    service.make_known(4);
    for who in 0..4 {
        service.submit(who, 58.0 + 0.2 * who as f64, FULL_HD);
    }
    refit(&service.intake, now()).unwrap();
    let first = service.submit(4, 100.0, FULL_HD).run.unwrap();
    service.submit(5, 100.8, FULL_HD);
    assert_eq!(service.verdict(&first), Verdict::Held);
}

#[test]
fn a_held_run_is_let_go_when_accepted_runs_come_round_to_it() {
    let mut service = Service::new(10);
    service.make_known(10);
    // Two with one odd value between them: the honest third is held at first.
    service.submit(0, 72.0, FULL_HD);
    service.submit(1, 71.6, FULL_HD);
    refit(&service.intake, now()).unwrap();
    let third = service.submit(2, 58.0, FULL_HD);
    assert_eq!(third.judgement.verdict, Verdict::Held, "{:?}", third.judgement.numbers);
    let third = third.run.unwrap();
    for who in 3..10 {
        service.submit(who, 57.0 + 0.3 * who as f64, FULL_HD);
    }
    assert_eq!(service.verdict(&third), Verdict::Accepted);
    assert!(service.replayed() > 0);
}

#[test]
fn the_model_is_fitted_when_that_is_due_and_survives_a_restart() {
    let mut service = Service::new(5);
    assert!(!due(&service.intake, now()).unwrap());
    service.make_known(5);
    assert!(due(&service.intake, now()).unwrap());
    let done = refit(&service.intake, now()).unwrap();
    assert_eq!((done.model.number, done.model.observations), (1, 40));
    assert!(!due(&service.intake, now()).unwrap(), "nothing is new");
    service.submit(0, 58.0, FULL_HD);
    assert!(!due(&service.intake, now()).unwrap());
    assert!(due(&service.intake, now() + TimeDelta::hours(25)).unwrap(), "a day has gone by");
    let numbers = |receipt: Receipt| receipt.judgement.numbers.unwrap();
    let before = numbers(service.submit(1, 58.2, FULL_HD));
    assert_eq!(before.inputs.model, 1);
    // The same from a service that was started afresh on the same folder.
    let document = bytes(&run(9_001, 58.1, FULL_HD));
    let warm = service.intake.check(&service.accounts[2], &document, now()).unwrap();
    service.intake.storage.close();
    let fresh = Intake {
        storage: open(service.fixture.folder.path()).storage,
        policy: Arc::clone(&service.intake.policy),
    };
    let cold = fresh.check(&service.accounts[2], &document, now()).unwrap();
    assert_eq!(numbers(warm), numbers(cold));
}

#[test]
fn a_fit_lets_held_runs_go_and_holds_accepted_ones_that_nobody_bears_out() {
    let mut service = Service::new(8);
    // The first run of a cell is wild, and nobody can know.
    let wild = service.submit(7, 160.0, FULL_HD).run.unwrap();
    service.make_known(7);
    for who in 0..7 {
        service.submit(who, 57.0 + 0.3 * who as f64, FULL_HD);
    }
    assert_eq!(service.verdict(&wild), Verdict::Accepted);
    let done = refit(&service.intake, now()).unwrap();
    assert_eq!(done.doubted, 1, "{done:?}");
    assert_eq!(service.verdict(&wild), Verdict::Held);
    assert_eq!(service.causes(&wild), [Cause::Arrival, Cause::Refit]);
    assert!(service.replayed() > 60);
}

/// A service with one run that lies a little beyond the limit, and lets time clear what is faster by so much.
fn warned(faster: f64) -> (Service, RunId) {
    let mut service = Service::new(8);
    Arc::make_mut(&mut service.intake.policy).judge.warning_faster = faster;
    service.make_known(8);
    for who in 0..4 {
        service.submit(who, 58.0 + 0.2 * who as f64, FULL_HD);
    }
    refit(&service.intake, now()).unwrap();
    // The first rate beyond the limit, a tenth of a frame at a time.
    let mut fps = 60.0;
    let warned = loop {
        fps += 0.1;
        let document = bytes(&run(9_001, fps, FULL_HD));
        let asked = service.intake.check(&service.accounts[5], &document, now()).unwrap();
        if asked.judgement.verdict == Verdict::Held {
            break service.submit(5, fps, FULL_HD);
        }
    };
    let numbers = warned.judgement.numbers.unwrap();
    assert!(numbers.mean.z > numbers.inputs.limit && numbers.mean.z < 3.0, "{numbers:?}");
    (service, warned.run.unwrap())
}

#[test]
fn a_run_held_for_a_warning_counts_two_weeks_later() {
    let (service, warned) = warned(0.2);
    assert_eq!(let_be(&service.intake, now() + TimeDelta::days(13)).unwrap(), 0);
    let early = service.verdict(&warned);
    assert_eq!(let_be(&service.intake, now() + TimeDelta::days(15)).unwrap(), 1);
    let told = service.intake.storage.find_run(&warned).unwrap().unwrap().judgement;
    assert_eq!((early, told.verdict), (Verdict::Held, Verdict::Accepted));
    assert!(told.findings.iter().any(|f| f.code == "counts-with-a-warning"));
    assert_eq!(service.causes(&warned), [Cause::Arrival, Cause::Waited]);
    assert!(service.replayed() > 60);
}

/// Holds an accepted run for what its frame times show.
fn hold(service: &Service, one: Receipt, codes: &'static [&str]) -> RunId {
    assert_eq!(one.judgement.verdict, Verdict::Accepted);
    let (intake, run, numbers) = (service.intake.clone(), one.run.unwrap(), one.judgement.numbers);
    let held = run.to_string();
    let hold = move |tx: &mut Tx<'_>| {
        codes.iter().try_for_each(|code| {
            let finding = Finding::new(code, Severity::Hold, "/passes", "It falls.");
            let amendment = Amendment {
                verdict: Verdict::Held,
                cause: Cause::Refit,
                finding,
                numbers: numbers.clone(),
                unconfirmed: false,
            };
            intake::amend(&intake, tx, &held, amendment, now())
        })
    };
    service.intake.storage.write("holding a run", hold).wait().unwrap();
    assert_eq!(service.verdict(&run), Verdict::Held);
    run
}

#[test]
fn a_run_much_faster_than_others_there_does_not_count_by_waiting() {
    let (service, warned) = warned(Policy::published().judge.warning_faster);
    assert_eq!(let_be(&service.intake, now() + TimeDelta::days(15)).unwrap(), 0);
    assert_eq!(service.verdict(&warned), Verdict::Held);
}

#[test]
fn a_run_held_for_a_hint_counts_two_weeks_later_and_one_held_for_its_conditions_does_not() {
    let counts = |codes: &'static [&str]| {
        let mut service = Service::new(6);
        service.make_known(6);
        refit(&service.intake, now()).unwrap();
        let one = service.submit(5, 57.0, FULL_HD);
        let run = hold(&service, one, codes);
        let let_be = |days: i64| let_be(&service.intake, now() + TimeDelta::days(days)).unwrap();
        (let_be(13), let_be(15), service.verdict(&run))
    };
    assert_eq!(counts(&["slower-and-falling"]), (0, 1, Verdict::Accepted));
    assert_eq!(counts(&["throttling"]), (0, 0, Verdict::Held));
    assert_eq!(counts(&["slower-and-falling", "level-shift"]), (0, 0, Verdict::Held));
}

/// A fit looks at what waits as well.
#[test]
fn a_fit_lets_a_hint_go_after_two_weeks() {
    for (codes, released) in [(&["slower-and-falling"], 1), (&["throttling"], 0)] {
        let mut service = Service::new(6);
        service.make_known(6);
        for who in 0..4 {
            service.submit(who, 58.0 + 0.2 * who as f64, FULL_HD);
        }
        refit(&service.intake, now()).unwrap();
        // So slow that a fit does not let it go for its rate, and not yet held for that.
        let slow = |fps: &f64| {
            let document = bytes(&run(9_001, *fps, FULL_HD));
            let asked = service.intake.check(&service.accounts[5], &document, now()).unwrap();
            asked.judgement.numbers.unwrap().mean.z < -1.8
        };
        let fps = (0..100).map(|step| 57.0 - 0.1 * f64::from(step)).find(slow).unwrap();
        let one = service.submit(5, fps, FULL_HD);
        let run = hold(&service, one, codes);
        let fit = |days: i64| refit(&service.intake, now() + TimeDelta::days(days)).unwrap().released;
        assert_eq!((fit(13), fit(15)), (0, released), "{codes:?}");
        let waited = service.causes(&run).last() == Some(&Cause::Waited);
        assert_eq!(waited, released == 1, "{codes:?}");
    }
}

#[test]
fn a_run_whose_contributor_was_asked_to_measure_again_waits_for_that() {
    let (service, warned) = warned(0.2);
    let (intake, run) = (service.intake.clone(), warned.to_string());
    let asked = move |tx: &mut Tx<'_>| {
        let state = moderation::standing(tx, &run)?;
        intake::restate(&intake, tx, &run, Decision::Rerun.finding("once more, please", None), state, now())
    };
    service.intake.storage.write("asking to measure again", asked).wait().unwrap();
    assert_eq!(let_be(&service.intake, now() + TimeDelta::days(15)).unwrap(), 0);
    assert_eq!(service.verdict(&warned), Verdict::Held);
}

#[test]
fn a_model_that_cannot_be_read_is_fitted_again() {
    let mut service = Service::new(5);
    service.make_known(5);
    refit(&service.intake, now()).unwrap();
    assert!(!due(&service.intake, now()).unwrap());
    spoil_models(&service.intake.storage);
    service.intake.storage.close();
    let policy = Arc::clone(&service.intake.policy);
    service.intake = Intake { storage: open(service.fixture.folder.path()).storage, policy };
    // Meanwhile runs are taken on what is known without a model.
    assert_eq!(service.submit(1, 58.0, FULL_HD).judgement.verdict, Verdict::Accepted);
    assert!(due(&service.intake, now()).unwrap());
    assert_eq!(refit(&service.intake, now()).unwrap().model.number, 2);
    assert!(!due(&service.intake, now()).unwrap());
}

#[test]
fn replay_of_a_tampered_verdict_says_what_differs() {
    let mut service = Service::new(3);
    let run = service.submit(0, 58.0, FULL_HD).run.unwrap();
    let wanted = run.to_string();
    tamper(&service.intake.storage);
    let runs = BTreeSet::from([wanted]);
    let replayed = replay::replay(&service.intake.storage, &service.intake.policy, &runs).unwrap();
    assert_eq!(replayed.len(), 1);
    assert_eq!(replayed[0].differences.len(), 2, "{replayed:?}");
}
