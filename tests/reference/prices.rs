//! Prices and power against published codes and worked examples.

use std::collections::BTreeSet;

use wearmark_core::power::{cost_per_year, kwh_per_year};
use wearmark_core::price::country::{assigned, is_country};
use wearmark_core::price::currency::Currency;

use crate::cases::items;

fn words(value: &serde_json::Value) -> BTreeSet<String> {
    value.as_array().unwrap().iter().map(|word| word.as_str().unwrap().to_owned()).collect()
}

/// ISO 4217, list one.
#[test]
fn currencies_have_the_minor_units_of_the_standard() {
    let case = &items("18-currencies-and-countries", "currency_minor_units")[0];
    let mut listed = 0;
    for digits in 0..=4_u32 {
        if digits == 1 {
            continue;
        }
        let expected = words(case.expected(&digits.to_string()));
        let ours: BTreeSet<String> =
            Currency::all().filter(|(_, own)| *own == digits).map(|(code, _)| code.to_owned()).collect();
        assert_eq!(ours, expected, "{digits} digits");
        for code in &expected {
            assert_eq!(Currency::of(code).unwrap().digits, digits, "{code}");
        }
        listed += expected.len();
    }
    assert_eq!(Currency::all().count(), listed);
    for code in words(case.input("without_minor_unit")) {
        assert_eq!(Currency::of(&code), None, "{code}");
    }
}

/// ISO 3166-1, alpha-2.
#[test]
fn countries_are_those_of_the_standard() {
    let case = &items("18-currencies-and-countries", "country_codes")[0];
    let expected = words(case.expected("assigned"));
    assert_eq!(expected.len() as u64, case.expected("count").as_u64().unwrap());
    assert_eq!(assigned().map(str::to_owned).collect::<BTreeSet<_>>(), expected);
    assert!(expected.iter().all(|code| is_country(code)));
}

/// Worked by hand, with the definition of the kilowatt-hour (SI Brochure, 9th edition, table 8 by way of the hour: 1 kWh is
/// 3.6 MJ): 120 W x 3 h x 365 d = 131,400 Wh = 131.4 kWh = 473.04 MJ; at 0.30 a kWh 39.42 a year.
#[test]
fn a_card_of_120_watts_three_hours_a_day_takes_131_4_kilowatt_hours_a_year() {
    let kwh = kwh_per_year(120.0, 3.0, 365.0);
    assert!((kwh - 131.4).abs() < 1e-9, "{kwh}");
    let joules = 120.0 * 3.0 * 3600.0 * 365.0;
    assert!((kwh * 3.6e6 / joules - 1.0).abs() < 1e-12);
    assert!((cost_per_year(kwh, 0.30) - 39.42).abs() < 1e-9);
    assert_eq!(kwh_per_year(120.0, 0.0, 365.0), 0.0);
}

/// Common practice: a card of 200 W draws 2.67 times as much as one of 75 W, the most that a slot alone supplies.
#[test]
fn two_hundred_watts_are_2_67_times_seventy_five() {
    let ratio = kwh_per_year(200.0, 2.0, 365.0) / kwh_per_year(75.0, 2.0, 365.0);
    assert_eq!((ratio * 100.0).round() / 100.0, 2.67);
}
