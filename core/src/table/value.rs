//! What a card is worth second-hand: its price beside what it does and draws, and the price at which an alternative does
//! as well. Each part stands by itself with its evidence; nothing is summed into a score.

mod basket;
mod ceiling;
mod support;

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::compare::{Against, CompareQuery, Comparison, compare};
use super::filters::Filters;
use super::frame::RunFrame;
use super::track::{Subject, TrackQuery, holds_up};
use crate::catalogue::{Card, Catalogue};
use crate::error::CoreError;
use crate::policy::Policy;
use crate::power::{cost_per_year, kwh_per_year};
use crate::price::market::{Market, MarketQuery, MarketRow, PriceSpread, market};
use crate::price::{ConditionClass, PriceFact, PriceSource};
use crate::run::LowDefinition;

pub use basket::{Basket, BasketRow, Rate};
pub use ceiling::{Ceiling, Played, Quotient};
pub use support::{Support, is_current, support};

/// Which figure of a run a card's worth is measured by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Measure {
    /// Mean fps.
    #[default]
    MeanFps,
    /// 1% low.
    LowFps,
}

impl Measure {
    /// The word used in parameters and tables.
    pub fn as_str(self) -> &'static str {
        match self {
            Measure::MeanFps => "mean-fps",
            Measure::LowFps => "low-fps",
        }
    }
}

/// What is asked of a card's worth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ValueQuery {
    /// Card id.
    pub card: String,
    /// Ids of the cards that it is weighed against.
    pub against: Vec<String>,
    /// Currency code; prices in others do not count.
    pub currency: String,
    /// Condition class of all prices.
    pub condition: ConditionClass,
    /// Countries; all where empty.
    pub countries: Vec<String>,
    /// Kinds of price that count, as in [`MarketQuery`].
    pub sources: Vec<PriceSource>,
    /// Days of prices, up to and with `as_of`.
    pub window_days: u32,
    /// The day for which the answer holds; of prices and driver releases, later ones do not count.
    pub as_of: NaiveDate,
    /// The basket: which runs count. Its cards and chips are passed over.
    pub filters: Filters,
    /// Width, pixels.
    pub width: Option<u32>,
    /// Height, pixels.
    pub height: Option<u32>,
    /// Definition of the 1% low.
    pub definition: LowDefinition,
    /// Which figure counts.
    pub measure: Measure,
    /// Whether configurations count at which the platform was measured, not the card.
    pub include_platform_limited: bool,
    /// Floor on the 1% low in place of the workload kinds' own, fps.
    pub target_fps: Option<f64>,
    /// Price of a kWh in the currency; without one, power has no cost here.
    pub tariff: Option<f64>,
    /// Hours a day in use.
    pub hours_per_day: f64,
    /// Years of use.
    pub years: f64,
}

impl ValueQuery {
    /// A card in a currency on a day, second-hand, with the policy's defaults and no alternative.
    pub fn of(card: &str, currency: &str, as_of: NaiveDate, policy: &Policy) -> ValueQuery {
        ValueQuery {
            card: card.to_owned(),
            against: Vec::new(),
            currency: currency.to_owned(),
            condition: ConditionClass::SecondHand,
            countries: Vec::new(),
            sources: Vec::new(),
            window_days: policy.price.window_days,
            as_of,
            filters: Filters::default(),
            width: None,
            height: None,
            definition: LowDefinition::default(),
            measure: Measure::default(),
            include_platform_limited: false,
            target_fps: None,
            tariff: None,
            hours_per_day: policy.price.hours_per_day,
            years: policy.price.years,
        }
    }

    fn market(&self) -> MarketQuery {
        MarketQuery {
            cards: std::iter::once(&self.card).chain(&self.against).cloned().collect(),
            currencies: vec![self.currency.clone()],
            classes: vec![self.condition],
            countries: self.countries.clone(),
            sources: self.sources.clone(),
            by_country: false,
            window_days: self.window_days,
            as_of: self.as_of,
        }
    }

    fn comparison(&self, base: &str) -> CompareQuery {
        CompareQuery {
            filters: self.filters.clone(),
            width: self.width,
            height: self.height,
            definition: self.definition,
            include_platform_limited: self.include_platform_limited,
            ..CompareQuery::of(vec![base.to_owned(), self.card.clone()])
        }
    }
}

/// What a card is worth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Value {
    /// Currency of all amounts, which are units of it.
    pub currency: String,
    /// Condition class of all prices.
    pub condition: ConditionClass,
    /// First day of the prices that count.
    pub first_day: NaiveDate,
    /// Last day of them, and the day for which the answer holds.
    pub as_of: NaiveDate,
    /// Which figure counts.
    pub measure: Measure,
    /// Definition of the 1% low.
    pub definition: LowDefinition,
    /// What the intervals of prices rest on.
    pub spread: PriceSpread,
    /// Hours a day in use.
    pub hours_per_day: f64,
    /// Years of use.
    pub years: f64,
    /// Price of a kWh; none when it was not given.
    pub tariff: Option<f64>,
    /// The card.
    pub card: Worth,
    /// What was measured of it, beside its price and its power.
    pub basket: Basket,
    /// The alternatives, in the order of the query.
    pub against: Vec<Weighed>,
    /// What is assumed, in sentences.
    pub assumed: Vec<String>,
    /// What to mind before putting an older card in.
    pub caution: String,
}

/// What stands beside every answer: old cards meet old power supplies.
pub const CAUTION: &str = "Before fitting a card, check the power supply's rating and connectors against it: old supplies age. \
     Shut down, unplug and discharge first; at smoke or a smell of burning, unplug and stop. Local electrical rules and \
     qualified people come before anything said here.";

/// What stands beside a card's rates.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Worth {
    /// Card id.
    pub card: String,
    /// What it costs; none without a report that counts.
    pub price: Option<MarketRow>,
    /// Why there is no price, or none that rates are weighed against.
    pub refused: Option<String>,
    /// What its power costs.
    pub power: Power,
    /// Whether its drivers are still kept up.
    pub support: Support,
}

/// What a card's power costs, from its rated board power.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Power {
    /// Rated board power of the catalogue, watts; not measured.
    pub rated_board_power_w: f64,
    /// Energy of a year of use at that power, kWh.
    pub kwh_per_year: f64,
    /// Its cost; none without a tariff.
    pub cost_per_year: Option<f64>,
}

/// The card weighed against an alternative.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Weighed {
    /// The alternative.
    pub other: Worth,
    /// How many times as fast the card is, on matched configurations.
    pub performance: Quotient,
    /// Configurations that both were measured at and which count.
    pub configurations: u32,
    /// Workloads among them.
    pub workloads: u32,
    /// Contributors behind them, of either card.
    pub contributors: u32,
    /// At how many of them either card meets the target.
    pub played: Played,
    /// fps per money of the card over that of the alternative.
    pub per_money: Quotient,
    /// fps per watt of rated board power of the card over that of the alternative.
    pub per_watt: Quotient,
    /// The price at which both are worth the same.
    pub ceiling: Ceiling,
}

/// What a card is worth: its price, its rates per money and per watt, and against each alternative the price up to which
/// it is worth buying instead.
///
/// With P the alternative's price, r how many times as fast the card is (geometric mean over workloads of matched ratios,
/// [`compare`]), and K the cost of power over the years of use, the ceiling is P r - (K_card - K_other). Logarithms of
/// price and ratio have the sum of their variances; what power costs is taken as exact.
///
/// # Errors
/// `Query` when a card is unknown or named twice; otherwise when the table engine fails.
pub fn value(
    frame: &RunFrame,
    catalogue: &Catalogue,
    prices: &[PriceFact],
    query: &ValueQuery,
    policy: &Policy,
) -> Result<Value, CoreError> {
    let found = market(prices, &query.market(), policy);
    let worth = |id: &str| worth(frame, catalogue, &found, id, query, policy);
    let own = worth(&query.card)?;
    let mut against = Vec::new();
    for other in &query.against {
        let mut comparison: Comparison = compare(frame, &query.comparison(other), policy)?;
        let matched: Against = comparison.cards.remove(0);
        against.push(ceiling::weigh(&own, worth(other)?, &matched, catalogue, query, policy));
    }
    Ok(Value {
        currency: query.currency.clone(),
        condition: query.condition,
        first_day: found.first_day,
        as_of: found.as_of,
        measure: query.measure,
        definition: query.definition,
        spread: found.spread.clone(),
        hours_per_day: query.hours_per_day,
        years: query.years,
        tariff: query.tariff,
        basket: basket::basket(frame, &own, query, policy)?,
        card: own,
        against,
        assumed: assumed(query, &found),
        caution: CAUTION.to_owned(),
    })
}

fn worth(
    frame: &RunFrame,
    catalogue: &Catalogue,
    found: &Market,
    id: &str,
    query: &ValueQuery,
    policy: &Policy,
) -> Result<Worth, CoreError> {
    let card: &Card = catalogue
        .card(id)
        .ok_or_else(|| CoreError::Query(format!("there is no card `{id}` in the catalogue")))?;
    let price = found.rows.iter().find(|row| row.card == card.id).cloned();
    let kwh = kwh_per_year(card.board_power_w, query.hours_per_day, policy.price.days_per_year);
    let workloads = TrackQuery { reference: None, workloads: &query.filters.workload };
    let verdict = holds_up(frame, Subject::Card(&card.id), &workloads, policy)?;
    Ok(Worth {
        card: card.id.clone(),
        refused: thin(price.as_ref(), &card.id, query, policy),
        price,
        power: Power {
            rated_board_power_w: card.board_power_w,
            kwh_per_year: kwh,
            cost_per_year: query.tariff.map(|tariff| cost_per_year(kwh, tariff)),
        },
        support: support(catalogue, card, query.as_of, verdict),
    })
}

/// Why a price is none to weigh rates against.
fn thin(price: Option<&MarketRow>, card: &str, query: &ValueQuery, policy: &Policy) -> Option<String> {
    let needed = policy.price.value_contributors;
    let (said, kind) = (query.condition.as_str(), &query.currency);
    let Some(row) = price else {
        return Some(format!(
            "not enough evidence: nobody reported a {said} price of {card} in {kind} that counts in the {} days up to {}; {needed} contributors are needed",
            query.window_days, query.as_of
        ));
    };
    (row.contributors < needed).then(|| {
        format!(
            "not enough evidence: {} contributor reported a {said} price of {card} in {kind} that counts in the {} days up to {}; {needed} are needed",
            row.contributors, query.window_days, query.as_of
        )
    })
}

fn assumed(query: &ValueQuery, found: &Market) -> Vec<String> {
    let spread = if found.spread.origin == "estimated" {
        format!(
            "Contributors' prices of one card are estimated to differ by {:.0} % (one standard deviation of logarithms), from {} groups.",
            100.0 * found.spread.sd,
            found.spread.groups
        )
    } else {
        format!(
            "Contributors' prices of one card are assumed to differ by {:.0} % (one standard deviation of logarithms): too few cards have several reporters to estimate it ({}).",
            100.0 * found.spread.sd,
            found.spread.groups
        )
    };
    let cost = match query.tariff {
        Some(tariff) => format!("{tariff} {} a kWh, taken as exact", query.currency),
        None => "no tariff was given, so power has no cost here".to_owned(),
    };
    vec![
        "Prices of two cards, and prices and measured rates, are taken as independent of each other: variances of logarithms are added.".to_owned(),
        "Within the card's own basket, errors are taken as the same in all configurations, since the same benches measured several.".to_owned(),
        spread,
        format!(
            "Power is the rated board power of the catalogue, not measured, drawn in all of {} hours a day for {} years; {cost}. The rest of the computer is not counted.",
            query.hours_per_day, query.years
        ),
        "A frame more is worth the same however many there are already; whether a target is met stands apart, and so does the support by drivers.".to_owned(),
        "The figures inform a purchase; they promise nothing.".to_owned(),
    ]
}
