//! What a release changes shows by the share that the card has of a rate.

use super::*;

#[test]
fn what_a_release_changes_is_read_by_the_cards_share() {
    let of = |rows: &[(f64, f32)], own: f64| {
        let ledger = ledger(
            &(1..=rows.len() as i64)
                .map(|at| given(at, &format!("c{at}"), 4.0 + 0.1 * at as f64))
                .collect::<Vec<_>>(),
        );
        let mut all: Vec<_> = ledger.rows.iter().cloned().collect();
        for (row, (residual, share)) in all.iter_mut().zip(rows) {
            (row.residual, row.view.card_share) = (*residual, *share);
        }
        agree::release_support(&all.iter().collect::<Vec<_>>(), own, &policy())
    };
    // A change of 0.12 of the card's rate, where the platform sets most of it.
    let half = [(0.06, 0.5), (0.061, 0.5), (0.059, 0.5)];
    let found = of(&half, 1.0);
    assert!((found.residual - 0.12).abs() < 1e-12, "{found:?}");
    assert_eq!((found.contributors, found.information), (3, Some(0.75)));
    // Of a run like theirs it tells as much as three, and of one with a smaller share no more than that.
    assert_eq!(of(&half, 0.5).information, Some(3.0));
    assert!((of(&half, 0.5).residual - 0.06).abs() < 1e-12);
    assert_eq!(of(&half, 0.25).information, Some(3.0));
    // Where the card sets the rate a run counts for more than two in which it has a third of it.
    let found = of(&[(0.12, 1.0), (0.0, 0.3), (0.01, 0.3)], 1.0);
    assert!((found.residual - 0.12).abs() < 1e-12, "{found:?}");
    // The least share that counts keeps noise from growing without bound.
    let found = of(&[(0.03, 0.0)], 1.0);
    assert!((found.residual - 0.12).abs() < 1e-12 && found.information == Some(0.0625), "{found:?}");
    assert_eq!(of(&[], 1.0), Support::default());
}

#[test]
fn those_whose_platform_sets_the_rate_do_not_refute_what_a_release_did_to_a_card() {
    // Two others who see no change, at a height of so many lines.
    let borne_out = |height: u32| {
        let nobody = ledger(&[]);
        let expected = |one: &Given| nobody.inputs(&one.subject(), &policy()).mean.value;
        let changed = |mut one: Given, by: f64| {
            one.ln_fps = expected(&one) + by;
            one
        };
        let mut all = Vec::new();
        for (first, who) in [(1, "ada"), (20, "bo")] {
            all.extend((0..8).map(|run| {
                let mut one = given(first + run, who, 4.0).at_height(720);
                one.identity.driver = "d0".to_owned();
                one
            }));
        }
        all.push(changed(given(100, "cy", 0.0).at_height(height), 0.0));
        all.push(changed(given(101, "di", 0.0).at_height(height), 0.002));
        all.push(changed(given(102, "ada", 0.0).at_height(4_320), 0.20).held());
        all.push(changed(given(103, "bo", 0.0).at_height(4_000), 0.22).held());
        let ledger = ledger(&all);
        let release = ledger.stored_inputs("r-103", &policy()).unwrap().0.release;
        (release.worth() >= 1.0, ledger.corroborated_by("r-103", &policy()).is_some())
    };
    // Where the card sets the rate they would see it; at so few pixels hardly anything that the card does shows.
    assert_eq!([4_100, 40].map(borne_out), [(true, false), (false, true)]);
}

#[test]
fn one_change_shows_by_the_share_that_what_changed_has_of_each_rate() {
    let ledger = ledger(&[given(1, "ada", 4.0), given(2, "bo", 4.0)]);
    let rows: Vec<_> = ledger.rows.iter().collect();
    // Residuals, and the card's shares of the rates.
    let explains = |residuals: [f64; 2], shares: [f32; 2]| {
        let [mut one, mut other] = [rows[0].clone(), rows[1].clone()];
        (one.residual, one.view.card_share) = (residuals[0], shares[0]);
        (other.residual, other.view.card_share) = (residuals[1], shares[1]);
        let both = [agree::one_change(&one, &other, &policy()), agree::one_change(&other, &one, &policy())];
        assert!(both[0] == both[1], "it matters who is asked first: {residuals:?} {shares:?}");
        both[0]
    };
    // The card runs faster by 0.20, then the platform does.
    assert!(explains([0.20, 0.20], [1.0, 1.0]) && explains([0.20, 0.14], [1.0, 0.7]));
    assert!(explains([0.20, 0.20], [0.0, 0.0]) && explains([0.20, 0.14], [0.0, 0.3]));
    // The card has all of one rate and half or nothing of the other, and both are faster by as much.
    assert!(!explains([0.20, 0.20], [1.0, 0.5]) && !explains([0.20, 0.20], [1.0, 0.0]));
    assert!(!explains([0.20, -0.20], [1.0, 1.0]));
    // What is small agrees with anything.
    assert!(explains([0.02, 0.03], [1.0, 0.5]));
}

#[test]
fn who_measured_what_the_card_sets_and_who_did_not_are_not_borne_out_by_one_release() {
    // Both are faster by 0.2 with a release that nobody else has, at so many lines.
    let borne_out = |heights: [u32; 2]| {
        let nobody = ledger(&[]);
        let mut all = Vec::new();
        for (first, who) in [(1, "ada"), (20, "bo")] {
            all.extend((0..8).map(|run| {
                let mut one = given(first + run, who, 4.0).at_height(720);
                one.identity.driver = "d0".to_owned();
                one
            }));
        }
        for (at, (who, height)) in ["ada", "bo"].into_iter().zip(heights).enumerate() {
            let mut one = given(100 + at as i64, who, 0.0).at_height(height).held();
            one.ln_fps = nobody.inputs(&one.subject(), &policy()).mean.value + 0.20;
            all.push(one);
        }
        ledger(&all).corroborated_by("r-101", &policy()).is_some()
    };
    assert!(borne_out([4_320, 4_000]) && borne_out([40, 50]));
    assert!(!borne_out([4_320, 40]) && !borne_out([40, 4_320]));
}
