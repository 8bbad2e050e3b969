//! Judgement on simulated honest and dishonest runs. The worlds are the tests' own and seeded.

mod conditions;

use super::*;
use crate::draw::Random;
use crate::identity::{Identity, Traits};
use crate::statistics::{Grade, RunStatistics};

fn examined(mean_fps: f64, low_fps: f64) -> Examined {
    Examined {
        outcome: Outcome::Completed,
        statistics: RunStatistics {
            passes: Vec::new(),
            grade: Grade::Full,
            frames: None,
            length_s: None,
            mean_fps: Some(mean_fps),
            low_percentile_fps: Some(low_fps),
            low_tail_mean_fps: None,
            low_time_share_fps: None,
            between_pass_cv: None,
        },
        identity: Identity::example(),
        traits: Traits::default(),
        findings: Vec::new(),
        proposals: Vec::new(),
    }
}

/// Evidence of a model that knows the rate well: 60 fps, 1% low at three quarters, and others that agree.
fn inputs(contributors: u32) -> Inputs {
    let support = Support { contributors, ..Support::default() };
    Inputs {
        model: 3,
        as_of: 100,
        accepted: 5_000,
        limit: 2.4,
        mean: Expected { value: 60.0_f64.ln(), variance: 0.0009, common: 0.0002, sigma: 0.015 },
        card_share: 0.9,
        known_by: 20,
        must_be_bad: 10,
        strays: 0,
        low: Expected { value: 0.75_f64.ln(), variance: 0.0004, common: 0.0002, sigma: 0.045 },
        cell: support,
        cell_low: support,
        release: support,
        bench: Since::default(),
    }
}

fn judged(mean_fps: f64, low_fps: f64, inputs: Inputs) -> Judgement {
    let evidence = Evidence { inputs: Some(inputs), ..Evidence::default() };
    judge(&examined(mean_fps, low_fps), &evidence, &Policy::published())
}

fn codes(judgement: &Judgement) -> Vec<(&str, Severity)> {
    judgement.findings.iter().map(|f| (f.code.as_ref(), f.severity)).collect()
}

#[test]
fn a_run_at_its_expectation_is_accepted_and_says_when_nobody_bears_it_out() {
    let confirmed = judged(60.5, 45.2, inputs(4));
    assert_eq!((confirmed.verdict, confirmed.unconfirmed), (Verdict::Accepted, false));
    assert!(confirmed.findings.is_empty());
    let alone = judged(60.5, 45.2, inputs(0));
    assert_eq!((alone.verdict, alone.unconfirmed), (Verdict::Accepted, true));
    assert_eq!(codes(&alone), [("uncorroborated", Severity::Note)]);
}

#[test]
fn a_card_the_model_does_not_know_is_accepted_as_unconfirmed_however_fast_it_is() {
    let mut unknown = inputs(0);
    (unknown.mean.variance, unknown.mean.common) = (0.64, 0.64);
    let judgement = judged(110.0, 82.0, unknown);
    assert_eq!((judgement.verdict, judgement.unconfirmed), (Verdict::Accepted, true));
    assert_eq!(codes(&judgement), [("unconfirmed", Severity::Note)]);
}

#[test]
fn the_fewer_and_the_less_settled_those_who_know_a_card_are_the_more_it_takes_to_hold_a_run() {
    let first_held = |known_by: u32, must_be_bad: u32, strays: u32| {
        let inputs = Inputs { known_by, must_be_bad, strays, ..inputs(0) };
        let held = |fps: &f64| judged(*fps, 0.75 * fps, inputs).verdict == Verdict::Held;
        (600..1800).map(|tenths| f64::from(tenths) / 10.0).find(held)
    };
    let (one, many) = (first_held(1, 0, 0), first_held(20, 0, 0));
    assert!(one > many && many < Some(1.2 * 60.0), "{one:?} and {many:?} where 60 are expected");
    // Of two who do not agree one may be bad, two who agree must both be.
    assert_eq!(first_held(2, 0, 0), one);
    assert!(first_held(2, 2, 0) < one);
    // Those who named the card once among many others may all have meant another one: three of them hold nothing up to
    // three times the rate, five do.
    assert_eq!([1, 2, 3].map(|strays| first_held(0, 0, strays)), [None; 3]);
    assert!(first_held(0, 0, 5).is_some());
    // Beside one who owns it they add what they add.
    assert!(first_held(1, 1, 3) < one);
    // A rate in another unit is told all the same.
    for inputs in
        [Inputs { known_by: 1, ..inputs(0) }, Inputs { known_by: 0, must_be_bad: 0, strays: 1, ..inputs(0) }]
    {
        assert_eq!(judged(60_000.0, 45_000.0, inputs).verdict, Verdict::Rejected);
    }
}

#[test]
fn others_in_the_cell_stand_in_for_a_model_that_knows_nothing() {
    let mut unknown = inputs(4);
    (unknown.mean.variance, unknown.mean.common) = (0.64, 0.638);
    unknown.cell.residual = (90.0_f64 / 60.0).ln();
    assert_eq!(judged(91.0, 68.0, unknown).verdict, Verdict::Accepted);
    assert_eq!(judged(117.0, 88.0, unknown).verdict, Verdict::Held);
}

#[test]
fn a_rate_far_from_expectation_is_held_and_told_why_and_what_to_do() {
    let judgement = judged(75.0, 56.0, inputs(2));
    assert_eq!(judgement.verdict, Verdict::Held);
    let finding = judgement.findings.iter().find(|f| f.code == "outlier-mean").unwrap();
    assert!(finding.message.contains("25.0 % above the 60.0 fps"), "{}", finding.message);
    assert!(finding.message.contains("the model and 2 other contributors"), "{}", finding.message);
    assert!(finding.advice.contains("measure three passes again"));
    for name in ["contributors", "model", "expected", "deviation", "scale", "p", "z"] {
        assert!(finding.evidence.contains_key(name), "{name}");
    }
    assert_eq!(held_for(&judgement.findings), Some(HeldFor::Numbers));
}

#[test]
fn rejection_by_numbers_needs_an_extreme_rate_and_three_others() {
    assert_eq!(judged(140.0, 105.0, inputs(2)).verdict, Verdict::Held);
    assert_eq!(judged(140.0, 105.0, inputs(3)).verdict, Verdict::Rejected);
}

#[test]
fn only_what_no_limit_could_let_pass_is_held_for_its_numbers_before_enough_runs_are_accepted() {
    let young = Inputs { accepted: 100, ..inputs(5) };
    let gross = judged(80.0, 60.0, young);
    assert_eq!(codes(&gross), [("outlier-mean", Severity::Hold)]);
    assert!(!gross.findings[0].message.contains("too few runs yet"));
    let z = |judgement: &Judgement| judgement.numbers.as_ref().unwrap().mean.z;
    let mut faster = (0..200).map(|step| judged(60.0 + 0.1 * f64::from(step), 10.0, young));
    let judgement = faster.find(|judgement| z(judgement) > young.limit).unwrap();
    assert!(z(&judgement) < Policy::published().judge.shadow_z);
    assert_eq!(judgement.verdict, Verdict::Accepted);
    let remarks = [("outlier-mean", Severity::Remark), ("outlier-low", Severity::Remark)];
    assert_eq!(codes(&judgement), remarks);
    assert!(judgement.findings.iter().all(|f| f.message.contains("too few runs yet")));
}

#[test]
fn the_platforms_part_in_a_deviation_is_named() {
    let judgement = judged(48.0, 36.0, Inputs { card_share: 0.2, ..inputs(3) });
    let finding = judgement.findings.iter().find(|f| f.code == "outlier-mean").unwrap();
    assert!(finding.advice.contains("80 % of this rate down to the platform"), "{}", finding.advice);
}

#[test]
fn a_low_out_of_proportion_is_held_by_itself() {
    let judgement = judged(60.0, 10.0, inputs(3));
    assert_eq!(judgement.verdict, Verdict::Held);
    assert_eq!(codes(&judgement), [("outlier-low", Severity::Hold)]);
    assert!(judgement.findings[0].message.contains("17 % of the mean rate where 75 % is expected"));
}

#[test]
fn frame_times_in_another_unit_are_rejected_even_by_the_prior() {
    let mut unknown = inputs(0);
    (unknown.model, unknown.accepted) = (0, 0);
    (unknown.mean.variance, unknown.mean.common) = (0.64, 0.64);
    let reject = ("unit-against-peers", Severity::Reject);
    for fps in [60_000.0, 0.06] {
        assert!(codes(&judged(fps, 0.75 * fps, unknown)).contains(&reject), "{fps}");
    }
}

#[test]
fn rates_given_as_frame_times_are_rejected_where_that_can_be_told() {
    for (fps, told) in [(144.0_f64, true), (40.0, true), (33.0, false), (12.0, true)] {
        let turned = 1000.0 / (1.02 * fps);
        let mut known = inputs(3);
        known.mean.value = fps.ln();
        let judgement = judged(turned, 0.75 * turned, known);
        let reject = ("unit-against-peers", Severity::Reject);
        assert_eq!(codes(&judgement).contains(&reject), told, "{fps}");
        // By the model alone it is held.
        known.cell.contributors = 0;
        let alone = judged(turned, 0.75 * turned, known);
        let far = !(20.0..=100.0).contains(&fps);
        assert_eq!(codes(&alone).contains(&("unit-against-peers", Severity::Hold)), far, "{fps}");
        assert!(!codes(&alone).contains(&reject), "{fps}");
        // What others find later can let it go.
        assert!(!far || held_for(&alone.findings) == Some(HeldFor::Numbers), "{fps}");
    }
}

#[test]
fn honest_runs_are_held_about_as_often_at_any_number_of_contributors() {
    let mut draw = Random(11);
    let policy = Policy::published();
    for contributors in [0_u32, 1, 2, 3, 8, 20] {
        let mut held = 0;
        for _ in 0..20_000 {
            // The truth of the cell departs from the model, and each contributor and run from the truth, as the
            // inputs say; the median of contributors is drawn from its own distribution.
            let truth = (0.0002_f64.sqrt()).hypot(0.02) * draw.normal();
            let mut inputs = inputs(contributors);
            let n = f64::from(contributors.max(1));
            inputs.cell.residual = truth + 0.033 * (1.3 / n).sqrt() * draw.normal();
            let y = 60.0_f64.ln() + truth + 0.0007_f64.sqrt().hypot(0.015) * draw.normal();
            held += u32::from(weigh(y, None, &inputs, &policy.judge).deviates(&policy.judge));
        }
        let share = f64::from(held) / 20_000.0;
        // The errors here are normal, so fewer are held than of real ones.
        assert!(share < 0.008, "{contributors}: {share}");
    }
}

#[test]
fn inflation_by_a_fifth_is_found_nearly_always_once_somebody_else_is_there() {
    let mut draw = Random(12);
    let policy = Policy::published();
    let mut missed = 0;
    for _ in 0..5_000 {
        let mut inputs = inputs(2);
        inputs.cell.residual = 0.033 * 0.65_f64.sqrt() * draw.normal();
        let y = 60.0_f64.ln() + 1.2_f64.ln() + 0.0007_f64.sqrt().hypot(0.015) * draw.normal();
        missed += u32::from(!weigh(y, None, &inputs, &policy.judge).deviates(&policy.judge));
    }
    assert!(missed < 250, "{missed} of 5000");
}

#[test]
fn runs_of_the_bench_since_the_fit_pull_the_expectation() {
    let policy = Policy::published();
    let slow = Inputs { bench: Since { runs: 6, sum: -0.36 }, ..inputs(0) };
    let place = |inputs: &Inputs| weigh(57.0_f64.ln(), None, inputs, &policy.judge).mean;
    assert!(place(&slow).z.abs() < place(&inputs(0)).z.abs());
    // 0.6 x sum / (n + 2).
    assert!((place(&slow).expected - (60.0_f64.ln() - 0.6 * 0.36 / 8.0)).abs() < 1e-12);
}

#[test]
fn a_driver_release_that_others_saw_change_moves_the_expectation() {
    let policy = Policy::published();
    let faster =
        Inputs { release: Support { contributors: 4, residual: 0.10, information: None }, ..inputs(2) };
    let place = |inputs: &Inputs| weigh(66.0_f64.ln(), None, inputs, &policy.judge).mean;
    assert!(place(&inputs(2)).z > 2.0);
    assert!(place(&faster).z.abs() < 1.0, "{:?}", place(&faster));
}

#[test]
fn later_evidence_lets_a_held_run_go_and_doubts_an_accepted_one() {
    let policy = Policy::published();
    let numbers = |fps: f64| judged(fps, 0.75 * fps, inputs(3)).numbers.unwrap();
    assert!(confirm(&numbers(75.0), "nothing", &policy).is_none());
    let released = confirm(&numbers(61.0), "another run bears it out", &policy).unwrap();
    assert_eq!((released.code.as_ref(), released.severity), ("confirmed-later", Severity::Note));
    let doubted = doubt(&numbers(75.0), 0.22);
    assert_eq!((doubted.code.as_ref(), doubted.severity), ("doubted-later", Severity::Hold));
    assert_eq!(held_for(std::slice::from_ref(&doubted)), Some(HeldFor::Numbers));
    assert!(corroborate(&numbers(75.0), "r-2").message.contains("r-2"));
}

#[test]
fn a_run_a_little_beyond_the_limit_counts_with_a_warning_after_two_weeks() {
    let policy = Policy::published();
    let expected = judged(60.0, 45.0, inputs(5)).numbers.unwrap().mean;
    let at = |of: f64, inputs: Inputs| {
        let fps = (expected.expected - of * expected.scale).exp();
        judged(fps, 0.75 * fps, inputs)
    };
    let beyond = (20..80)
        .map(|tenths| f64::from(tenths) / 10.0)
        .find(|of| at(*of, inputs(5)).verdict == Verdict::Held);
    let warned = at(beyond.unwrap(), inputs(5));
    let numbers = warned.numbers.unwrap();
    assert_eq!(warned.verdict, Verdict::Held);
    assert!((2.4..3.0).contains(&-numbers.mean.z), "{}", numbers.mean.z);
    assert!(let_be(&numbers, 13, &policy).is_none());
    let finding = let_be(&numbers, 14, &policy).unwrap();
    assert_eq!((finding.code.as_ref(), finding.severity), ("counts-with-a-warning", Severity::Remark));
    // Far off is no warning, nor is anything known before there is a model.
    assert!(let_be(&at(9.0, inputs(5)).numbers.unwrap(), 99, &policy).is_none());
    let before = Inputs { model: 0, ..inputs(5) };
    assert!(let_be(&at(beyond.unwrap(), before).numbers.unwrap(), 99, &policy).is_none());
}

#[test]
fn time_clears_no_run_that_is_much_faster_than_others_lead_to_expect() {
    let policy = Policy::published();
    let waits = |contributors: u32, deviation: f64| {
        let mut inputs = inputs(contributors);
        inputs.mean.sigma = 0.04;
        let numbers = weigh(60.0_f64.ln() + deviation, None, &inputs, &policy.judge);
        assert!(numbers.mean.z.abs() < 3.0, "{contributors} {deviation} {numbers:?}");
        let_be(&numbers, 14, &policy).is_some()
    };
    assert_eq!([waits(1, 0.12), waits(5, 0.12), waits(0, 0.12)], [false, false, true]);
    assert_eq!([waits(5, 0.08), waits(5, -0.12)], [true, true]);
}

#[test]
fn the_numbers_of_a_verdict_come_back_from_their_stored_form_bit_for_bit() {
    let numbers = judged(61.7, 44.9, inputs(3)).numbers.unwrap();
    let text = serde_json::to_string(&numbers).unwrap();
    let back: Numbers = serde_json::from_str(&text).unwrap();
    assert_eq!(back, numbers);
    let again = weigh(back.ln_fps, back.ln_low_ratio, &back.inputs, &Policy::published().judge);
    assert_eq!(again, numbers);
}

#[test]
fn a_stored_pass_is_named_with_its_run() {
    let duplicates = vec![DuplicatePass { pass: 1, run: "r-1".to_owned() }];
    let evidence = Evidence { duplicates, ..Evidence::default() };
    let judgement = judge(&examined(60.0, 45.0), &evidence, &Policy::published());
    assert_eq!(judgement.verdict, Verdict::Rejected);
    assert_eq!(judgement.findings[0].pointer, "/passes/1");
}

#[test]
fn a_ladder_that_does_not_rise_marks_the_run_as_the_platforms() {
    let ladder = vec![Rung { width: 1280, height: 720, mean_fps: 61.0, alone: None }];
    let evidence = Evidence { ladder, ..Evidence::default() };
    let judgement = judge(&examined(60.0, 45.0), &evidence, &Policy::published());
    assert_eq!(judgement.verdict, Verdict::Accepted);
    assert!(codes(&judgement).contains(&("platform-limited", Severity::Remark)));
}

#[test]
fn two_contributors_with_the_same_figures_are_remarked_on() {
    let twin = Some(Twin { run: "r-7".to_owned() });
    let evidence = Evidence { inputs: Some(inputs(3)), twin, ..Evidence::default() };
    let judgement = judge(&examined(60.0, 45.0), &evidence, &Policy::published());
    assert_eq!(codes(&judgement), [("same-figures", Severity::Remark)]);
}

#[test]
fn a_failure_has_no_figure_to_judge() {
    let mut failed = examined(60.0, 45.0);
    failed.statistics.mean_fps = None;
    failed.statistics.low_percentile_fps = None;
    failed.outcome = Outcome::Crashed;
    let evidence = Evidence { inputs: Some(inputs(3)), ..Evidence::default() };
    let judgement = judge(&failed, &evidence, &Policy::published());
    assert_eq!((judgement.verdict, judgement.numbers.is_none()), (Verdict::Accepted, true));
    assert_eq!(codes(&judgement), [("crashed", Severity::Note)]);
}

#[test]
fn a_rendering_fault_carries_a_caution_and_its_rate_is_not_compared() {
    let faulty = Examined { outcome: Outcome::RenderingFault, ..examined(240.0, 200.0) };
    let evidence = Evidence { inputs: Some(inputs(5)), ..Evidence::default() };
    let judgement = judge(&faulty, &evidence, &Policy::published());
    assert_eq!(codes(&judgement), [("rendering-fault", Severity::Note)]);
    assert!(judgement.findings[0].advice.contains("seizures"));
    assert_eq!((judgement.verdict, judgement.numbers.is_none()), (Verdict::Accepted, true));
}

#[test]
fn a_capped_run_is_held_for_the_cap_and_not_compared() {
    let mut capped = examined(30.0, 29.9);
    capped.findings.push(Finding::new("capped", Severity::Hold, "/passes/0", "Paced."));
    let evidence = Evidence { inputs: Some(inputs(5)), ..Evidence::default() };
    let judgement = judge(&capped, &evidence, &Policy::published());
    assert_eq!((judgement.verdict, judgement.findings.len()), (Verdict::Held, 1));
}
