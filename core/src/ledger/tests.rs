//! The ledger by itself: who counts, who agrees, and that it is the same however it came about.

mod knowers;
mod news;
mod shares;

use super::*;
use crate::identity::{Identity, Traits};
use crate::judge::Support;

/// A run of a contributor at a rate, in ln fps over the model's expectation; all in one cell unless said.
#[derive(Clone)]
struct Given {
    run: String,
    contributor: String,
    identity: Identity,
    traits: Traits,
    ln_fps: f64,
    standing: Standing,
    revision: i64,
}

fn given(revision: i64, contributor: &str, ln_fps: f64) -> Given {
    Given {
        run: format!("r-{revision}"),
        contributor: contributor.to_owned(),
        identity: Identity {
            build: Some("1.0".to_owned()),
            bench: format!("bench of {contributor}"),
            ..Identity::example()
        },
        traits: Traits { family: Some("first".to_owned()), cpu: "q4".to_owned(), ..Traits::default() },
        ln_fps,
        standing: Standing::Accepted,
        revision,
    }
}

impl Given {
    fn held(self) -> Given {
        Given { standing: Standing::Held, ..self }
    }

    fn at_height(mut self, height: u32) -> Given {
        self.identity.height = height;
        self
    }

    fn subject(&self) -> Subject<'_> {
        Subject {
            contributor: &self.contributor,
            identity: &self.identity,
            traits: &self.traits,
            measured_day: 20_000,
        }
    }

    fn put(&self, ledger: &mut Ledger) {
        ledger.put(&Entry {
            run: &self.run,
            subject: self.subject(),
            mean_fps: self.ln_fps.exp(),
            low_fps: Some((self.ln_fps - 0.3).exp()),
            grade: Grade::Full,
            standing: self.standing,
            revision: self.revision,
        });
    }
}

fn ledger(given: &[Given]) -> Ledger {
    let mut ledger = Ledger::new(&Policy::published());
    given.iter().for_each(|one| one.put(&mut ledger));
    ledger
}

fn policy() -> JudgePolicy {
    Policy::published().judge
}

#[test]
fn every_other_contributor_counts_once_by_its_median() {
    let base = 4.0;
    let ledger = ledger(&[
        given(1, "ada", base + 0.10),
        given(2, "ada", base + 0.12),
        given(3, "ada", base + 0.14),
        given(4, "bo", base),
        given(5, "cy", base + 0.02),
        given(6, "me", base + 0.9),
        given(7, "di", base + 0.8).held(),
    ]);
    let me = given(8, "me", base);
    let inputs = ledger.inputs(&me.subject(), &policy());
    assert_eq!((inputs.cell.contributors, inputs.accepted, inputs.as_of), (3, 6, 7));
    // Medians 0.12, 0 and 0.02 over the base; their median is 0.02.
    let expected = base + 0.02 - inputs.mean.value;
    assert!((inputs.cell.residual - expected).abs() < 1e-12, "{}", inputs.cell.residual);
    let elsewhere = given(9, "me", base).at_height(720);
    let alone = ledger.inputs(&elsewhere.subject(), &policy());
    assert_eq!(alone.cell.contributors, 0);
    // Who is alone is held sooner: by the limit of the ledger times 0.97, beside others times 1.04.
    let [low, high] = [alone, inputs].map(|inputs| inputs.limit / policy().hold_z);
    assert!((low - 0.97).abs() < 1e-12 && (high - 1.04).abs() < 1e-12, "{low} {high}");
    let release = ledger.inputs(&elsewhere.subject(), &policy()).release;
    assert!(
        release.contributors == 3 && release.information.is_some_and(|n| n > 0.0 && n <= 3.0),
        "{release:?}"
    );
}

#[test]
fn contributors_with_the_same_figures_count_as_one_and_are_named() {
    let ledger = ledger(&[given(1, "ada", 4.0), given(2, "bo", 4.000_01), given(3, "cy", 4.1)]);
    let me = given(4, "me", 4.0);
    assert_eq!(ledger.inputs(&me.subject(), &policy()).cell.contributors, 2);
    let twin = ledger.twin(&me.subject(), 4.0, Some(-0.3), &policy()).unwrap();
    assert_eq!(twin.run, "r-2");
    assert!(ledger.twin(&me.subject(), 4.05, Some(-0.3), &policy()).is_none());
}

#[test]
fn old_runs_do_not_speak_for_a_release() {
    let mut old = given(1, "ada", 4.0);
    old.identity.height = 720;
    let ledger = ledger(&[old]);
    let me = given(2, "me", 4.0);
    let later = Subject { measured_day: 20_061, ..me.subject() };
    assert_eq!(ledger.inputs(&me.subject(), &policy()).release.contributors, 1);
    assert_eq!(ledger.inputs(&later, &policy()).release.contributors, 0);
}

#[test]
fn a_run_of_the_ledger_is_weighed_without_itself() {
    let all = [given(1, "ada", 4.0), given(2, "bo", 4.1)];
    let ledger = ledger(&all);
    let (inputs, ln_fps, _) = ledger.stored_inputs("r-2", &policy()).unwrap();
    assert_eq!((inputs.cell.contributors, inputs.bench.runs, ln_fps), (1, 0, 4.1));
    assert!(ledger.stored_inputs("r-9", &policy()).is_none());
}

#[test]
fn runs_of_the_bench_count_until_the_model_has_learnt_them() {
    let mut ledger = ledger(&[given(1, "ada", 4.0), given(2, "ada", 4.1)]);
    let next = given(3, "ada", 4.0);
    let since = ledger.inputs(&next.subject(), &policy()).bench;
    assert_eq!(since.runs, 2);
    assert_eq!(ledger.accepted_since(), 2);
    let model = Arc::new(ledger.lesson().fitted(&Policy::published()));
    ledger.install(model, 1, 1, 2.4);
    assert_eq!(ledger.inputs(&next.subject(), &policy()).bench.runs, 1);
    assert_eq!((ledger.accepted_since(), ledger.model_number()), (1, 1));
}

#[test]
fn two_known_contributors_who_see_the_same_bear_each_other_out_and_strangers_do_not() {
    let mut all = Vec::new();
    for (at, who) in ["ada", "bo"].iter().enumerate() {
        let at = i64::try_from(at).unwrap();
        all.extend((0..8).map(|run| given(20 * at + run + 1, who, 4.0).at_height(720)));
    }
    all.push(given(100, "ada", 4.30).held());
    all.push(given(101, "bo", 4.33).held());
    all.push(given(102, "stranger", 4.31).held());
    let ledger = ledger(&all);
    assert_eq!(ledger.corroborated_by("r-101", &policy()), Some("r-100".to_owned()));
    assert_eq!(ledger.corroborated_by("r-102", &policy()), None);
    let held: Vec<String> = ledger.held().into_iter().map(|(run, _)| run).collect();
    assert_eq!(held, ["r-100", "r-101", "r-102"]);
    assert_eq!(ledger.held_beside("r-1"), ["r-102", "r-101"]);
}

#[test]
fn two_do_not_prevail_against_several_unless_they_share_what_is_new() {
    let on = |mut one: Given, driver: &str, build: &str| {
        one.identity.driver = driver.to_owned();
        one.identity.build = Some(build.to_owned());
        one
    };
    // Driver release and build of the others, and of each of those who deviate by so much, the first perhaps elsewhere.
    let prevails_from = |elsewhere: bool, of_others: [&str; 2], deviating: &[[&str; 2]], by: f64| {
        let mut all = Vec::new();
        let mut revision = 0;
        let mut next = || {
            revision += 1;
            revision
        };
        for who in ["cy", "di", "ed"].into_iter().enumerate() {
            // Equal figures would count as one.
            let ln_fps = 4.0 + 0.002 * who.0 as f64;
            all.push(on(given(next(), who.1, ln_fps), of_others[0], of_others[1]));
        }
        let who = ["ada", "bo", "flo"];
        for (who, _) in who.iter().zip(deviating) {
            // Runs elsewhere, which say nothing of the release in question.
            all.extend((0..8).map(|_| on(given(next(), who, 4.0).at_height(720), "d0", "1.0")));
        }
        for (at, (who, [driver, build])) in who.iter().zip(deviating).enumerate() {
            let one = on(given(next(), who, 4.0 + by + 0.01 * at as f64).held(), driver, build);
            // One line more: another cell, and hardly another rate.
            let height = one.identity.height + u32::from(elsewhere && at == 0);
            all.push(one.at_height(height));
        }
        let last = format!("r-{}", next() - 1);
        ledger(&all).corroborated_by(&last, &policy()).is_some()
    };
    let prevails = |of_others, deviating: &[[&str; 2]], by| prevails_from(false, of_others, deviating, by);
    let (by, old) = (0.12, ["d1", "1.0"]);
    assert!(!prevails(old, &[old, old], by), "the others have the same release and build");
    assert!(prevails(["d0", "1.0"], &[old, old], by), "the release is new to all but the two");
    assert!(prevails(old, &[["d1", "1.1"], ["d1", "1.1"]], by), "the build is new to all but the two");
    assert!(!prevails(["d0", "1.0"], &[["d2", "1.0"], old], by), "each of the two has a release of his own");
    assert!(!prevails(old, &[["d1", "1.1"], ["d1", "1.2"]], by), "each of the two has a build of his own");
    assert!(!prevails(["d0", "1.0"], &[old, old], 0.25), "no release does as much");
    // The second of the two sees 0.01 more: what counts is what both see in the mean.
    assert!(prevails(["d0", "1.0"], &[old, old], 0.153) && !prevails(["d0", "1.0"], &[old, old], 0.159));
    assert!(
        !prevails(["d0", "1.0"], &[old, old, old], 0.25),
        "three may agree on a lie about one configuration"
    );
    assert!(prevails_from(true, ["d0", "1.0"], &[old, old, old], 0.25), "a third saw it elsewhere");
    assert!(!prevails_from(true, ["d0", "1.0"], &[old, old], 0.25), "one here and one elsewhere are two");
}

#[test]
fn two_who_share_only_a_release_that_others_contradict_agree_by_chance() {
    let bears_out = |others: usize| {
        let mut all = Vec::new();
        for (at, who) in ["ada", "bo"].iter().enumerate() {
            let at = i64::try_from(at).unwrap();
            all.extend((0..8).map(|run| {
                let mut one = given(20 * at + run + 1, who, 4.0).at_height(720);
                one.identity.driver = "d0".to_owned();
                one
            }));
        }
        for (at, who) in ["cy", "di"].iter().enumerate().take(others) {
            all.push(given(50 + i64::try_from(at).unwrap(), who, 4.0 + 0.002 * at as f64).at_height(600));
        }
        all.push(given(100, "ada", 4.20).held());
        all.push(given(101, "bo", 4.22).at_height(900).held());
        ledger(&all).corroborated_by("r-101", &policy()).is_some()
    };
    assert_eq!([0, 1, 2].map(bears_out), [true, true, false]);
}

#[test]
fn a_run_has_company_where_another_contributor_counts_that_deviates_to_the_same_side() {
    let expected = ledger(&[]).inputs(&given(1, "ada", 0.0).subject(), &policy()).mean.value;
    let company = |contributor: &str, off: f64| {
        let other = given(1, contributor, expected + off);
        ledger(&[other, given(2, "bo", expected + 0.1).held()]).has_company("r-2", &policy())
    };
    assert!(company("ada", 0.06));
    for (who, off) in [("ada", 0.04), ("ada", -0.1), ("bo", 0.1)] {
        assert!(!company(who, off), "{who} {off}");
    }
}

#[test]
fn an_accepted_run_far_off_is_doubted_unless_somebody_bears_it_out() {
    let base = given(1, "ada", 0.0);
    let expected = ledger(&[]).inputs(&base.subject(), &policy()).mean.value;
    let alone = ledger(&[given(1, "ada", expected), given(2, "bo", expected + 0.4)]);
    let doubtful = |ledger: &Ledger| -> Vec<String> {
        ledger.doubtful(&policy()).into_iter().map(|(run, _)| run).collect()
    };
    assert_eq!(doubtful(&alone), ["r-2"]);
    let two = ledger(&[given(1, "cy", expected + 0.42), given(2, "bo", expected + 0.4)]);
    assert!(doubtful(&two).is_empty());
    // Beyond half a log two others are needed.
    let far = ledger(&[given(1, "cy", expected + 0.62), given(2, "bo", expected + 0.6)]);
    assert_eq!(doubtful(&far), ["r-1", "r-2"]);
}

#[test]
fn the_ledger_is_the_same_however_it_came_about() {
    let all: Vec<Given> = (1..60)
        .map(|at| {
            let who = ["ada", "bo", "cy", "di"][(at % 4) as usize];
            given(at, who, 4.0 + 0.001 * (at * at % 17) as f64).at_height(if at % 3 == 0 {
                720
            } else {
                1080
            })
        })
        .collect();
    let mut grown = ledger(&all);
    grown.restand("r-5", Standing::Held, 60);
    grown.restand("r-5", Standing::Accepted, 61);
    grown.remove("r-9", 62);
    let mut read: Vec<Given> = all.iter().filter(|g| g.run != "r-5" && g.run != "r-9").cloned().collect();
    read.push(Given { revision: 61, ..all[4].clone() });
    let mut read = ledger(&read);
    read.remove("r-9", 62);
    let packed = grown.lesson().pack(&grown.lesson().fitted(&Policy::published()));
    let mut other = Ledger::with(Packed::from_bytes(&packed).unwrap(), 1, 30, 2.3);
    other.take_over(&read);
    let model = Arc::new(grown.lesson().fitted(&Policy::published()));
    grown.install(model, 1, 30, 2.3);
    for one in &all {
        let fresh = Given { contributor: "eve".to_owned(), ..one.clone() };
        assert_eq!(
            grown.inputs(&fresh.subject(), &policy()),
            other.inputs(&fresh.subject(), &policy()),
            "{}",
            one.run
        );
        assert_eq!(
            grown.stored_inputs(&one.run, &policy()),
            other.stored_inputs(&one.run, &policy()),
            "{}",
            one.run
        );
    }
}

#[test]
fn a_stored_model_that_was_cut_short_is_refused() {
    let ledger = ledger(&[given(1, "ada", 4.0)]);
    let bytes = ledger.lesson().pack(ledger.model());
    assert!(Packed::from_bytes(&bytes).is_ok());
    for cut in [0, 3, 10, bytes.len() - 1] {
        assert!(Packed::from_bytes(&bytes[..cut]).is_err(), "{cut}");
    }
}

#[test]
fn a_contributor_whose_benches_are_all_faster_stands_out_in_the_audit() {
    let mut all = Vec::new();
    for (at, who) in ["ada", "bo", "cy", "di", "ed", "fay", "gus", "hal", "ida", "jo"].iter().enumerate() {
        for run in 0..12 {
            let faster = if *who == "jo" { 0.2 } else { 0.004 * (at as f64 - 4.5) };
            let height = [720, 900, 1080, 1440][run % 4];
            let mut one = given((at * 12 + run + 1) as i64, who, 4.0 - 0.3 * (run % 4) as f64 + faster);
            one.identity.height = height;
            all.push(one);
        }
    }
    let mut ledger = ledger(&all);
    let model = Arc::new(ledger.lesson().fitted(&Policy::published()));
    ledger.install(model, 1, 1_000, 2.4);
    let audited = ledger.audit(&Policy::published());
    assert_eq!(audited.len(), 10);
    let jo = audited.iter().find(|one| one.contributor == "jo").unwrap();
    assert!(jo.h > 3.0, "{audited:?}");
    assert!(audited.iter().filter(|one| one.contributor != "jo").all(|one| one.h.abs() < 3.0), "{audited:?}");
}

#[test]
fn a_contributor_whose_repeated_runs_disagree_stands_out_by_mandels_k() {
    let mut all = Vec::new();
    let mut revision = 0;
    for who in ["ada", "bo", "cy", "di", "ed", "fay"] {
        // Two configurations, five runs of each: 8 degrees of freedom.
        for run in 0..10 {
            revision += 1;
            let noise = [0.01, -0.01, 0.0, 0.005, -0.005][run / 2] * if who == "ed" { 3.0 } else { 1.0 };
            all.push(given(revision, who, 4.0 + noise).at_height([720, 900][run % 2]));
        }
    }
    let audited = ledger(&all).audit(&Policy::published());
    for one in &audited {
        let repeats = one.repeats.unwrap();
        assert_eq!(repeats.df, 8);
        // The pooled variance is (5 + 9) / 6 of what the others have.
        let expected = if one.contributor == "ed" { 3.0 } else { 1.0 } / (14.0_f64 / 6.0).sqrt();
        assert!((repeats.k - expected).abs() < 1e-6, "{one:?}");
        assert_eq!(repeats.k > repeats.k_critical, one.contributor == "ed", "{one:?}");
    }
    let single = ledger(&all[..2]).audit(&Policy::published());
    assert!(single.iter().all(|one| one.repeats.is_none()));
}
