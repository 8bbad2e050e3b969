//! Prices judged and pooled, against figures worked out by hand.

use chrono::NaiveDate;

use super::judge::{Beside, RULES, examine, judge};
use super::market::{MarketQuery, market};
use super::*;
use crate::catalogue::{Catalogue, CatalogueDocument};
use crate::finding::Severity;
use crate::policy::Policy;
use crate::policy::price::PricePolicy;
use crate::verdict::Verdict;

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn catalogue() -> Catalogue {
    let card = serde_json::json!({
        "id": "otterwick-burrow-2", "name": "Otterwick Burrow 2", "chip": "brindle-2", "form": "desktop",
        "memory_mib": 2048, "memory_type": "GDDR5", "bus_width_bits": 128, "board_power_w": 75.0,
        "launch_date": "2017-03-01"
    });
    Catalogue::new(CatalogueDocument {
        cards: vec![serde_json::from_value(card).unwrap()],
        ..CatalogueDocument::default()
    })
}

fn report(amount_minor: u64) -> PriceReport {
    PriceReport {
        schema: "price/1".to_owned(),
        card: "otterwick-burrow-2".to_owned(),
        amount_minor,
        currency: "EUR".to_owned(),
        date: date("2024-03-10"),
        condition: Condition::Used,
        country: "XA".to_owned(),
        source: PriceSource::CompletedSale,
        note: None,
    }
}

fn fact(contributor: &str, amount_minor: u64, day: &str) -> PriceFact {
    PriceFact {
        id: format!("p-{contributor}-{amount_minor}"),
        contributor: contributor.to_owned(),
        card: "otterwick-burrow-2".to_owned(),
        currency: "EUR".to_owned(),
        amount_minor,
        day: day_of(date(day)),
        condition: Condition::Used,
        country: "XB".to_owned(),
        source: PriceSource::CompletedSale,
    }
}

fn accepted(fact: PriceFact) -> Beside {
    Beside { fact, verdict: Verdict::Accepted, by_numbers: false }
}

fn held(fact: PriceFact) -> Beside {
    Beside { fact, verdict: Verdict::Held, by_numbers: true }
}

fn judged(report: &PriceReport, stored: &[Beside]) -> judge::PriceJudgement {
    let policy = PricePolicy::published();
    let examined = examine(report, &catalogue(), date("2024-03-11"), &policy);
    judge(report, examined, "me", stored, &policy)
}

fn codes(judged: &judge::PriceJudgement) -> Vec<&str> {
    judged.findings.iter().map(|f| f.code.as_ref()).collect()
}

/// Five sellers around 40.
fn five() -> Vec<Beside> {
    [("a", 3600), ("b", 3800), ("c", 4000), ("d", 4200), ("e", 4500)]
        .map(|(who, amount)| accepted(fact(who, amount, "2024-02-01")))
        .to_vec()
}

#[test]
fn each_certain_contradiction_rejects_and_names_its_place() {
    let good = report(4000);
    for (code, pointer, report) in [
        ("price-currency", "/currency", PriceReport { currency: "XXX".to_owned(), ..good.clone() }),
        ("price-country", "/country", PriceReport { country: "UK".to_owned(), ..good.clone() }),
        ("price-in-future", "/date", PriceReport { date: date("2024-03-20"), ..good.clone() }),
        ("price-before-launch", "/date", PriceReport { date: date("2016-12-24"), ..good.clone() }),
    ] {
        let judged = judged(&report, &[]);
        assert_eq!(judged.verdict, Verdict::Rejected, "{code}");
        let found = judged.findings.iter().find(|f| f.code == code).unwrap();
        assert_eq!((found.pointer.as_str(), found.severity), (pointer, Severity::Reject));
        assert!(!found.advice.is_empty(), "{code}");
    }
    let mut unknown = report(4000);
    unknown.card = "Otterwick Burrow 9".to_owned();
    let judged = judged(&unknown, &[]);
    assert_eq!((judged.verdict, judged.by_numbers), (Verdict::Held, false));
    assert!(codes(&judged).contains(&"price-card-unknown"));
}

#[test]
fn all_that_is_wrong_is_said_at_once() {
    let wrong = PriceReport {
        currency: "ZZZ".to_owned(),
        country: "--".to_owned(),
        date: date("2030-01-01"),
        ..report(1)
    };
    let judged = judged(&wrong, &[]);
    assert_eq!(codes(&judged), ["price-currency", "price-country", "price-in-future"]);
}

#[test]
fn a_first_price_counts_with_a_remark_and_one_or_two_peers_are_said_to_be_few() {
    let alone = judged(&report(4000), &[]);
    assert_eq!((alone.verdict, codes(&alone)), (Verdict::Accepted, vec!["price-no-peers"]));
    assert!(alone.numbers.is_none());
    let beside = judged(&report(4400), &five()[..1]);
    assert_eq!((beside.verdict, codes(&beside)), (Verdict::Accepted, vec!["price-few-peers"]));
    // Four times the only other price: held even so.
    let far = judged(&report(14_400), &five()[..1]);
    assert_eq!((far.verdict, codes(&far)), (Verdict::Held, vec!["price-outlier"]));
    // One's own earlier prices bear nothing out.
    let own = judged(&report(4000), &[accepted(fact("me", 4000, "2024-02-01"))]);
    assert_eq!(codes(&own), ["price-no-peers"]);
}

/// By hand: the logarithms of the five have the median ln 4000; absolute deviations from it are 0.10536, 0.05129, 0,
/// 0.04879, 0.11778, their median 0.05129, the scaled deviation 0.07605. Moderated: (4 x 0.0625 + 4 x 0.005783) / 8 =
/// 0.034142; times 1 + (pi / 2) / 5 = 1.314159: 0.044868, square root 0.21182. 100.00 lies ln 2.5 = 0.91629 away: z =
/// 4.326.
#[test]
fn the_modified_z_is_that_worked_out_by_hand() {
    let judged = judged(&report(10_000), &five());
    let numbers = judged.numbers.unwrap();
    assert_eq!(numbers.peers, 5);
    assert!((numbers.median - 40.0).abs() < 1e-9, "{numbers:?}");
    assert!((numbers.ratio - 2.5).abs() < 1e-9, "{numbers:?}");
    assert!((numbers.spread - 0.21182).abs() < 1e-4, "{numbers:?}");
    assert!((numbers.z - 4.326).abs() < 2e-3, "{numbers:?}");
    assert_eq!((judged.verdict, judged.by_numbers), (Verdict::Held, true));
    assert!(self::judged(&report(7_000), &five()).findings.is_empty());
}

#[test]
fn peers_are_of_the_same_condition_class_and_time() {
    let mut peers = five();
    for peer in &mut peers {
        peer.fact.condition = Condition::ForParts;
    }
    assert_eq!(codes(&judged(&report(10_000), &peers)), ["price-no-peers"]);
    let old: Vec<Beside> = five()
        .into_iter()
        .map(|b| Beside { fact: PriceFact { day: b.fact.day - 400, ..b.fact }, ..b })
        .collect();
    assert_eq!(codes(&judged(&report(10_000), &old)), ["price-no-peers"]);
}

#[test]
fn units_given_for_minor_units_are_told_from_a_mere_outlier() {
    for amount in [40, 400_000] {
        let slipped = judged(&report(amount), &five());
        assert_eq!((slipped.verdict, codes(&slipped)), (Verdict::Held, vec!["price-unit-slip"]));
        assert!(!slipped.by_numbers, "a slip bears out no other slip");
    }
}

#[test]
fn reports_that_agree_release_each_other_when_they_are_enough() {
    let mut stored = five();
    stored.push(held(fact("f", 9_500, "2024-03-01")));
    // Five stood lately, and two of seven agree: a third of five is not passed by one alone.
    let moved = judged(&report(10_000), &stored);
    assert_eq!((moved.verdict, codes(&moved)), (Verdict::Accepted, vec!["price-corroborated"]));
    assert_eq!(moved.releases, ["p-f-9500"]);
    // Seven who stood lately outweigh two.
    for (who, amount) in [("g", 4100), ("h", 3900)] {
        stored.push(accepted(fact(who, amount, "2024-03-02")));
    }
    assert_eq!(judged(&report(10_000), &stored).verdict, Verdict::Held);
    // One's own second report agrees with nobody.
    let own = judge::judge(
        &report(10_000),
        examine(&report(10_000), &catalogue(), date("2024-03-11"), &PricePolicy::published()),
        "f",
        &stored[..6],
        &PricePolicy::published(),
    );
    assert_eq!((own.verdict, own.releases.len()), (Verdict::Held, 0));
}

#[test]
fn the_same_offer_seen_by_two_is_remarked_on() {
    let mut same = fact("a", 4000, "2024-03-08");
    same.country = "XA".to_owned();
    let judged = judged(&report(4000), &[accepted(same)]);
    assert_eq!(codes(&judged), ["price-same-offer", "price-few-peers"]);
    assert_eq!(judged.verdict, Verdict::Accepted);
}

#[test]
fn rules_say_the_most_that_follows_from_them() {
    for rule in RULES {
        assert!(rule.code.starts_with("price-"), "{}", rule.code);
    }
}

#[test]
fn a_contributor_counts_once_however_often_they_report() {
    let policy = Policy::published();
    let facts: Vec<PriceFact> = [("a", 3000), ("a", 3200), ("a", 5000), ("b", 4000), ("c", 6000)]
        .map(|(who, amount)| fact(who, amount, "2024-03-01"))
        .to_vec();
    let query = MarketQuery::at(date("2024-03-31"), &policy.price);
    let found = market(&facts, &query, &policy);
    let row = &found.rows[0];
    assert_eq!((row.median, row.contributors, row.reports), (40.0, 3, 5));
    assert_eq!(found.spread.origin, "assumed");
    let (from, to) = (row.from.unwrap(), row.to.unwrap());
    assert!(from < 40.0 && 40.0 < to && (from * to / 1600.0 - 1.0).abs() < 1e-9, "{from} {to}");
}

#[test]
fn the_window_ends_on_its_day_and_asking_prices_are_counted_apart() {
    let policy = Policy::published();
    let mut facts: Vec<PriceFact> =
        [("a", "2024-03-01"), ("b", "2024-03-31"), ("c", "2024-04-01"), ("d", "2024-03-02")]
            .map(|(who, day)| fact(who, 4000, day))
            .to_vec();
    facts[3].source = PriceSource::AskingPrice;
    let query = MarketQuery { window_days: 31, ..MarketQuery::at(date("2024-03-31"), &policy.price) };
    assert_eq!(query.first_day(), date("2024-03-01"));
    let row = market(&facts, &query, &policy).rows.remove(0);
    assert_eq!((row.reports, row.left_out), (2, 1));
    let asked = MarketQuery { sources: vec![PriceSource::AskingPrice], ..query.clone() };
    assert_eq!(market(&facts, &asked, &policy).rows[0].reports, 1);
    let shorter = MarketQuery { window_days: 30, ..query };
    assert_eq!(market(&facts, &shorter, &policy).rows[0].reports, 1);
}

#[test]
fn currencies_and_classes_are_never_pooled_and_countries_on_request_only() {
    let policy = Policy::published();
    let mut facts: Vec<PriceFact> = ["a", "b", "c", "d"].map(|who| fact(who, 4000, "2024-03-01")).to_vec();
    facts[1].currency = "JPY".to_owned();
    facts[2].condition = Condition::New;
    facts[3].country = "XC".to_owned();
    let query = MarketQuery::at(date("2024-03-31"), &policy.price);
    let rows = market(&facts, &query, &policy).rows;
    let medians: Vec<(&str, ConditionClass, f64)> =
        rows.iter().map(|r| (r.currency.as_str(), r.condition, r.median)).collect();
    let expected = [
        ("EUR", ConditionClass::New, 40.0),
        ("EUR", ConditionClass::SecondHand, 40.0),
        ("JPY", ConditionClass::SecondHand, 4000.0),
    ];
    assert_eq!(medians, expected);
    let apart = MarketQuery { by_country: true, ..query };
    assert_eq!(market(&facts, &apart, &policy).rows.len(), 4);
}

#[test]
fn the_spread_is_estimated_once_enough_cards_have_several_reporters() {
    let policy = Policy::published();
    let mut facts = Vec::new();
    for card in 0..policy.price.spread_groups {
        for (who, factor) in [("a", 0.9), ("b", 1.0), ("c", 1.1)] {
            let amount = (4000.0 * factor * f64::from(card + 1)).round() as u64;
            facts.push(PriceFact { card: format!("card-{card:02}"), ..fact(who, amount, "2024-03-01") });
        }
    }
    let query = MarketQuery::at(date("2024-03-31"), &policy.price);
    let found = market(&facts, &query, &policy);
    assert_eq!((found.spread.origin.as_str(), found.spread.groups), ("estimated", 20));
    // The standard deviation of ln 0.9, ln 1, ln 1.1 is 0.10039.
    assert!((found.spread.sd - 0.1004).abs() < 0.01, "{:?}", found.spread);
}
