//! Prices of the demo: reported through the same door as any other, and what is made of them beside what is true of the
//! invented world.

use std::collections::{BTreeMap, VecDeque};

use anyhow::Context;
use chrono::{NaiveDate, NaiveTime};
use serde::Serialize;
use wearmark_core::catalogue::Catalogue;
use wearmark_core::policy::Policy;
use wearmark_core::price::market::{Market, MarketQuery, market};
use wearmark_core::price::{ConditionClass, PriceSource, day_of};
use wearmark_core::statistics::sum::mean;
use wearmark_core::table::compare::{Against, CompareQuery, compare};
use wearmark_core::table::frame::RunFrame;
use wearmark_core::table::value::{Value, ValueQuery, value};
use wearmark_core::verdict::Verdict;
use wearmark_seed_data::prices::last_day;
use wearmark_seed_data::{Cell, PlantedPrice, PriceLabel, World};

use crate::cli::columns::{self, Column};
use crate::cli::exit::Failure;
use crate::cli::report::wrapped;
use crate::cli::value as shown;
use crate::intake::Intake;
use crate::pricing::{self, PriceError, PriceReceipt};
use crate::storage::ids::AccountId;
use crate::storage::ticket::Ticket;

use super::fill::IN_FLIGHT;

/// The card that the demo weighs, and what against.
const CARD: &str = "pelloram-lantern-27";
const AGAINST: &str = "draywick-kiln-russet-4g";

/// Invented price of a kWh, in the currency of most of the invented prices.
const TARIFF: f64 = 0.30;
const CURRENCY: &str = "EUR";

/// What became of reports of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sorted {
    label: PriceLabel,
    planted: usize,
    accepted: usize,
    held: usize,
    rejected: usize,
    refused: usize,
}

/// A figure beside what is true.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Beside {
    card: String,
    found: f64,
    from: Option<f64>,
    to: Option<f64>,
    truth: f64,
}

impl Beside {
    fn holds(&self) -> Option<bool> {
        self.from.zip(self.to).map(|(from, to)| (from..=to).contains(&self.truth))
    }
}

/// All of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Priced {
    sorted: Vec<Sorted>,
    prices: Vec<Beside>,
    worth: Option<Value>,
    /// The ceiling of the card against the alternative; none when it was refused.
    ceiling: Option<Beside>,
}

/// Reports the world's prices, judged in the order in which they are reported.
///
/// # Errors
/// When storage fails.
pub fn fill(
    intake: &Intake,
    world: &World,
    accounts: &[AccountId],
) -> Result<Vec<(PlantedPrice, Option<Verdict>)>, Failure> {
    let (mut settled, mut in_flight) = (Vec::new(), VecDeque::new());
    for planted in world.prices() {
        let body =
            serde_json::to_vec(&planted.report).context("an invented price cannot be written as JSON")?;
        let now = planted.reported.and_time(NaiveTime::default()).and_utc();
        let ticket = pricing::submit(intake, &accounts[planted.contributor], &body, now).map_err(unstored)?;
        in_flight.push_back((planted, ticket));
        if in_flight.len() >= IN_FLIGHT {
            settle_oldest(&mut in_flight, &mut settled)?;
        }
    }
    while !in_flight.is_empty() {
        settle_oldest(&mut in_flight, &mut settled)?;
    }
    Ok(settled)
}

type InFlight = VecDeque<(PlantedPrice, Ticket<Result<PriceReceipt, PriceError>>)>;

fn settle_oldest(
    in_flight: &mut InFlight,
    settled: &mut Vec<(PlantedPrice, Option<Verdict>)>,
) -> Result<(), Failure> {
    let Some((planted, ticket)) = in_flight.pop_front() else { return Ok(()) };
    let verdict = match ticket.wait() {
        Ok(receipt) => Some(receipt.judgement.verdict),
        Err(PriceError::Duplicate { .. }) => None,
        Err(error) => return Err(unstored(error)),
    };
    settled.push((planted, verdict));
    Ok(())
}

fn unstored(error: PriceError) -> Failure {
    match error {
        PriceError::Intake(error) => {
            anyhow::Error::new(error).context("an invented price cannot be stored").into()
        }
        PriceError::Duplicate { of, .. } => {
            Failure::broken(format!("an invented price is stored already as {of}"))
        }
    }
}

/// What is made of the prices, beside the truth.
///
/// # Errors
/// When storage or the table engine fails.
pub fn priced(
    intake: &Intake,
    frame: &RunFrame,
    world: &World,
    settled: &[(PlantedPrice, Option<Verdict>)],
) -> Result<Priced, Failure> {
    let (catalogue, policy) = (intake.storage.catalogue(), &intake.policy);
    let as_of = last_day();
    let query = MarketQuery {
        currencies: vec![CURRENCY.to_owned()],
        classes: vec![ConditionClass::SecondHand],
        ..MarketQuery::at(as_of, &policy.price)
    };
    let facts = intake
        .storage
        .accepted_prices(day_of(query.first_day()), day_of(as_of))
        .context("the prices cannot be read")?;
    let found: Market = market(&facts, &query, policy);
    let prices = found
        .rows
        .iter()
        .filter_map(|row| {
            Some(Beside {
                truth: true_price(settled, &catalogue, &row.card, query.first_day(), as_of)?,
                card: row.card.clone(),
                found: row.median,
                from: row.from,
                to: row.to,
            })
        })
        .collect();
    let asked = ValueQuery {
        against: vec![AGAINST.to_owned()],
        tariff: Some(TARIFF),
        ..ValueQuery::of(CARD, CURRENCY, as_of, policy)
    };
    let worth =
        value(frame, &catalogue, &facts, &asked, policy).context("a card's worth cannot be computed")?;
    let ceiling = true_ceiling(
        frame,
        world,
        policy,
        &worth,
        true_price(settled, &catalogue, AGAINST, query.first_day(), as_of),
    )?;
    Ok(Priced { sorted: sorted(settled), prices, ceiling, worth: Some(worth) })
}

fn sorted(settled: &[(PlantedPrice, Option<Verdict>)]) -> Vec<Sorted> {
    PriceLabel::ALL
        .into_iter()
        .map(|label| {
            let own = || settled.iter().filter(move |(planted, _)| planted.label == label);
            let count = |verdict: Option<Verdict>| own().filter(|(_, v)| *v == verdict).count();
            Sorted {
                label,
                planted: own().count(),
                accepted: count(Some(Verdict::Accepted)),
                held: count(Some(Verdict::Held)),
                rejected: count(Some(Verdict::Rejected)),
                refused: count(None),
            }
        })
        .collect()
}

/// What honest reports of the card, second-hand and paid or offered by shops, in the demo's currency and window centre on.
fn true_price(
    settled: &[(PlantedPrice, Option<Verdict>)],
    catalogue: &Catalogue,
    card: &str,
    first: NaiveDate,
    last: NaiveDate,
) -> Option<f64> {
    let counts = |p: &PlantedPrice| {
        p.label == PriceLabel::Honest
            && p.report.currency == CURRENCY
            && p.report.condition.class() == ConditionClass::SecondHand
            && p.report.source != PriceSource::AskingPrice
            && (first..=last).contains(&p.report.date)
            && catalogue.card(&p.report.card).is_some_and(|known| known.id == card)
    };
    let mut by: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for (planted, _) in settled.iter().filter(|(p, _)| counts(p)) {
        by.entry(planted.contributor).or_default().push(planted.centre_ln);
    }
    let means: Vec<f64> = by.values().map(|own| mean(own)).collect();
    (!means.is_empty()).then(|| mean(&means).exp())
}

/// The ceiling found beside the true price of the alternative times the true ratio on the matched configurations, less
/// the same cost of power.
fn true_ceiling(
    frame: &RunFrame,
    world: &World,
    policy: &Policy,
    worth: &Value,
    price: Option<f64>,
) -> Result<Option<Beside>, Failure> {
    let ceiling = worth.against.first().map(|weighed| &weighed.ceiling);
    let (Some(ceiling), Some(price)) = (ceiling, price) else { return Ok(None) };
    let Some(found) = ceiling.price else { return Ok(None) };
    let query = CompareQuery::of(vec![AGAINST.to_owned(), CARD.to_owned()]);
    let mut compared = compare(frame, &query, policy).context("the cards cannot be compared")?;
    let Some(against) = compared.cards.pop() else { return Ok(None) };
    let Some(ratio) = true_ratio(world, &against) else { return Ok(None) };
    let truth = price * ratio - ceiling.power_difference.unwrap_or(0.0);
    Ok(Some(Beside { card: CARD.to_owned(), found, from: ceiling.from, to: ceiling.to, truth }))
}

/// The true ratio on the matched configurations, pooled as the comparison pools them: on each one's processor, the mean
/// over the driver releases that support the card.
fn true_ratio(world: &World, against: &Against) -> Option<f64> {
    let mut workloads: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for row in &against.configurations {
        let cpu = row.platform.as_deref()?.split('/').next()?;
        let rate = |card: &str| {
            let rates: Vec<f64> = world
                .catalogue()
                .drivers
                .iter()
                .filter_map(|driver| {
                    let cell = Cell {
                        card,
                        driver: &driver.id,
                        workload: &row.workload,
                        scene: &row.scene,
                        build: None,
                        api: &row.api,
                        preset: &row.preset,
                        width: row.width,
                        height: row.height,
                    };
                    world.truth().cell_ln_fps_on(&cell, cpu)
                })
                .collect();
            (!rates.is_empty()).then(|| mean(&rates))
        };
        workloads.entry(&row.workload).or_default().push(rate(&against.card)? - rate(AGAINST)?);
    }
    let means: Vec<f64> = workloads.values().map(|ratios| mean(ratios)).collect();
    (!means.is_empty()).then(|| mean(&means).exp())
}

/// The same as text.
pub fn text(priced: &Priced, width: usize) -> String {
    let mut text = String::new();
    if let Some(worth) = &priced.worth {
        text.push_str(&shown::render(worth, width));
        text.push('\n');
    }
    text.push_str("Prices against what was planted (all invented)\n");
    text.push_str(&sorted_text(&priced.sorted, width));
    text.push('\n');
    text.push_str(&beside_text(priced, width));
    text
}

fn sorted_text(sorted: &[Sorted], width: usize) -> String {
    const COLUMNS: [Column; 6] = [
        Column::name("planted"),
        Column::number("reports"),
        Column::number("accepted"),
        Column::number("held"),
        Column::number("rejected"),
        Column::number("refused"),
    ];
    let row = |s: &Sorted| {
        let counts = [s.planted, s.accepted, s.held, s.rejected, s.refused].map(|n| n.to_string());
        std::iter::once(s.label.words().to_owned()).chain(counts).collect()
    };
    columns::render(&COLUMNS, &sorted.iter().map(row).collect::<Vec<Vec<String>>>(), width)
}

fn beside_text(priced: &Priced, width: usize) -> String {
    const COLUMNS: [Column; 5] = [
        Column::name("second-hand in EUR"),
        Column::number("found"),
        Column::word("95 %"),
        Column::number("true"),
        Column::word("holds it"),
    ];
    let row = |name: String, b: &Beside| {
        vec![
            name,
            format!("{:.2}", b.found),
            b.from.zip(b.to).map_or_else(String::new, |(from, to)| format!("{from:.2} to {to:.2}")),
            format!("{:.2}", b.truth),
            b.holds().map_or_else(String::new, |holds| if holds { "yes" } else { "no" }.to_owned()),
        ]
    };
    let mut rows: Vec<Vec<String>> = priced.prices.iter().map(|b| row(b.card.clone(), b)).collect();
    rows.extend(priced.ceiling.iter().map(|b| row(format!("{CARD}: worth up to"), b)));
    let told: Vec<bool> = priced.prices.iter().filter_map(Beside::holds).collect();
    columns::render(&COLUMNS, &rows, width)
        + &wrapped(
            &format!(
                "{} of {} intervals of prices hold what is true.",
                told.iter().filter(|holds| **holds).count(),
                told.len()
            ),
            0,
        )
}
