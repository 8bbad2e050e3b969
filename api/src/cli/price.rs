//! `wearmark price` and `wearmark prices`.

use chrono::{NaiveDate, Utc};
use clap::{Args, ValueEnum};
use serde_json::Value;
use wearmark_core::finding::Finding;
use wearmark_core::price::currency::Currency;
use wearmark_core::price::market::Market;
use wearmark_core::price::{Condition, PriceReport, PriceSource};

use super::client::{self, Answer, Client};
use super::columns::{self, Column, figure};
use super::exit::{EXIT_CODES, Ended, Failure, Outcome};
use super::output::{self, Style};
use super::report::{Report, wrapped};
use super::submit::report_of;
use super::{ServerArgs, TokenArgs};

/// Conditions, as options take them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ConditionWord {
    /// Unused
    New,
    /// Unpacked, not used
    OpenBox,
    /// Used, tested and cleaned by a seller who vouches for it
    Refurbished,
    /// Used and said to work
    Used,
    /// Nobody says that it works
    Untested,
    /// Broken, or sold for its parts
    ForParts,
}

/// Kinds of price, as options take them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SourceWord {
    /// Somebody paid it
    CompletedSale,
    /// A shop sells at it
    ShopOffer,
    /// Somebody asks it; nobody has paid it yet
    AskingPrice,
}

/// Reports a price.
#[derive(Debug, Args)]
#[command(
    long_about = "Reports what was asked or paid for a card. The amount is a decimal number in the currency, without \
                  postage, and is sent exactly. Reports are public, so name nobody in the note. Repeating a command is \
                  safe: the same report counts once.",
    after_help = "Examples (the card is invented, and XA is a code that ISO 3166-1 leaves to users):\n  \
                  wearmark price pelloram-lantern-27 45.00 EUR --condition used --source completed-sale --country XA \
                  --on 2024-03-10 --token-file token.txt\n\n",
    after_long_help = EXIT_CODES
)]
pub struct Price {
    /// Card id or name
    pub card: String,
    /// Amount, such as 45 or 45.50
    pub amount: String,
    /// Currency code (ISO 4217), such as EUR
    pub currency: String,
    /// The card's condition
    #[arg(long, value_enum)]
    pub condition: ConditionWord,
    /// What kind of price it is
    #[arg(long, value_enum)]
    pub source: SourceWord,
    /// Country of the seller (ISO 3166-1 alpha-2)
    #[arg(long, value_name = "CODE")]
    pub country: String,
    /// Day of the sale, or on which the offer stood [default: today, UTC]
    #[arg(long, value_name = "DATE")]
    pub on: Option<NaiveDate>,
    /// Anything else worth saying
    #[arg(long)]
    pub note: Option<String>,
    /// Where to
    #[command(flatten)]
    pub server: ServerArgs,
    /// Who reports
    #[command(flatten)]
    pub token: TokenArgs,
    /// The server's answer as JSON instead of text
    #[arg(long)]
    pub json: bool,
}

impl Price {
    /// The report.
    fn document(&self) -> Result<PriceReport, Failure> {
        let currency = Currency::of(&self.currency).ok_or_else(|| {
            Failure::broken(format!(
                "{} is no code of a currency in use (ISO 4217); write it like EUR, JPY or KWD",
                self.currency
            ))
        })?;
        Ok(PriceReport {
            schema: "price/1".to_owned(),
            card: self.card.clone(),
            amount_minor: currency.minor(&self.amount).map_err(|error| Failure::broken(error.to_string()))?,
            currency: self.currency.clone(),
            date: self.on.unwrap_or_else(|| Utc::now().date_naive()),
            condition: match self.condition {
                ConditionWord::New => Condition::New,
                ConditionWord::OpenBox => Condition::OpenBox,
                ConditionWord::Refurbished => Condition::Refurbished,
                ConditionWord::Used => Condition::Used,
                ConditionWord::Untested => Condition::Untested,
                ConditionWord::ForParts => Condition::ForParts,
            },
            country: self.country.clone(),
            source: match self.source {
                SourceWord::CompletedSale => PriceSource::CompletedSale,
                SourceWord::ShopOffer => PriceSource::ShopOffer,
                SourceWord::AskingPrice => PriceSource::AskingPrice,
            },
            note: self.note.clone(),
        })
    }

    /// Runs the command.
    ///
    /// # Errors
    /// When the amount or the token is none, or the server fails.
    pub fn run(self) -> Ended {
        let body = serde_json::to_vec(&self.document()?)
            .map_err(|error| Failure::broken(format!("the report cannot be written as JSON: {error}")))?;
        let Some(token) = client::token(self.token.token_file.as_deref())? else {
            return Err(Failure::broken(
                "who reports? Give your token in a file by --token-file, or in the environment variable WEARMARK_TOKEN",
            ));
        };
        let answer = Client::new(&self.server.server, Some(token))?.report_price(&body)?;
        let name = format!("{} {} {}", self.card, self.amount, self.currency);
        let report = judged(&name, &answer)?;
        if self.json {
            output::json(&answer.json()?)?;
        } else {
            output::data(report.text(Style::for_stdout(), false).as_bytes())?;
        }
        Ok(report.outcome())
    }
}

/// What an answer to a price report says.
fn judged(name: &str, answer: &Answer) -> Result<Report, Failure> {
    if answer.status != 201 {
        return report_of(name, answer);
    }
    let receipt: Value = answer.json()?;
    let text = |field: &str| receipt.get(field).and_then(Value::as_str).map(str::to_owned);
    let findings: Option<Vec<Finding>> =
        receipt.get("findings").and_then(|f| serde_json::from_value(f.clone()).ok());
    let (Some(verdict), Some(findings)) = (text("verdict"), findings) else {
        return Err(Failure::Server(
            "the server's answer has no verdict; is it a Wearmark service?".to_owned(),
        ));
    };
    Ok(Report { run: text("price"), findings, ..Report::new(name, &verdict) })
}

/// Prints medians of prices.
#[derive(Debug, Args)]
#[command(
    long_about = "Prints what cards cost: the median of contributor medians over a window of days, by card, currency and \
                  condition class, with 95 % intervals. Asking prices are counted apart; currencies are never converted.",
    after_help = "Examples:\n  wearmark prices --card pelloram-lantern-27 --as-of 2024-03-31\n  \
                  wearmark prices --currency EUR --condition second-hand --csv"
)]
pub struct Prices {
    /// Card ids [default: all]
    #[arg(long, value_delimiter = ',', value_name = "ID")]
    pub card: Vec<String>,
    /// Currency codes [default: all]
    #[arg(long, value_delimiter = ',', value_name = "CODE")]
    pub currency: Vec<String>,
    /// Condition classes: new, second-hand, faulty [default: all]
    #[arg(long, value_delimiter = ',', value_name = "CLASS")]
    pub condition: Vec<String>,
    /// Country codes [default: all]
    #[arg(long, value_delimiter = ',', value_name = "CODE")]
    pub country: Vec<String>,
    /// Keep countries apart
    #[arg(long)]
    pub by_country: bool,
    /// Days that count [default: 180]
    #[arg(long, value_name = "DAYS")]
    pub window: Option<u32>,
    /// The last day that counts [default: today, UTC]
    #[arg(long, value_name = "DATE")]
    pub as_of: Option<NaiveDate>,
    /// JSON instead of text
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// CSV (RFC 4180) instead of text
    #[arg(long)]
    pub csv: bool,
    /// Where to ask
    #[command(flatten)]
    pub server: ServerArgs,
}

impl Prices {
    fn query(&self) -> Vec<(&'static str, String)> {
        let lists = [
            ("card", &self.card),
            ("currency", &self.currency),
            ("condition", &self.condition),
            ("country", &self.country),
        ];
        let mut query: Vec<(&'static str, String)> = Vec::new();
        for (name, values) in lists {
            query.extend(values.iter().map(|value| (name, value.clone())));
        }
        if self.by_country {
            query.push(("by_country", "true".to_owned()));
        }
        query.extend(self.window.map(|days| ("window", days.to_string())));
        query.extend(self.as_of.map(|date| ("as_of", date.to_string())));
        query
    }

    /// Runs the command.
    ///
    /// # Errors
    /// When the server cannot answer the query.
    pub fn run(self) -> Ended {
        const PATH: &str = "/v1/prices/medians";
        let client = Client::new(&self.server.server, None)?;
        if self.csv {
            output::data(&client.get(PATH, &self.query(), "text/csv")?.success()?.body)?;
            return Ok(Outcome::Done);
        }
        let answer = client.get(PATH, &self.query(), "application/json")?.success()?;
        if self.json {
            output::json(&answer.json()?)?;
            return Ok(Outcome::Done);
        }
        let market: Market = serde_json::from_slice(&answer.body).map_err(|error| {
            Failure::Server(format!(
                "the server's answer holds no prices ({error}); is it a Wearmark service?"
            ))
        })?;
        output::data(render(&market, columns::width()).as_bytes())?;
        Ok(Outcome::Done)
    }
}

/// Medians of prices as text.
pub fn render(market: &Market, width: usize) -> String {
    const COLUMNS: [Column; 10] = [
        Column::name("card"),
        Column::word("condition"),
        Column::word("country"),
        Column::number("median"),
        Column::word("95 %"),
        Column::word(""),
        Column::number("contrib."),
        Column::number("reports"),
        Column::number("left out"),
        Column::word("last"),
    ];
    let rows: Vec<Vec<String>> = market
        .rows
        .iter()
        .map(|row| {
            let digits = Currency::of(&row.currency).map_or(2, |currency| currency.digits as usize);
            vec![
                row.card.clone(),
                row.condition.as_str().to_owned(),
                row.country.clone().unwrap_or_default(),
                figure(Some(row.median), digits),
                row.from
                    .zip(row.to)
                    .map_or_else(String::new, |(from, to)| format!("{from:.digits$}-{to:.digits$}")),
                row.currency.clone(),
                row.contributors.to_string(),
                row.reports.to_string(),
                row.left_out.to_string(),
                row.last.to_string(),
            ]
        })
        .collect();
    let mut text = if rows.is_empty() { String::new() } else { columns::render(&COLUMNS, &rows, width) };
    let none = if rows.is_empty() { "No price that counts. " } else { "" };
    let spread = &market.spread;
    text.push_str(&wrapped(
        &format!(
            "{none}Prices from {} to {}; contributors are {} to differ by {:.0} % (standard deviation of logarithms). \
             Asking prices are left out.",
            market.first_day,
            market.as_of,
            spread.origin,
            100.0 * spread.sd
        ),
        0,
    ));
    text
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use super::*;

    fn price(amount: &str, currency: &str) -> Price {
        Price {
            card: "pelloram-lantern-27".to_owned(),
            amount: amount.to_owned(),
            currency: currency.to_owned(),
            condition: ConditionWord::Used,
            source: SourceWord::CompletedSale,
            country: "XA".to_owned(),
            on: Some("2024-03-10".parse().unwrap()),
            note: None,
            server: ServerArgs { server: "http://127.0.0.1:1".to_owned() },
            token: TokenArgs { token_file: None },
            json: false,
        }
    }

    #[test]
    fn the_amount_is_sent_exactly_and_the_document_follows_the_schema() {
        let document = price("45.1", "EUR").document().unwrap();
        assert_eq!(document.amount_minor, 4510);
        let bytes = serde_json::to_vec(&document).unwrap();
        assert_eq!(wearmark_schema::accept_price(&bytes).unwrap(), document);
        assert_eq!(price("5800", "JPY").document().unwrap().amount_minor, 5800);
        for (amount, currency) in [("45.105", "EUR"), ("45.5", "JPY"), ("45", "euro"), ("0", "EUR")] {
            assert!(price(amount, currency).document().is_err(), "{amount} {currency}");
        }
    }
}
