//! Accounts that lie about a few well-known cards, added to a world that stays as it is otherwise.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, Duration, NaiveDate, Utc};
use wearmark_core::catalogue::Form;
use wearmark_core::run::Outcome;
use wearmark_core::statistics::Grade;

use super::Role;
use crate::label::Label;
use crate::nature::Habits;
use crate::people::{self, Contributor, day};
use crate::plan::{self, Planned};
use crate::random::Random;
use crate::truth::Situation;
use crate::world::World;

const TOPIC: u64 = 11;

/// Cards attacked in each of the two ways, and configurations of each card.
const CARDS: usize = 3;
const CELLS: usize = 2;

/// Fewest honest contributors of a configuration that counts as well known.
const WELL_KNOWN: usize = 5;

/// Liars for each honest contributor: half of the accounts, and three in ten.
const COLLUDERS: f64 = 1.0;
const SHADERS: f64 = 3.0 / 7.0;

/// Honest runs that a liar makes a name with first.
const HISTORY: usize = 14;

/// Days between a liar's first run and the lie, at least.
const PATIENCE: u64 = 150;

/// First key of the liars' own streams of chance; no world has as many runs.
const FIRST_KEY: u64 = 1 << 40;

/// A configuration: everything of a situation but release and build.
type Cell = (usize, usize, usize, usize, usize, u32, u32);

fn cell(s: &Situation) -> Cell {
    (s.card, s.workload, s.scene, s.api, s.preset, s.width, s.height)
}

/// A card under attack.
struct Target {
    card: usize,
    role: Role,
    /// Configurations with their honest contributors.
    cells: Vec<(Cell, usize)>,
}

/// Adds the liars and what they submit.
pub(super) fn join(world: &mut World) {
    let random = &mut Random::stream(world.seed, TOPIC, 0);
    let targets = targets(world);
    let attacked: BTreeSet<Cell> = targets.iter().flat_map(|t| t.cells.iter().map(|(c, _)| *c)).collect();
    let mut names = people::spare_names(world.seed, world.contributors.len()).into_iter();
    let mut planned: Vec<Planned> = Vec::new();
    for target in &targets {
        let share = if target.role == Role::Colluder { COLLUDERS } else { SHADERS };
        let wanted = |honest: usize| (share * honest as f64).round() as usize;
        let accounts = target.cells.iter().map(|(_, honest)| wanted(*honest)).max().unwrap_or(0);
        // Colluders agree on their figure.
        let agreed = *random.pick(&[0.20, 0.25, 0.35]);
        for account in 0..accounts {
            let Some(name) = names.next() else { break };
            let joined = day(2019, 9, 1) + Days::new(random.below(1150) as u64);
            let contributor = world.contributors.len();
            world.contributors.push(Contributor { name, joined, unreliable: false });
            world.liars.push(target.role);
            let system = system(world, target, random);
            let bench = people::bench(
                random,
                &world.truth,
                &Habits::TRIAL,
                contributor,
                0,
                joined,
                Some((target.card, system)),
            );
            world.benches.push(bench);
            // Half of the colluders are new accounts that do nothing but lie.
            if target.role == Role::Shader || account % 2 == 0 {
                history(world, random, joined, &attacked, &mut planned);
            }
            let date = joined + Days::new(PATIENCE + random.below(60) as u64);
            for (cell, honest) in &target.cells {
                if account < wanted(*honest) {
                    let by = match target.role {
                        Role::Shader => random.between(0.04, 0.06),
                        _ => agreed + random.between(0.0, 0.01),
                    };
                    planned.extend(lie(world, random, cell, date, by));
                }
            }
        }
    }
    for (at, run) in planned.iter_mut().enumerate() {
        run.key = FIRST_KEY + at as u64;
    }
    merge(world, planned);
}

/// The best-known cards, attacked in either way by turns.
fn targets(world: &World) -> Vec<Target> {
    let mut people: BTreeMap<Cell, BTreeSet<usize>> = BTreeMap::new();
    for run in &world.plan {
        let desktop = world.truth.catalogue.cards[run.claimed.card].form == Form::Desktop;
        if run.label.is_honest() && run.outcome == Outcome::Completed && desktop {
            people.entry(cell(&run.claimed)).or_default().insert(world.benches[run.bench].contributor);
        }
    }
    let mut ranked: Vec<(Cell, usize)> = people.into_iter().map(|(cell, who)| (cell, who.len())).collect();
    ranked.sort_by_key(|(cell, who)| (std::cmp::Reverse(*who), *cell));
    let mut targets: Vec<Target> = Vec::new();
    for (cell, who) in ranked.into_iter().take_while(|(_, who)| *who >= WELL_KNOWN) {
        if let Some(target) = targets.iter_mut().find(|t| t.card == cell.0) {
            if target.cells.len() < CELLS {
                target.cells.push((cell, who));
            }
        } else if targets.len() < 2 * CARDS {
            let role = if targets.len().is_multiple_of(2) { Role::Colluder } else { Role::Shader };
            targets.push(Target { card: cell.0, role, cells: vec![(cell, who)] });
        }
    }
    targets
}

/// A system on which all of a target's configurations run.
fn system(world: &World, target: &Target, random: &mut Random) -> &'static str {
    let apis = |c: &Cell| world.truth.catalogue.workloads[c.1].apis[c.3].starts_with("DirectX");
    if target.cells.iter().any(|(c, _)| apis(c)) || random.chance(0.62) { "Sill" } else { "Coppice" }
}

/// Honest runs of the newest bench, none of them in a configuration under attack.
fn history(
    world: &World,
    random: &mut Random,
    joined: NaiveDate,
    attacked: &BTreeSet<Cell>,
    planned: &mut Vec<Planned>,
) {
    let bench = world.benches.len() - 1;
    let mut made = 0;
    // A bench whose cards run nothing but what is attacked has no history.
    for sitting in 0..8 {
        if made >= HISTORY {
            break;
        }
        let date = world.benches[bench].from.max(joined) + Days::new(12 * sitting);
        let mut runs = Vec::new();
        plan::session(
            random,
            &world.truth,
            &Habits::TRIAL,
            &world.benches,
            bench,
            date,
            2 * HISTORY,
            &mut runs,
        );
        runs.retain(|run| !attacked.contains(&cell(&run.claimed)));
        runs.truncate(HISTORY - made);
        made += runs.len();
        planned.append(&mut runs);
    }
}

/// A run of the newest bench in a configuration, made faster; none when the bench has no driver for it yet.
fn lie(world: &World, random: &mut Random, cell: &Cell, date: NaiveDate, by: f64) -> Option<Planned> {
    let (card, workload, scene, api, preset, width, height) = *cell;
    let bench = world.benches.len() - 1;
    let date = date.max(world.benches[bench].from);
    let unit = world.benches[bench].units.iter().position(|u| u.card == card)?;
    let driver = *plan::releases(&world.truth, world.benches[bench].system, card, date).first()?;
    let build = plan::build(random, &world.truth, workload, date)?;
    let at: DateTime<Utc> =
        date.and_hms_opt(9, 0, 0)?.and_utc() + Duration::seconds(random.below(30_000) as i64);
    let situation = Situation { card, driver, workload, scene, build, api, preset, width, height };
    let run = plan::planned(random, &world.truth, &Habits::TRIAL, at, bench, unit, situation);
    Some(Planned { grade: Grade::Full, outcome: Outcome::Completed, label: Label::Inflated { by }, ..run })
}

/// Puts runs between those that are there, and points labels to where their originals have moved.
fn merge(world: &mut World, planned: Vec<Planned>) {
    world.plan.extend(planned);
    world.plan.sort_by_key(|p| (p.arrives, p.at, p.bench));
    let mut places = vec![0; world.plan.len()];
    for (at, run) in world.plan.iter().enumerate() {
        if let Some(place) = usize::try_from(run.key).ok().and_then(|key| places.get_mut(key)) {
            *place = at;
        }
    }
    for run in &mut world.plan {
        if let Label::DuplicateOf { submission } | Label::ForgedCopy { submission, .. } = &mut run.label {
            *submission = places[*submission];
        }
    }
}
