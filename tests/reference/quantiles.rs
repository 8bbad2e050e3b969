//! Sample quantiles: NIST/SEMATECH e-Handbook 7.2.6.2, Hyndman and Fan (1996).

use wearmark_core::statistics::quantile::{Definition, quantile, type7};

use crate::cases::{items, numbers};

#[test]
fn all_nine_definitions_meet_the_published_quantiles() {
    for case in items("02-quantiles", "quantiles") {
        let mut data = case.data();
        data.sort_by(f64::total_cmp);
        let probabilities = numbers(case.input("probabilities"));
        let mut checked = 0;
        for (number, definition) in (1..).zip(Definition::ALL) {
            let got: Vec<f64> = probabilities.iter().map(|p| quantile(&data, *p, definition)).collect();
            checked += usize::from(case.meets(&format!("type{number}"), &got));
        }
        assert!(checked >= 2, "{}", case.id());
        let seven: Vec<f64> = probabilities.iter().map(|p| type7(&data, *p)).collect();
        assert!(case.meets("type7", &seven));
    }
}
