//! Who measures what and when: light entries, from which any run can be made on its own.

use chrono::{DateTime, Days, NaiveDate, Utc};
use wearmark_core::run::Outcome;
use wearmark_core::statistics::Grade;

use crate::label::Label;
use crate::nature::Habits;
use crate::panel::Entry;
use crate::people::{Workbench, day};
use crate::random::Random;
use crate::truth::{Situation, Truth};

const TOPIC: u64 = 5;

/// One run to come.
#[derive(Debug, Clone)]
pub(crate) struct Planned {
    /// When the first pass starts.
    pub(crate) at: DateTime<Utc>,
    /// When it is submitted; decides the order.
    pub(crate) arrives: DateTime<Utc>,
    pub(crate) bench: usize,
    pub(crate) unit: usize,
    /// What was in the machine and on the screen.
    pub(crate) measured: Situation,
    /// What the submission says.
    pub(crate) claimed: Situation,
    pub(crate) grade: Grade,
    pub(crate) outcome: Outcome,
    pub(crate) label: Label,
    /// Names the run's own streams of chance: its place among the runs that were planned with it.
    pub(crate) key: u64,
}

/// Honest runs, about `count` of them, never fewer, in arrival order.
pub(crate) fn draw(
    seed: u64,
    truth: &Truth,
    benches: &[Workbench],
    count: usize,
    habits: &Habits,
) -> Vec<Planned> {
    let random = &mut Random::stream(seed, TOPIC, 0);
    let rounds = rounds();
    let mut plan: Vec<Planned> = Vec::with_capacity(count + 64);
    let share = count as f64 / benches.len() as f64;
    for (bench, workbench) in benches.iter().enumerate() {
        let wanted = (share * random.between(0.45, 1.4)) as usize;
        let mut open: Vec<NaiveDate> = rounds.iter().copied().filter(|r| *r >= workbench.from).collect();
        random.shuffle(&mut open);
        let mut made = 0;
        while made < wanted {
            // After all common rounds come days of its own choosing.
            let date = open.pop().unwrap_or_else(|| some_day(random, workbench.from));
            let offset = Days::new(random.below(12) as u64);
            made += session(random, truth, habits, benches, bench, date + offset, wanted - made, &mut plan);
        }
    }
    while plan.len() < count {
        let bench = random.below(benches.len());
        let date = some_day(random, benches[bench].from);
        session(random, truth, habits, benches, bench, date, count - plan.len(), &mut plan);
    }
    plan.sort_by_key(|p| (p.arrives, p.at, p.bench));
    for (at, run) in plan.iter_mut().enumerate() {
        run.key = at as u64;
    }
    plan
}

/// The community measures together three times a year, from March 2019 to March 2024.
fn rounds() -> Vec<NaiveDate> {
    (0..16).map(|round| day(2019, 3, 9) + Days::new(round * 121)).collect()
}

pub(crate) fn some_day(random: &mut Random, from: NaiveDate) -> NaiveDate {
    let days = (day(2024, 3, 20) - from).num_days().max(1) as usize;
    from + Days::new(random.below(days) as u64)
}

/// One sitting of a bench: each of its cards, most of each card's panel, one driver release; `most`
/// runs at most. Gives the number of runs.
#[expect(clippy::too_many_arguments, reason = "a sitting is where everything comes together")]
pub(crate) fn session(
    random: &mut Random,
    truth: &Truth,
    habits: &Habits,
    benches: &[Workbench],
    bench: usize,
    date: NaiveDate,
    most: usize,
    plan: &mut Vec<Planned>,
) -> usize {
    let workbench = &benches[bench];
    let before = plan.len();
    let mut clock = date.and_hms_opt(8, 0, 0).unwrap_or_default().and_utc()
        + chrono::Duration::minutes(random.below(240) as i64);
    for (unit, card) in workbench.units.iter().enumerate() {
        if workbench.units.len() > 1 && random.chance(0.25) {
            continue;
        }
        let Some(driver) = release(random, truth, workbench, card.card, date) else { continue };
        for entry in &card.panel {
            if random.chance(0.14) {
                continue;
            }
            let Some(build) = build(random, truth, entry.workload, date) else { continue };
            let mut resolutions = vec![(entry.width, entry.height)];
            if random.chance(0.6) {
                resolutions.extend(&entry.ladder);
            }
            for (width, height) in resolutions {
                let situation = situation(entry, card.card, driver, build, width, height);
                if plan.len() - before >= most {
                    return most;
                }
                clock += chrono::Duration::seconds(420 + random.below(600) as i64);
                plan.push(planned(random, truth, habits, clock, bench, unit, situation));
            }
        }
    }
    plan.len() - before
}

fn situation(entry: &Entry, card: usize, driver: usize, build: usize, width: u32, height: u32) -> Situation {
    Situation {
        card,
        driver,
        workload: entry.workload,
        scene: entry.scene,
        build,
        api: entry.api,
        preset: entry.preset,
        width,
        height,
    }
}

pub(crate) fn planned(
    random: &mut Random,
    truth: &Truth,
    habits: &Habits,
    at: DateTime<Utc>,
    bench: usize,
    unit: usize,
    situation: Situation,
) -> Planned {
    let grade = [Grade::Full, Grade::Short, Grade::Quick, Grade::Summary][random.weighted(&habits.grades)];
    let outcome = truth.failure(&situation).unwrap_or_else(|| match random.uniform() {
        u if u < 0.003 => Outcome::Crashed,
        u if u < 0.004 => Outcome::DidNotStart,
        _ => Outcome::Completed,
    });
    // Most submit on the same day; some keep their captures for weeks.
    let delay_h =
        if random.chance(0.8) { 24.0 * random.uniform() } else { 24.0 * 9.0 * random.exponential() };
    Planned {
        at,
        arrives: at + chrono::Duration::seconds((delay_h * 3600.0) as i64),
        bench,
        unit,
        measured: situation,
        claimed: situation,
        grade,
        outcome,
        label: Label::Honest,
        key: 0,
    }
}

/// Releases a bench could run on a card at a date, newest first.
pub(crate) fn releases(truth: &Truth, system: &str, card: usize, date: NaiveDate) -> Vec<usize> {
    let drivers = &truth.catalogue.drivers;
    let mut releases: Vec<usize> = (0..drivers.len())
        .filter(|&d| truth.supports(d, card) && drivers[d].systems.iter().any(|s| s == system))
        .filter(|&d| drivers[d].date < date)
        .collect();
    releases.sort_by_key(|&d| std::cmp::Reverse((drivers[d].date, d)));
    releases
}

fn release(
    random: &mut Random,
    truth: &Truth,
    workbench: &Workbench,
    card: usize,
    date: NaiveDate,
) -> Option<usize> {
    let newest_first = releases(truth, workbench.system, card, date);
    let back = if random.chance(workbench.newest) { 0 } else { 1 + random.below(2) };
    newest_first.get(back.min(newest_first.len().saturating_sub(1))).copied()
}

/// The newest build at a date, sometimes the one before; none before the first.
pub(crate) fn build(random: &mut Random, truth: &Truth, workload: usize, date: NaiveDate) -> Option<usize> {
    let builds = &truth.catalogue.workloads[workload].builds;
    let newest = builds.iter().rposition(|b| b.date < date)?;
    Some(if random.chance(0.08) { newest.saturating_sub(1) } else { newest })
}
