//! What a card is worth, with addresses that lead to what the figures rest on.
#![expect(dead_code, reason = "of the shapes only the derived descriptions are used")]

use serde::Serialize;
use utoipa::ToSchema;
use wearmark_core::table::value::{Value, Worth};

use super::compare::address;
use super::price::{MarketRowShape, PriceSpreadShape, prices};

/// What a card is worth. Amounts are units of the currency.
#[derive(Debug, Serialize, ToSchema)]
pub struct ValueView {
    /// Revision of the data.
    pub revision: i64,
    #[serde(flatten)]
    #[schema(value_type = ValueShape)]
    value: Value,
    /// Where the figures lead to, card by card.
    links: Vec<CardLinks>,
}

/// What stands behind one card's figures.
#[derive(Debug, Serialize, ToSchema)]
pub struct CardLinks {
    /// Card id.
    card: String,
    /// The price reports; null without any that counts.
    prices_href: Option<String>,
    /// The runs behind its figures.
    runs_href: String,
    /// How it holds up over driver releases.
    track_href: String,
    /// How the card asked for compares with it, unfiltered; null of that card itself.
    compare_href: Option<String>,
}

impl ValueView {
    /// The view of a card's worth at a revision.
    pub fn of(revision: i64, value: Value) -> ValueView {
        let (first_day, as_of) = (value.first_day.to_string(), value.as_of.to_string());
        let own = value.card.card.clone();
        let links = |worth: &Worth| CardLinks {
            card: worth.card.clone(),
            prices_href: worth.price.as_ref().map(|row| prices(row, &first_day, &as_of)),
            runs_href: address("/v1/runs", &[("card", &worth.card), ("verdict", "accepted")]),
            track_href: format!("/v1/cards/{}/track", worth.card),
            compare_href: (worth.card != own)
                .then(|| address("/v1/compare", &[("card", &format!("{},{own}", worth.card))])),
        };
        let links =
            std::iter::once(&value.card).chain(value.against.iter().map(|w| &w.other)).map(links).collect();
        ValueView { revision, value, links }
    }
}

/// What a card is worth.
#[derive(ToSchema)]
pub struct ValueShape {
    /// Currency of all amounts, which are units of it.
    currency: String,
    /// Condition class of all prices: `new`, `second-hand` or `faulty`.
    condition: String,
    /// First date of the prices that count.
    first_day: String,
    /// Last date of them, and the day for which the answer holds.
    as_of: String,
    /// Which figure counts: `mean-fps` or `low-fps`.
    measure: String,
    /// Definition of the 1% low.
    definition: String,
    /// What the intervals of prices rest on.
    spread: PriceSpreadShape,
    /// Hours a day in use.
    hours_per_day: f64,
    /// Years of use.
    years: f64,
    /// Price of a kWh; null when it was not given.
    tariff: Option<f64>,
    /// The card.
    card: WorthShape,
    /// What was measured of it, beside its price and its power.
    basket: BasketShape,
    /// The alternatives, in the order asked for.
    against: Vec<WeighedShape>,
    /// What is assumed, in sentences.
    assumed: Vec<String>,
    /// What to mind before putting an older card in.
    caution: String,
}

/// What stands beside a card's rates.
#[derive(ToSchema)]
pub struct WorthShape {
    /// Card id.
    card: String,
    /// What it costs; null without a report that counts.
    price: Option<MarketRowShape>,
    /// Why there is no price, or none that rates are weighed against.
    refused: Option<String>,
    /// What its power costs.
    power: PowerShape,
    /// Whether its drivers are still kept up.
    support: SupportShape,
}

/// What a card's power costs, from its rated board power.
#[derive(ToSchema)]
pub struct PowerShape {
    /// Rated board power of the catalogue, watts; not measured.
    rated_board_power_w: f64,
    /// Energy of a year of use at that power, kWh.
    kwh_per_year: f64,
    /// Its cost; null without a tariff.
    cost_per_year: Option<f64>,
}

/// How far the vendor still keeps up a card's drivers.
#[derive(ToSchema)]
pub struct SupportShape {
    /// `current`, `legacy`, `ended` or `unknown`, by the catalogue.
    state: String,
    /// Date of the first current release without the chip; null while it is current or unknown.
    since: Option<String>,
    /// The newest release with the chip.
    newest_release: Option<String>,
    /// Its branch.
    branch: Option<String>,
    /// Its date.
    newest_date: Option<String>,
    /// How the card held up over driver releases, as measured.
    holds_up: HeldUpShape,
}

/// A track's verdict.
#[derive(ToSchema)]
pub struct HeldUpShape {
    /// `gaining`, `steady`, `fading`, `cut off` or `not enough evidence`.
    verdict: String,
    /// The rule that gave it.
    because: String,
    /// The release to install.
    best_release: Option<String>,
}

/// A figure with its 95 % interval.
#[derive(ToSchema)]
pub struct RateShape {
    /// The figure.
    value: f64,
    /// Lower end of the interval.
    from: f64,
    /// Upper end.
    to: f64,
}

/// What was measured of the card.
#[derive(ToSchema)]
pub struct BasketShape {
    /// By workload.
    rows: Vec<BasketRowShape>,
    /// Over all workloads, each weighing the same: geometric mean; null when refused.
    fps: Option<RateShape>,
    /// That over the price; null without a price of several contributors.
    fps_per_money: Option<RateShape>,
    /// That over the rated board power, fps per watt.
    fps_per_watt: Option<RateShape>,
    /// Configurations with an interval, which these rest on.
    configurations: u32,
    /// Configurations of one contributor, left out.
    one_contributor: u32,
    /// Configurations at which the platform was measured, left out.
    platform_limited: u32,
    /// Why there is no figure.
    refused: Option<String>,
}

/// One workload.
#[derive(ToSchema)]
pub struct BasketRowShape {
    /// Workload id.
    workload: String,
    /// Configurations.
    configurations: u32,
    /// Geometric mean over them.
    fps: RateShape,
    /// Over the price; null without a price of several contributors.
    fps_per_money: Option<RateShape>,
    /// Over the rated board power, fps per watt.
    fps_per_watt: RateShape,
}

/// The card weighed against an alternative.
#[derive(ToSchema)]
pub struct WeighedShape {
    /// The alternative.
    other: WorthShape,
    /// How many times as fast the card is, on matched configurations.
    performance: QuotientShape,
    /// Configurations that both were measured at and which count.
    configurations: u32,
    /// Workloads among them.
    workloads: u32,
    /// Contributors behind them, of either card.
    contributors: u32,
    /// At how many of them either card meets the target.
    played: PlayedShape,
    /// fps per money of the card over that of the alternative.
    per_money: QuotientShape,
    /// fps per watt of rated board power of the card over that of the alternative.
    per_watt: QuotientShape,
    /// The price at which both are worth the same.
    ceiling: CeilingShape,
}

/// A quotient with its 95 % interval.
#[derive(ToSchema)]
pub struct QuotientShape {
    /// The card over the alternative; null when refused.
    ratio: Option<f64>,
    /// 95 % interval, lower end; null where a part has none.
    from: Option<f64>,
    /// Upper end.
    to: Option<f64>,
    /// Why there is no figure.
    refused: Option<String>,
}

/// At how many matched configurations either card meets the target on the 1% low.
#[derive(ToSchema)]
pub struct PlayedShape {
    /// Matched configurations with a 1% low of both cards and a known target.
    configurations: u32,
    /// At which the card meets it.
    card: u32,
    /// At which the alternative does.
    other: u32,
}

/// The price at which the card and the alternative are worth the same.
#[derive(ToSchema)]
pub struct CeilingShape {
    /// The alternative's price times how many times as fast the card is; null when refused.
    before_power: Option<f64>,
    /// What the card's power costs more over the years of use; null without a tariff.
    power_difference: Option<f64>,
    /// The ceiling: `before_power` less `power_difference`.
    price: Option<f64>,
    /// 95 % interval of the ceiling, lower end.
    from: Option<f64>,
    /// Upper end.
    to: Option<f64>,
    /// The card's own price beside it: `below`, `above` or `not told apart`; null without both intervals.
    own_price: Option<String>,
    /// Why there is no ceiling.
    refused: Option<String>,
}
