//! The interval of a median of few contributors: quantiles of t against the printed table, the formula
//! by hand, and the coverage it promises, by simulation.

use wearmark_core::policy::Policy;
use wearmark_core::table::interval::{Intervals, moderated_variance, t_quantile};

use crate::facts::Random;

#[test]
fn t_quantiles_are_those_of_the_printed_table() {
    // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, critical values of Student's t, column
    // 0.975, three decimals.
    for (df, printed) in [
        (1.0, 12.706),
        (2.0, 4.303),
        (3.0, 3.182),
        (5.0, 2.571),
        (8.0, 2.306),
        (9.0, 2.262),
        (10.0, 2.228),
        (12.0, 2.179),
        (15.0, 2.131),
        (20.0, 2.086),
        (27.0, 2.052),
        (30.0, 2.042),
        (60.0, 2.000),
        (100.0, 1.984),
    ] {
        assert!((t_quantile(0.95, df) - printed).abs() < 0.0006, "{df}");
    }
    // The normal limit, 1.960 (same handbook, 1.3.6.7.1).
    assert!((t_quantile(0.95, 1e6) - 1.960).abs() < 0.0006);
}

#[test]
fn the_interval_of_two_contributors_follows_from_the_formula() {
    let policy = Policy::published().table;
    let (low, high) = Intervals::new(&policy).of(&[58.0, 62.0], policy.prior_sd).unwrap();
    // s = ln(62 / 58) / sqrt(2); s2 = (8 x 0.038^2 + s^2) / 9; half = t(9) x 1.00 x sqrt(s2 / 2).
    let s = (62.0_f64 / 58.0).ln() / 2.0_f64.sqrt();
    let half = 2.262_157 * ((8.0 * 0.038 * 0.038 + s * s) / 9.0 / 2.0).sqrt();
    assert!((low / (60.0 * (-half).exp()) - 1.0).abs() < 1e-6);
    assert!((high / (60.0 * half.exp()) - 1.0).abs() < 1e-6);
    assert_eq!(Intervals::new(&policy).of(&[58.0], policy.prior_sd), None);
    assert_eq!(Intervals::new(&policy).of(&[], policy.prior_sd), None);
}

#[test]
fn a_moderated_variance_lies_between_the_pooled_one_and_its_own() {
    assert!((moderated_variance(8.0, 0.04, 9, 0.06).sqrt() - 0.050_990_2).abs() < 1e-6);
    assert!((moderated_variance(8.0, 0.04, 1, 0.06).sqrt() - 0.04).abs() < 1e-12);
}

#[test]
fn one_wild_contributor_among_many_widens_the_interval_little() {
    let policy = Policy::published().table;
    let width = |values: &[f64]| {
        let (low, high) = Intervals::new(&policy).of(values, policy.prior_sd).unwrap();
        (high / low).ln()
    };
    let quiet = [58.0, 59.0, 59.5, 60.0, 60.5, 61.0, 62.0];
    let wild = [58.0, 59.0, 59.5, 60.0, 60.5, 61.0, 120.0];
    let ratio = width(&wild) / width(&quiet);
    // Unguarded, the standard deviation would grow twelvefold and the moderated width more than fivefold.
    assert!(ratio < 4.0, "{ratio}");
    assert!(ratio > 1.0, "{ratio}");
}

#[test]
fn intervals_cover_the_true_value_as_often_as_they_say() {
    const ROUNDS: u32 = 4000;
    let policy = Policy::published().table;
    let mut intervals = Intervals::new(&policy);
    let mut random = Random(5725);
    for n in 2..=20 {
        let mut covered = 0;
        for _ in 0..ROUNDS {
            let values: Vec<f64> = (0..n).map(|_| 60.0 * (policy.prior_sd * random.normal()).exp()).collect();
            let (low, high) = intervals.of(&values, policy.prior_sd).unwrap();
            covered += u32::from(low <= 60.0 && 60.0 <= high);
        }
        let cover = f64::from(covered) / f64::from(ROUNDS);
        assert!((0.93..=0.99).contains(&cover), "{n} contributors: {cover}");
    }
}
