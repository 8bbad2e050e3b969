//! Distribution-free intervals of a median: Nair (1940), Conover (1999), Snedecor and Cochran (1989).

use wearmark_core::statistics::order::{median_interval, median_ranks};

use crate::cases::{items, numbers};

#[test]
fn ranks_and_coverage_are_those_of_the_printed_table() {
    let case = &items("07-median-interval", "median_rank_table")[0];
    let level = case.input("level").as_f64().unwrap();
    let ranks: Vec<_> = numbers(case.input("n")).iter().map(|n| median_ranks(*n as usize, level)).collect();
    assert_eq!(ranks[0], None, "five values cover 93.75 %");
    let lower = case.expected("lower_rank").as_array().unwrap();
    let coverage = case.expected("coverage_percent").as_array().unwrap();
    let n = numbers(case.input("n"));
    assert!(lower[0].is_null() && coverage[0].is_null());
    for at in 1..ranks.len() {
        let found = ranks[at].unwrap();
        assert_eq!(Some(found.lower as u64), lower[at].as_u64(), "n = {}", n[at]);
        assert_eq!(found.upper + found.lower, n[at] as usize + 1);
        let printed = coverage[at].as_f64().unwrap();
        assert!((100.0 * found.coverage - printed).abs() < 0.0501, "n = {}: {found:?}", n[at]);
        let exact = case.recomputed("coverage_percent").as_array().unwrap()[at].as_f64().unwrap();
        assert!((100.0 * found.coverage / exact - 1.0).abs() < 1e-9, "n = {}", n[at]);
    }
}

#[test]
fn the_interval_of_nineteen_values_is_that_of_the_worked_example() {
    let cases = items("07-median-interval", "median_interval");
    let case = cases.iter().find(|case| case.id() == "snedecor-cochran-n19").unwrap();
    let found = median_interval(&case.data(), case.input("level").as_f64().unwrap()).unwrap();
    for (key, value) in [
        ("median", found.median),
        ("lower", found.low),
        ("upper", found.high),
        ("lower_rank", found.ranks.lower as f64),
        ("upper_rank", found.ranks.upper as f64),
        ("coverage", found.ranks.coverage),
    ] {
        assert!(case.meets(key, &[value]), "{key}");
    }
}

#[test]
fn five_values_have_no_interval_at_95_per_cent() {
    let cases = items("07-median-interval", "median_interval");
    let case = cases.iter().find(|case| case.id() == "too-few-values").unwrap();
    assert!(case.expected("lower").is_null() && case.expected("coverage").is_null());
    assert_eq!(median_interval(&case.data(), case.input("level").as_f64().unwrap()), None);
}
