//! `wearmark value`.

use chrono::NaiveDate;
use clap::{Args, ValueEnum};
use wearmark_core::price::currency::Currency;
use wearmark_core::table::value::{Quotient, Rate, Value, Weighed, Worth};

use super::ServerArgs;
use super::client::Client;
use super::columns::{self, Column};
use super::exit::{Ended, Failure, Outcome};
use super::filters::word;
use super::output;
use super::report::wrapped;
use super::table::Definition;

/// Which figure counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum MeasureWord {
    /// Mean fps
    MeanFps,
    /// 1% low
    LowFps,
}

/// Prints what a card is worth second-hand.
#[derive(Debug, Args)]
#[command(
    long_about = "Prints what a card is worth second-hand: its price, its rates per money and per watt of rated board \
                  power, what its power costs, how it is supported by drivers, and for each alternative the price up to \
                  which it is worth buying instead: the alternative's price times how many times as fast the card is, \
                  less what its power costs more. Each part stands apart with its 95 % interval; thin evidence is \
                  refused with the reason.",
    after_help = "Examples:\n  wearmark value pelloram-lantern-27 --against draywick-kiln-russet-4g --currency EUR\n  \
                  wearmark value pelloram-lantern-27 --against draywick-kiln-russet-4g --currency EUR --tariff 0.30 \
                  --hours 3 --years 4 --preset Medium\n\n\
                  The figures inform a purchase; they promise nothing. Check connector and supply rating before buying: \
                  old power supplies age."
)]
pub struct ValueArgs {
    /// Card id
    pub card: String,
    /// Ids of cards to weigh it against, up to seven
    #[arg(long, num_args = 1.., value_delimiter = ',', value_name = "CARD")]
    pub against: Vec<String>,
    /// Currency code (ISO 4217)
    #[arg(long, value_name = "CODE")]
    pub currency: String,
    /// Condition class of all prices: second-hand, new, faulty [default: second-hand]
    #[arg(long, value_name = "CLASS")]
    pub condition: Option<String>,
    /// Country codes [default: all]
    #[arg(long, value_delimiter = ',', value_name = "CODE")]
    pub country: Vec<String>,
    /// Days of prices that count [default: 180]
    #[arg(long, value_name = "DAYS")]
    pub window: Option<u32>,
    /// The day for which the answer holds [default: today, UTC]
    #[arg(long, value_name = "DATE")]
    pub as_of: Option<NaiveDate>,
    /// Workload ids of the basket [default: all]
    #[arg(long, value_delimiter = ',', value_name = "ID")]
    pub workload: Vec<String>,
    /// Presets of the basket [default: all]
    #[arg(long, value_delimiter = ',')]
    pub preset: Vec<String>,
    /// Graphics APIs of the basket [default: all]
    #[arg(long, value_delimiter = ',')]
    pub api: Vec<String>,
    /// Platform classes of the basket [default: all]
    #[arg(long, value_delimiter = ',', value_name = "CLASS")]
    pub platform: Vec<String>,
    /// Width, pixels
    #[arg(long)]
    pub width: Option<u32>,
    /// Height, pixels
    #[arg(long)]
    pub height: Option<u32>,
    /// Which figure counts [default: mean-fps]
    #[arg(long, value_enum)]
    pub measure: Option<MeasureWord>,
    /// Definition of the 1% low
    #[arg(long, value_enum)]
    pub definition: Option<Definition>,
    /// Take in configurations at which the platform held a card back
    #[arg(long)]
    pub include_platform_limited: bool,
    /// Floor on the 1% low, fps [default: 30 single-player, 60 multiplayer]
    #[arg(long, value_name = "FPS")]
    pub target: Option<f64>,
    /// Price of a kWh in the currency; without it power has no cost
    #[arg(long, value_name = "AMOUNT")]
    pub tariff: Option<f64>,
    /// Hours a day in use [default: 2]
    #[arg(long)]
    pub hours: Option<f64>,
    /// Years of use [default: 3]
    #[arg(long)]
    pub years: Option<f64>,
    /// JSON instead of text
    #[arg(long)]
    pub json: bool,
    /// Where to ask
    #[command(flatten)]
    pub server: ServerArgs,
}

impl ValueArgs {
    fn query(&self) -> Vec<(&'static str, String)> {
        let mut query = vec![("card", self.card.clone()), ("currency", self.currency.clone())];
        let lists = [
            ("against", &self.against),
            ("country", &self.country),
            ("workload", &self.workload),
            ("preset", &self.preset),
            ("api", &self.api),
            ("platform", &self.platform),
        ];
        for (name, values) in lists {
            query.extend(values.iter().map(|value| (name, value.clone())));
        }
        let number = |name, value: Option<f64>| value.map(|value| (name, value.to_string()));
        query.extend(self.condition.iter().map(|class| ("condition", class.clone())));
        query.extend(self.window.map(|days| ("window", days.to_string())));
        query.extend(self.as_of.map(|date| ("as_of", date.to_string())));
        query.extend(self.width.map(|width| ("width", width.to_string())));
        query.extend(self.height.map(|height| ("height", height.to_string())));
        query.extend(self.measure.iter().map(|value| ("measure", word(value))));
        query.extend(self.definition.iter().map(|value| ("definition", word(value))));
        query.extend(number("target", self.target));
        query.extend(number("tariff", self.tariff));
        query.extend(number("hours", self.hours));
        query.extend(number("years", self.years));
        if self.include_platform_limited {
            query.push(("include_platform_limited", "true".to_owned()));
        }
        query
    }

    /// Runs the command.
    ///
    /// # Errors
    /// When the server cannot answer the query.
    pub fn run(self) -> Ended {
        let client = Client::new(&self.server.server, None)?;
        let answer = client.get("/v1/value", &self.query(), "application/json")?.success()?;
        if self.json {
            output::json(&answer.json()?)?;
            return Ok(Outcome::Done);
        }
        let value: Value = serde_json::from_slice(&answer.body).map_err(|error| {
            Failure::Server(format!(
                "the server's answer is no card's worth ({error}); is it a Wearmark service?"
            ))
        })?;
        output::data(render(&value, columns::width()).as_bytes())?;
        Ok(Outcome::Done)
    }
}

/// A card's worth as text.
pub fn render(value: &Value, width: usize) -> String {
    let card = output::clean(&value.card.card);
    let mut text = wrapped(
        &format!(
            "{card}: {} prices in {} from {} to {}",
            value.condition.as_str(),
            output::clean(&value.currency),
            value.first_day,
            value.as_of
        ),
        0,
    );
    text.push_str(&cards(value, width));
    text.push('\n');
    text.push_str(&basket(value, width));
    for weighed in &value.against {
        text.push('\n');
        text.push_str(&against(value, weighed));
    }
    text.push_str("\nAssumed:\n");
    for said in &value.assumed {
        text.push_str(&wrapped(said, 2));
    }
    text.push_str(&wrapped(&format!("Caution: {}", value.caution), 0));
    text
}

/// The cards side by side: price, power, support.
fn cards(value: &Value, width: usize) -> String {
    const COLUMNS: [Column; 10] = [
        Column::name("card"),
        Column::number("price"),
        Column::word("95 %"),
        Column::number("contrib."),
        Column::number("rated W"),
        Column::number("kWh/year"),
        Column::number("power/year"),
        Column::word("drivers"),
        Column::word("newest"),
        Column::word("track"),
    ];
    let money = money(value);
    let row = |worth: &Worth| {
        let price = worth.price.as_ref();
        let support = &worth.support;
        vec![
            worth.card.clone(),
            price.map_or_else(|| "none".to_owned(), |row| money(row.median)),
            price
                .and_then(|row| row.from.zip(row.to))
                .map_or_else(String::new, |(from, to)| span(from, to, &money)),
            price.map_or(0, |row| row.contributors).to_string(),
            format!("{:.0}", worth.power.rated_board_power_w),
            format!("{:.1}", worth.power.kwh_per_year),
            worth.power.cost_per_year.map_or_else(String::new, &money),
            support.state.clone(),
            support.newest_date.map_or_else(String::new, |date| date.to_string()),
            support.holds_up.verdict.clone(),
        ]
    };
    let all = || std::iter::once(&value.card).chain(value.against.iter().map(|weighed| &weighed.other));
    let mut text = columns::render(&COLUMNS, &all().map(row).collect::<Vec<_>>(), width);
    for worth in all() {
        if let Some(since) = worth.support.since {
            let said = format!(
                "{}: left out of current drivers since {since}; newest driver with it {} ({}).",
                worth.card,
                worth.support.newest_release.as_deref().unwrap_or("none"),
                worth.support.branch.as_deref().unwrap_or("no branch")
            );
            text.push_str(&wrapped(&said, 0));
        }
        let because = &worth.support.holds_up.because;
        text.push_str(&wrapped(&format!("{}: {}: {because}", worth.card, worth.support.holds_up.verdict), 0));
        if let Some(why) = &worth.refused {
            text.push_str(&wrapped(&format!("{}: no price to weigh: {why}.", worth.card), 0));
        }
    }
    text
}

fn basket(value: &Value, width: usize) -> String {
    const COLUMNS: [Column; 8] = [
        Column::name("workload"),
        Column::number("fps"),
        Column::word("95 %"),
        Column::number("fps per money"),
        Column::word("95 %"),
        Column::number("fps per W"),
        Column::word("95 %"),
        Column::number("config."),
    ];
    let basket = &value.basket;
    // Where a unit of money is small, so is what it buys: three digits of the least.
    let least = basket.rows.iter().filter_map(|row| row.fps_per_money).map(|r| r.value).fold(1.0, f64::min);
    let decimals = (2.0 - least.log10().floor()).clamp(2.0, 9.0) as usize;
    let row = |name: &str, fps: Rate, money: Option<Rate>, watt: Option<Rate>, configurations: u32| {
        let cells = |rate: Option<Rate>, decimals: usize| match rate {
            Some(r) => {
                let written = |v: f64| format!("{v:.decimals$}");
                [written(r.value), span(r.from, r.to, written)]
            }
            None => [String::new(), String::new()],
        };
        let mut all = vec![name.to_owned()];
        all.extend(cells(Some(fps), 1));
        all.extend(cells(money, decimals));
        all.extend(cells(watt, 3));
        all.push(configurations.to_string());
        all
    };
    let mut rows: Vec<Vec<String>> = basket
        .rows
        .iter()
        .map(|r| row(&r.workload, r.fps, r.fps_per_money, Some(r.fps_per_watt), r.configurations))
        .collect();
    if let Some(fps) = basket.fps {
        rows.push(row(
            "all workloads",
            fps,
            basket.fps_per_money,
            basket.fps_per_watt,
            basket.configurations,
        ));
    }
    let mut text = if rows.is_empty() { String::new() } else { columns::render(&COLUMNS, &rows, width) };
    if let Some(why) = &basket.refused {
        text.push_str(&wrapped(&format!("No basket: {why}."), 0));
    }
    text.push_str(&wrapped(
        &format!(
            "Measured of {} by {}; left out: {} configurations of one contributor, {} limited by the platform. Other \
             cards have other baskets: compare by the ratios below.",
            value.card.card,
            value.measure.as_str(),
            basket.one_contributor,
            basket.platform_limited
        ),
        0,
    ));
    text
}

fn against(value: &Value, weighed: &Weighed) -> String {
    let other = &weighed.other.card;
    let mut text = wrapped(&format!("{} against {other}", value.card.card), 0);
    let written = money(value);
    if let Some(why) = &weighed.performance.refused {
        text.push_str(&wrapped(&format!("no figure: {why}"), 2));
        return text;
    }
    let mut line = |name: &str, said: String| text.push_str(&wrapped(&format!("{name}: {said}"), 2));
    let matched = format!(
        "{} configurations, {} workloads, {} contributors",
        weighed.configurations, weighed.workloads, weighed.contributors
    );
    line("as fast", format!("{} ({matched})", quotient(&weighed.performance)));
    line("fps per money", quotient(&weighed.per_money));
    line("fps per rated watt", quotient(&weighed.per_watt));
    let played = weighed.played;
    line(
        "meets the target",
        format!(
            "at {} of {} matched configurations; {other} at {}",
            played.card, played.configurations, played.other
        ),
    );
    let ceiling = &weighed.ceiling;
    let Some(price) = ceiling.price else {
        line(
            "worth up to",
            format!("no figure: {}", ceiling.refused.as_deref().unwrap_or("not enough evidence")),
        );
        return text;
    };
    let currency = &value.currency;
    let interval = ceiling.from.zip(ceiling.to).map_or_else(
        || " (no interval)".to_owned(),
        |(from, to)| format!(" (95 % {})", span(from, to, &written)),
    );
    let power = ceiling.power_difference.map_or_else(
        || "; power not counted".to_owned(),
        |more| {
            format!(
                "; {} before {} of power over {} years",
                written(ceiling.before_power.unwrap_or(price)),
                signed(value, more),
                value.years
            )
        },
    );
    line("worth up to", format!("{} {currency}{interval}{power}", written(price)));
    if price <= 0.0 {
        line("so", format!("at no price: its power costs more than it does for you above {other}"));
    } else if let Some(place) = &ceiling.own_price {
        let beside = if place == "not told apart" {
            "not told apart from that".to_owned()
        } else {
            format!("{place} that")
        };
        line("its own price", beside);
    }
    text
}

/// Writes amounts with the decimals of the answer's currency.
fn money(value: &Value) -> impl Fn(f64) -> String + use<> {
    let digits = decimals(value);
    move |amount| format!("{amount:.digits$}")
}

fn signed(value: &Value, amount: f64) -> String {
    let digits = decimals(value);
    format!("{amount:+.digits$}")
}

fn decimals(value: &Value) -> usize {
    Currency::of(&value.currency).map_or(2, |currency| currency.digits as usize)
}

fn span(from: f64, to: f64, written: impl Fn(f64) -> String) -> String {
    // A hyphen between negative numbers cannot be read.
    if from < 0.0 {
        format!("{} to {}", written(from), written(to))
    } else {
        format!("{}-{}", written(from), written(to))
    }
}

fn quotient(quotient: &Quotient) -> String {
    match (quotient.ratio, quotient.from.zip(quotient.to)) {
        (Some(ratio), Some((from, to))) => {
            format!("{ratio:.3} times (95 % {})", span(from, to, |v| format!("{v:.3}")))
        }
        (Some(ratio), None) => format!("{ratio:.3} times (no interval)"),
        (None, _) => format!("no figure: {}", quotient.refused.as_deref().unwrap_or("not enough evidence")),
    }
}
