//! Who says how fast a card is.

use super::*;

#[test]
fn who_must_be_bad_for_a_card_to_be_wrong_is_half_of_those_who_know_it_or_all_who_agree() {
    let expected = ledger(&[]).inputs(&given(1, "ada", 0.0).subject(), &policy()).mean.value;
    let known = |off: &[f64]| {
        let names = ["bo", "cy", "di", "ed", "flo"];
        let runs: Vec<Given> = off
            .iter()
            .enumerate()
            .map(|(at, off)| given(i64::try_from(at).unwrap() + 1, names[at], expected + off))
            .collect();
        let inputs = ledger(&runs).inputs(&given(99, "ada", 0.0).subject(), &policy());
        (inputs.known_by, inputs.must_be_bad)
    };
    assert_eq!(known(&[]), (0, 0));
    assert_eq!(known(&[0.5]), (1, 1));
    assert_eq!(known(&[0.02, -0.03]), (2, 2));
    assert_eq!(known(&[0.02, 0.4]), (2, 1));
    assert_eq!(known(&[0.02, 0.4, -0.4, 0.3, -0.5]), (5, 3));
    // Their own runs do not speak for them, whether they agree or not.
    let runs = [given(1, "ada", expected), given(2, "bo", expected), given(3, "ada", expected + 0.9)];
    let inputs = ledger(&runs).inputs(&given(99, "ada", 0.0).subject(), &policy());
    assert_eq!((inputs.known_by, inputs.must_be_bad), (1, 1));
}

#[test]
fn who_named_a_card_once_among_many_runs_of_others_is_a_stray() {
    let expected = ledger(&[]).inputs(&given(1, "ada", 0.0).subject(), &policy()).mean.value;
    let known = |others: i64, own: i64| {
        let mut runs: Vec<Given> = (0..others).map(|at| given(at + 1, "bo", expected)).collect();
        runs.iter_mut().for_each(|run| run.identity.card = "another".to_owned());
        runs.extend((0..own).map(|at| given(100 + at, "bo", expected)));
        let inputs = ledger(&runs).inputs(&given(999, "ada", 0.0).subject(), &policy());
        (inputs.known_by, inputs.must_be_bad, inputs.strays)
    };
    let enough = i64::from(policy().stray_runs);
    assert_eq!(known(enough - 2, 1), (1, 1, 0));
    assert_eq!(known(enough - 1, 1), (0, 0, 1));
    assert_eq!(known(enough, 2), (1, 1, 0));
    // One who owns the card beside the stray: the workload is known by both, the card by one and a stray.
    let mut runs: Vec<Given> = (0..enough).map(|at| given(at + 1, "bo", expected)).collect();
    runs.iter_mut().for_each(|run| run.identity.card = "another".to_owned());
    runs.extend([given(100, "bo", expected), given(101, "cy", expected)]);
    let inputs = ledger(&runs).inputs(&given(999, "ada", 0.0).subject(), &policy());
    assert_eq!((inputs.known_by, inputs.must_be_bad, inputs.strays), (1, 1, 1));
    // Nor does it count against the stray itself.
    let inputs = ledger(&runs).inputs(&given(999, "bo", 0.0).subject(), &policy());
    assert_eq!((inputs.known_by, inputs.must_be_bad, inputs.strays), (1, 1, 0));
}
