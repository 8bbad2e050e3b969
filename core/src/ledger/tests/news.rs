//! What a bench's runs since the last fit say of it.

use super::*;

/// A model that knows one card at four resolutions by six benches.
fn fitted() -> Ledger {
    let mut all = Vec::new();
    for (at, who) in ["ada", "bo", "cy", "di", "ed", "fay"].iter().enumerate() {
        for run in 0..12 {
            let height = [720, 900, 1080, 1440][run % 4];
            let by = 0.004 * (at as f64 - 2.5) - 0.3 * (run % 4) as f64;
            all.push(given((at * 12 + run + 1) as i64, who, 4.0 + by).at_height(height));
        }
    }
    let mut ledger = ledger(&all);
    let model = Arc::new(ledger.lesson().fitted(&Policy::published()));
    ledger.install(model, 1, 1_000, 2.4);
    ledger
}

/// A card that nobody measured before.
fn of_a_new_card(revision: i64, ln_fps: f64) -> Given {
    let mut one = given(revision, "ada", ln_fps);
    one.identity.card = "nobody-knows-1".to_owned();
    one.traits.family = Some("second".to_owned());
    one
}

#[test]
fn runs_of_a_card_that_nobody_knows_say_nothing_of_the_bench() {
    let mut ledger = fitted();
    let known = given(2_000, "ada", 4.0);
    let new = of_a_new_card(2_001, 6.5);
    let inputs = |ledger: &Ledger, of: &Given| ledger.inputs(&of.subject(), &policy());
    assert!(inputs(&ledger, &known).mean.variance < 0.01 && inputs(&ledger, &new).mean.variance > 0.01);
    (0..4).for_each(|at| of_a_new_card(1_001 + at, 6.0 + 0.1 * at as f64).put(&mut ledger));
    // A rate that is well known is not expected to be as far off as the new card's.
    assert_eq!(inputs(&ledger, &known).bench, Since::default());
    // For another run of the new card they are all that anybody has.
    let since = inputs(&ledger, &new).bench;
    assert!(since.runs == 4 && since.sum > 1.0, "{since:?}");
    // What is well known says something of both.
    given(1_010, "ada", 4.02).put(&mut ledger);
    assert_eq!((inputs(&ledger, &known).bench.runs, inputs(&ledger, &new).bench.runs), (1, 5));
    // Nothing is left of what is taken out.
    (0..4).for_each(|at| ledger.remove(&format!("r-{}", 1_001 + at), 1_020));
    ledger.remove("r-1010", 1_021);
    assert_eq!((inputs(&ledger, &known).bench, inputs(&ledger, &new).bench), Default::default());
}
