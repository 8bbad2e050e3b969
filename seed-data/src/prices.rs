//! Invented prices: what the workshops saw cards of this world asked and paid for. Currencies carry codes of ISO 4217 and
//! their minor units, countries codes that ISO 3166-1 leaves to users; every amount is made up.

use chrono::{Days, NaiveDate};
use serde::Serialize;
use wearmark_core::price::currency::Currency;
use wearmark_core::price::{Condition, PriceReport, PriceSource};

use crate::people::day;
use crate::random::Random;
use crate::world::World;

const TOPIC: u64 = 13;

/// One report a so many runs.
const RUNS_PER_PRICE: usize = 6;

/// First day of the prices, and days that they come in.
const FIRST: (i32, u32, u32) = (2023, 7, 1);
const SPAN_DAYS: usize = 274;

/// Price of the average card on the first day, second-hand, in the first market's currency.
const AVERAGE: f64 = 52.0;
/// How prices go with speed: a card twice as fast costs 2 to this power as much.
const SPEED_EXPONENT: f64 = 0.75;
/// What cards lose a year, in logarithms.
const LOSS_PER_YEAR: f64 = 0.14;
/// What sellers differ by, in logarithms.
const SELLERS: f64 = 0.20;
/// What a contributor's own market differs by.
const REGIONS: f64 = 0.05;

/// A market: country, currency, what one unit of the first currency is there, share of reports.
const MARKETS: [(&str, &str, f64, f64); 3] =
    [("XA", "EUR", 1.0, 0.55), ("XB", "EUR", 1.04, 0.30), ("XC", "JPY", 155.0, 0.15)];

/// What is wrong with a report.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum PriceLabel {
    /// Nothing.
    Honest,
    /// Units given for minor units: a hundredth.
    UnitSlip,
    /// Four to eight times what it goes for.
    FarTooDear,
    /// A fourth to an eighth of it.
    FarTooCheap,
    /// A broken card reported as used.
    BrokenAsUsed,
    /// Dated after it was reported.
    Future,
    /// Dated before the card was sold.
    BeforeLaunch,
    /// Reported by the same contributor before.
    Repeated,
}

impl PriceLabel {
    /// All of them, honest first.
    pub const ALL: [PriceLabel; 8] = [
        PriceLabel::Honest,
        PriceLabel::UnitSlip,
        PriceLabel::FarTooDear,
        PriceLabel::FarTooCheap,
        PriceLabel::BrokenAsUsed,
        PriceLabel::Future,
        PriceLabel::BeforeLaunch,
        PriceLabel::Repeated,
    ];

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            PriceLabel::Honest => "honest",
            PriceLabel::UnitSlip => "units given for minor units",
            PriceLabel::FarTooDear => "four to eight times the price",
            PriceLabel::FarTooCheap => "a fourth to an eighth of it",
            PriceLabel::BrokenAsUsed => "broken, reported as used",
            PriceLabel::Future => "dated ahead",
            PriceLabel::BeforeLaunch => "dated before the launch",
            PriceLabel::Repeated => "reported twice",
        }
    }
}

/// A price report with what is true of it.
#[derive(Debug, Clone, PartialEq)]
pub struct PlantedPrice {
    /// Who reports: index into `World::contributors`.
    pub contributor: usize,
    /// The day it is reported.
    pub reported: NaiveDate,
    /// The document.
    pub report: PriceReport,
    /// ln of what such a card goes for there and then, in units of the currency; sellers differ around it.
    pub centre_ln: f64,
    /// What is wrong.
    pub label: PriceLabel,
}

/// The last day of prices, for which the demo asks what cards are worth.
pub fn last_day() -> NaiveDate {
    first_day() + Days::new(SPAN_DAYS as u64 - 1)
}

fn first_day() -> NaiveDate {
    let (year, month, of_month) = FIRST;
    day(year, month, of_month)
}

impl World {
    /// Everything that is reported of prices, in the order in which it is reported.
    pub fn prices(&self) -> Vec<PlantedPrice> {
        let random = &mut Random::stream(self.seed, TOPIC, 0);
        let regions: Vec<f64> = (0..self.usual.contributors).map(|_| REGIONS * random.normal()).collect();
        let mut all: Vec<PlantedPrice> = Vec::new();
        for _ in 0..self.len() / RUNS_PER_PRICE {
            let label = label(random);
            if label == PriceLabel::Repeated && !all.is_empty() {
                let mut again = random.pick(&all).clone();
                // Only an honest report is one that was made twice and nothing else.
                if again.label == PriceLabel::Honest {
                    again.label = PriceLabel::Repeated;
                    again.reported = again.reported + Days::new(1);
                    all.push(again);
                }
                continue;
            }
            let label = if label == PriceLabel::Repeated { PriceLabel::Honest } else { label };
            all.push(self.price(random, &regions, label));
        }
        all.sort_by_key(|price| price.reported);
        all
    }

    fn price(&self, random: &mut Random, regions: &[f64], label: PriceLabel) -> PlantedPrice {
        let contributor = random.below(regions.len());
        let market = random.weighted(&MARKETS.map(|(_, _, _, share)| share));
        let (country, code, rate, _) = MARKETS[market];
        let card = random.weighted(&self.truth.popularity);
        let entry = &self.truth.catalogue.cards[card];
        let date = first_day() + Days::new(random.below(SPAN_DAYS) as u64);
        let condition = [Condition::Used, Condition::Refurbished, Condition::ForParts, Condition::New]
            [random.weighted(&[0.66, 0.20, 0.10, 0.04])];
        let source = [PriceSource::CompletedSale, PriceSource::ShopOffer, PriceSource::AskingPrice]
            [random.weighted(&[0.6, 0.2, 0.2])];
        let years = (date - first_day()).num_days() as f64 / 365.25;
        let centre_ln = libm::log(AVERAGE * rate) + SPEED_EXPONENT * self.truth.beyond_average(card)
            - LOSS_PER_YEAR * years
            + condition_ln(condition)
            + source_ln(source);
        let honest_ln = centre_ln + regions[contributor] + SELLERS * random.heavy();
        let shift = match label {
            PriceLabel::FarTooDear => libm::log(random.between(4.0, 8.0)),
            PriceLabel::FarTooCheap => -libm::log(random.between(4.0, 8.0)),
            PriceLabel::BrokenAsUsed => condition_ln(Condition::ForParts) - condition_ln(condition),
            _ => 0.0,
        };
        // A currency of the list above always has its minor unit.
        let per_unit = Currency::of(code).map_or(1, |currency| currency.minor_per_unit());
        let amount = rounded(random, libm::exp(honest_ln + shift), per_unit);
        let reported = date + Days::new(1);
        let mut report = PriceReport {
            schema: "price/1".to_owned(),
            card: if random.chance(0.5) { entry.id.clone() } else { entry.name.clone() },
            amount_minor: amount,
            currency: code.to_owned(),
            date,
            condition,
            country: country.to_owned(),
            source,
            note: None,
        };
        let mut label = label;
        match label {
            // Yen have no minor unit that could be mistaken.
            PriceLabel::UnitSlip if per_unit == 1 => label = PriceLabel::Honest,
            PriceLabel::UnitSlip => report.amount_minor = (amount / per_unit).max(1),
            PriceLabel::BrokenAsUsed => report.condition = Condition::Used,
            PriceLabel::Future => report.date = date + Days::new(40),
            PriceLabel::BeforeLaunch => report.date = entry.launch_date - Days::new(200),
            _ => {}
        }
        PlantedPrice { contributor, reported, report, centre_ln, label }
    }
}

fn label(random: &mut Random) -> PriceLabel {
    PriceLabel::ALL[random.weighted(&[0.92, 0.015, 0.015, 0.01, 0.01, 0.008, 0.007, 0.015])]
}

fn condition_ln(condition: Condition) -> f64 {
    match condition {
        Condition::New => 0.75,
        Condition::OpenBox => 0.55,
        Condition::Refurbished => 0.10,
        Condition::Used => 0.0,
        Condition::Untested => -0.7,
        Condition::ForParts => -1.1,
    }
}

fn source_ln(source: PriceSource) -> f64 {
    match source {
        PriceSource::CompletedSale => 0.0,
        PriceSource::ShopOffer => 0.05,
        PriceSource::AskingPrice => 0.18,
    }
}

/// Minor units of an amount as people set prices: whole units or halves, or hundreds where a unit is small.
fn rounded(random: &mut Random, units: f64, per_unit: u64) -> u64 {
    let step = match per_unit {
        1 => 100.0,
        _ if random.chance(0.7) => per_unit as f64,
        _ => per_unit as f64 / 2.0,
    };
    ((units * per_unit as f64 / step).round() * step).max(step) as u64
}
