//! The workshops that contribute, their benches, and the cards on their shelves.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use wearmark_core::catalogue::Form;
use wearmark_core::run::{Bench, CpuClaim, MemoryClaim, OsClaim, PcieClaim};

use crate::nature::Habits;
use crate::panel::{self, Entry};
use crate::random::Random;
use crate::truth::{Platform, Truth};

const TOPIC: u64 = 4;

/// A workshop that submits runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Contributor {
    /// Account name: lower case and hyphens.
    pub name: String,
    /// First day it measures.
    pub joined: NaiveDate,
    /// Whether more than its share of made-up runs comes from it.
    pub unreliable: bool,
}

/// One of a bench's cards.
#[derive(Debug, Clone)]
pub(crate) struct Unit {
    pub(crate) card: usize,
    /// This very card's departure from its kind, in logs.
    pub(crate) effect: f64,
    /// Which of the chip's PCI ids it answers with.
    pub(crate) pci_id: usize,
    /// What is measured on it, time after time.
    pub(crate) panel: Vec<Entry>,
}

/// A bench with what is true of it beside what is claimed.
#[derive(Debug, Clone)]
pub(crate) struct Workbench {
    pub(crate) contributor: usize,
    pub(crate) platform: Platform,
    pub(crate) effect: f64,
    pub(crate) system: &'static str,
    pub(crate) claim: Bench,
    pub(crate) units: Vec<Unit>,
    /// First day of use.
    pub(crate) from: NaiveDate,
    /// Decimals of its frame times.
    pub(crate) decimals: u32,
    pub(crate) tool: &'static str,
    /// Chance that it runs the newest driver.
    pub(crate) newest: f64,
}

const FIRST: [&str; 24] = [
    "north", "copper", "dry", "long", "lower", "upper", "old", "brick", "slate", "willow", "heron", "stone",
    "amber", "chalk", "fern", "gable", "harbour", "ivy", "juniper", "kettle", "linen", "meadow", "otter",
    "tin",
];
const SECOND: [&str; 24] = [
    "quay", "lane", "yard", "mill", "wharf", "bridge", "cellar", "barn", "court", "loft", "row", "steps",
    "gate", "green", "hall", "corner", "weir", "ford", "bank", "close", "terrace", "market", "pump", "shed",
];
const TOOLS: [&str; 4] = [
    "workshop frame logger 2",
    "own script around the timing layer",
    "frame logger of the refit group",
    "bench notebook, semi-automatic",
];

/// Days of the calendar, none of which the generator gets wrong.
pub(crate) fn day(year: i32, month: u32, day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, month, day).unwrap_or_default()
}

pub(crate) fn draw(
    seed: u64,
    truth: &Truth,
    count: usize,
    habits: &Habits,
) -> (Vec<Contributor>, Vec<Workbench>) {
    let random = &mut Random::stream(seed, TOPIC, 0);
    let names = names(random);
    let mut contributors = Vec::with_capacity(count);
    let mut benches = Vec::new();
    for (at, name) in names.into_iter().take(count).enumerate() {
        // Half are there from the start, the others join over three years.
        let late = if random.chance(0.5) { 0 } else { random.below(1000) as u64 };
        let joined = day(2019, 2, 20) + chrono::Days::new(late);
        contributors.push(Contributor { name, joined, unreliable: at % 16 == 5 });
        let second = random.chance(0.3);
        for number in 0..=usize::from(second) {
            benches.push(bench(random, truth, habits, at, number, joined, None));
        }
    }
    (contributors, benches)
}

/// All names there are, in random order.
fn names(random: &mut Random) -> Vec<String> {
    let mut names: Vec<String> =
        FIRST.iter().flat_map(|a| SECOND.iter().map(move |b| format!("{a}-{b}"))).collect();
    random.shuffle(&mut names);
    names
}

/// Names that nobody among the first `count` contributors of a world has.
pub(crate) fn spare_names(seed: u64, count: usize) -> Vec<String> {
    names(&mut Random::stream(seed, TOPIC, 0)).split_off(count)
}

/// A bench and what is on its shelf; `wanted` is a card and a system that it has to have.
pub(crate) fn bench(
    random: &mut Random,
    truth: &Truth,
    habits: &Habits,
    contributor: usize,
    number: usize,
    joined: NaiveDate,
    wanted: Option<(usize, &'static str)>,
) -> Workbench {
    let mobile_cards = forms(truth, Form::Mobile);
    let portable = wanted.is_none() && (contributor % 16 == 3 && number == 0 || random.chance(0.04));
    let cpus = &truth.catalogue.cpus;
    let usable: Vec<usize> = (0..cpus.len())
        .filter(|&c| is_portable(&cpus[c].id) == portable)
        // New machines only as a second bench: the workshops live on donations.
        .filter(|&c| number > 0 || cpus[c].launch_date < day(2020, 1, 1))
        .collect();
    let cpu = *random.pick(&usable);
    let entry = &cpus[cpu];
    let single_channel = random.chance(if portable { 0.4 } else { 0.14 });
    let mut system = if random.chance(0.62) { "Sill" } else { "Coppice" };
    let mut cards = if portable { mobile_cards } else { shelf(random, truth) };
    if let Some((card, on)) = wanted {
        system = on;
        cards.retain(|c| *c != card);
        cards.push(card);
    }
    cards.dedup();
    let units: Vec<Unit> = cards
        .into_iter()
        .map(|card| Unit {
            card,
            effect: truth.nature.unit * random.heavy(),
            pci_id: random.below(truth.catalogue.chips[truth.chip(card)].pci_ids.len()),
            panel: panel::draw(random, truth, habits, card, system),
        })
        .collect();
    let from = joined.max(entry.launch_date + chrono::Days::new(40));
    Workbench {
        contributor,
        platform: Platform { cpu, single_channel, ceiling: truth.nature.ceiling * random.normal() },
        effect: truth.nature.bench * random.heavy(),
        system,
        claim: claim(random, truth, cpu, single_channel, system, &units, number),
        units,
        from,
        decimals: if random.chance(0.35) { 2 } else { 3 },
        tool: TOOLS[random.below(TOOLS.len())],
        newest: random.between(0.55, 0.9),
    }
}

fn is_portable(cpu: &str) -> bool {
    cpu == "nembrook-treadle-m42"
}

fn forms(truth: &Truth, form: Form) -> Vec<usize> {
    (0..truth.catalogue.cards.len()).filter(|&c| truth.catalogue.cards[c].form == form).collect()
}

/// One to three different desktop cards; the common ones are common.
fn shelf(random: &mut Random, truth: &Truth) -> Vec<usize> {
    let desktop = forms(truth, Form::Desktop);
    let weights: Vec<f64> = desktop.iter().map(|&c| truth.popularity[c]).collect();
    let wanted = 1 + random.weighted(&[0.3, 0.5, 0.2]);
    let mut cards = Vec::new();
    while cards.len() < wanted {
        let card = desktop[random.weighted(&weights)];
        if !cards.contains(&card) {
            cards.push(card);
        }
    }
    cards
}

/// How many have a card of the demo, relative to the others.
pub(crate) fn popularity(card: &str) -> f64 {
    match card {
        "pelloram-lantern-27" | "draywick-kiln-ochre" => 4.0,
        "draywick-kiln-russet-4g" | "pelloram-lantern-18" => 2.6,
        "pelloram-lantern-12" | "draywick-kiln-umber" => 0.6,
        _ => 1.0,
    }
}

fn claim(
    random: &mut Random,
    truth: &Truth,
    cpu: usize,
    single_channel: bool,
    system: &str,
    units: &[Unit],
    number: usize,
) -> Bench {
    let entry = &truth.catalogue.cpus[cpu];
    let memory = random.pick(&entry.memory);
    let channels = match (single_channel, entry.memory_channels) {
        (true, _) => 1,
        (false, most) => most,
    };
    let module_mib = *random.pick(&[4096, 4096, 8192, 2048]);
    let slow = *random.pick(&[1.0, 1.0, 1.0, 0.875]);
    let chips: Vec<_> = units.iter().map(|u| &truth.catalogue.chips[truth.chip(u.card)]).collect();
    let pcie = PcieClaim {
        generation: chips.iter().map(|c| c.pcie_generation).min().unwrap_or(1).min(entry.pcie_generation),
        lanes: chips.iter().map(|c| c.pcie_lanes).min().unwrap_or(1).min(entry.pcie_lanes),
    };
    let version = match system {
        "Sill" => random.pick(&["4.2", "5.0", "5.1"]),
        _ => random.pick(&["17", "18", "19"]),
    };
    Bench {
        name: random
            .chance(0.7)
            .then(|| if number == 0 { "the fixed bench".to_owned() } else { "the second bench".to_owned() }),
        cpu: CpuClaim {
            model: if random.chance(0.6) { entry.id.clone() } else { entry.name.clone() },
            cores: random.chance(0.7).then_some(entry.cores),
        },
        memory: MemoryClaim {
            size_mib: module_mib * u64::from(channels),
            kind: Some(memory.kind.clone()),
            channels: Some(channels),
            speed_mts: random.chance(0.8).then_some((memory.top_speed_mts * slow).round()),
        },
        board: random.chance(0.3).then(|| "from a donated office machine".to_owned()),
        os: OsClaim { name: system.to_owned(), version: random.chance(0.8).then(|| (*version).to_owned()) },
        pcie: random.chance(0.6).then_some(pcie),
        power_supply_w: random.chance(0.4).then(|| *random.pick(&[300.0, 350.0, 400.0, 450.0, 500.0])),
        extensions: BTreeMap::new(),
    }
}
