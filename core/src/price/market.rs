//! What cards cost: the median of contributor medians by card, currency and condition class over a window of days.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::currency::Currency;
use super::{ConditionClass, PriceFact, PriceSource, date_of, day_of};
use crate::policy::Policy;
use crate::policy::price::PricePolicy;
use crate::statistics::quantile::median;
use crate::table::interval::{Intervals, Standing};
use crate::table::spread::{Prior, scaled_f};

/// Which prices to pool, and how.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MarketQuery {
    /// Card ids; all where empty.
    pub cards: Vec<String>,
    /// Currencies; all where empty. They are never pooled or converted.
    pub currencies: Vec<String>,
    /// Condition classes; all where empty.
    pub classes: Vec<ConditionClass>,
    /// Countries; all where empty.
    pub countries: Vec<String>,
    /// Kinds of price that count; completed sales and shop offers where empty, since what is asked may never be paid.
    pub sources: Vec<PriceSource>,
    /// Whether countries are kept apart.
    pub by_country: bool,
    /// Days that count, up to and with `as_of`.
    pub window_days: u32,
    /// The last day that counts.
    pub as_of: NaiveDate,
}

impl MarketQuery {
    /// Everything in the policy's window before a day.
    pub fn at(as_of: NaiveDate, policy: &PricePolicy) -> MarketQuery {
        MarketQuery {
            cards: Vec::new(),
            currencies: Vec::new(),
            classes: Vec::new(),
            countries: Vec::new(),
            sources: Vec::new(),
            by_country: false,
            window_days: policy.window_days,
            as_of,
        }
    }

    /// The first day that counts.
    pub fn first_day(&self) -> NaiveDate {
        date_of(day_of(self.as_of).saturating_sub(self.window_days.saturating_sub(1) as i32))
    }

    fn counts(&self, source: PriceSource) -> bool {
        if self.sources.is_empty() {
            source != PriceSource::AskingPrice
        } else {
            self.sources.contains(&source)
        }
    }

    fn takes(&self, fact: &PriceFact) -> bool {
        let named = |list: &[String], value: &str| list.is_empty() || list.iter().any(|v| v == value);
        named(&self.cards, &fact.card)
            && named(&self.currencies, &fact.currency)
            && named(&self.countries, &fact.country)
            && (self.classes.is_empty() || self.classes.contains(&fact.condition.class()))
    }
}

/// What contributors' prices differ by, and where that is from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PriceSpread {
    /// Standard deviation between contributors, of natural logarithms.
    pub sd: f64,
    /// Degrees of freedom that it weighs as much as.
    pub df: f64,
    /// `estimated` from the prices of the window, or `assumed` by the policy while too few cards have several reporters.
    pub origin: String,
    /// Groups (card, currency, condition class) of two contributors or more.
    pub groups: u32,
}

impl PriceSpread {
    /// As a prior.
    pub fn prior(&self) -> Prior {
        Prior { sd: self.sd, df: self.df }
    }
}

/// Prices of one card in one currency and condition class (and country, where these are kept apart). Amounts are units of
/// the currency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MarketRow {
    /// Card id.
    pub card: String,
    /// Currency code.
    pub currency: String,
    /// Condition class.
    pub condition: ConditionClass,
    /// Country code; none where countries are pooled.
    pub country: Option<String>,
    /// Median of contributor medians.
    pub median: f64,
    /// 95 % interval of it, from two contributors on.
    pub from: Option<f64>,
    /// See `from`.
    pub to: Option<f64>,
    /// `one contributor`, `indicative` or `full`.
    pub standing: String,
    /// Contributors.
    pub contributors: u32,
    /// Reports that count.
    pub reports: u32,
    /// Reports of kinds of price that do not count here, such as asking prices.
    pub left_out: u32,
    /// First day of a report that counts.
    pub first: NaiveDate,
    /// Last day.
    pub last: NaiveDate,
}

impl MarketRow {
    /// ln of the median, and the half width of its interval in logarithms.
    pub fn ln(&self) -> (f64, Option<f64>) {
        (self.median.ln(), self.from.zip(self.to).map(|(from, to)| 0.5 * (to / from).ln()))
    }
}

/// What cards cost in a window of days.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Market {
    /// First day that counts.
    pub first_day: NaiveDate,
    /// Last day that counts.
    pub as_of: NaiveDate,
    /// What the intervals rest on beside each row's own spread.
    pub spread: PriceSpread,
    /// By card, currency, condition class, country.
    pub rows: Vec<MarketRow>,
}

type Key<'a> = (&'a str, &'a str, ConditionClass, Option<&'a str>);

/// What cards cost, from accepted reports. `facts` may hold more than the query wants: the spread is estimated from all in
/// the window, whatever the card.
///
/// Each contributor counts once in a row, with the median of their prices. The interval is the moderated t interval of
/// medians on logarithms ([`Intervals::of`]).
pub fn market(facts: &[PriceFact], query: &MarketQuery, policy: &Policy) -> Market {
    let (first, last) = (day_of(query.first_day()), day_of(query.as_of));
    let inside: Vec<&PriceFact> = facts.iter().filter(|f| (first..=last).contains(&f.day)).collect();
    let spread = spread(&inside, query, policy);
    let mut intervals = Intervals::new(&policy.table, spread.prior());
    let mut groups: BTreeMap<Key<'_>, Vec<&PriceFact>> = BTreeMap::new();
    for fact in inside.iter().copied().filter(|f| query.takes(f)) {
        let country = query.by_country.then_some(fact.country.as_str());
        let key = (fact.card.as_str(), fact.currency.as_str(), fact.condition.class(), country);
        groups.entry(key).or_default().push(fact);
    }
    let rows =
        groups.into_iter().filter_map(|(key, own)| row(key, &own, query, &mut intervals, policy)).collect();
    Market { first_day: query.first_day(), as_of: query.as_of, spread, rows }
}

fn row(
    (card, currency, condition, country): Key<'_>,
    own: &[&PriceFact],
    query: &MarketQuery,
    intervals: &mut Intervals<'_>,
    policy: &Policy,
) -> Option<MarketRow> {
    let known = Currency::of(currency)?;
    let counted: Vec<&PriceFact> = own.iter().copied().filter(|f| query.counts(f.source)).collect();
    let medians = contributor_medians(&counted, known);
    let interval = intervals.of(&medians);
    Some(MarketRow {
        card: card.to_owned(),
        currency: currency.to_owned(),
        condition,
        country: country.map(str::to_owned),
        median: median(&mut medians.clone())?,
        from: interval.map(|i| i.0),
        to: interval.map(|i| i.1),
        standing: Standing::of(medians.len(), &policy.table).as_str().to_owned(),
        contributors: medians.len() as u32,
        reports: counted.len() as u32,
        left_out: (own.len() - counted.len()) as u32,
        first: date_of(counted.iter().map(|f| f.day).min()?),
        last: date_of(counted.iter().map(|f| f.day).max()?),
    })
}

/// The median of each contributor's amounts, in units.
fn contributor_medians(facts: &[&PriceFact], currency: Currency) -> Vec<f64> {
    let mut by: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for fact in facts {
        by.entry(&fact.contributor).or_default().push(currency.units(fact.amount_minor));
    }
    by.into_values().filter_map(|mut own| median(&mut own)).collect()
}

fn spread(inside: &[&PriceFact], query: &MarketQuery, policy: &Policy) -> PriceSpread {
    let mut groups: BTreeMap<(&str, &str, ConditionClass), Vec<&PriceFact>> = BTreeMap::new();
    for fact in inside.iter().copied().filter(|f| query.counts(f.source)) {
        groups.entry((&fact.card, &fact.currency, fact.condition.class())).or_default().push(fact);
    }
    let variances: Vec<(f64, f64)> = groups
        .iter()
        .filter_map(|((_, currency, _), own)| {
            let medians = contributor_medians(own, Currency::of(currency)?);
            Some((Intervals::between(&medians)?.powi(2), medians.len() as f64 - 1.0))
        })
        .collect();
    let groups = variances.len() as u32;
    let estimated = (groups >= policy.price.spread_groups)
        .then(|| scaled_f(&variances, policy.table.prior_df_range))
        .flatten();
    let (prior, origin) = estimated.map_or((policy.price.spread, "assumed"), |prior| (prior, "estimated"));
    PriceSpread { sd: prior.sd, df: prior.df, origin: origin.to_owned(), groups }
}
