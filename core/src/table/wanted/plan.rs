//! A plan for an afternoon: the best gain a minute first, computed again after each choice.

use std::collections::HashMap;

use super::candidates;
use super::cost::{At, Setup};
use super::gain::{Of, Part, State};
use super::known::Known;
use super::told;
use super::{Plan, PlannedRun, Stage};

/// One choice: its runs and what they added.
#[derive(Debug, Clone)]
struct Pick {
    runs: Vec<At>,
    minutes: f64,
    parts: Vec<Part>,
}

/// The picks on some drivers.
#[derive(Debug, Clone, Default)]
struct Draft {
    drivers: Vec<usize>,
    picks: Vec<Pick>,
    points: f64,
}

/// A plan that fits the hours. Drivers are added one by one, that one first with which the whole plan gains most, as long
/// as it gains: each costs its installation before the first run on it.
pub(super) fn plan(known: &Known<'_>, start: &State, hours: f64) -> Plan {
    let policy = &known.policy.wanted;
    let minutes = 60.0 * hours - policy.sitting_minutes;
    let mut best = Draft::default();
    let mut first = HashMap::new();
    while best.drivers.len() < policy.plan_drivers {
        let others = known.allowed().into_iter().filter(|release| !best.drivers.contains(release));
        let drafts = others.map(|release| {
            let mut drivers = best.drivers.clone();
            drivers.push(release);
            drivers.sort_unstable();
            draft(known, start, &mut first, drivers, minutes)
        });
        // Of equals the newest release.
        let better = drafts.max_by(|a, b| a.points.total_cmp(&b.points));
        match better.filter(|draft| draft.points > best.points) {
            Some(draft) => best = draft,
            None => break,
        }
    }
    written(known, &best, hours)
}

/// The greedy choice on these drivers; `first` keeps what each candidate gains before any choice.
fn draft(
    known: &Known<'_>,
    start: &State,
    first: &mut HashMap<Vec<At>, f64>,
    drivers: Vec<usize>,
    minutes: f64,
) -> Draft {
    let policy = &known.policy.wanted;
    let mut setup = Setup::of(known);
    let mut left = minutes;
    for driver in &drivers {
        if !setup.has(*driver) {
            setup.install(*driver);
            left -= policy.driver_minutes;
        }
    }
    let mut state = start.clone();
    // What each candidate gained when it was last looked at: the most it still can, unless a choice beside it makes it
    // tell more.
    let mut open: Vec<(f64, Vec<At>)> = candidates::all(known, &drivers)
        .into_iter()
        .map(|runs| {
            // Before anything is chosen a candidate gains the same whatever the other drivers.
            let points = *first.entry(runs.clone()).or_insert_with(|| start.points(known, &runs));
            (points, runs)
        })
        .filter(|(points, _)| *points > 0.0)
        .collect();
    let mut draft = Draft { drivers, ..Draft::default() };
    let mut runs_left = policy.plan_runs;
    loop {
        let fits = |runs: &[At]| runs.len() <= runs_left && setup.minutes(known, runs) <= left;
        open.retain(|(points, runs)| *points >= policy.least_points && fits(runs));
        let rate = |(points, runs): &(f64, Vec<At>)| points / setup.minutes(known, runs);
        let most = |open: &[(f64, Vec<At>)]| {
            (0..open.len()).max_by(|a, b| rate(&open[*a]).total_cmp(&rate(&open[*b])))
        };
        let Some(at) = most(&open) else { break };
        let now = state.points(known, &open[at].1);
        if now < open[at].0 - 1e-9 {
            open[at].0 = now;
            continue;
        }
        let (_, runs) = open.swap_remove(at);
        let pick = Pick {
            minutes: setup.minutes(known, &runs),
            parts: state.parts(known, &runs),
            runs: runs.clone(),
        };
        left -= pick.minutes;
        runs_left -= runs.len();
        draft.points += pick.parts.iter().map(|part| part.points).sum::<f64>();
        state.take(known, &runs);
        runs.iter().for_each(|run| setup.run(known, *run));
        draft.picks.push(pick);
        let family = |at: &At| known.settings[at.0].family;
        let beside = |other: &[At]| other.iter().any(|o| runs.iter().any(|r| family(r) == family(o)));
        open.retain(|(_, other)| !other.iter().any(|run| runs.contains(run)));
        for (points, other) in &mut open {
            if beside(other) {
                *points = state.points(known, other);
            }
        }
        // What gained nothing by itself may complete a comparison now.
        for run in &runs {
            for (setting, of) in known.settings.iter().enumerate().filter(|(_, of)| known.asks_for(of)) {
                let there = |driver: usize| draft.picks.iter().any(|p| p.runs.contains(&(setting, driver)));
                if of.family != family(run) {
                    continue;
                }
                for driver in draft.drivers.iter().copied().filter(|driver| !there(*driver)) {
                    let single = vec![(setting, driver)];
                    if !open.iter().any(|(_, other)| *other == single) {
                        open.push((state.points(known, &single), single));
                    }
                }
            }
        }
    }
    draft
}

/// The plan as a checklist: each driver once, on it workload by workload.
fn written(known: &Known<'_>, draft: &Draft, hours: f64) -> Plan {
    let policy = &known.policy.wanted;
    let mut drivers = draft.drivers.clone();
    drivers.retain(|driver| draft.picks.iter().any(|pick| pick.runs.iter().any(|run| run.1 == *driver)));
    drivers.sort_by_key(|driver| (known.installed != Some(*driver), *driver));
    let mut setup = Setup::of(known);
    let stages: Vec<Stage> = drivers
        .iter()
        .map(|driver| {
            let install_minutes = if setup.has(*driver) { 0.0 } else { policy.driver_minutes };
            setup.install(*driver);
            let mut on: Vec<(At, &Pick)> = Vec::new();
            for pick in &draft.picks {
                on.extend(pick.runs.iter().filter(|run| run.1 == *driver).map(|run| (*run, pick)));
            }
            // Workloads in the order in which they were chosen.
            let workload = |run: &At| known.settings[run.0].workload;
            let mut order: Vec<usize> = Vec::new();
            for (run, _) in &on {
                if !order.contains(&workload(run)) {
                    order.push(workload(run));
                }
            }
            on.sort_by_key(|(run, _)| order.iter().position(|w| *w == workload(run)));
            let runs = on
                .into_iter()
                .map(|(run, pick)| {
                    let minutes = setup.minutes(known, &[run]);
                    setup.run(known, run);
                    let points = pick.parts.iter().map(|p| p.points).sum::<f64>() / pick.runs.len() as f64;
                    PlannedRun {
                        run: told::run(known, run),
                        minutes,
                        points,
                        why: told::why(known, &pick.parts),
                    }
                })
                .collect();
            Stage { driver: known.releases[*driver].id.clone(), install_minutes, runs }
        })
        .collect();
    let runs: f64 =
        stages.iter().map(|s| s.install_minutes + s.runs.iter().map(|r| r.minutes).sum::<f64>()).sum();
    let all: Vec<At> = draft.picks.iter().flat_map(|pick| pick.runs.clone()).collect();
    let (totals, effects) = told::by_kind(known, &together(known, draft, &all));
    Plan {
        hours,
        minutes: if stages.is_empty() { 0.0 } else { policy.sitting_minutes + runs },
        sitting_minutes: policy.sitting_minutes,
        points: draft.points,
        totals,
        effects,
        stages,
    }
}

/// What all picks do to each figure; steps of the track as its model sees them with the runs added.
fn together(known: &Known<'_>, draft: &Draft, all: &[At]) -> Vec<Part> {
    let mut sums: std::collections::BTreeMap<Of, Part> = std::collections::BTreeMap::new();
    for part in draft.picks.iter().flat_map(|pick| &pick.parts) {
        let sum = sums.entry(part.of).or_insert(Part { points: 0.0, ..*part });
        sum.points += part.points;
        if let (Some((before, _)), Some((_, after))) = (sum.halves, part.halves) {
            sum.halves = Some((before, after));
        }
    }
    for (step, halves) in known.steps_after(all) {
        if let Some(part) = sums.get_mut(&Of::Step(step)) {
            part.halves = Some(halves);
        }
    }
    sums.into_values().collect()
}
