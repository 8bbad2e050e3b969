//! Precision of a test method: ISO 5725-2 (sulfur in coal; tables 4 and 6), ASTM E691 (glucose in serum), and
//! intraclass correlations (Shrout and Fleiss 1979).

use serde_json::Value;
use wearmark_core::interlab::nested::{Measured, nested};
use wearmark_core::interlab::precision::{Precision, e691_reproducibility_sd, precision};
use wearmark_core::interlab::proficiency::z_score;
use wearmark_core::interlab::{cochran, intraclass, mandel};

use crate::cases::{Item, items, numbers};

fn rows(value: &Value) -> Vec<Vec<f64>> {
    value.as_array().unwrap().iter().map(numbers).collect()
}

fn study(case: &Item) -> (Vec<Vec<f64>>, Precision) {
    let cells = rows(case.input("cells"));
    let borrowed: Vec<&[f64]> = cells.iter().map(Vec::as_slice).collect();
    let found = precision(&borrowed).unwrap();
    (cells, found)
}

#[test]
fn repeatability_and_reproducibility_are_those_of_the_standards() {
    let cases = items("05-interlaboratory", "interlab");
    assert_eq!(cases.len(), 7);
    for case in cases {
        let (_, found) = study(&case);
        case.meets("labs", &[found.laboratories as f64]);
        case.meets("between_lab_sd", &[found.between_sd]);
        case.meets("cell_means", &found.means);
        case.meets("cell_sds", &found.deviations.iter().map(|sd| sd.unwrap()).collect::<Vec<_>>());
        case.meets("r_limit", &[found.repeatability_limit()]);
        case.meets("R_limit", &[found.reproducibility_limit()]);
        case.meets("s_of_cell_means", &[found.sd_of_means]);
        assert!(case.meets("mean", &[found.mean]));
        assert!(case.meets("sr", &[found.repeatability_sd]));
        assert!(case.meets("sR", &[found.reproducibility_sd]));
    }
}

#[test]
fn the_formula_of_e691_and_that_of_iso_5725_agree_where_all_repeat_equally_often() {
    for case in items("05-interlaboratory", "interlab") {
        let (cells, found) = study(&case);
        if cells.iter().any(|cell| cell.len() != cells[0].len()) {
            continue;
        }
        let e691 = e691_reproducibility_sd(found.sd_of_means, found.repeatability_sd, cells[0].len());
        assert!((e691 / found.reproducibility_sd - 1.0).abs() < 1e-12, "{}", case.id());
    }
}

#[test]
fn h_and_k_flag_the_laboratories_that_the_example_flags() {
    let mut checked = 0;
    for case in items("05-interlaboratory", "interlab") {
        let Some(alpha) = case.input("alpha").as_f64() else { continue };
        let (cells, found) = study(&case);
        let h = mandel::h(&found.means).unwrap();
        let k: Vec<f64> = found
            .deviations
            .iter()
            .map(|sd| mandel::k(sd.unwrap(), found.repeatability_sd).unwrap())
            .collect();
        let h_critical = mandel::h_critical(cells.len(), alpha).unwrap();
        let k_critical = mandel::k_critical(cells.len(), cells[0].len(), alpha).unwrap();
        case.meets("h", &h);
        case.meets("k", &k);
        assert!(case.meets("h_critical", &[h_critical]));
        assert!(case.meets("k_critical", &[k_critical]));
        let beyond = |values: &[f64], limit: f64| -> Vec<usize> {
            (0..values.len()).filter(|&at| values[at].abs() > limit).collect()
        };
        assert_eq!(Some(beyond(&h, h_critical)), case.flagged("flagged_h"), "{}", case.id());
        assert_eq!(Some(beyond(&k, k_critical)), case.flagged("flagged_k"), "{}", case.id());
        checked += 1;
    }
    assert_eq!(checked, 6, "the six materials of E691");
}

#[test]
fn critical_values_of_h_and_k_are_the_printed_ones() {
    let cases = items("05-interlaboratory", "mandel_table");
    assert_eq!(cases.len(), 2);
    for case in cases {
        let alpha = case.input("alpha").as_f64().unwrap();
        let laboratories: Vec<usize> = numbers(case.input("p")).iter().map(|p| *p as usize).collect();
        let counts: Vec<usize> = numbers(case.input("n")).iter().map(|n| *n as usize).collect();
        let h: Vec<f64> = laboratories.iter().map(|p| mandel::h_critical(*p, alpha).unwrap()).collect();
        let k: Vec<f64> = laboratories
            .iter()
            .flat_map(|p| counts.iter().map(|n| mandel::k_critical(*p, *n, alpha).unwrap()))
            .collect();
        assert!(case.meets("h", &h));
        assert!(case.meets("k", &k));
    }
}

#[test]
fn critical_values_of_cochran_are_the_printed_ones() {
    let case = &items("04-outlier-tests", "cochran_table")[0];
    let alpha = case.input("alpha").as_f64().unwrap();
    let found: Vec<f64> = numbers(case.input("p"))
        .iter()
        .flat_map(|p| {
            numbers(case.input("n"))
                .iter()
                .map(|n| cochran::critical(*p as usize, *n as usize, alpha).unwrap())
                .collect::<Vec<_>>()
        })
        .collect();
    assert_eq!(found.len(), 44);
    assert!(case.meets("critical", &found));
}

#[test]
fn cochran_finds_the_outlying_variance_of_glucose_material_c() {
    let case = &items("04-outlier-tests", "cochran")[0];
    let (cells, found) = study(case);
    let variances: Vec<(f64, usize)> =
        found.deviations.iter().zip(&cells).map(|(sd, cell)| (sd.unwrap().powi(2), cell.len() - 1)).collect();
    for (alpha, key) in [(0.05, "critical_5pct"), (0.01, "critical_1pct")] {
        let test = cochran::cochran(&variances, alpha).unwrap();
        assert!(case.meets("C", &[test.statistic]));
        assert!(case.meets(key, &[test.critical]));
        assert!(case.meets("suspect_index", &[test.suspect as f64]));
        assert!(test.outlying);
    }
}

#[test]
fn pooling_over_materials_gives_each_material_its_own_precision_when_it_is_alone() {
    for case in items("05-interlaboratory", "interlab") {
        let (cells, found) = study(&case);
        let mut results: Vec<Measured> = cells
            .iter()
            .zip(0..)
            .flat_map(|(cell, laboratory)| {
                cell.iter().map(move |value| Measured { material: 1, laboratory, value: *value })
            })
            .collect();
        let pooled = nested(&mut results, 0.01);
        assert!(case.meets("sr", &[pooled.repeatability_sd.unwrap()]));
        assert!(case.meets("sR", &[pooled.reproducibility_sd.unwrap()]));
        // In the example k is exceeded once each for materials C (as reported) and E; Cochran's C, the largest
        // k^2 over the number of laboratories, is then beyond its 1 % limit too, and no other is.
        let outlying = case.flagged("flagged_k").map_or(0, |flagged| flagged.len());
        assert_eq!(pooled.cochran.flagged, outlying, "{}", case.id());
        assert_eq!(pooled.k.flagged, outlying, "{}", case.id());
        assert_eq!(pooled.laboratories, found.laboratories);
    }
}

#[test]
fn six_intraclass_correlations_are_those_of_shrout_and_fleiss() {
    let case = &items("15-repeated-runs", "intraclass")[0];
    let ratings = rows(case.input("ratings"));
    let borrowed: Vec<&[f64]> = ratings.iter().map(Vec::as_slice).collect();
    let found = intraclass::intraclass(&borrowed, 0.95).unwrap();
    for (key, value) in [
        ("BMS", found.between_targets),
        ("WMS", found.within_targets),
        ("JMS", found.between_judges),
        ("EMS", found.residual),
        ("ICC_1_1", found.one_way.value),
        ("ICC_2_1", found.two_way_random.value),
        ("ICC_3_1", found.two_way_fixed.value),
        ("ICC_1_k", found.one_way_mean.value),
        ("ICC_2_k", found.two_way_random_mean.value),
        ("ICC_3_k", found.two_way_fixed_mean.value),
        ("ICC_1_1_low", found.one_way.low),
        ("ICC_1_1_high", found.one_way.high),
        ("ICC_3_1_low", found.two_way_fixed.low),
        ("ICC_3_1_high", found.two_way_fixed.high),
    ] {
        assert!(case.meets(key, &[value]), "{key}");
    }
    // The limits that the case lacks, to two decimals, as the Python package pingouin gives them for these data.
    for (limits, low, high) in [
        (found.two_way_random, 0.02, 0.76),
        (found.one_way_mean, -0.88, 0.91),
        (found.two_way_random_mean, 0.07, 0.93),
        (found.two_way_fixed_mean, 0.68, 0.99),
    ] {
        assert!((limits.low - low).abs() <= 0.005 && (limits.high - high).abs() <= 0.005, "{limits:?}");
    }
}

#[test]
fn proficiency_scores_are_judged_at_two_and_three() {
    let case = &items("06-robust-mean-sd", "z_scores")[0];
    let (assigned, sigma) = (case.input("assigned").as_f64().unwrap(), case.input("sigma").as_f64().unwrap());
    let scores: Vec<_> = case.data().iter().map(|value| z_score(*value, assigned, sigma)).collect();
    assert!(case.meets("z", &scores.iter().map(|(z, _)| *z).collect::<Vec<_>>()));
    let words: Vec<&str> = scores.iter().map(|(_, standing)| standing.as_str()).collect();
    let wanted: Vec<&str> =
        case.expected("verdict").as_array().unwrap().iter().map(|w| w.as_str().unwrap()).collect();
    assert_eq!(words, wanted);
}
