//! Runs held for the conditions that their frame times show.

use super::*;

#[test]
fn what_has_a_run_held_says_whether_later_evidence_can_let_it_go() {
    let mut findings = judged(75.0, 56.0, inputs(2)).findings;
    assert_eq!(held_for(&findings), Some(HeldFor::Numbers));
    findings.push(Finding::new("throttling", Severity::Hold, "/passes/0", "It slows down."));
    assert_eq!(held_for(&findings), Some(HeldFor::Conditions));
    findings.push(Finding::new("menu-or-loading", Severity::Hold, "/passes/0", "A menu."));
    assert_eq!(held_for(&findings), None);
    assert_eq!(held_for(&[]), None);
    let remark = Finding::new("throttling", Severity::Remark, "/passes/0", "It slows down a little.");
    assert_eq!(held_for(&[remark]), None);
    let twice = Finding::new("throttling", Severity::Reject, "/passes/0", "It slows down.");
    assert_eq!(held_for(&[twice]), None);
}

#[test]
fn unsteady_conditions_are_forgiven_only_where_a_fault_would_show() {
    let policy = Policy::published();
    let held_by = |codes: &[&str], fps: f64, inputs: Inputs| {
        absolve(&judged(fps, 0.75 * fps, inputs).numbers.unwrap(), codes, "model 3", &policy)
    };
    let of = |fps: f64, inputs: Inputs| held_by(&["throttling", "level-shift"], fps, inputs);
    let known = inputs(5);
    let expected = judged(60.0, 45.0, known).numbers.unwrap().mean;
    assert!(expected.scale < policy.judge.conditions_scale);
    let at = |z: f64| (expected.expected + z * expected.scale).exp();
    assert!(of(at(0.0), known).is_some_and(|f| f.code == "confirmed-later"));
    assert!(of(at(1.3), known).is_some());
    assert!(of(at(-2.0), known).is_none());
    assert!(of(at(2.0), known).is_none());
    // What can only slow a machine down did not where the rate is high.
    assert!(held_by(&["throttling"], at(2.0), known).is_some());
    assert!(held_by(&["throttling"], at(-2.0), known).is_none());
    let vague = Inputs { mean: Expected { variance: 0.01, common: 0.0, ..known.mean }, ..known };
    assert!(of(at(0.0), vague).is_none());
}

#[test]
fn a_rate_that_falls_by_little_is_held_where_it_is_low_as_well() {
    let policy = Policy::published();
    let of = |severity: Severity, fps: f64, inputs: Inputs| {
        let mut run = examined(fps, 0.75 * fps);
        run.findings.push(Finding::new("throttling", severity, "/passes", "It falls.").advice("Look."));
        judge(&run, &Evidence { inputs: Some(inputs), ..Evidence::default() }, &policy)
    };
    let expected = judged(60.0, 45.0, inputs(5)).numbers.unwrap().mean;
    let at = |z: f64| (expected.expected + z * expected.scale).exp();
    let both = of(Severity::Note, at(-2.3), inputs(5));
    assert_eq!(both.verdict, Verdict::Held);
    assert_eq!(held_for(&both.findings), Some(HeldFor::Conditions));
    assert!(both.findings.iter().any(|f| f.code == "slower-and-falling" && f.advice == "Look."));
    let alone = [
        of(Severity::Note, at(-1.5), inputs(5)),
        of(Severity::Note, at(2.3), inputs(5)),
        judged(at(-2.3), 0.75 * at(-2.3), inputs(5)),
        of(Severity::Note, at(-2.3), Inputs { accepted: 10, ..inputs(5) }),
    ];
    assert_eq!(alone.map(|judgement| judgement.verdict), [Verdict::Accepted; 4]);
    // What either has held for itself is not said twice.
    for held in [of(Severity::Note, at(-3.5), inputs(5)), of(Severity::Hold, at(-2.3), inputs(5))] {
        assert_eq!(held.verdict, Verdict::Held);
        assert!(held.findings.iter().all(|f| f.code != "slower-and-falling"));
    }
    let later = weigh(at(0.0).ln(), None, &inputs(5), &policy.judge);
    assert!(absolve(&later, &["slower-and-falling"], "model 4", &policy).is_some());
}
