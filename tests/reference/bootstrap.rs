//! The interval of a cell beside the bootstrap over contributors. The product does not bootstrap: below twenty
//! contributors its percentile interval is too narrow, which is shown here, and from there on it agrees with ours. The
//! bootstrap of this file is checked against Efron and Tibshirani (1993) before it is compared with anything.

use wearmark_core::policy::Policy;
use wearmark_core::statistics::sum;
use wearmark_core::table::interval::Intervals;

use crate::cases::{items, numbers};
use crate::facts::Random;

/// Probability that the median of a resample of `n` values, n odd, is the value of rank `at` or less, counted from 1:
/// that more than half of the n draws fall on the first `at` values. No random numbers are needed (Efron 1979).
fn median_at_most(n: usize, at: usize) -> f64 {
    let p = at as f64 / n as f64;
    let mut choose = 1.0;
    let mut below = 0.0;
    for hits in 0..=n {
        if hits > 0 {
            choose *= (n - hits + 1) as f64 / hits as f64;
        }
        if hits > n / 2 {
            below += choose * p.powi(hits as i32) * (1.0 - p).powi((n - hits) as i32);
        }
    }
    below
}

/// Masses of the bootstrap distribution of a median on the ordered values.
fn median_mass(n: usize) -> Vec<f64> {
    (1..=n).map(|at| median_at_most(n, at) - median_at_most(n, at - 1)).collect()
}

fn weighted_sd(values: &[f64], masses: &[f64]) -> f64 {
    let mean: f64 = values.iter().zip(masses).map(|(x, m)| x * m).sum();
    values.iter().zip(masses).map(|(x, m)| m * (x - mean).powi(2)).sum::<f64>().sqrt()
}

#[test]
fn the_bootstrap_of_this_file_is_that_of_efron_and_tibshirani() {
    for case in items("13-bootstrap", "boot_location") {
        let mut data = case.data();
        data.sort_by(f64::total_cmp);
        let n = data.len() as f64;
        assert!(case.meets("mean", &[sum::mean(&data)]));
        let sd = sum::standard_deviation(&data).unwrap();
        assert!(case.meets("se_mean", &[sd / n.sqrt()]));
        assert!(case.meets("ideal_bootstrap_se_mean", &[sd * ((n - 1.0) / n).sqrt() / n.sqrt()]));
        let masses = median_mass(data.len());
        assert!(case.meets("median_mass", &masses));
        assert!(case.meets("ideal_bootstrap_se_median", &[weighted_sd(&data, &masses)]));
    }
    for case in items("13-bootstrap", "boot_two_sample") {
        let se = |key| {
            let values = numbers(case.input(key));
            (sum::mean(&values), sum::standard_deviation(&values).unwrap() / (values.len() as f64).sqrt())
        };
        let ((mean_x, se_x), (mean_y, se_y)) = (se("x"), se("y"));
        assert!(case.meets("se_x", &[se_x]) && case.meets("se_y", &[se_y]));
        assert!(case.meets("difference", &[mean_x - mean_y]) && case.meets("se", &[se_x.hypot(se_y)]));
    }
}

/// Ends of the percentile interval: the least values that 2.5 and 97.5 % of all resamples reach at most.
fn percentile(sorted: &[f64]) -> (f64, f64) {
    let at = |share: f64| (1..=sorted.len()).find(|at| median_at_most(sorted.len(), *at) >= share).unwrap();
    (sorted[at(0.025) - 1], sorted[at(0.975) - 1])
}

#[test]
fn few_contributors_are_where_the_bootstrap_is_too_narrow_and_ours_is_not() {
    let policy = Policy::published().table;
    let mut random = Random(1_979);
    let rounds = 4_000;
    for (n, bootstrap_at_most) in [(3, 0.80), (5, 0.955), (21, 0.975)] {
        let mut intervals = Intervals::new(&policy, policy.prior.card);
        let (mut theirs, mut ours, mut width) = (0, 0, [0.0, 0.0]);
        for _ in 0..rounds {
            let mut values: Vec<f64> = (0..n).map(|_| 60.0 * (0.038 * random.normal()).exp()).collect();
            values.sort_by(f64::total_cmp);
            let both = [percentile(&values), intervals.of(&values).unwrap()];
            theirs += usize::from(both[0].0 <= 60.0 && 60.0 <= both[0].1);
            ours += usize::from(both[1].0 <= 60.0 && 60.0 <= both[1].1);
            (0..2).for_each(|at| width[at] += (both[at].1 / both[at].0).ln() / 2.0 / f64::from(rounds));
        }
        let share = |count: usize| count as f64 / f64::from(rounds);
        println!(
            "{n}: bootstrap {:.3} +-{:.2} %, ours {:.3} +-{:.2} %",
            share(theirs),
            100.0 * width[0],
            share(ours),
            100.0 * width[1]
        );
        assert!(share(theirs) < bootstrap_at_most, "{n}: {}", share(theirs));
        assert!((0.93..0.99).contains(&share(ours)), "{n}: {}", share(ours));
        if n >= 20 {
            assert!((width[0] / width[1] - 1.0).abs() < 0.15, "{n}: {width:?}");
        }
    }
}
