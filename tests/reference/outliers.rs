//! Grubbs (NIST/SEMATECH e-Handbook; Grubbs and Beck 1972; ISO 5725-2, table 5) and the generalised extreme
//! studentised deviate (Rosner 1983).

use wearmark_core::statistics::outliers::{Side, generalized_esd, grubbs, grubbs_critical};

use crate::cases::{items, numbers};

#[test]
fn grubbs_finds_the_isotope_outlier_of_the_handbook() {
    let case = &items("04-outlier-tests", "grubbs")[0];
    assert_eq!(case.input("side"), "max");
    let test = grubbs(&case.data(), case.input("alpha").as_f64().unwrap(), Side::Largest).unwrap();
    assert!(case.meets("G", &[test.statistic]));
    assert!(case.meets("critical", &[test.critical]));
    assert!(case.meets("suspect_index", &[test.suspect as f64]));
    assert_eq!(case.expected("reject").as_bool(), Some(test.outlying));
}

#[test]
fn critical_values_of_grubbs_are_the_printed_ones() {
    let cases = items("04-outlier-tests", "grubbs_table");
    assert_eq!(cases.len(), 2);
    for case in cases {
        let side = if case.input("sides") == 1 { Side::Largest } else { Side::Either };
        let alpha = case.input("alpha").as_f64().unwrap();
        let found: Vec<f64> = numbers(case.input("n"))
            .iter()
            .map(|n| grubbs_critical(*n as usize, alpha, side).unwrap())
            .collect();
        assert!(case.meets("critical", &found));
    }
}

#[test]
fn the_generalised_test_finds_the_three_outliers_of_rosner() {
    let case = &items("04-outlier-tests", "generalized_esd")[0];
    let data = case.data();
    let most = case.input("max_outliers").as_u64().unwrap() as usize;
    let test = generalized_esd(&data, most, case.input("alpha").as_f64().unwrap());
    assert!(case.meets("R", &test.statistics));
    assert!(case.meets("lambda", &test.critical));
    assert!(case.meets("outliers", &[test.outliers as f64]));
    let found: Vec<f64> = test.removed[..test.outliers].iter().map(|at| data[*at]).collect();
    assert!(case.meets("outlier_values", &found));
}
