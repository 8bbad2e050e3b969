//! Worth, against figures worked out by hand.

use chrono::NaiveDate;

use super::*;
use crate::catalogue::CatalogueDocument;
use crate::fact::RunFact;
use crate::identity::Identity;
use crate::price::{Condition, day_of};
use crate::run::Outcome;
use crate::statistics::Grade;

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn catalogue() -> Catalogue {
    let chip = |id: &str| {
        serde_json::json!({"id": id, "name": id, "vendor": "Otterwick", "architecture": "Brindle",
            "pcie_generation": 3, "pcie_lanes": 16, "apis": ["vulkan"]})
    };
    let card = |id: &str, chip: &str, watts: f64| {
        serde_json::json!({"id": id, "name": id, "chip": chip, "form": "desktop", "memory_mib": 2048,
            "memory_type": "GDDR5", "bus_width_bits": 128, "board_power_w": watts, "launch_date": "2017-03-01"})
    };
    let driver = |id: &str, branch: &str, day: &str, chips: &[&str]| {
        serde_json::json!({"id": id, "vendor": "Otterwick", "version": id, "branch": branch, "date": day,
            "chips": chips, "systems": ["Hedge"]})
    };
    let workload = |id: &str| {
        serde_json::json!({"id": id, "title": id, "kind": "single-player", "apis": ["vulkan"], "presets": ["low"],
            "scenes": [{"id": "harbour", "name": "Harbour", "kind": "scripted-path"}]})
    };
    let document: CatalogueDocument = serde_json::from_value(serde_json::json!({
        "chips": [chip("thirsty-chip"), chip("frugal-chip"), chip("gone-chip")],
        "cards": [card("thirsty", "thirsty-chip", 200.0), card("frugal", "frugal-chip", 75.0), card("gone", "gone-chip", 60.0)],
        "drivers": [
            driver("1.0", "current", "2019-01-01", &["thirsty-chip", "frugal-chip", "gone-chip"]),
            driver("2.0", "current", "2021-01-01", &["thirsty-chip", "frugal-chip"]),
            driver("3.0", "current", "2022-01-01", &["frugal-chip"]),
            driver("2.1", "legacy", "2022-06-01", &["thirsty-chip"]),
            driver("4.0", "current", "2030-01-01", &[]),
        ],
        "workloads": [workload("one"), workload("two"), workload("three")]
    }))
    .unwrap();
    Catalogue::new(document)
}

/// Two contributors who measured two cards in three workloads; `thirsty` is twice as fast.
fn frame() -> RunFrame {
    let mut facts = Vec::new();
    for workload in ["one", "two", "three"] {
        for (card, fps) in [("thirsty", 100.0), ("frugal", 50.0)] {
            for who in ["a", "b"] {
                facts.push(RunFact {
                    card_share: None,
                    run: format!("{card}-{workload}-{who}"),
                    contributor: who.to_owned(),
                    identity: Identity {
                        card: card.to_owned(),
                        chip: Some(format!("{card}-chip")),
                        workload: workload.to_owned(),
                        bench: format!("bench-{who}"),
                        ..Identity::example()
                    },
                    outcome: Outcome::Completed,
                    grade: Grade::Full,
                    measured_day: 18_000,
                    mean_fps: Some(fps),
                    low_percentile_fps: Some(0.5 * fps),
                    low_tail_mean_fps: Some(0.4 * fps),
                    low_time_share_fps: Some(0.45 * fps),
                    between_pass_cv: Some(0.01),
                });
            }
        }
    }
    RunFrame::new(&facts).unwrap()
}

fn price(card: &str, who: &str, amount_minor: u64) -> PriceFact {
    PriceFact {
        id: format!("p-{card}-{who}"),
        contributor: who.to_owned(),
        card: card.to_owned(),
        currency: "EUR".to_owned(),
        amount_minor,
        day: day_of(date("2024-03-01")),
        condition: Condition::Used,
        country: "XA".to_owned(),
        source: PriceSource::CompletedSale,
    }
}

/// `thirsty` at 60, `frugal` at 40, two sellers each who ask the same.
fn prices() -> Vec<PriceFact> {
    [("thirsty", 6000), ("frugal", 4000)]
        .iter()
        .flat_map(|(card, amount)| ["a", "b"].map(|who| price(card, who, *amount)))
        .collect()
}

fn query() -> ValueQuery {
    ValueQuery {
        against: vec!["frugal".to_owned()],
        tariff: Some(0.30),
        hours_per_day: 2.0,
        years: 3.0,
        ..ValueQuery::of("thirsty", "EUR", date("2024-03-31"), &Policy::published())
    }
}

fn valued(prices: &[PriceFact], query: &ValueQuery) -> Value {
    value(&frame(), &catalogue(), prices, query, &Policy::published()).unwrap()
}

fn near(a: f64, b: f64) -> bool {
    (a / b - 1.0).abs() < 1e-9
}

/// By hand: 200 W x 2 h x 365 d = 146 kWh, 43.80 a year at 0.30; 75 W: 54.75 kWh, 16.425 a year. Three years: 82.125 more.
/// Twice as fast as a card at 40: 80 before power; 80 - 82.125 = -2.125.
#[test]
fn the_ceiling_is_the_price_of_the_other_by_the_ratio_less_what_power_costs_more() {
    let found = valued(&prices(), &query());
    let against = &found.against[0];
    assert!(near(found.card.power.cost_per_year.unwrap(), 43.80), "{:?}", found.card.power);
    assert!(near(against.other.power.cost_per_year.unwrap(), 16.425), "{:?}", against.other.power);
    let ceiling = &against.ceiling;
    assert!(near(ceiling.before_power.unwrap(), 80.0), "{ceiling:?}");
    assert!(near(ceiling.power_difference.unwrap(), 82.125), "{ceiling:?}");
    assert!((ceiling.price.unwrap() + 2.125).abs() < 1e-9, "{ceiling:?}");
    assert_eq!(ceiling.own_price.as_deref(), Some("above"));
    // Without a tariff power has no cost, and says so.
    let free = valued(&prices(), &ValueQuery { tariff: None, ..query() });
    let ceiling = &free.against[0].ceiling;
    assert!(near(ceiling.price.unwrap(), 80.0) && ceiling.power_difference.is_none(), "{ceiling:?}");
    assert!(free.assumed.iter().any(|said| said.contains("no tariff was given")));
}

/// Common practice: fps per watt and per money are plain quotients. 100 fps at 60 and 200 W; half as fast at 40 and 75 W.
#[test]
fn rates_per_money_and_per_watt_are_quotients_with_variances_added() {
    let found = valued(&prices(), &query());
    let basket = &found.basket;
    assert!(near(basket.fps.unwrap().value, 100.0) && basket.rows.len() == 3, "{basket:?}");
    let (fps, per_money, per_watt) =
        (basket.fps.unwrap(), basket.fps_per_money.unwrap(), basket.fps_per_watt.unwrap());
    assert!(near(per_money.value, 100.0 / 60.0) && near(per_watt.value, 0.5));
    let half = |rate: Rate| (rate.to / rate.value).ln();
    let price = found.card.price.as_ref().unwrap();
    let price_half = (price.to.unwrap() / price.median).ln();
    assert!(near(half(per_money), half(fps).hypot(price_half)));
    assert!(near(half(per_watt), half(fps)), "the rated power is taken as exact");
    let against = &found.against[0];
    assert!(near(against.performance.ratio.unwrap(), 2.0));
    assert!(near(against.per_money.ratio.unwrap(), 2.0 * 40.0 / 60.0));
    assert!(near(against.per_watt.ratio.unwrap(), 2.0 * 75.0 / 200.0));
    assert_eq!((against.configurations, against.workloads, against.contributors), (3, 3, 2));
}

#[test]
fn the_target_is_counted_apart_from_the_ratio() {
    // 1% lows of 50 and 25 fps against 30.
    let played = valued(&prices(), &query()).against[0].played;
    assert_eq!(played, Played { configurations: 3, card: 3, other: 0 });
    let high = ValueQuery { target_fps: Some(60.0), ..query() };
    assert_eq!(valued(&prices(), &high).against[0].played.card, 0);
    let low = ValueQuery { measure: Measure::LowFps, ..query() };
    assert!(near(valued(&prices(), &low).basket.fps.unwrap().value, 50.0));
}

#[test]
fn thin_evidence_is_refused_with_the_reason_and_shown_as_far_as_it_goes() {
    let one_seller: Vec<PriceFact> = prices().into_iter().filter(|p| p.id != "p-frugal-b").collect();
    let found = valued(&one_seller, &query());
    let against = &found.against[0];
    assert!(against.other.price.is_some() && against.ceiling.price.is_none());
    let why = against.ceiling.refused.as_deref().unwrap();
    assert!(why.contains("1 contributor reported a second-hand price of frugal in EUR"), "{why}");
    assert!(against.per_money.refused.is_some() && against.per_watt.ratio.is_some());
    let none = valued(&[], &query());
    assert!(none.card.price.is_none() && none.basket.fps_per_money.is_none() && none.basket.fps.is_some());
    assert!(none.card.refused.as_deref().unwrap().contains("nobody reported"));
    // In one workload nothing is said of the cards.
    let filters = Filters { workload: vec!["one".to_owned()], ..Filters::default() };
    let narrow = valued(&prices(), &ValueQuery { filters, ..query() });
    assert!(narrow.against[0].performance.refused.as_deref().unwrap().contains("1 workload"));
    assert!(narrow.against[0].ceiling.refused.is_some());
    let unmeasured = ValueQuery::of("gone", "EUR", date("2024-03-31"), &Policy::published());
    assert!(valued(&[], &unmeasured).basket.refused.as_deref().unwrap().contains("no configuration of gone"));
}

#[test]
fn support_is_what_the_catalogue_says_on_the_day() {
    let state = |card: &str, day: &str| {
        let query = ValueQuery { as_of: date(day), against: Vec::new(), card: card.to_owned(), ..query() };
        let support = valued(&[], &query).card.support;
        (support.state, support.since, support.newest_release)
    };
    let said = |state: &str, since: Option<&str>, release: Option<&str>| {
        (state.to_owned(), since.map(date), release.map(str::to_owned))
    };
    assert_eq!(state("frugal", "2024-03-31"), said("current", None, Some("3.0")));
    assert_eq!(state("thirsty", "2021-06-01"), said("current", None, Some("2.0")));
    assert_eq!(state("thirsty", "2022-03-01"), said("ended", Some("2022-01-01"), Some("2.0")));
    assert_eq!(state("thirsty", "2024-03-31"), said("legacy", Some("2022-01-01"), Some("2.1")));
    assert_eq!(state("gone", "2024-03-31"), said("ended", Some("2021-01-01"), Some("1.0")));
    assert_eq!(state("gone", "2018-01-01"), said("unknown", None, None));
}

#[test]
fn an_unknown_card_is_an_error_of_the_query() {
    let query = ValueQuery { against: vec!["nothing".to_owned()], ..query() };
    let error = value(&frame(), &catalogue(), &[], &query, &Policy::published()).unwrap_err();
    assert!(error.to_string().contains("no card `nothing`"), "{error}");
}
