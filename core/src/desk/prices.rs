//! Price reports at the desk: which to look at first, what stands beside them, what a decision tells the contributor.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::catalogue::Catalogue;
use crate::finding::{Finding, Severity};
use crate::policy::desk::DeskPolicy;
use crate::policy::price::PricePolicy;
use crate::price::PriceReport;
use crate::price::currency::Currency;
use crate::price::market::{Market, MarketQuery, MarketRow};
use crate::verdict::Verdict;

/// What a moderator can decide of a price report.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PriceDecision {
    /// It counts.
    Accept,
    /// It does not count.
    Reject,
}

impl PriceDecision {
    /// Both of them.
    pub const ALL: [PriceDecision; 2] = [PriceDecision::Accept, PriceDecision::Reject];

    /// The word used in documents and the database.
    pub fn as_str(self) -> &'static str {
        match self {
            PriceDecision::Accept => "accept",
            PriceDecision::Reject => "reject",
        }
    }

    /// The decision a word stands for.
    pub fn parse(word: &str) -> Option<PriceDecision> {
        PriceDecision::ALL.into_iter().find(|decision| decision.as_str() == word)
    }

    /// The verdict from then on.
    pub fn verdict(self) -> Verdict {
        match self {
            PriceDecision::Accept => Verdict::Accepted,
            PriceDecision::Reject => Verdict::Rejected,
        }
    }

    /// What the contributor is told; `words` are the moderator's.
    pub fn finding(self, words: &str) -> Finding {
        let words = words.trim().trim_end_matches('.');
        match self {
            PriceDecision::Accept => Finding::new(
                "price-accepted-by-moderator",
                Severity::Note,
                "",
                format!("A moderator looked at the report and lets it count: {words}."),
            ),
            PriceDecision::Reject => Finding::new(
                "price-rejected-by-moderator",
                Severity::Reject,
                "",
                format!("A moderator looked at the report; it does not count: {words}."),
            )
            .advice("If you gave something wrongly, withdraw the report and send the right one."),
        }
    }
}

/// Why a report cannot count whatever a moderator thinks of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Uncountable {
    /// The catalogue has no such card.
    Card,
    /// The currency is none, so the amount says nothing.
    Currency,
}

impl Uncountable {
    /// In words, and what to do.
    pub fn as_str(self) -> &'static str {
        match self {
            Uncountable::Card => {
                "the catalogue has no card of that id or name; add the card or the name to it first"
            }
            Uncountable::Currency => "its currency is none, so nobody can say how much the amount is",
        }
    }
}

/// The card id under which the report counts when it is accepted: by the catalogue as it is now, which may have learnt the
/// card since the report came.
///
/// # Errors
/// When no table could have it.
pub fn counts_as(report: &PriceReport, catalogue: &Catalogue) -> Result<String, Uncountable> {
    if Currency::of(&report.currency).is_none() {
        return Err(Uncountable::Currency);
    }
    catalogue.card(&report.card).map(|card| card.id.clone()).ok_or(Uncountable::Card)
}

/// How much a waiting report matters, in points, and what they are for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PricePriority {
    /// All points.
    pub points: f64,
    /// For how far the amount is from other contributors' prices.
    pub deviation: f64,
    /// For the time it has waited.
    pub age: f64,
}

/// The priority of a waiting report; the sum of its parts. `z` is the modified z-score that it was judged by, none where
/// nobody else had reported the like; `days` since it came.
pub fn price_priority(z: Option<f64>, days: f64, policy: &DeskPolicy) -> PricePriority {
    let deviation = z.map_or(0.0, |z| (policy.per_z * z.abs()).min(policy.most_deviation));
    let age = (policy.per_week * days.max(0.0) / 7.0).min(policy.most_age);
    PricePriority { points: deviation + age, deviation, age }
}

/// The last day of the window whose median stands beside a report: `today` where that window holds the report's date, else
/// the date itself.
pub fn window_end(date: NaiveDate, today: NaiveDate, policy: &PricePolicy) -> NaiveDate {
    if date >= MarketQuery::at(today, policy).first_day() { today } else { date }
}

/// What accepted reports say of the card in that currency and class of conditions; none where there are none.
pub fn published<'a>(market: &'a Market, card: &str, report: &PriceReport) -> Option<&'a MarketRow> {
    let class = report.condition.class();
    market
        .rows
        .iter()
        .find(|row| row.card == card && row.currency == report.currency && row.condition == class)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;
    use crate::desk::RULES;
    use crate::policy::Policy;
    use crate::price::market::market;
    use crate::price::{Condition, PriceFact, PriceSource, day_of};

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn report(card: &str, currency: &str) -> PriceReport {
        PriceReport {
            schema: "price/1".to_owned(),
            card: card.to_owned(),
            amount_minor: 16_000,
            currency: currency.to_owned(),
            date: day("2031-04-17"),
            condition: Condition::Used,
            country: "XA".to_owned(),
            source: PriceSource::CompletedSale,
            note: None,
        }
    }

    #[test]
    fn words_of_decisions_come_back_and_their_findings_are_rules() {
        for decision in PriceDecision::ALL {
            assert_eq!(PriceDecision::parse(decision.as_str()), Some(decision));
            let finding = decision.finding(" a slip. ");
            assert!(finding.message.ends_with(": a slip."), "{}", finding.message);
            let rule = RULES.iter().find(|rule| rule.code == finding.code).unwrap();
            assert_eq!(rule.severity, finding.severity);
        }
        assert_eq!(PriceDecision::parse("rerun"), None);
    }

    #[test]
    fn a_report_further_off_or_older_comes_first_and_neither_beyond_its_bound() {
        let policy = DeskPolicy::published();
        let near = price_priority(Some(-4.0), 0.0, &policy);
        assert_eq!((near.points, near.deviation, near.age), (4.0, 4.0, 0.0));
        assert_eq!(price_priority(Some(4.0), 14.0, &policy).points, 6.0);
        assert_eq!(price_priority(None, 14.0, &policy).points, 2.0);
        let most = price_priority(Some(900.0), 9e5, &policy);
        assert_eq!(most.points, policy.most_deviation + policy.most_age);
    }

    #[test]
    fn a_report_counts_by_the_catalogue_of_now() {
        let empty = Catalogue::default();
        assert_eq!(counts_as(&report("Ostrel 1240", "EUR"), &empty), Err(Uncountable::Card));
        assert_eq!(counts_as(&report("Ostrel 1240", "XXX"), &empty), Err(Uncountable::Currency));
    }

    #[test]
    fn what_stands_beside_a_report_is_of_today_or_of_its_own_time() {
        let policy = Policy::published();
        let (today, date) = (day("2031-05-01"), day("2031-04-17"));
        assert_eq!(window_end(date, today, &policy.price), today);
        // 180 days end with today, so that the first is 2030-11-03.
        assert_eq!(window_end(day("2030-11-03"), today, &policy.price), today);
        assert_eq!(window_end(day("2030-11-02"), today, &policy.price), day("2030-11-02"));
        let fact = |contributor: &str, amount_minor: u64, condition: Condition| PriceFact {
            id: "p".to_owned(),
            contributor: contributor.to_owned(),
            card: "ostrel-1240-4g".to_owned(),
            currency: "EUR".to_owned(),
            amount_minor,
            day: day_of(date),
            condition,
            country: "XA".to_owned(),
            source: PriceSource::CompletedSale,
        };
        let facts = [
            fact("a", 4000, Condition::Used),
            fact("b", 4200, Condition::Refurbished),
            fact("c", 9000, Condition::New),
        ];
        let found = market(&facts, &MarketQuery::at(today, &policy.price), &policy);
        let row = published(&found, "ostrel-1240-4g", &report("Ostrel 1240", "EUR")).unwrap();
        assert_eq!((row.median, row.contributors), (41.0, 2));
        assert_eq!(published(&found, "ostrel-1240-4g", &report("Ostrel 1240", "JPY")), None);
    }
}
