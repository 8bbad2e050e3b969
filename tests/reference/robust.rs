//! Median, MAD, modified z-score and Hampel limits (Leys et al. 2013; Iglewicz and Hoaglin 1993),
//! Algorithm A and S (ISO 13528; Analytical Methods Committee), Huber's estimates (Venables and Ripley), Qn
//! (Rousseeuw and Croux 1993), coefficients of variation, Hodges-Lehmann (Hollander and Wolfe), Theil-Sen (Sen
//! 1968).

use wearmark_core::statistics::{huber, quantile::median, robust, scale, sum, variation};

use crate::cases::{items, numbers};

#[test]
fn median_mad_and_their_limits_meet_the_published_examples() {
    for case in items("03-median-mad", "mad_outliers") {
        let data = case.data();
        assert!(case.meets("median", &[median(&mut data.clone()).unwrap()]));
        assert!(case.meets("mad_raw", &[robust::mad_raw(&data).unwrap()]));
        assert!(case.meets("mad_scaled", &[robust::mad(&data).unwrap()]));
        let (low, high) = robust::hampel_limits(&data, 3.0).unwrap();
        assert!(case.meets("hampel_low", &[low]));
        assert!(case.meets("hampel_high", &[high]));
        let z = robust::modified_z(&data).unwrap();
        assert!(case.meets("modified_z", &z));
        let flagged: Vec<usize> = (0..z.len()).filter(|&i| z[i].abs() > 3.5).collect();
        assert_eq!(Some(flagged), case.flagged("flagged_modified_z"), "{}", case.id());
        if robust::mad_raw(&data).unwrap() > 0.0 {
            let outside: Vec<usize> = (0..data.len()).filter(|&i| data[i] < low || data[i] > high).collect();
            assert_eq!(Some(outside), case.flagged("flagged_hampel"), "{}", case.id());
        }
    }
}

#[test]
fn algorithm_a_meets_the_published_robust_means() {
    let mut checked = 0;
    for case in items("06-robust-mean-sd", "algorithm_a") {
        let data = case.data();
        let (mean, sd) = robust::algorithm_a(&data).unwrap();
        checked += usize::from(case.meets("x_star", &[mean]));
        checked += usize::from(case.meets("s_star", &[sd]));
        case.meets("median", &[median(&mut data.clone()).unwrap()]);
        // The start of the algorithm takes 1.483 MAD, as ISO 13528 does.
        case.meets("mad_scaled", &[robust::algorithm_a_start(&data).unwrap().1]);
        case.meets("mean", &[sum::mean(&data)]);
        case.meets("sd", &[sum::standard_deviation(&data).unwrap()]);
        case.meets("n", &[data.len() as f64]);
        // Uncertainty of the consensus value (ISO 13528): 1.25 s* / sqrt(n).
        let n = data.len() as f64;
        assert!((1.25 * sd / n.sqrt() / case.recomputed("u_of_x_star").as_f64().unwrap() - 1.0).abs() < 1e-9);
    }
    assert_eq!(checked, 6, "three data sets, mean and standard deviation of each");
}

#[test]
fn huber_proposal_2_meets_the_published_estimates() {
    // Algorithm A once converged is proposal 2 with k = 1.5; the second case has the figures of `hubers`.
    let mut checked = 0;
    for case in items("06-robust-mean-sd", "algorithm_a") {
        let (mean, sd) = huber::proposal_2(&case.data(), 1.5).unwrap();
        checked += usize::from(case.meets("x_star", &[mean]));
        checked += usize::from(case.meets("s_star", &[sd]));
    }
    assert_eq!(checked, 6);
    let case = &items("06-robust-mean-sd", "huber_location_mad")[0];
    let (location, scale) = huber::location(&case.data(), 1.5).unwrap();
    assert!(case.meets("location", &[location]));
    assert!(case.meets("scale", &[scale]));
}

#[test]
fn algorithm_s_has_the_factors_of_the_standard() {
    let case = &items("06-robust-mean-sd", "algorithm_s")[0];
    let df = case.input("degrees_of_freedom").as_f64().unwrap();
    let factors = scale::algorithm_s_factors(df).unwrap();
    assert!(case.meets("limit_factor", &[factors.limit]));
    assert!(case.meets("adjustment_factor", &[factors.adjustment]));
    assert!(case.meets("s_star", &[scale::algorithm_s(&numbers(case.input("sds")), df).unwrap()]));
}

#[test]
fn qn_meets_the_published_scale() {
    let case = &items("06-robust-mean-sd", "qn_scale")[0];
    assert!(case.meets("qn", &[scale::qn(&case.data()).unwrap()]));
}

#[test]
fn coefficients_of_variation_are_those_of_the_glucose_replicates() {
    let case = &items("15-repeated-runs", "variation")[0];
    let runs: Vec<Vec<f64>> = case.input("runs").as_array().unwrap().iter().map(numbers).collect();
    let each =
        |of: fn(&[f64]) -> Option<f64>| runs.iter().map(|r| 100.0 * of(r).unwrap()).collect::<Vec<_>>();
    assert!(case.meets("cv_percent", &each(variation::coefficient)));
    assert!(case.meets("robust_cv_percent", &each(variation::robust_coefficient)));
    let borrowed: Vec<&[f64]> = runs.iter().map(Vec::as_slice).collect();
    assert!(case.meets("pooled_cv_percent", &[100.0 * variation::pooled(&borrowed).unwrap()]));
}

#[test]
fn the_first_steps_of_algorithm_a_are_those_of_the_worked_example() {
    // AMC Technical Brief 6; the printed steps have two to three decimals.
    let case = &items("06-robust-mean-sd", "algorithm_a")[0];
    assert_eq!(case.id(), "amc-brief-6");
    let data = case.data();
    let mut now = robust::algorithm_a_start(&data).unwrap();
    for (wanted_mean, wanted_sd) in [(5.34, 1.04), (5.36, 1.08), (5.37, 1.105), (5.375, 1.12)] {
        now = robust::algorithm_a_step(&data, now).unwrap();
        assert!((now.0 - wanted_mean).abs() < 0.006, "{now:?}");
        assert!((now.1 - wanted_sd).abs() < 0.006, "{now:?}");
    }
}

#[test]
fn hodges_lehmann_estimates_meet_hollander_and_wolfe() {
    for case in items("08-hodges-lehmann", "signed_rank") {
        let (x, y) = (numbers(case.input("x")), numbers(case.input("y")));
        let differences: Vec<f64> = x.iter().zip(&y).map(|(a, b)| a - b).collect();
        assert!(case.meets("hodges_lehmann", &[robust::hodges_lehmann(&differences).unwrap()]));
    }
    for case in items("08-hodges-lehmann", "rank_sum") {
        let (x, y) = (numbers(case.input("x")), numbers(case.input("y")));
        assert!(case.meets("hodges_lehmann", &[robust::hodges_lehmann_shift(&x, &y).unwrap()]));
    }
}

#[test]
fn the_theil_sen_slope_meets_sen() {
    for case in items("09-theil-sen-kendall", "theil_sen") {
        let points: Vec<(f64, f64)> =
            numbers(case.input("x")).into_iter().zip(numbers(case.input("y"))).collect();
        let slope = robust::theil_sen(&points).unwrap();
        assert!(case.meets("slope", &[slope]));
        let residuals: Vec<f64> = points.iter().map(|(x, y)| y - slope * x).collect();
        assert!(case.meets("intercept_median_of_residuals", &[median(&mut residuals.clone()).unwrap()]));
    }
}
