//! NIST StRD, univariate summary statistics: Lew, Michelso, Mavro, NumAcc1 to NumAcc4.

use wearmark_core::statistics::{of_pass, sum};

use crate::cases::items;

#[test]
fn mean_and_standard_deviation_meet_the_certified_values_of_nist() {
    let cases = items("01-summary-statistics", "univariate");
    assert_eq!(cases.len(), 7);
    for case in cases {
        let data = case.data();
        assert!(case.meets("n", &[data.len() as f64]));
        assert!(case.meets("mean", &[sum::mean(&data)]));
        assert!(case.meets("sd", &[sum::standard_deviation(&data).unwrap()]));
    }
}

#[test]
fn the_figures_of_a_pass_meet_the_certified_values_where_the_data_are_positive() {
    for case in
        items("01-summary-statistics", "univariate").iter().filter(|c| c.data().iter().all(|v| *v > 0.0))
    {
        let got = of_pass(&case.data()).unwrap();
        assert!(case.meets("mean", &[1000.0 / got.mean_fps]));
        assert!(case.meets("sd", &[got.sd_ms.unwrap()]));
    }
}
